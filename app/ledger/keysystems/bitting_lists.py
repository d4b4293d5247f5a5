"""Use case: take another shop's bitting list over into a key system, with what of it stands aside."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from app.errors import Problem, Problems
from app.keying import Bitting as Cuts
from app.keying import BittingSpec, LevelArray, NamedKey, OldList, SymbolLevel
from app.ledger.keysystems.bittings import add_keyset, seal_plan, spec_of
from app.ledger.keysystems.control import CONTROL_SYMBOL, TAKEN_OVER
from app.ledger.keysystems.correcting import leave_array
from app.ledger.keysystems.rows_aside import put_aside
from app.ledger.keysystems.systems import SystemForm, add_system_row
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Keyset, KeySystem, Level, longest
from app.validation import counted

MOST_TAKEN = 20_000
_ROLE = {Level.CHANGE: "C", Level.MASTER: "M", Level.GRAND: "G"}
_TOP = {4: Level.GREAT_GRAND, 3: Level.GRAND, 2: Level.MASTER}


@dataclass(frozen=True, slots=True)
class TakeForm:
    """Whose list it is, what the system is to be called, and what it is written in."""

    customer_id: int
    name: str
    keyway: str
    chambers: int


@dataclass(frozen=True, slots=True)
class ListedCells:
    """What else a row of a list says: its bitting as it stands there, remarks, whether its key is out of use, and
    the code that its keys bear.
    """

    bitting: str = field(repr=False)
    remarks: str = ""
    is_retired: bool = False
    code: str = ""


def take_over(work: Work, form: TakeForm, found: OldList, cells: Mapping[int, ListedCells]) -> KeySystem:
    """Make a system of a list, inside the caller's transaction; owner only. cells: by row.

    Where its levels are one progression under the top master, its plan is sealed too. What was not taken stays aside
    with it, and so does each master that the list lacks. Problems where there is nothing to take.
    """
    work.require_owner()
    if not 0 < len(found.taken) <= MOST_TAKEN:
        words = f"A list has 1 to {MOST_TAKEN:,} keys to take; this one has {len(found.taken):,}."
        raise Problems([Problem("file", words)])
    name = " ".join(form.name.split())
    system = add_system_row(work, SystemForm(form.customer_id, name, found.levels, form.keyway, form.chambers))
    taken = {one.key.symbol: one for one in found.taken}
    made: dict[str | None, Keyset] = {}

    def add(symbol: str) -> None:
        one = taken[symbol]
        if one.key.parent in taken and one.key.parent not in made:
            add(one.key.parent)
        is_control = one.key.level is SymbolLevel.CONTROL
        made[symbol] = add_keyset(
            work,
            system,
            CONTROL_SYMBOL if is_control else symbol,
            Level(str(one.key.level)),
            made.get(one.key.parent),
            one.cuts,
            _purpose(cells[one.row], is_control=is_control),
            one.key.own or symbol,
        )
        made[symbol].is_retired = cells[one.row].is_retired

    for symbol in taken:
        if symbol not in made:
            add(symbol)
    for aside in found.aside:
        listed, matters = cells[aside.row], aside.could_matter
        reason = f"{aside.reason} {listed.remarks}".strip()
        put_aside(work, system, aside.row, aside.key, reason, listed.bitting, could_matter=matters)
    for asked in found.asked:
        listed = cells[asked.row]
        reason = f"{asked.question} Nobody said. {listed.remarks}".strip()
        put_aside(work, system, asked.row, asked.key, reason, listed.bitting)
    for symbol in found.missing:
        if symbol in found.waiting:
            continue
        under = [one.key.own or one.key.symbol for one in found.taken if one.key.parent == symbol]
        over = ", ".join(under[:3]) + (" and others" if len(under) > 3 else "") or "its masters"
        put_aside(work, system, 0, NamedKey(symbol, symbol), f"The list lacks the master over {over}.")
    work.session.flush()
    work.session.refresh(system, ["keysets"])
    seal_found_plan(work, system, {keyset.id: taken[symbol or ""].cuts for symbol, keyset in made.items()})
    selective = next((one for one in made.values() if one.level is Level.SELECTIVE), None)
    if selective is not None:
        leave_array(work, system, selective, taken[selective.symbol].cuts)
    left = counted(len(found.aside) + len(found.asked), "row")
    array = "with an array" if system.sealed_plan else "without an array"
    said = f"{name}: {len(taken)} keysets on keyway {system.keyway}, {left} aside, {array}"
    record(work, TAKEN_OVER, f"key system {system.id}", said)
    return system


def _purpose(cells: ListedCells, *, is_control: bool) -> str:
    """Remarks come first, and are cut where they are too long."""
    ours = "takes the cores out" if is_control else ""
    remarks = cells.remarks[: longest(Keyset.purpose) - len(ours) - 2]
    return ", ".join(filter(None, (remarks, ours)))


def seal_found_plan(work: Work, system: KeySystem, opened: Mapping[int, Cuts]) -> None:
    """Give a system the plan by which its keysets were made, where one plan made them all; `opened`: by keyset id."""
    keysets = [one for one in system.keysets if one.level is Level.CHANGE or one.level in _TOP.values()]
    if all(one.id in opened for one in keysets) and (plan := _plan(spec_of(system), keysets, opened, system.levels)):
        seal_plan(work, system, plan, (opened[one.id] for one in keysets if one.level is Level.MASTER))


def _plan(spec: BittingSpec, keysets: Sequence[Keyset], opened: Mapping[int, Cuts], levels: int) -> LevelArray | None:
    """Which chambers serve which level, where each serves one alone and every bitting is of that progression."""
    tops = [one for one in keysets if one.parent_id is None]
    if len(tops) != 1 or tops[0].level is not _TOP.get(levels):
        return None
    below = [(one.level, opened[one.id], opened[one.parent_id]) for one in keysets if one.parent_id is not None]
    top = opened[tops[0].id]
    if not spec.within_macs(top):  # taken as it is cut, and no array is made under such a master
        return None
    served: list[set[str]] = [set() for _ in range(spec.chambers)]
    for level, cuts, above in below:
        for chamber, (cut, over) in enumerate(zip(cuts, above, strict=True)):
            if cut != over:
                served[chamber].add(_ROLE[level])
    if any(len(marks) > 1 for marks in served):
        return None
    roles = "".join(next(iter(marks), "-") for marks in served)
    if not set("CMG"[: levels - 1]) <= set(roles):
        return None
    plan = LevelArray(top, roles)
    if all(cuts in plan.under(spec, _ROLE[level], above) for level, cuts, above in below):
        return plan
    return _turning_plan(spec, top, [cuts for _, cuts, _ in below]) if levels == 2 else None


def _turning_plan(spec: BittingSpec, top: Cuts, changes: list[Cuts]) -> LevelArray | None:
    """The plan of a list of two levels whose changes all match the master in as many chambers: rotating constants."""
    held = {sum(cut == above for cut, above in zip(cuts, top, strict=True)) for cuts in changes}
    if len(held) != 1 or not 1 <= (constants := held.pop()) < spec.chambers:
        return None
    plan = LevelArray(top, "C" * spec.chambers, constants)
    array = plan.under(spec, "C", top)
    return plan if all(cuts in array for cuts in changes) else None
