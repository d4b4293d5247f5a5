"""Use case: a key is lost. What it exposes, the rekey plan, the lines of a quote for it, and what no quote can do."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime

import sqlalchemy as sa

from app.keying import KeyingError, LostKey, NoBittingsLeft, SystemsBeside, lost_key, operated_by
from app.ledger.keysystems.control import CONTROL_SYMBOL, find_control, has_control_keys
from app.ledger.keysystems.lost_keysets import lost_keysets, replaced_after
from app.ledger.keysystems.system_queries import systems_sharing_keyway
from app.ledger.keysystems.unsealed_system import OpenedSystem, SystemsInService, Way, open_system
from app.ledger.sites.cylinders import making_way
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import (
    Cylinder,
    CylinderState,
    Event,
    Key,
    Keyset,
    KeyState,
    KeySystem,
    Level,
    RecordsHolder,
    Role,
)
from app.validation import counted

OF_A_MATRIX = "key system made of a matrix"
_AT_HAND = (KeyState.CUT, KeyState.OUT, KeyState.RETURNED)


def steps_of_loss(work: Work, opened: OpenedSystem, lost: LostKey, repin: Sequence[Way]) -> tuple[str, ...]:
    """The steps, as sentences; () where a quote with rekey lines carries the plan out.

    A quote draws new changes under a master, and new single keys, of a system whose records the shop holds.
    """
    system, count = opened.system, _pieces(sum(len(way.cylinders) for way in repin))
    by_symbol = {keyset.symbol: keyset for keyset in system.keysets}
    replaced = [by_symbol[symbol] for symbol in lost.replace]
    if system.records is not RecordsHolder.SHOP:
        return _elsewhere(system, lost.symbol, count)
    if lost.symbol == CONTROL_SYMBOL:
        return _control(work, system, count)
    if not lost.proven:
        return _no_plan(lost.symbol, count)
    if tops := [one for one in replaced if one.level in (Level.GREAT_GRAND, Level.GRAND) or _is_top(one)]:
        return _top(system, tops[0], count, is_alone=len(replaced) == 1)
    if _begins_anew(work, system, lost):
        return _matrix(system, lost.symbol, count)
    if masters := [one for one in replaced if one.level is Level.MASTER]:
        return _master(system, masters[0], count, repin)
    if beside := [one for one in replaced if one.level is Level.CHANGE and one.parent is None]:
        return _under_no_master(beside[0], count)
    if all(one.is_planned for way in repin for one in way.cylinders):
        return _planned(replaced, count)
    return ()


def _pieces(number: int) -> str:
    return counted(number, "cylinder")


def _their(count: str) -> str:
    return "its" if count == _pieces(1) else "their"


def _is_top(keyset: Keyset) -> bool:
    return keyset.level is Level.MASTER and keyset.parent is None


def _begins_anew(work: Work, system: KeySystem, lost: LostKey) -> bool:
    """Whether the plan is not carried out as it stands: a new key system takes its place."""
    if not lost.proven or lost.symbol == CONTROL_SYMBOL or system.records is not RecordsHolder.SHOP:
        return False
    replaced = [one for one in system.keysets if one.symbol in lost.replace]
    if any(one.level in (Level.GREAT_GRAND, Level.GRAND) or _is_top(one) for one in replaced):
        return len(replaced) > 1
    masters = [one.id for one in replaced if one.level is not Level.CHANGE]
    own = sa.select(Cylinder.id).where(Cylinder.keyset_id.in_(masters), Cylinder.state != CylinderState.REMOVED)
    if system.sealed_plan is not None and work.session.scalar(own.limit(1)) is None:
        return False  # its levels draw successors, but none for a door that is keyed to a master itself
    return _is_of_a_matrix(work, system)


def _is_of_a_matrix(work: Work, system: KeySystem) -> bool:
    told = sa.select(Event.id).where(Event.subject == f"key system {system.id}", Event.kind == OF_A_MATRIX)
    return work.session.scalar(told.limit(1)) is not None


def _last(symbol: str) -> str:
    return (
        f"Hand over, take the other keys of {symbol} back and retire them. {symbol} stays on record as lost: nothing "
        "new is keyed to it or under it."
    )


def _elsewhere(system: KeySystem, symbol: str, count: str) -> tuple[str, ...]:
    if system.records is RecordsHolder.NOBODY:
        return (
            f"Nobody holds the array and the list of bittings of {system.name}, so nothing new can be drawn in it: "
            f"quote the {count} as rekeyed single (SKD or KD), or into a new key system.",
            "Name their doors when the quote is accepted.",
            _last(symbol),
        )
    return (
        f"The factory keeps the records of {system.name}: ask it for a new keyset in place of {symbol}, and which "
        "other cylinders the lost key turns; this house knows only those above.",
        f"Order the {count} and {_their(count)} keys there under the new keyset; they are not rekeyed on our bench.",
        _last(symbol),
    )


def _no_plan(symbol: str, count: str) -> tuple[str, ...]:
    return (
        f"Begin a new key system (Plan a system) for what the lost key opens, and quote the {count} as rekeyed into "
        "it, in phases where not all doors can be done in a day.",
        "Name their doors when each quote is accepted.",
        _last(symbol),
    )


def _control(work: Work, system: KeySystem, count: str) -> tuple[str, ...]:
    left = sa.select(Key.id).join(Keyset, Keyset.id == Key.keyset_id)
    left = left.where(Keyset.system_id == system.id, Keyset.level == Level.CONTROL, Key.state.in_(_AT_HAND))
    if work.session.scalar(left.limit(1)) is not None or has_control_keys(work.session, system):
        taken_out = f"Take the {count} out with a control key that is left"
    else:
        taken_out = (
            "No control key is left: before its bitting is changed, order one more on the page of the system's keys, "
            f"and cut it. Take the {count} out with it"
        )
    return (
        f"Choose a new control key for {system.name}: on the page Correct a bitting it is tried against every core "
        "before it is saved.",
        f"{taken_out}, and pin {'it' if count == _pieces(1) else 'them'} for the new one.",
        "The owner enters it there for CONTROL and ticks that the cores are repinned; with that the loss is over.",
        "Order new control keys on the page of the system's keys, and retire the old ones.",
    )


def _top(system: KeySystem, top: Keyset, count: str, *, is_alone: bool) -> tuple[str, ...]:
    new_system = (
        f"{top.symbol} is over all that hangs under it in {system.name}, and its bitting is in every cylinder there: "
        "begin a new key system (Plan a system), with the same levels.",
        f"Quote the {count} as rekeyed into the new system, in phases where not all doors can be done in a day.",
        "Name their doors when each quote is accepted.",
        _last(top.symbol),
    )
    if not is_alone:
        return new_system
    return (
        f"Choose a new bitting for {top.symbol}: every other key stays as it is, and there are such bittings. On the "
        "page Correct a bitting it is tried against every cylinder before it is saved.",
        f"Pin the {count} for the new one, in phases where not all doors can be done in a day. Until then the lost "
        "key opens them.",
        f"The owner enters it there for {top.symbol} and ticks that nothing pinned by the old one is left; with that "
        "the loss is over.",
        f"Order new keys of {top.symbol} on the page of the system's keys, and retire the old ones.",
        "Where all keys are to be new, begin a new key system (Plan a system), with the same levels, and quote the "
        f"{count} as rekeyed into it.",
    )


def _master(system: KeySystem, master: Keyset, count: str, repin: Sequence[Way]) -> tuple[str, ...]:
    above = master.parent.symbol if master.parent else ""
    pieces = [cylinder for way in repin for cylinder in way.cylinders]
    under = {master.id, *(keyset.id for keyset in system.keysets if keyset.parent_id == master.id)}
    own = [cylinder for cylinder in pieces if cylinder.keyset_id in under]
    crossed = [cylinder.door.opening_number for cylinder in own if cylinder.door and cylinder.operators][:8]
    steps = [
        f"Add one master under {above} beside {master.symbol}, on the page Extend of {system.name}, with no changes.",
        f"Quote as rekeyed under the new master what hangs under {master.symbol}: {_pieces(len(own))} on "
        f"{len({cylinder.keyset_id for cylinder in own}):,} keysets. Name the doors when the quote is accepted."
        + (f" In the door list name what else operates {', '.join(crossed)}." if crossed else ""),
    ]
    if len(own) < len(pieces):
        steps.append(
            f"Quote as rekeyed under its own master what {master.symbol} opens elsewhere: "
            f"{_pieces(len(pieces) - len(own))}. Name the new master as operated by in the door list. Where a door's "
            "new keyset is refused there, add some changes to its master (Extend), and name one that is accepted."
        )
    return (*steps, _last(master.symbol))


def _matrix(system: KeySystem, symbol: str, count: str) -> tuple[str, ...]:
    return (
        f"{system.name} was made of a matrix of who opens what: have the matrix searched anew, as a new key system, "
        f"with whoever holds {symbol} in it.",
        f"Quote the {count} as rekeyed into it, and paste the matrix's own list of doors when it is accepted.",
        _last(symbol),
    )


def _planned(replaced: Sequence[Keyset], count: str) -> tuple[str, ...]:
    symbols = ", ".join(keyset.symbol for keyset in replaced)
    return (
        f"The {count} {'is' if count == _pieces(1) else 'are'} planned only, so nothing is to be rekeyed: the owner "
        f"enters a new bitting for {symbols} on the page Correct a bitting before anything is pinned by the old one.",
        f"Cut keys of {symbols} by the new bitting only.",
    )


def _under_no_master(keyset: Keyset, count: str) -> tuple[str, ...]:
    return (
        f"{keyset.symbol} hangs under no master, and a quote draws new keysets under a master only: add its "
        "successor on the page Extend.",
        f"Quote the {count} as rekeyed, and name the new keyset beside their doors when the quote is accepted.",
        _last(keyset.symbol),
    )


SECONDS = 6.0
_Hung = Mapping[str, tuple[Way, Cylinder]]  # by the cylinder's id as text, as the keying room takes it
_ALIKE = ("type", "maker_id", "part_number", "length", "drilled", "cam", "tailpiece", "finish")


@dataclass(frozen=True, slots=True)
class RekeyGroup:
    """Cylinders alike in all that is on record of them and keyed alike, to rekey where they hang.

    `operators`: symbols of the keysets beside the own and the masters above it that operate them.
    """

    keyset: Keyset
    chambers: int
    keyway: str
    cylinders: tuple[Cylinder, ...]
    operators: tuple[str, ...]
    is_nmk: bool


@dataclass(frozen=True, slots=True)
class LossPlan:
    """What the lost key exposes, and the plan in cylinders and keys; `keys` is new keys to cut by keyset.

    `on_its_way`: how many of the exposed stand open only until work on its way is handed over. `steps`: what to do
    where no quote can carry the plan out; () where `lines` and `keys` are one. `begins_anew`: a new key system takes
    the plan's place. `replaced_on`: when the keyset got
    another bitting, where every key that is lost was lost before that: nothing stands open then.
    """

    system: KeySystem
    lost: LostKey
    exposed: tuple[Way, ...]
    repin: tuple[Way, ...]
    keys: tuple[tuple[str, int], ...]
    lines: tuple[RekeyGroup, ...]
    on_its_way: int
    steps: tuple[str, ...]
    begins_anew: bool = False
    replaced_on: date | None = None

    @property
    def exposed_cylinders(self) -> int:
        """How many places the lost key opens."""
        return sum(len(way.cylinders) for way in self.exposed)

    @property
    def planned_cylinders(self) -> int:
        """How many of them are planned only: nothing hangs there yet."""
        return sum(one.is_planned for way in self.exposed for one in way.cylinders)

    @property
    def repinned_cylinders(self) -> int:
        """How many cylinders the plan rekeys."""
        return sum(len(way.cylinders) for way in self.repin)

    @property
    def can_be_quoted(self) -> bool:
        """Whether a quote carries the plan out."""
        return bool(self.lines) and not self.steps


def plan_for_loss(work: Work, system_id: int, symbol: str) -> LossPlan:
    """The plan with fewest cylinders to rekey, then fewest keys to cut anew. Shows no bitting.

    A lost control key takes every core of the system out: each is pinned anew for another one. A place on a door
    counts once; where work is on its way to it, the plan is for what it brings. Without bittings in the shop the
    record alone says what a key opens.
    """
    work.require(Role.COUNTER, Role.BENCH)
    opened = open_system(work, system_id)
    copies = _copies(work, opened)
    if symbol not in copies:
        raise LedgerError("keyset", f"{opened.system.name} has no keyset {symbol[:24]}.")
    if (replaced := _replaced(work, opened, symbol)) is not None:
        over = LostKey(symbol, (), (), (), 0, True)
        return LossPlan(opened.system, over, (), (), (), (), 0, (), replaced_on=replaced.astimezone().date())
    # Every cylinder by itself, so that the plan with fewest cylinders counts doors and not kinds of cylinder.
    hung = {str(one.id): (way, one) for way in opened.ways.values() for one in way.cylinders}
    making = making_way(work.session, opened.system.customer_id)
    leaving = {name: (way, one) for name, (way, one) in hung.items() if one.id in making}
    coming = {name: pair for name, pair in hung.items() if name not in leaving}
    lost, open_until = _reckon(work, opened, symbol, coming, leaving, copies)
    in_place = {_place(hung[name][1]) for name in lost.exposed}
    until = {_place(hung[name][1]): name for name in open_until}
    still = [name for place, name in until.items() if place not in in_place]
    exposed, repin = _ways(hung, (*lost.exposed, *still)), _ways(hung, lost.repin)
    to_do = repin if lost.proven else _ways(hung, lost.exposed)
    plan = LossPlan(
        opened.system,
        lost,
        exposed,
        repin,
        tuple((key, copies[key]) for key in lost.replace),
        _lines(opened.system, repin),
        len(still),
        steps_of_loss(work, opened, lost, to_do) if to_do else (),
        _begins_anew(work, opened.system, lost),
    )
    with transaction(work.session):
        record(
            work,
            "lost key looked at",
            f"key system {system_id}",
            f"{opened.system.name}: a key of {symbol} exposes {plan.exposed_cylinders} cylinders; "
            f"the plan rekeys {plan.repinned_cylinders} and cuts {lost.keys_to_cut} keys",
        )
    return plan


def _replaced(work: Work, opened: OpenedSystem, symbol: str) -> datetime | None:
    """When the bitting of a keyset was replaced, where keys of it are lost and all of them were before that."""
    [keyset] = [one for one in opened.system.keysets if one.symbol == symbol]
    latest = sa.select(Key).where(Key.keyset_id == keyset.id, Key.state == KeyState.LOST)
    lost = work.session.scalar(latest.order_by(Key.changed_at.desc()).limit(1))
    return replaced_after(work.session, keyset, lost.changed_at) if lost else None


def _reckon(
    work: Work, opened: OpenedSystem, symbol: str, coming: _Hung, leaving: _Hung, copies: dict[str, int]
) -> tuple[LostKey, tuple[str, ...]]:
    """The plan for the cylinders that will stand, and those about to leave that the lost key opens until then."""
    if symbol in opened.keys:
        known = opened.cylinders
        to_come, until = (
            {name: known[way.label] for name, (way, _) in hung.items() if way.label in known}
            for hung in (coming, leaving)
        )
        lost = lost_key(
            opened.spec, opened.keys, to_come, symbol, work.rng, copies, seconds=SECONDS, beside=_beside(work, opened)
        )
        return lost, operated_by(opened.keys, until, symbol) if until else ()
    is_control = symbol == CONTROL_SYMBOL
    exposed, open_until = (
        tuple(name for name, (way, _) in hung.items() if is_control or symbol in way.symbols)
        for hung in (coming, leaving)
    )
    if why_none := _why_no_control(work, opened) if is_control else f"The bitting of {symbol} is not in this house.":
        return LostKey(symbol, exposed, (), (), 0, False, reasons=(why_none,)), open_until
    return LostKey(symbol, exposed, (symbol,), exposed, copies[symbol], True), open_until


def _beside(work: Work, opened: OpenedSystem) -> SystemsBeside:
    """What the customer has on the keyway besides, and the system's control key. What lets in a key now may go on."""
    system = opened.system
    others = [
        one for one in systems_sharing_keyway(work.session, system.keyway, system.customer_id) if one.id != system.id
    ]
    there = SystemsInService.of(work, others, system.chambers)
    control = [opened.control] if opened.control else []
    return SystemsBeside([*control, *sorted(there.keys)], there.turns_any, bears=True)


def _why_no_control(work: Work, opened: OpenedSystem) -> str:
    """Why no plan stands for a lost control key, such as that no other one is free; "" where one stands."""
    if opened.control is None:
        return f"The bitting of {CONTROL_SYMBOL} is not in this house."
    try:
        find_control(work, opened.system)
    except (KeyingError, NoBittingsLeft) as error:
        return error.message
    return ""


def _place(cylinder: Cylinder) -> object:
    return (cylinder.door_id, cylinder.position.casefold()) if cylinder.door_id else cylinder.id


def _ways(hung: _Hung, names: Iterable[str]) -> tuple[Way, ...]:
    found: dict[str, tuple[Way, list[Cylinder]]] = {}
    for name in names:
        way, cylinder = hung[name]
        found.setdefault(way.label, (way, []))[1].append(cylinder)
    return tuple(replace(way, cylinders=tuple(cylinders)) for way, cylinders in found.values())


def _lines(system: KeySystem, repin: tuple[Way, ...]) -> tuple[RekeyGroup, ...]:
    """One line for cylinders alike; those that are cross-keyed alike, or NMK, stand apart."""
    by_id = {keyset.id: keyset for keyset in system.keysets}
    alike: dict[tuple[object, ...], list[Cylinder]] = defaultdict(list)
    for way in repin:
        for one in way.cylinders:
            if one.is_planned:  # nothing hangs there: it follows the keyset that takes its own's place
                continue
            what = tuple(str(getattr(one, name)) for name in _ALIKE)
            kind = (one.chambers or system.chambers, one.keyway or system.keyway)
            crossed = tuple(operator.keyset.symbol for operator in one.operators)
            alike[one.keyset_id, what, kind, crossed, one.is_nmk].append(one)
    lines = []
    for cylinders in (alike[key] for key in sorted(alike, key=str)):
        one = cylinders[0]
        lines.append(
            RekeyGroup(
                by_id[one.keyset_id or 0],
                one.chambers or system.chambers,
                one.keyway or system.keyway,
                tuple(cylinders),
                tuple(operator.keyset.symbol for operator in one.operators),
                one.is_nmk,
            )
        )
    return tuple(lines)


def _copies(work: Work, opened: OpenedSystem) -> dict[str, int]:
    """Keys out or about to be, by symbol: each is to be cut anew when its keyset is replaced.

    A lost one too, so that there are as many of the new keyset as there were; not one lost under an older bitting.
    """
    rows = work.session.execute(
        sa.select(Keyset.symbol, sa.func.count(Key.id))
        .join(Key, Key.keyset_id == Keyset.id)
        .where(Keyset.system_id == opened.system.id, Key.state.not_in((KeyState.RETIRED, KeyState.LOST)))
        .group_by(Keyset.symbol)
    )
    known = Counter(dict(rows.all()))
    for lost in lost_keysets(work.session, [keyset.id for keyset in opened.system.keysets]):
        known[lost.keyset.symbol] += len(lost.copies)
    return {keyset.symbol: known.get(keyset.symbol, 1) for keyset in opened.system.keysets}
