"""Another shop's bitting list: read by row with what its owner answers, and taken over into a key system at once."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from app.errors import Problem, Problems
from app.keying import (
    LIST_LEVELS,
    BittingSpec,
    KeyStop,
    MasterCandidates,
    OldList,
    SentRow,
    SymbolLevel,
    find_masters,
    find_rotating_masters,
    level_of,
    read_old_list,
    write_bitting,
)
from app.ledger.importing.bitting_list_rows import FREE, RETIRED
from app.ledger.importing.imports import SentTable
from app.ledger.importing.reading import TableChoice, place_words
from app.ledger.importing.written import WrittenRows
from app.ledger.keys.blind_codes import is_blind_code, take_codes
from app.ledger.keysystems.auditing import AuditReport, audit_systems
from app.ledger.keysystems.bitting_lists import ListedCells, TakeForm, take_over
from app.ledger.keysystems.control import CONTROL_SYMBOL
from app.ledger.keysystems.systems import keyway_spec
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import BITTINGS_REVEALED, record
from app.ledger.store.work import Work
from app.ledger.tables import Import, KeySystem
from app.validation import counted

BOW_FIRST, TIP_FIRST = "bow", "tip"
ONE_TOP = "one"
"""Says of several highest masters that they stand under one which the list lacks."""
MOST_CANDIDATES = 12
_NUMBERED = "0123456789 -#."


@dataclass(frozen=True, slots=True)
class RowAnswer:
    """What the owner says of a row that asks: its cuts, its level; "" for what he leaves."""

    bitting: str = field(default="", repr=False)
    level: str = ""


@dataclass(frozen=True, slots=True)
class ListAnswers:
    """How a list is read. order: of the cuts, BOW_FIRST, TIP_FIRST, or "" where nobody has said. rest_are_changes: so
    is every key whose level neither column nor name says. constants: chambers
    held at a time, 0 for total position progression. system: which of those that its column names. root: which of
    several highest masters, or ONE_TOP. rows: by number.
    """

    keyway: str
    chambers: int
    order: str = ""
    has_own_names: bool = False
    rest_are_changes: bool = False
    constants: int = 0
    system: str = ""
    root: str = ""
    rows: Mapping[int, RowAnswer] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class MastersOf:
    """The masters that the changes under one allow that the list lacks. `shown` is for the owner's eyes alone."""

    symbol: str
    found: MasterCandidates
    shown: tuple[str, ...] = field(repr=False)


@dataclass(frozen=True, slots=True)
class ReadList:
    """A list as it is read. cells: by row. free: rows never handed out; elsewhere: rows of another system; systems:
    those that its column names; roots: its highest masters before one of them was chosen, each with the list's name.
    """

    found: OldList
    cells: Mapping[int, ListedCells]
    free: int
    elsewhere: int
    systems: tuple[str, ...]
    roots: Mapping[str, str]
    masters: tuple[MastersOf, ...]

    @property
    def placed(self) -> int:
        """How many keys stand under a master by the order of rows alone."""
        return sum(one.key.is_placed for one in self.found.taken)


def note_list(work: Work, sent: SentTable) -> None:
    """Put on record that a list came in and its bittings are shown to the owner, who alone may send one."""
    work.require_owner()
    with transaction(work.session):
        said = f"A bitting list of {counted(len(sent.table.rows), 'row')} was read by {work.actor.name}"
        record(work, BITTINGS_REVEALED, "bitting lists", said)


def usual_chambers(sent: SentTable, choice: TableChoice) -> int:
    """How many cuts most of a list's bittings have; 6 where none tells."""
    place = choice.columns.get("bitting")
    cells = sent.table.cells(place) if place is not None else ()
    counts = [len("".join(filter(str.isalnum, cell))) for cell in cells]
    likely = [count for count in counts if 3 <= count <= 12]
    return max(likely, key=likely.count, default=6)


def read_bitting_list(work: Work, sent: SentTable, choice: TableChoice, answers: ListAnswers) -> ReadList:
    """Read a list; owner only, nothing is saved. Problems by row where a symbol or a remark holds the key's cuts."""
    work.require_owner()
    spec = keyway_spec(work, answers.keyway, answers.chambers)
    if spec.stop is KeyStop.TIP and not answers.order:
        words = "Keys on this keyway stop at the tip, and their lists are written either way: say which it is."
        raise LedgerError("cuts", words)
    heading = {one.place: one.heading for one in sent.table.columns}.get(choice.columns.get("bitting", -1), "")
    if not answers.order and re.search(r"\btip\b", heading, re.IGNORECASE):
        raise LedgerError("cuts", f"The column is headed '{heading[:40]}': say which way its cuts are written.")
    levels = choice.words.get("level", {})
    rows: list[SentRow] = []
    cells: dict[int, ListedCells] = {}
    free = elsewhere = 0
    place = choice.columns.get("system")
    systems = tuple(dict.fromkeys(filter(None, sent.table.cells(place)))) if place is not None else ()
    for number, row in sent.table.rows:
        said = {name: row[place] for name, place in choice.columns.items() if place < len(row)}
        status = _status(said.get("status", ""), choice.words.get("status", {}))
        if status == FREE:
            free += 1
            continue
        if answers.system and said.get("system") not in (answers.system, ""):
            elsewhere += 1
            continue
        answer = answers.rows.get(number, RowAnswer())
        level = levels.get(said.get("level", ""), said.get("level", ""))
        rows.append(
            SentRow(
                number,
                said.get("symbol", ""),
                answer.bitting.strip() or said.get("bitting", ""),
                SymbolLevel(answer.level) if answer.level in LIST_LEVELS else level,
            )
        )
        code = "".join(said.get("blind code", "").split()).upper()
        borne = code if is_blind_code(code) else ""
        remarks = _remarks(said, code if not borne else "")
        cells[number] = ListedCells(said.get("bitting", ""), remarks, status == RETIRED, borne)
    is_tip_first, has_own_names = answers.order == TIP_FIRST, answers.has_own_names
    found = read_old_list(spec, rows, is_tip_first=is_tip_first, has_own_names=has_own_names)
    if answers.rest_are_changes:
        rows = _with_changes(rows, found)
        found = read_old_list(spec, rows, is_tip_first=is_tip_first, has_own_names=has_own_names)
    if spec.control_offset is None:
        controls = [one.row for one in found.taken if one.key.level is SymbolLevel.CONTROL]
        reason = "A control key, and this spec is not of interchangeable cores: it has no control offset."
        found = found.without(controls, reason, could_matter=False)
    _refuse_told_cuts(spec, sent, choice, found, cells)
    own = {one.key.symbol: one.key.own for one in found.taken}
    roots = {symbol: own.get(symbol) or symbol for symbol in found.roots}
    if len(roots) > 1 and answers.root == ONE_TOP:
        found = found.under_one_top()
    elif len(roots) > 1 and answers.root in roots:
        kept = found.only_under(answers.root)
        elsewhere += len(found.taken) - len(kept.taken)
        found = kept
    return ReadList(found, cells, free, elsewhere, systems, roots, tuple(_masters(spec, found, answers.constants)))


def _with_changes(rows: Sequence[SentRow], found: OldList) -> list[SentRow]:
    """The rows, those as changes whose level nothing says."""
    asked = [one for one in found.asked if one.asks == "level"]
    unsaid = {one.row for one in asked if level_of(one.key.own.rstrip(_NUMBERED)) is None}
    return [replace(row, level=SymbolLevel.CHANGE) if row.row in unsaid and not row.level else row for row in rows]


def _status(cell: str, words: Mapping[str, str]) -> str:
    said = words.get(cell, cell).casefold()
    return RETIRED if said.startswith("out of use") else FREE if said.startswith("never") else said


def _remarks(said: Mapping[str, str], stamped: str) -> str:
    """Door, operators, remarks and a stamp that is no blind code, of a row in one line."""
    door, operators = said.get("door", ""), said.get("operated by", "")
    parts = [f"door {door}" if door else "", f"operated by {operators}" if operators else "", said.get("remarks", "")]
    parts.append(f"stamped {stamped}" if stamped else "")
    return "; ".join(" ".join(part.split()) for part in parts if part)


def _refuse_told_cuts(
    spec: BittingSpec, sent: SentTable, choice: TableChoice, found: OldList, cells: Mapping[int, ListedCells]
) -> None:
    """Symbols, remarks and what a row asks are read by everybody: none may hold its key's cuts, either way round."""
    texts = {one.row: write_bitting(spec, one.cuts) for one in found.taken}
    names = {one.row: one.key.own for one in found.taken}
    names |= {one.row: one.key.own for one in found.aside} | {one.row: one.key.own for one in found.asked}
    questions = {one.row: one.question for one in found.asked}
    places = {one.place: place_words(one) for one in sent.table.columns}
    problems = []
    for row, listed in cells.items():
        plain = _alnum(listed.bitting)
        cuts = {text for text in (plain, texts.get(row, "").lower()) if len(text) >= spec.chambers - 1}
        cuts |= {text[::-1] for text in cuts}
        told = (
            ("symbol", names.get(row, "")),
            ("level", questions.get(row, "")),
            ("remarks", listed.remarks),
            ("blind code", listed.code),
        )
        for column, said in told:
            if any(text in _alnum(said) for text in cuts):
                where = places.get(choice.columns.get(column, -1), "its remarks")
                mend = "it is no bitting's column, so choose another, or take the cuts out of the cell."
                problems.append(
                    Problem(f"row {row}, {where}", f"This holds the key's cuts, which stay secret: {mend}")
                )
    if problems:
        raise Problems(problems)


def _alnum(text: str) -> str:
    return "".join(filter(str.isalnum, text)).lower()


def _masters(spec: BittingSpec, found: OldList, constants: int) -> list[MastersOf]:
    """What the changes tell of each master that is missing over them."""
    masters = []
    for symbol in found.missing:
        under = {one.cuts for one in found.taken if one.key.parent == symbol and one.key.level is SymbolLevel.CHANGE}
        if under:
            allowed = find_rotating_masters(spec, under, constants) if constants else find_masters(spec, under)
            shown = tuple(write_bitting(spec, one) for one in allowed.candidates[:MOST_CANDIDATES])
            masters.append(MastersOf(symbol, allowed, shown))
    return masters


@dataclass(frozen=True, slots=True)
class Agreed:
    """What the owner agreed to: rows that still ask stay aside; the order of rows tells the masters."""

    leaves_asked: bool = False
    order_tells: bool = False


def take_bitting_list(
    work: Work, sent: SentTable, choice: TableChoice, form: TakeForm, answers: ListAnswers, agreed: Agreed
) -> tuple[KeySystem, AuditReport]:
    """Take a list over, all of it at once, as a table that came in, and audit its system; owner only.

    Problems on `system`, `root`, `order_tells` or `leaves_asked` for what is still open; nothing is saved then.
    """
    read = read_bitting_list(work, sent, choice, answers)
    open_ = {
        "customer": not form.customer_id,
        "name": not form.name.strip(),
        "system_named": len(read.systems) > 1 and not answers.system,
        "root": len(read.roots) > 1 and answers.root not in (ONE_TOP, *read.roots),
        "order_tells": bool(read.placed) and not agreed.order_tells,
        "leaves_asked": bool(read.found.asked) and not agreed.leaves_asked,
    }
    words = {
        "customer": "Choose the customer.",
        "name": "Enter a name for the system.",
        "system_named": "Two systems and more stand in this list: say which of them to import now.",
        "root": "Say whether these masters are of one system, or which of them to import now.",
        "order_tells": "Say that the order of the rows tells who stands under whom, or correct the list.",
        "leaves_asked": f"{counted(len(read.found.asked), 'row')} ask something: answer, or leave them aside.",
    }
    if problems := [Problem(name, words[name]) for name, is_open in open_.items() if is_open]:
        raise Problems(problems)
    with transaction(work.session):
        written = WrittenRows()
        with written.watching(work.session):
            taken = {one.row: one.key for one in read.found.taken}
            unsaid = {
                row: replace(one, remarks=f"{one.remarks}; stamped {one.code}".lstrip("; "))
                for row, one in read.cells.items()
                if one.code and row not in taken
            }
            system = take_over(work, form, read.found, {**read.cells, **unsaid})
            by_symbol = {one.symbol: one for one in system.keysets}
            borne = {row: read.cells[row].code for row in taken if read.cells[row].code}
            controls = {row for row, key in taken.items() if key.level is SymbolLevel.CONTROL}
            symbols = {row: CONTROL_SYMBOL if row in controls else taken[row].symbol for row in borne}
            take_codes(work, system, {row: (by_symbol[symbols[row]], code) for row, code in borne.items()})
        row = Import(
            kind=sent.kind.name,
            file_name=sent.name[:120],
            sender=system.customer.name[:120],
            made_at=work.now,
            made_by_id=work.actor.user_id,
            new=len(read.found.taken),
            changed=0,
            unchanged=0,
            aside=len(read.found.aside) + len(read.found.asked),
            written=written.to_json(work.session),
        )
        work.session.add(row)
        return system, audit_systems(work, [system], tries_unkeyed=True)
