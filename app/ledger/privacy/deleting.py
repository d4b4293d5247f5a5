"""Use cases: what a deletion of personal data would do, doing it, again after a restore, and its key's end."""

import json
from collections import Counter as Tally
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, selectinload

from app.ledger.jobs.notes import NOTE
from app.ledger.privacy.mentions import CLEARED, NOBODY, Looker, Mention, Values, customer_of_draft
from app.ledger.privacy.originals import WORDS, DeletionFiles, ListedDeletion, seal_original
from app.ledger.privacy.subjects import (
    Identity,
    Subject,
    get_subject,
    identity_of,
    placeholder,
    require_deletable,
    what_stands_in_the_way,
)
from app.ledger.privacy.words import Replacer, tokens
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.events import DELETED, event_hash, house_id, next_number, record, seal_of_replaced
from app.ledger.store.vault import Vault
from app.ledger.store.work import Work
from app.ledger.tables import (
    Base,
    Contact,
    Counter,
    Customer,
    Deletion,
    Draft,
    Event,
    Job,
    JobFile,
    Login,
    LoginAttempt,
    QuoteRevision,
    ReplacedText,
    User,
    model_of,
)
from app.validation import counted

_NUMBERS = "deletion"
KEY_DESTROYED = "deletion's key destroyed"
_SHOWN = 4
_AROUND = 60


@dataclass(frozen=True, slots=True)
class MentionedAt:
    """A table among one customer's records: how many rows tell of somebody, some texts before and after."""

    customer_id: int
    customer: str
    table: str
    rows: int
    examples: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class DeletionPlan:
    """What a deletion would do. `refusals`: what has to be done first. files: of the customer's jobs, or named so.

    doubtful: customers among whose records somebody else of this name is on record.
    """

    subject: Subject
    number: int
    put: str
    refusals: tuple[str, ...]
    places: tuple[MentionedAt, ...]
    files: tuple[JobFile, ...]
    namesakes: tuple[str, ...]
    doubtful: frozenset[int]

    @property
    def customers(self) -> tuple[tuple[int, str], ...]:
        """Among whose records the words stand, the house's own last."""
        found = {one.customer_id: one.customer for one in self.places}
        return tuple(sorted(found.items(), key=lambda one: (one[0] == NOBODY, one[1], one[0])))


def plan_deletion(work: Work, folder: Path, kind: str, row_id: int, also: str = "") -> DeletionPlan:
    """What would be deleted, with before and after; nothing is changed. also: further words that are theirs."""
    work.require_owner()
    session = work.session
    files = DeletionFiles(folder, house_id(session))
    subject = get_subject(session, kind, row_id)
    number = _next(session, files)
    hasher = Vault(Vault.new_key())  # the list's own is made by a deletion, not by a look
    found = identity_of(session, hasher, subject, number, also)
    mentions = list(_mentions(session, hasher, subject, found, ()))
    names = dict(session.execute(sa.select(Customer.id, Customer.name)).all())
    namesakes, doubtful = _namesakes(session, subject)
    return DeletionPlan(
        subject,
        number,
        placeholder(subject, number),
        what_stands_in_the_way(work, subject),
        tuple(_places(mentions, names)),
        tuple(_files(session, subject, mentions)),
        namesakes,
        doubtful,
    )


def _next(session: Session, files: DeletionFiles) -> int:
    """The number that the next deletion has: a number that was given out once is never given out again."""
    last = session.scalar(sa.select(Counter.value).where(Counter.name == _NUMBERS)) or 0
    return max([last, *(one.number for one in files.listed())]) + 1


def _places(mentions: Iterable[Mention], names: dict[int, str]) -> Iterable[MentionedAt]:
    found: dict[tuple[int, str], list[Mention]] = {}
    for one in mentions:
        found.setdefault((one.customer_id, one.table.name), []).append(one)
    for (customer_id, table), ones in found.items():
        examples = [pair for one in ones[:_SHOWN] for pair in _pairs(one)][:_SHOWN]
        name = names.get(customer_id, "")
        yield MentionedAt(customer_id, name, table.replace("_", " "), len(ones), tuple(examples))


def _pairs(mention: Mention) -> list[tuple[str, str]]:
    """Before and after, of each text that changes, shortened to where they differ."""
    pairs: list[tuple[str, str]] = []
    for name, after in mention.after.items():
        if name == "snapshot":
            pairs += _differing(json.loads(mention.row[name]), json.loads(after))
        elif not name.endswith(("_digits", "_key", "_hash", "sha256")):
            pairs += _differing(mention.row[name], after)
    return pairs


def _differing(before: Any, after: Any) -> list[tuple[str, str]]:
    if before == after:
        return []
    if isinstance(before, dict) and isinstance(after, dict) and len(before) == len(after):
        return [one for a, b in zip(before.values(), after.values(), strict=True) for one in _differing(a, b)]
    if isinstance(before, list) and isinstance(after, list):
        return [one for a, b in zip(before, after, strict=False) for one in _differing(a, b)]
    if not isinstance(before, str) or not isinstance(after, str):
        return []
    start = next((at for at, (a, b) in enumerate(zip(before, after, strict=False)) if a != b), 0)
    start = max(start - 20, 0)
    return [(before[start : start + _AROUND], after[start : start + _AROUND] or "nothing")]


def _namesakes(session: Session, subject: Subject) -> tuple[tuple[str, ...], frozenset[int]]:
    """Others on record under the same name, in words, and among whose records."""
    name = tokens(subject.name)
    said: list[str] = []
    doubtful: set[int] = set()
    for kind, table in (("customer", Customer), ("contact", Contact), ("login", User)):
        for row_id, other in session.execute(sa.select(table.id, table.name).order_by(table.id)):
            if tokens(other) != name or (kind, row_id) == (subject.kind, subject.id):
                continue
            one = get_subject(session, kind, row_id)
            if kind == "contact" and subject.kind == "customer" and one.customer_id == subject.id:
                continue
            said.append(f"{one.name}, {one.about}")
            if one.customer_id is not None and one.customer_id != subject.customer_id:
                doubtful.add(one.customer_id)
    return tuple(said), frozenset(doubtful)


def _files(session: Session, subject: Subject, mentions: Iterable[Mention]) -> Sequence[JobFile]:
    named = [one.key for one in mentions if one.table.name == JobFile.__tablename__]
    condition: sa.ColumnElement[bool] = JobFile.id.in_(named)
    if subject.kind == "customer":
        condition = sa.or_(condition, JobFile.job_id.in_(sa.select(Job.id).where(Job.customer_id == subject.id)))
    return session.scalars(sa.select(JobFile).where(condition).order_by(JobFile.id)).all()


def _mentions(
    session: Session, hasher: Vault, subject: Subject, found: Identity, left: Sequence[int]
) -> Iterable[Mention]:
    own = subject.id if subject.kind == "customer" else None
    looker = Looker(session, hasher, found.marks, own=own, is_login=subject.kind == "login")
    return _all_mentions(session, looker, found.rows, own, left, found.patterns)


def _all_mentions(
    session: Session,
    looker: Looker,
    rows: Iterable[tuple[str, int, str]],
    customer_id: int | None,
    left: Sequence[int],
    patterns: list[str] | None,
) -> Iterable[Mention]:
    """Rows with the person's words, rows that are about the person, and notes on jobs of the customer who goes."""
    mentions = {(one.table.name, one.key): one for one in looker.mentions(patterns) if one.customer_id not in left}
    for table_name, row_id, put in rows:
        table = Base.metadata.tables[table_name]
        row = session.execute(sa.select(table).where(table.c.id == row_id)).mappings().first()
        if row is not None:
            after = {name: value for name, value in CLEARED[table_name](put).items() if row[name] != value}
            also = mentions.get((table_name, row_id))
            owner = customer_id or (also.customer_id if also else NOBODY)
            mentions[table_name, row_id] = Mention(table, dict(row), {**(also.after if also else {}), **after}, owner)
    if customer_id is not None:
        events = Base.metadata.tables[Event.__tablename__]
        jobs = sa.select(Job.id).where(Job.customer_id == customer_id)
        notes = sa.select(events).where(events.c.kind == NOTE, events.c.job_id.in_(jobs)).order_by(events.c.id)
        for row in session.execute(notes).mappings():
            mentions[events.name, row["id"]] = Mention(events, dict(row), {"summary": _NOTE_GONE}, customer_id)
    return [one for one in mentions.values() if one.after]


_NOTE_GONE = "A note that was removed with the customer."


@dataclass(frozen=True, slots=True)
class DeletionDone:
    """A deletion that was made. clean: a text without the person's words, for what waits outside of the database."""

    number: int
    put: str
    clean: Callable[[str], str]


@dataclass(frozen=True, slots=True)
class DeletionForm:
    """What the owner says: the name once more, further words that are theirs, customers whose records are left."""

    name: str
    also: str = ""
    left: tuple[int, ...] = ()
    files: tuple[int, ...] = ()


def delete_person(
    work: Work, folder: Path, files_folder: Path, kind: str, row_id: int, form: DeletionForm
) -> DeletionDone:
    """Delete what is kept about somebody, as `plan_deletion` showed it; originals of events and quotes are sealed.

    Raises LedgerError on `name` where it is not the name, and with what has to be done first; then nothing changed.
    """
    work.require_owner()
    files = DeletionFiles(folder, house_id(work.session))
    with transaction(work.session):
        subject = get_subject(work.session, kind, row_id)
        if tokens(form.name) != tokens(subject.name):
            raise LedgerError("name", f"Type the name as it stands here, to confirm: {subject.name}.")
        require_deletable(work, subject)
        number = _next(work.session, files)
        next_number(work.session, _NUMBERS)  # its lock; a number that only the list knows is skipped
        work.session.get_one(Counter, _NUMBERS).value = number
        hasher = files.hasher()
        found = identity_of(work.session, hasher, subject, number, form.also)
        left = () if kind == "login" else form.left
        listed = ListedDeletion(
            files.house,
            number,
            tuple(found.rows),
            tuple(found.marks),
            subject.id if kind == "customer" else None,
            kind == "login",
            left,
        )
        try:
            gone = _drop_files(work, files_folder, form.files)
            mentions = list(_mentions(work.session, hasher, subject, found, left))
            key = files.make_key(number)
            files.put_on_list(listed)
            _carry_out(work, key, listed, mentions, f"{placeholder(subject, number).capitalize()}")
        except BaseException:
            files.take_off(number)
            raise
    for path in gone:
        path.unlink(missing_ok=True)
    return DeletionDone(number, placeholder(subject, number), Replacer(hasher, found.marks).text)


def _drop_files(work: Work, folder: Path, ids: Sequence[int]) -> list[Path]:
    """Take rows of files off, for the files to be removed once that is saved."""
    paths = []
    for file in work.session.scalars(sa.select(JobFile).where(JobFile.id.in_(ids)).order_by(JobFile.id)):
        paths.append(folder / file.stored_name)
        work.session.delete(file)
    work.session.flush()
    return paths


def _carry_out(work: Work, key: Vault, listed: ListedDeletion, mentions: Sequence[Mention], said: str) -> Deletion:
    """Replace the words, keep the originals of what is otherwise never changed, and put the deletion on record."""
    session = work.session
    deletion = Deletion(
        number=listed.number,
        at=work.now,
        by_id=work.actor.user_id,
        is_running=True,
        counts=dict(sorted(Tally(one.table.name for one in mentions).items())),
        left=list(listed.left),
    )
    session.add(deletion)
    session.flush()
    kept: list[tuple[str, int, bytes]] = []
    for one in mentions:
        after = one.after if one.table.name in WORDS else _unique(session, one)
        if one.table.name in WORDS:
            replaced = ReplacedText(
                deletion_id=deletion.id, table_name=one.table.name, row_id=one.key, replaced_hash=_hash_of(one)
            )
            seal_original(
                session, key, replaced, listed.number, {name: one.row[name] for name in WORDS[one.table.name]}
            )
            session.add(replaced)
            session.flush()  # the guard lets a row through once its original is kept
            kept.append((one.table.name, one.key, replaced.replaced_hash))
        elif "version" in one.table.columns:
            after = {**after, "version": one.table.c.version + 1}
        session.execute(sa.update(one.table).where(one.where).values(after))
    _end_logins(session, listed, work)
    if listed.own is not None:
        drafts = session.execute(sa.select(Draft.token, Draft.typed).order_by(Draft.token)).all()
        tokens_gone = [token for token, typed in drafts if customer_of_draft(typed) == listed.own]
        session.execute(sa.delete(Draft).where(Draft.token.in_(tokens_gone)))
    deletion.is_running = False
    session.flush()
    session.expire_all()
    rows = counted(len(mentions), "record")
    record(
        work,
        DELETED,
        "house",
        f"{said}: names, addresses and numbers left {rows}; the originals of {len(kept):,} are sealed",
        number=listed.number,
        seal=seal_of_replaced(kept) if kept else "",
        left=list(listed.left),
    )
    return deletion


def _hash_of(mention: Mention) -> bytes:
    """The hash of a row's words as they stand from then on."""
    words = {**mention.row, **mention.after}
    if mention.table.name == QuoteRevision.__tablename__:
        return bytes.fromhex(words["sha256"])
    return event_hash(Event(**words))


def _unique(session: Session, mention: Mention) -> Values:
    """What is to stand in a row, with the row's number behind a text that another row has already."""
    table, after = mention.table, dict(mention.after)
    for constraint in table.constraints:
        names = [column.name for column in constraint.columns] if isinstance(constraint, sa.UniqueConstraint) else []
        changed = [name for name in names if isinstance(after.get(name), str)]
        if not changed:
            continue
        values = {**mention.row, **after}
        same = sa.select(sa.literal(1)).select_from(table).where(*(table.c[name] == values[name] for name in names))
        if session.execute(same.where(sa.not_(mention.where)).limit(1)).first() is not None:
            after[changed[-1]] = f"{after[changed[-1]]} ({mention.key})"
    return after


def _end_logins(session: Session, listed: ListedDeletion, work: Work) -> None:
    """Whoever is gone is logged in nowhere, and no address tells where they were."""
    ids = [row_id for table, row_id, _ in listed.rows if table == User.__tablename__]
    keys = [put for table, _, put in listed.rows if table == User.__tablename__]
    if ids:
        session.execute(
            sa.update(Login)
            .where(Login.user_id.in_(ids))
            .values(
                address="",
                ended_at=sa.func.coalesce(Login.ended_at, sa.bindparam("now", work.now, Login.ended_at.type)),
            )
        )
        session.execute(sa.update(User).where(User.id.in_(ids)).values(session_stamp=User.session_stamp + 1))
        session.execute(sa.delete(LoginAttempt).where(LoginAttempt.name_key.in_(keys)))


def delete_again(work: Work, folder: Path) -> tuple[int, ...]:
    """Do again what a restored house does not know of: the numbers of the deletions on the list that it lacks."""
    work.require_owner()
    if not folder.exists():
        return ()
    files = DeletionFiles(folder, house_id(work.session))
    if not (listed := files.listed()):
        return ()
    if {one.number for one in listed} <= set(work.session.scalars(sa.select(Deletion.number))):
        return ()
    done: list[int] = []
    with transaction(work.session):
        known = set(work.session.scalars(sa.select(Deletion.number)))
        for one in listed:
            if one.number in known:
                continue
            session = work.session
            hasher, found = files.hasher(), Identity(marks=list(one.marks))
            for table, row_id, put in one.rows:
                row = session.get(model_of(table), row_id)
                if row is not None and table != "sites":  # as it reads in this backup, which may be otherwise
                    found.add_row(hasher, row, put, is_own=one.own is not None and table == "contacts")
            looker = Looker(session, hasher, found.marks, own=one.own, is_login=one.is_login)
            mentions = list(_all_mentions(session, looker, one.rows, one.own, one.left, None))
            key = files.key_of(one.number)
            deletion = _carry_out(
                work,
                key or Vault(Vault.new_key()),
                one,
                mentions,
                f"Deletion {one.number} done again in a restored house",
            )
            deletion.key_destroyed_at = None if key else work.now
            if session.get(Counter, _NUMBERS) is None:
                session.add(Counter(name=_NUMBERS, value=0))
                session.flush()
            counter = session.get_one(Counter, _NUMBERS)
            counter.value = max(counter.value, one.number)
            done.append(one.number)
    return tuple(done)


def list_deletions(session: Session) -> Sequence[Deletion]:
    """Every deletion, the newest first."""
    return session.scalars(sa.select(Deletion).order_by(Deletion.number.desc())).all()


def get_deletion(session: Session, number: int) -> Deletion:
    """A deletion by its number; NotFound."""
    rows = sa.select(Deletion).where(Deletion.number == number).options(selectinload(Deletion.replaced))
    found = session.scalar(rows)
    if found is None:
        raise NotFound("deletion")
    return found


def destroy_key(work: Work, folder: Path, number: int) -> Deletion:
    """Destroy a deletion's key for good: what it sealed can be read by nobody any more, which is on record."""
    work.require_owner()
    files = DeletionFiles(folder, house_id(work.session))
    with transaction(work.session):
        deletion = get_deletion(work.session, number)
        if deletion.key_destroyed_at is None:
            deletion.key_destroyed_at = work.now
            originals = counted(len(deletion.replaced), "original")
            said = f"The key of deletion {number} was destroyed; {originals} went with it"
            record(work, KEY_DESTROYED, "house", said, number=number)
    files.destroy_key(number)
    return deletion
