"""Use cases: study an existing bitting list against a spec, and take it over into a key system."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from app.errors import BitternError, Problem, Problems
from app.keying import Bitting as Cuts
from app.keying import (
    BittingSpec,
    KeyingError,
    LevelArray,
    ListRow,
    ListStudy,
    MasterCandidates,
    SymbolLevel,
    find_masters,
    find_rotating_masters,
    is_control_symbol,
    progress,
    read_bitting,
    read_list,
    read_symbol,
    rotate,
    study_list,
    write_bitting,
)
from app.ledger.keysystems.bittings import add_keyset, seal_plan
from app.ledger.keysystems.control import CONTROL_SYMBOL, TAKEN_OVER
from app.ledger.keysystems.out_of_use import RETIRED
from app.ledger.keysystems.systems import SystemForm, add_system_row, keyway_spec
from app.ledger.store.engine import transaction
from app.ledger.store.events import BITTINGS_REVEALED, record
from app.ledger.store.work import Work, carried, carry
from app.ledger.tables import Keyset, KeySystem, Level
from app.spreadsheets import FoundTable, WantedColumn, cell_code, find_table, guess_columns, open_sheet

MOST_SEALED = 20_000
MOST_CANDIDATES = 12


@dataclass(frozen=True, slots=True)
class ListAsk:
    """What the list is held against: the keyway's spec, and the master and constants where the owner has them."""

    keyway: str
    chambers: int
    tmk: str = field(default="", repr=False)
    constants: int = 0  # chambers held at a time; 0: total position progression


@dataclass(frozen=True, slots=True)
class MastersOf:
    """The masters that a part of the list allows. `shown` is for the owner's eyes alone."""

    part: str
    found: MasterCandidates
    shown: tuple[str, ...] = field(repr=False)


@dataclass(frozen=True, slots=True)
class ListFound:
    """What the list shows. `usable` is None without an array; `sealed` carries the rows to the take-over."""

    rows: int
    study: ListStudy
    usable: int | None
    masters: tuple[MastersOf, ...]
    sealed: str

    @property
    def most_taken(self) -> int:
        """The longest list that can be taken over."""
        return MOST_SEALED

    @property
    def is_clean(self) -> bool:
        """Whether nothing in the list stands against taking it over."""
        return not self.study.doubles and not self.study.macs_violations


LIST_COLUMNS = (
    WantedColumn("symbol", ("key symbol", "keyset", "key set", "key", "key mark", "mark", "stamp")),
    WantedColumn("bitting", ("bittings", "cuts", "key cuts", "key bitting", "combination", "depths", "key code")),
    WantedColumn("status", ("state", "used", "in use")),
)


def find_list(name: str, content: bytes) -> FoundTable:
    """The table of a list as somebody else kept it. BitternError on `file` where it cannot be read."""
    return find_table(open_sheet(name, content), [head for one in LIST_COLUMNS for head in (one.name, *one.also)])


def guess_list(table: FoundTable) -> dict[str, int]:
    """Which column is which, as far as headings say so plainly; without the bittings' somebody has to say."""
    return {name: guess.place for name, guess in guess_columns(table, LIST_COLUMNS).items() if guess.is_sure}


def study_bitting_list(work: Work, ask: ListAsk, table: FoundTable, columns: Mapping[str, int]) -> ListFound:
    """Study a list; owner only, and the study is an event. Raises Problems with every row that cannot be read.

    columns: the places of symbol, bitting and status.
    """
    work.require_owner()
    spec = keyway_spec(work, ask.keyway, ask.chambers)
    rows = _read_rows(spec, table, columns)
    # The control key works at a shear line of its own: it is no part of the array.
    plain = [row for row in rows if not is_control_symbol(row.symbol)]
    array = None
    if ask.tmk:
        top = read_bitting(spec, ask.tmk, "tmk")
        array = rotate(spec, top, ask.constants) if ask.constants else progress(spec, top)
    study = study_list(spec, plain, array)
    masters = tuple(_masters(spec, plain, ask.constants))
    with transaction(work.session):
        record(
            work,
            BITTINGS_REVEALED,
            f"keyway {ask.keyway}",
            f"A bitting list of {len(rows)} rows was studied by {work.actor.name}",
        )
    sealed = ""
    if len(rows) <= MOST_SEALED:
        value = [[row.symbol, write_bitting(spec, row.bitting), row.status] for row in rows]
        sealed = carry(work, value, list_purpose(ask.keyway, ask.chambers))
    return ListFound(len(rows), study, array.usable if array else None, masters, sealed)


def list_purpose(keyway: str, chambers: int) -> str:
    """What a carried list is sealed for."""
    return f"bitting list on {keyway}, {chambers} chambers"


_FIRST = 2  # the number that the reader of lists gives to the first row


def _read_rows(spec: BittingSpec, table: FoundTable, columns: Mapping[str, int]) -> tuple[ListRow, ...]:
    said = {number: {name: _cell(cells[at]) for name, at in columns.items()} for number, cells in table.rows}
    last = max(said, default=0)
    rows, problems = read_list(spec, [said.get(number, {}) for number in range(_FIRST, last + 1)])
    if problems:
        raise Problems(problems)
    if not rows:
        raise Problems([Problem("file", "There is no bitting in this list.")])
    return rows


def _cell(text: str) -> str:
    """A cell as it was written; what a spreadsheet made of it stays, and is refused with its row."""
    try:
        return cell_code(text, "bitting")
    except BitternError:
        return text


def _masters(spec: BittingSpec, rows: Sequence[ListRow], constants: int) -> list[MastersOf]:
    """By the master that each symbol names, where symbols tell; else of the whole list."""
    parts: dict[str, list[ListRow]] = defaultdict(list)
    for row in rows:
        if row.status == "free":
            continue
        try:
            symbol = read_symbol(row.symbol)
        except KeyingError:
            parts["the whole list"].append(row)
            continue
        if symbol.number:
            parts[f"the changes of {symbol.parent}" if symbol.parent else "the whole list"].append(row)
    found = []
    for part, members in list(parts.items())[:40]:
        changes = {row.bitting for row in members}
        masters = find_rotating_masters(spec, changes, constants) if constants else find_masters(spec, changes)
        shown = tuple(write_bitting(spec, one) for one in masters.candidates[:MOST_CANDIDATES])
        found.append(MastersOf(part, masters, shown))
    return found


_RANK = (Level.GREAT_GRAND, Level.GRAND, Level.MASTER, Level.CHANGE, Level.SINGLE, Level.CONTROL)
_ROLE = {Level.CHANGE: "C", Level.MASTER: "M", Level.GRAND: "G"}


@dataclass(frozen=True, slots=True)
class TakeForm:
    """Whose list it is, what the system is to be called, and what it is written in."""

    customer_id: int
    name: str
    keyway: str
    chambers: int


@dataclass(frozen=True, slots=True)
class _Row:
    symbol: str
    level: Level
    parent: str | None
    cuts: Cuts
    is_retired: bool


def take_over(work: Work, form: TakeForm, sealed: str) -> KeySystem:
    """Make a system of a list that was studied; owner only. Retired bittings stay used, free ones are left out.

    Where the levels of the list are one progression under its top master, its plan is sealed too and the system
    can be extended; else it cannot. Raises Problems by symbol; nothing is saved then.
    """
    work.require_owner()
    spec = keyway_spec(work, form.keyway, form.chambers)
    rows = _list_rows(spec, carried(work, sealed, list_purpose(form.keyway, form.chambers)))
    name = " ".join(form.name.split())
    with transaction(work.session):
        system = add_system_row(work, SystemForm(form.customer_id, name, _levels(rows), form.keyway, form.chambers))
        by_symbol: dict[str, Keyset] = {}
        for row in rows.values():
            parent = by_symbol.get(row.parent or "")
            by_symbol[row.symbol] = add_keyset(work, system, row.symbol, row.level, parent, row.cuts, _purpose(row))
        plan = _plan(spec, rows, system.levels)
        if plan is not None:
            seal_plan(work, system, plan, (row.cuts for row in rows.values() if row.level is Level.MASTER))
        work.session.flush()
        record(
            work,
            TAKEN_OVER,
            f"key system {system.id}",
            f"{name}: {len(rows)} keysets on keyway {system.keyway}, "
            + ("with an array" if plan else "without an array"),
        )
        return system


def _purpose(row: _Row) -> str:
    words = ("takes the cores out" if row.level is Level.CONTROL else "", RETIRED if row.is_retired else "")
    return ", ".join(filter(None, words))


def _list_rows(spec: BittingSpec, given: list[list[str]]) -> Mapping[str, _Row]:
    """The rows by symbol, parents first; every problem names its symbol and no bitting."""
    problems: list[Problem] = []
    rows: dict[str, _Row] = {}
    owner: dict[Cuts, str] = {}

    def refuse(sentence: str) -> None:
        problems.append(Problem("sealed", sentence))

    for number, (text, bitting, status) in enumerate(given, start=1):
        if status == "free":
            continue
        cuts = read_bitting(spec, bitting, "sealed")
        is_retired = status == "retired"
        if is_control_symbol(text):
            row = _Row(CONTROL_SYMBOL, Level.CONTROL, None, cuts, is_retired)
            if spec.control_offset is None:
                refuse(f"{row.symbol}: this spec has no control offset; it is not of interchangeable cores.")
                continue
        else:
            try:
                symbol = read_symbol(text, "symbol")
            except KeyingError:
                refuse(f"Entry {number}: {text[:24] or 'no symbol'} is no standard symbol.")
                continue
            if symbol.level is SymbolLevel.CROSS:
                refuse(f"{symbol.text}: a cross-keyed cylinder has no key of its own.")
                continue
            row = _Row(symbol.own_key, Level(symbol.level.value), symbol.parent, cuts, is_retired)
        if row.symbol in rows and rows[row.symbol].cuts != cuts:
            mend = "leave the one in service" if row.level is Level.CONTROL else "one must be another keyset"
            refuse(f"{row.symbol} stands with two bittings; {mend}.")
        elif owner.setdefault(cuts, row.symbol) != row.symbol:
            refuse(f"{row.symbol} and {owner[cuts]} have one bitting; correct the list.")
        elif not spec.within_macs(cuts):
            refuse(f"{row.symbol} breaks the MACS of this spec; correct the list.")
        else:
            rows.setdefault(row.symbol, row)
    if problems:
        raise Problems(problems[:60])
    if not rows:
        raise Problems([Problem("sealed", "There is nothing in the list to import.")])
    return dict(sorted(rows.items(), key=lambda item: _RANK.index(item[1].level)))


def _levels(rows: Mapping[str, _Row]) -> int:
    levels = {row.level for row in rows.values()}
    if Level.GREAT_GRAND in levels:
        return 4
    if Level.GRAND in levels:
        return 3
    if Level.CHANGE in levels or Level.MASTER in levels:
        return 2 if all(row.symbol[0].isdigit() for row in rows.values() if row.level is Level.CHANGE) else 3
    return 1


def _plan(spec: BittingSpec, rows: Mapping[str, _Row], levels: int) -> LevelArray | None:
    """Which chambers serve which level, where each serves one alone and every bitting is of that progression."""
    tops = [row for row in rows.values() if row.level is _RANK[{4: 0, 3: 1, 2: 2, 1: 4}[levels]]]
    if levels < 2 or len(tops) != 1:
        return None
    top = tops[0]
    below = [(row, rows[row.parent]) for row in rows.values() if row.parent is not None and row.parent in rows]
    if len(below) + 1 != sum(row.level not in (Level.SINGLE, Level.CONTROL) for row in rows.values()):
        return None
    served: list[set[str]] = [set() for _ in range(spec.chambers)]
    for row, parent in below:
        for chamber, (cut, above) in enumerate(zip(row.cuts, parent.cuts, strict=True)):
            if cut != above:
                served[chamber].add(_ROLE[row.level])
    if any(len(marks) > 1 for marks in served):
        return None
    roles = "".join(next(iter(marks), "-") for marks in served)
    if not set("CMG"[: levels - 1]) <= set(roles):
        return None
    plan = LevelArray(top.cuts, roles)
    if all(row.cuts in plan.under(spec, _ROLE[row.level], parent.cuts) for row, parent in below):
        return plan
    return _turning_plan(spec, top.cuts, [row.cuts for row, _ in below]) if levels == 2 else None


def _turning_plan(spec: BittingSpec, top: Cuts, changes: list[Cuts]) -> LevelArray | None:
    """The plan of a list of two levels whose changes all match the master in as many chambers: rotating constants."""
    held = {sum(cut == above for cut, above in zip(cuts, top, strict=True)) for cuts in changes}
    if len(held) != 1 or not 1 <= (constants := held.pop()) < spec.chambers:
        return None
    plan = LevelArray(top, "C" * spec.chambers, constants)
    array = plan.under(spec, "C", top)
    return plan if all(cuts in array for cuts in changes) else None
