"""Tables of rows: what one would change, saved all at once, undone at once; and how each sender's tables are read."""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.errors import Problem, Problems
from app.ledger.importing.bitting_list_rows import BITTING_LIST
from app.ledger.importing.customers import CONTACTS, CUSTOMERS
from app.ledger.importing.goods import GOODS, STOCK
from app.ledger.importing.keys_out import KEYS_OUT
from app.ledger.importing.kinds import ImportColumn, ImportKind, ImportRows, RowPlan, RowPlans, RowProblem, RowState
from app.ledger.importing.learned_lists import LEARNED
from app.ledger.importing.price_list_rows import PRICE_LIST
from app.ledger.importing.prices import PRICES
from app.ledger.importing.reading import (
    TableChoice,
    TableQuestions,
    guess_choice,
    heading_of,
    questions_of,
    read_table,
)
from app.ledger.importing.sites import DOORS, SITES
from app.ledger.importing.written import WrittenRows, take_back, what_leans
from app.ledger.store.engine import Page, get_row, get_version, page_of, transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import record
from app.ledger.store.work import Progress, Work, nobody_watches
from app.ledger.tables import Import, ImportMapping, Role
from app.spreadsheets import PASTED, FoundTable, find_table, heading_key, open_sheet
from app.validation import counted

_EVERY = (CUSTOMERS, CONTACTS, SITES, DOORS, KEYS_OUT, GOODS, PRICES, STOCK, PRICE_LIST, BITTING_LIST, LEARNED)
KINDS: dict[str, ImportKind] = {kind.name: kind for kind in _EVERY}
_MOST_SENDERS = 200


def kinds_for(role: Role) -> tuple[ImportKind, ...]:
    """The kinds of rows that somebody of this role may import."""
    return tuple(kind for kind in KINDS.values() if role is Role.OWNER or role in kind.roles)


def is_sealed(kind: str) -> bool:
    """Whether tables of a kind are secrets, which wait under seal; no where there is none of this name."""
    return kind in KINDS and KINDS[kind].is_secret


def kind_named(work: Work, name: str) -> ImportKind:
    """A kind of rows; LedgerError where there is none of this name, NotAllowed where it is not theirs to import."""
    work.require(Role.COUNTER, Role.BENCH)
    kind = KINDS.get(name)
    if kind is None:
        raise LedgerError("kind", "Choose what the rows are.")
    work.require(*kind.roles)
    return kind


@dataclass(frozen=True, slots=True)
class SentTable:
    """A table that somebody sent: its name, what its rows are, and what it is all about, by id."""

    name: str
    kind: ImportKind
    about_id: int | None
    table: FoundTable
    today: date | None = None


def open_table(
    name: str,
    content: bytes,
    kind: ImportKind,
    about_id: int | None = None,
    today: date | None = None,
    head_row: int | None = None,
) -> SentTable:
    """The table of a file or a paste. BitternError on `file` where it cannot be read, or holds no row."""
    if not kind.columns:
        raise LedgerError("kind", "Choose what the rows are.")
    known = [head for column in kind.columns for head in column.heads]
    table = find_table(open_sheet(name, content), known, head_row)
    if not table.numbers:
        raise LedgerError("file", "There is no row in this. The first rows name the columns, the others follow.")
    return SentTable(name, kind, about_id, table, today)


@dataclass(frozen=True, slots=True)
class ProposedChoice:
    """How a table may be read. sender: whose tables are read so, "" where nobody's is remembered; is_sure: nothing
    of it is a guess.
    """

    choice: TableChoice
    sender: str
    is_sure: bool


def propose_choice(session: Session, sent: SentTable) -> ProposedChoice:
    """How the sender's table was read last time, wherever its columns stand now; else as its own headings say."""
    there = {heading_key(column.heading): column.place for column in sent.table.columns if column.heading}
    rows = sa.select(ImportMapping).where(ImportMapping.kind == sent.kind.name)
    for kept in session.scalars(rows.order_by(ImportMapping.used_at.desc(), ImportMapping.id.desc())):
        if kept.headings and all(heading in there for heading in kept.headings.values()):
            columns = {name: there[heading] for name, heading in kept.headings.items()}
            wanted = {column.name for column in sent.kind.columns_for(sent.about_id)}
            choice = TableChoice(
                {name: place for name, place in columns.items() if name in wanted}, kept.words, kept.day_order
            )
            return ProposedChoice(choice, kept.sender, True)
    choice, is_sure = guess_choice(sent.kind, sent.about_id, sent.table)
    return ProposedChoice(choice, "", is_sure)


def ask_questions(session: Session, sent: SentTable, choice: TableChoice) -> TableQuestions:
    """What somebody has to say before the table can be read so."""
    return questions_of(session, sent.kind, sent.about_id, sent.table, choice)


@dataclass(frozen=True, slots=True)
class ImportPlan:
    """What a table would change. problems: by row; rows with one are in no plan. unused: columns left out."""

    plans: Sequence[RowPlan]
    problems: tuple[RowProblem, ...]
    unused: tuple[str, ...]
    seal: str
    rows: ImportRows

    def count(self, state: RowState) -> int:
        """How many rows would do that."""
        return sum(plan.state is state for plan in self.plans)

    def fields_of(self, plan: RowPlan, columns: Sequence[ImportColumn]) -> Mapping[str, tuple[str, str]]:
        """Each field of a row before and after; of a new one what it says."""
        if plan.fields or plan.state is not RowState.NEW:
            return plan.fields
        said = self.rows.said(plan.row)
        return {one.words: ("", str(value)) for one in columns if (value := said.get(one.name))}

    @property
    def rows_aside(self) -> frozenset[int]:
        """The rows with problems."""
        return frozenset(problem.row for problem in self.problems)

    @property
    def does_nothing(self) -> bool:
        """Whether nothing would be saved."""
        return all(plan.state is RowState.SAME for plan in self.plans)


def plan_import(session: Session, sent: SentTable, choice: TableChoice) -> ImportPlan:
    """What the rows of a table would do, and every problem; nothing is saved."""
    read = read_table(session, sent.kind, sent.about_id, sent.table, choice)
    rows = replace(read.rows, today=sent.today)
    unread = len(read.problems)
    plans = sent.kind.plan(session, sent.about_id, rows, read.refuse)
    if bad := {problem.row for problem in read.problems[unread:]}:
        plans = RowPlans(plan for plan in plans if plan.row not in bad)
    # What the rows say is the file's own; what else there is to it is what stood on record.
    marks, new = [], []
    for row, state, _, fields, _ in plans:
        is_new = state is RowState.NEW
        if fields:
            marks.append([row, is_new, [*fields.items()]])
        if is_new:
            new.append(row)
    seal = hashlib.sha256(repr((new, marks)).encode("utf-8", "replace"))
    unused = unused_columns(sent, choice)
    return ImportPlan(plans, tuple(sorted(read.problems)), unused, seal.hexdigest()[:32], rows)


def unused_columns(sent: SentTable, choice: TableChoice) -> tuple[str, ...]:
    """The columns with something in them that nothing is taken from, by their headings."""
    used = set(choice.columns.values())
    left = (column for column in sent.table.columns if column.place not in used and column.samples)
    return tuple(column.heading or column.letter for column in left)


def save_import(
    work: Work,
    sent: SentTable,
    choice: TableChoice,
    seal: str,
    sender: str = "",
    *,
    leaves_problems_aside: bool,
    progress: Progress = nobody_watches,
) -> Import:
    """Save what a table would change, all of it at once, and remember how its sender's tables are read.

    seal: of the plan that was shown; Stale where the table would do something else now. Problems where rows have
    them and are not to be left aside; nothing is saved then.
    """
    work.require(Role.COUNTER, Role.BENCH)
    work.require(*sent.kind.roles)
    with transaction(work.session):
        progress("comparing with what is on record", 0, 0)
        plan = plan_import(work.session, sent, choice)
        if plan.problems and not leaves_problems_aside:
            raise Problems([Problem(f"row {one.row}, {one.place}", one.message) for one in plan.problems])
        if plan.seal != seal:
            raise Stale("What this table would change is not what was shown any more. Nothing was saved; look again.")
        if plan.does_nothing:
            raise LedgerError("file", "Everything in this table is saved already.")
        written = WrittenRows()
        plans = [one for one in plan.plans if one.state is not RowState.SAME]
        progress(f"saving {counted(len(plans), 'row')}", 0, 0)
        with written.watching(work.session):
            sent.kind.save(work, sent.about_id, plans, plan.rows)
        progress("noting what undoes it", 0, 0)
        sender = " ".join(sender.split())[:120]
        row = Import(
            kind=sent.kind.name,
            file_name=sent.name[:120],
            sender=sender,
            made_at=work.now,
            made_by_id=work.actor.user_id,
            new=plan.count(RowState.NEW),
            changed=plan.count(RowState.CHANGED),
            unchanged=plan.count(RowState.SAME),
            aside=len(plan.rows_aside),
            written=written.to_json(work.session),
        )
        work.session.add(row)
        work.session.flush()
        said = f"{sent.kind.words} imported: {row.new:,} new, {row.changed:,} changed, {row.aside:,} rows left aside"
        record(work, "table imported", f"import {row.id}", said)
        remember_choice(work, sent, choice, sender)
        return row


def remember_choice(work: Work, sent: SentTable, choice: TableChoice, sender: str) -> None:
    """Remember how a sender's tables of this kind are read, inside the caller's transaction. Never of a secret kind:
    headings and words may be cells of the very table.
    """
    headings = {name: heading_of(sent.table, place) for name, place in choice.columns.items()}
    if sent.kind.is_secret or not headings or not all(headings.values()):
        return
    rows = sa.select(ImportMapping).where(ImportMapping.kind == sent.kind.name, ImportMapping.sender == sender)
    kept = work.session.scalar(rows)
    if kept is None:
        kept = ImportMapping(kind=sent.kind.name, sender=sender)
        work.session.add(kept)
    kept.headings, kept.day_order, kept.used_at = headings, choice.day_order, work.now
    kept.words = {name: dict(words) for name, words in choice.words.items()}
    work.session.flush()


def usual_sender(sent: SentTable) -> str:
    """Who may have sent a table: what its first title says, else its file's name without digits; "" of a paste."""
    if sent.table.titles:
        return sent.table.titles[0][:120]
    if sent.name == PASTED:
        return ""
    stem = sent.name.rpartition(".")[0] or sent.name
    return " ".join("".join(" " if sign.isdigit() or sign in "_-." else sign for sign in stem).split())[:120]


def list_senders(session: Session) -> Sequence[str]:
    """Whose tables are remembered, by name."""
    rows = sa.select(ImportMapping.sender).where(ImportMapping.sender != "").distinct()
    return session.scalars(rows.order_by(ImportMapping.sender).limit(_MOST_SENDERS)).all()


def list_imports(session: Session, role: Role, page: int = 1, size: int = 30) -> Page[Import]:
    """Tables that came in and are of kinds that this role imports, the newest first."""
    kinds = [kind.name for kind in kinds_for(role)]
    rows = sa.select(Import).where(Import.kind.in_(kinds)).options(joinedload(Import.made_by))
    return page_of(session, rows.order_by(Import.id.desc()), page, size)


def get_import(work: Work, import_id: int) -> Import:
    """A table that came in; NotFound, NotAllowed where its kind is not theirs to import."""
    work.require(Role.COUNTER, Role.BENCH)
    row = get_row(work.session, Import, import_id, "import")
    kind_named(work, row.kind)
    return row


def leaning_on(session: Session, row: Import) -> tuple[str, ...]:
    """What stands against undoing an import, in words; nothing where it can be undone."""
    if row.undone_at:
        return ()
    own = KINDS[row.kind].leans
    return own(session, row) if own else what_leans(session, row.written)


def undo_import(work: Work, import_id: int, version: int, *, progress: Progress = nobody_watches) -> Import:
    """Take an import back: what it made is deleted, what it changed stands as before.

    Raises LedgerError that says what leans on its rows; then nothing is undone.
    """
    work.require(Role.COUNTER, Role.BENCH)
    get_import(work, import_id)
    with transaction(work.session):
        row = get_version(work.session, Import, import_id, "import", version)
        if row.undone_at is not None:
            raise Stale("Somebody undid this import already.")
        progress("looking for what leans on it", 0, 0)
        if leans := leaning_on(work.session, row):
            raise LedgerError("", f"This import cannot be undone any more: {'; '.join(leans)}.")
        counts = f"{counted(row.new, 'new row')} deleted, {row.changed:,} as before"
        progress(f"undoing {counted(row.new + row.changed, 'row')}", 0, 0)
        kind, written = KINDS[row.kind], row.written
        if kind.take_back is not None:
            kind.take_back(work, written)
        else:
            take_back(work.session, written)
        row = work.session.get_one(Import, import_id)
        row.undone_at, row.undone_by_id = work.now, work.actor.user_id
        record(work, "import undone", f"import {row.id}", f"Import of {kind.words.lower()} undone: {counts}")
        return row
