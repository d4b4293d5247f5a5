"""Use case: a key is lost. What it exposes, and the least rekeying that shuts it out."""

from collections import Counter
from collections.abc import Callable, Collection, Iterable, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from datetime import date
from functools import partial
from itertools import groupby
from random import Random

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.keying import (
    ALL_ENTER,
    KeyingError,
    LostKey,
    NoBittingsLeft,
    Sections,
    SystemsBeside,
    audit,
    lost_key,
    operated_by,
)
from app.keying import Bitting as Cuts
from app.ledger.keysystems.control import CONTROL_SYMBOL, find_control
from app.ledger.keysystems.keysets import symbols_in_words
from app.ledger.keysystems.lost_keysets import lost_keysets, shut_out_on
from app.ledger.keysystems.system_queries import sections_entered, sections_of, systems_sharing_keyway
from app.ledger.keysystems.unsealed_system import OpenedSystem, SystemsInService, Way, WhatEnters, open_system
from app.ledger.sites.cylinders import making_way
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import (
    Cylinder,
    Job,
    Key,
    Keyset,
    KeyState,
    KeySystem,
    Role,
    Stage,
)
from app.validation import counted

SECONDS = 6.0
_Hung = Mapping[str, tuple[Way, Cylinder]]  # by the cylinder's id as text, as the keying room takes it


@dataclass(frozen=True, slots=True)
class LossPlan:
    """What the lost key exposes, and the plan in cylinders and keys; `keys` is new keys to cut by keyset.

    `on_its_way`: how many of the exposed stand open only until work on its way is handed over. `coming`: how many are
    on the way or planned only, where nothing that the lost key opens hangs yet. `replaced_on`: when
    the keyset got another bitting, where every key that is lost was lost before that: nothing stands open then.
    """

    system: KeySystem
    lost: LostKey
    exposed: tuple[Way, ...]
    repin: tuple[Way, ...]
    keys: tuple[tuple[str, int], ...]
    on_its_way: int
    coming: int = 0
    replaced_on: date | None = None

    @property
    def exposed_cylinders(self) -> int:
        """How many places the lost key opens."""
        return sum(len(way.cylinders) for way in self.exposed)

    @property
    def repinned_cylinders(self) -> int:
        """How many cylinders the plan rekeys."""
        return sum(len(way.cylinders) for way in self.repin)

    @property
    def new_keys(self) -> str:
        """The keysets that get another bitting, each with its keys, in words."""
        said = []
        for count, some in groupby(self.keys, key=lambda one: one[1]):
            symbols = [symbol for symbol, _ in some]
            said.append(f"{symbols_in_words(symbols)} ({counted(count, 'key')}{' each' * (len(symbols) > 1)})")
        return ", ".join(said)


def plan_for_loss(work: Work, system_id: int, symbol: str) -> LossPlan:
    """The plan with fewest cylinders to rekey, then fewest keys to cut anew. Shows no bitting.

    A lost control key takes every core of the system out: each is pinned anew for another one. A place on a door
    counts once; where work is on its way to it, the plan is for what it brings. Without bittings in the shop the
    record alone says what a key opens.
    """
    work.require(Role.COUNTER, Role.BENCH)
    opened = open_system(work, system_id)
    copies = copies_of(work.session, opened.system)
    if symbol not in copies:
        raise LedgerError("keyset", f"{opened.system.name} has no keyset {symbol[:24]}.")
    [keyset] = [one for one in opened.system.keysets if one.symbol == symbol]
    if (replaced := shut_out_on(work.session, keyset)) is not None:
        over = LostKey(symbol, (), (), (), 0, True)
        return LossPlan(opened.system, over, (), (), (), 0, replaced_on=replaced)
    ready = ready_loss(work, system_id, symbol, opened)
    lost, open_until = _reckon(work, ready)
    hung = ready.ways
    in_place = {place_of(hung[name][1]) for name in lost.exposed}
    until = {place_of(hung[name][1]): name for name in open_until}
    still = [name for place, name in until.items() if place not in in_place]
    exposed, repin = _ways(hung, (*lost.exposed, *still)), _ways(hung, lost.repin)
    plan = LossPlan(
        opened.system,
        lost,
        exposed,
        repin,
        tuple((key, copies[key]) for key in lost.replace),
        len(still),
        sum(
            not one.state.has_left and place_of(one) not in until for one in (hung[name][1] for name in lost.exposed)
        ),
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


@dataclass(frozen=True, slots=True)
class ReadyLoss:
    """A system opened for the plan of a lost key.

    `ways`: every cylinder by its id as text, so that the plan with fewest cylinders counts doors and not kinds of
    cylinder; `leaving`: those in whose place another is on its way. `copies`: keys to cut anew by symbol.
    `through`: the jobs whose cylinders are pinned and checked and wait to be taken. `sections`: what enters what.
    """

    opened: OpenedSystem
    symbol: str
    copies: dict[str, int]
    ways: _Hung
    leaving: frozenset[str]
    beside: SystemsBeside
    through: frozenset[int]
    sections: Sections

    @property
    def system(self) -> KeySystem:
        """The system of the lost key."""
        return self.opened.system

    @property
    def hung(self) -> list[Cylinder]:
        """The cylinders that will stand, as far as is known."""
        return [one for name, (_, one) in self.ways.items() if name not in self.leaving]

    @property
    def named(self) -> dict[str, Cylinder]:
        """Those whose bittings the shop has."""
        return {name: self.ways[name][1] for name in self.cylinders}

    @property
    def cylinders(self) -> dict[str, tuple[str, ...]]:
        """The symbols of all that operate each."""
        return self.known(name for name in self.ways if name not in self.leaving)

    def known(self, names: Iterable[str]) -> dict[str, tuple[str, ...]]:
        """The same of some cylinders, as the keying room takes it."""
        labels = self.opened.cylinders
        return {name: labels[self.ways[name][0].label] for name in names if self.ways[name][0].label in labels}


def ready_loss(work: Work, system_id: int, symbol: str, opened: OpenedSystem | None = None) -> ReadyLoss:
    """Open a system, and what the customer has beside it, for the plan of a lost key."""
    opened = opened or open_system(work, system_id)
    ways = {str(one.id): (way, one) for way in opened.ways.values() for one in way.cylinders}
    making = making_way(work.session, opened.system.customer_id)
    leaving = frozenset(name for name, (_, one) in ways.items() if one.id in making)
    through, sections = through_the_bench(work.session, opened.system.customer_id), ALL_ENTER
    enters = WhatEnters.of(work.session, [opened.system])
    if len(sections_of(opened.system)) > 1:
        plugs = {name: way.keyset_id for name, (way, _) in ways.items()}
        sections = enters.sections({key: opened.keyset_ids[key] for key in opened.keys}, plugs)
    beside, copies = _beside(work, opened, enters), copies_of(work.session, opened.system)
    return ReadyLoss(opened, symbol, copies, ways, leaving, beside, through, sections)


def through_the_bench(session: Session, customer_id: int) -> frozenset[int]:
    """The ids of a customer's jobs whose cylinders are pinned and checked and wait to be taken."""
    rows = sa.select(Job.id).where(Job.customer_id == customer_id, Job.stage.in_((Stage.CHECKED, Stage.READY)))
    return frozenset(session.scalars(rows))


def _reckon(work: Work, ready: ReadyLoss) -> tuple[LostKey, tuple[str, ...]]:
    """The plan for the cylinders that will stand, and those about to leave that the lost key opens until then."""
    opened, symbol, hung = ready.opened, ready.symbol, ready.ways
    if symbol in opened.keys:
        until, lost = ready.known(ready.leaving), find_new_bittings(ready, work.rng, SECONDS)
        return lost, operated_by(opened.keys, until, symbol, ready.sections) if until else ()
    is_control = symbol == CONTROL_SYMBOL
    exposed, open_until = (
        tuple(
            name
            for name, (way, _) in hung.items()
            if (name in ready.leaving) is is_leaving and (is_control or symbol in way.symbols)
        )
        for is_leaving in (False, True)
    )
    if why_none := _why_no_control(work, opened) if is_control else f"The bitting of {symbol} is not in this house.":
        return LostKey(symbol, exposed, (), (), 0, False, reasons=(why_none,)), open_until
    return LostKey(symbol, exposed, (symbol,), exposed, ready.copies[symbol], True), open_until


def find_new_bittings(
    ready: ReadyLoss,
    rng: Random,
    seconds: float,
    branch: Collection[str] = (),
    keeping: Callable[[AbstractSet[str]], AbstractSet[str]] | None = None,
) -> LostKey:
    """The plan of the keying room, `branch` and `keeping` as `lost_key` takes them; it is none where it does not hold
    for cylinders that have fewer chambers than their keys have cuts.
    """
    opened = ready.opened
    lost = lost_key(
        *(opened.spec, opened.keys, ready.cylinders, ready.symbol, rng, ready.copies),
        seconds=seconds,
        beside=ready.beside,
        branch=branch,
        keeping=keeping,
        sections=ready.sections,
    )
    told = _seen_otherwise(ready, lost) if lost.proven else ""
    return replace(lost, proven=False, replace=(), new={}, reasons=(*lost.reasons, told)) if told else lost


def _seen_otherwise(ready: ReadyLoss, lost: LostKey) -> str:
    """Why a plan does not hold for the system's shorter cylinders; "" where it does."""
    opened, cylinders = ready.opened, ready.cylinders
    now = {**opened.keys, **lost.new, "\0lost": opened.keys[ready.symbol]}
    entered = ready.sections.entered
    sections = Sections(ready.sections.plugs, {**entered, "\0lost": entered[ready.symbol]} if entered else {})
    for chambers in {way.chambers for way, _ in ready.ways.values()} - {opened.spec.chambers}:
        short = {name: keys for name, keys in cylinders.items() if ready.ways[name][0].chambers == chambers}
        before, after = (
            set(
                audit(
                    {one: opened.spec.entering(cuts, chambers) for one, cuts in keys.items()}, short, sections
                ).unintended
            )
            for keys in (opened.keys, now)
        )
        if after - before:
            return (
                f"A cylinder of {chambers} chambers sees so many of its keys' {opened.spec.chambers} cuts: with the "
                "bittings found a key would turn one that it must not. Key these apart from the others first."
            )
    return ""


def _meets_in_short(
    opened: OpenedSystem,
    enters: WhatEnters,
    chambers: int,
    cylinders: Mapping[str, tuple[str, ...]],
    symbol: str,
    cuts: Cuts,
) -> bool:
    """Whether a new bitting of a keyset turns another's cylinder of so few chambers, or a key of these, the lost one
    too, its own.
    """
    seen, new = opened.seen_by(chambers), opened.spec.entering(cuts, chambers)
    for label, meant in cylinders.items():
        plug, is_own = enters.plugs[opened.ways[label].keyset_id], symbol in meant
        stack = [*zip(*([new] if is_own else []), *(seen[one] for one in meant if one != symbol), strict=True)]
        others = (one for one in seen if one not in meant or one == symbol)
        tried = {one: seen[one] for one in others} if is_own else {symbol: new}
        if any(
            plug in enters.entered[opened.keyset_ids[one]]
            and all(cut in depths for cut, depths in zip(key, stack, strict=True))
            for one, key in tried.items()
        ):
            return True
    return False


def _beside(work: Work, opened: OpenedSystem, enters: WhatEnters) -> SystemsBeside:
    """What the customer has that the system's keys enter, or that enters its cylinders, its control key, and keys of
    it that were lost before. What lets in a key now may go on. A new bitting is none to take that meets others in a
    shorter cylinder here.
    """
    system, needed = opened.system, sections_entered(work.session, opened.system)
    others = [
        one
        for one in systems_sharing_keyway(work.session, sections_of(system), system.customer_id)
        if one.id != system.id
    ]
    there = {
        names: SystemsInService.of(work, others, opened.spec, names)
        for names in {*needed.values(), *(frozenset([name]) for name in sections_of(system))}
    }
    keys: dict[Cuts, frozenset[str]] = {opened.control: frozenset(sections_of(system))} if opened.control else {}
    for words, cuts in opened.lost.items():
        keys[cuts] = keys.get(cuts, frozenset()) | enters.entered[opened.keyset_ids[words]]
    for name in sections_of(system):
        for cuts in sorted(there[frozenset([name])].keys):
            keys[cuts] = keys.get(cuts, frozenset()) | {name}
    meets_short = [
        partial(_meets_in_short, opened, enters, chambers, cylinders)
        for chambers, cylinders in opened.by_chambers().items()
        if chambers < opened.spec.chambers
    ]

    def turns(symbol: str, cuts: Cuts) -> bool:
        is_met = any(meets(symbol, cuts) for meets in meets_short)
        return is_met or there[needed[opened.keyset_ids[symbol]]].turns_any(cuts)

    return SystemsBeside(keys, turns, bears=True)


def _why_no_control(work: Work, opened: OpenedSystem) -> str:
    """Why no plan stands for a lost control key, such as that no other one is free; "" where one stands."""
    if opened.control is None:
        return f"The bitting of {CONTROL_SYMBOL} is not in this house."
    try:
        find_control(work, opened.system)
    except (KeyingError, NoBittingsLeft) as error:
        return error.message
    return ""


def place_of(cylinder: Cylinder) -> object:
    """What tells a place on a door from others; of a cylinder on no door itself."""
    return (cylinder.door_id, cylinder.position.casefold()) if cylinder.door_id else cylinder.id


def _ways(hung: _Hung, names: Iterable[str]) -> tuple[Way, ...]:
    found: dict[str, tuple[Way, list[Cylinder]]] = {}
    for name in names:
        way, cylinder = hung[name]
        found.setdefault(way.label, (way, []))[1].append(cylinder)
    return tuple(replace(way, cylinders=tuple(cylinders)) for way, cylinders in found.values())


def copies_of(session: Session, system: KeySystem) -> dict[str, int]:
    """Keys out or about to be, by symbol: each is to be cut anew when its keyset is replaced.

    A lost one too, so that there are as many of the new keyset as there were; not one lost under an older bitting.
    One where none is on record, as after an older list was taken over; none of a change kept in reserve.
    """
    rows = session.execute(
        sa.select(Keyset.symbol, sa.func.count(Key.id))
        .join(Key, Key.keyset_id == Keyset.id)
        .where(Keyset.system_id == system.id, Key.state.not_in((KeyState.RETIRED, KeyState.LOST)))
        .group_by(Keyset.symbol)
    )
    known = Counter(dict(rows.all()))
    lost = lost_keysets(session, [keyset.id for keyset in system.keysets])
    for one in lost:
        known[one.keyset.symbol] += len(one.copies)
    reserve = {one for one in system.keysets if one.reserved_for and not one.cylinders} - {one.keyset for one in lost}
    return {one.symbol: known[one.symbol] or (0 if one in reserve else 1) for one in system.keysets}
