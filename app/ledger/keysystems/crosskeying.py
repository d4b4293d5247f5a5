"""Use cases: have further keysets operate a cylinder; what it costs, and a search that keeps everybody else out.

In the search only keysets may change that no metal has been made for: no key cut, no cylinder pinned.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice
from random import Random

import sqlalchemy as sa

from app.keying import (
    ROLE_BELOW,
    BittingChoice,
    BittingPool,
    BittingSpec,
    CrossCost,
    LevelArray,
    Progress,
    StackIndex,
    audit,
    choose_bittings,
    count_combinations,
    cross_cost,
    pin,
)
from app.keying import Bitting as Cuts
from app.ledger.catalog.maker_queries import entering_of
from app.ledger.keysystems.auditing import prove_no_interchange
from app.ledger.keysystems.bittings import open_bittings, open_plan, reseal_bittings, spec_of
from app.ledger.keysystems.extending import with_neighbors
from app.ledger.keysystems.lost_keysets import open_lost_bittings, require_not_lost
from app.ledger.keysystems.out_of_use import require_not_retired
from app.ledger.keysystems.pinned import keeping_keys_aside_out, seal_pins, turned_by
from app.ledger.keysystems.rows_aside import why_rows_aside
from app.ledger.keysystems.system_queries import (
    chambers_in,
    get_system,
    operators_of,
    sections_entered,
    sections_of,
    systems_sharing_keyway,
)
from app.ledger.keysystems.ticks import take_ticks_back
from app.ledger.keysystems.unsealed_system import OpenedSystem, Way, WhatEnters, open_system
from app.ledger.sites.cylinders import making_way
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound, Stale
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import (
    Cylinder,
    CylinderOperator,
    CylinderState,
    Key,
    Keyset,
    KeyState,
    KeySystem,
    Level,
    RecordsHolder,
    Role,
)

CROSS_KEYED, CROSS_KEYED_ANEW = "cross-keyed", "cross-keyed with new bittings"


@dataclass(frozen=True, slots=True)
class CrossKeyingCost:
    """How many bittings shear in the cylinder before and after; the growth is the security that it costs."""

    combinations_before: int
    combinations_after: int


@dataclass(frozen=True, slots=True)
class _Crossing:
    """A cylinder, its system, the keysets that operate it now, and those named that are no masters of it."""

    cylinder: Cylinder
    system: KeySystem
    now: list[Keyset]
    beside: list[Keyset]

    @property
    def further(self) -> list[Keyset]:
        return [keyset for keyset in self.beside if keyset not in self.now]


def _crossing(work: Work, cylinder_id: int, symbols: Sequence[str]) -> _Crossing:
    cylinder = work.session.get(Cylinder, cylinder_id)
    if cylinder is None or cylinder.keyset_id is None:
        raise NotFound("keyed cylinder")
    system = get_system(work.session, work.session.get_one(Keyset, cylinder.keyset_id).system_id)
    by_symbol = {keyset.symbol: keyset for keyset in system.keysets if not keyset.level.takes_cores_out}
    unknown = [symbol for symbol in symbols if symbol not in by_symbol]
    if unknown:
        raise LedgerError("operators", f"{system.name} has no keyset {unknown[0][:24]!r}.")
    by_id = {keyset.id: keyset for keyset in system.keysets}
    chain = operators_of(by_id[cylinder.keyset_id], is_nmk=cylinder.is_nmk, by_id=by_id)
    crossed = sa.select(CylinderOperator.keyset_id).where(CylinderOperator.cylinder_id == cylinder.id)
    now = [*chain, *(by_id[keyset_id] for keyset_id in work.session.scalars(crossed) if keyset_id in by_id)]
    wanted = (by_symbol[symbol] for symbol in dict.fromkeys(symbols))
    return _Crossing(cylinder, system, now, [keyset for keyset in wanted if keyset not in chain])


def cross_key(work: Work, cylinder_id: int, symbols: Sequence[str]) -> CrossKeyingCost:
    """Have a cylinder operated by further keysets of its own system.

    Refuses (KeyingError) when a key that is not meant to would then operate it, and (LedgerError) keysets of which a
    key is lost; nothing is saved then.
    """
    work.require(Role.BENCH)
    with transaction(work.session):
        crossing = _crossing(work, cylinder_id, symbols)
        system, now = crossing.system, crossing.now
        opened = open_bittings(work.session, work.vault, [system])
        spec, chambers = spec_of(system), chambers_in(system.chambers, crossing.cylinder.chambers)
        before, after = (
            count_combinations([spec.entering(opened[one.id], chambers) for one in keysets if one.id in opened])
            for keysets in (now, [*now, *crossing.further])
        )
        require_not_lost(work.session, crossing.beside, "operators")
        _require_no_successor(work, crossing, "operators")
        further = insert_operators(work, cylinder_id, symbols)
        if system.records is RecordsHolder.SHOP:
            prove_no_interchange(work, [system])
            require_lost_keys_stay_out(work, system, [crossing.cylinder], "operators")
        record(
            work,
            CROSS_KEYED,
            f"key system {system.id}",
            f"A cylinder of {system.name} is operated by {', '.join(further)} too",
            job_id=crossing.cylinder.job_id,
            cylinder=cylinder_id,
            combinations_before=before,
            combinations_after=after,
        )
    return CrossKeyingCost(before, after)


def _require_no_successor(work: Work, crossing: _Crossing, field: str) -> None:
    """Refuse, on `field`, a cylinder whose place another takes: what would turn it until then is proven by nobody."""
    if told := making_way(work.session, crossing.system.customer_id).get(crossing.cylinder.id):
        raise LedgerError(field, f"{told} already: cross-key the cylinder that comes.")


def require_lost_keys_stay_out(work: Work, system: KeySystem, cylinders: Sequence[Cylinder], field: str) -> None:
    """Refuse, on `field`, where a key of a bitting that was lost, and that its keyset has no longer, would open one
    of these cylinders, which are the customer's on this system's keyway.
    """
    sharing = systems_sharing_keyway(work.session, sections_of(system), system.customer_id)
    for keyset, cuts in open_lost_bittings(work, sharing):
        if turned := turned_by(work, keyset, [cuts], cylinders):
            doors = dict.fromkeys(one.door.opening_number if one.door else "a cylinder on no door" for one in turned)
            raise LedgerError(
                field,
                f"Keys of {keyset.symbol} that are cut as the lost one was would open {', '.join(doors)} then: "
                "cross-key with another keyset, or key the door to a new one.",
            )


def insert_operators(work: Work, cylinder_id: int, symbols: Sequence[str]) -> tuple[str, ...]:
    """Have keysets operate a cylinder that do not yet, inside the caller's transaction; gives their symbols.

    A cylinder that was pinned or checked has other pins by it: it loses its ticks (LedgerError past the bench).
    LedgerError on `operators` where a key that stands aside of an old list might turn it then.
    Whether a key of theirs is lost is the caller's to ask.
    """
    crossing = _crossing(work, cylinder_id, symbols)
    further = crossing.further
    if not further:
        return ()
    require_not_retired(further, "operators")
    _require_entering(work, crossing)
    added = tuple(keyset.symbol for keyset in further)
    with keeping_keys_aside_out(work, crossing.system, [crossing.cylinder], "operators"):
        work.session.add_all(CylinderOperator(cylinder_id=cylinder_id, keyset_id=keyset.id) for keyset in further)
        take_ticks_back(work, [cylinder_id], f"operated by {', '.join(added)} too")
        work.session.flush()
        if crossing.cylinder.state is CylinderState.FITTED:
            seal_pins(work, [crossing.cylinder])  # pinned anew at its door: what turned it before turns it still
    return added


def _require_entering(work: Work, crossing: _Crossing) -> None:
    """Refuse, on `operators`, keysets whose keys cannot enter the cylinder, or were cut of a blank that does not."""
    plug, system = work.session.get_one(Keyset, crossing.cylinder.keyset_id).section, crossing.system
    known, needed = entering_of(work.session), sections_entered(work.session, system)
    for keyset in crossing.further:
        if plug in (entered := known.entered(needed[keyset.id], system.chambers)):
            continue
        both = ", ".join(sorted({plug, *needed[keyset.id]}))
        blank = known.blank_for({plug, *needed[keyset.id]}, system.chambers)
        if blank is None:
            told = f"and no key blank on record enters {both}: cross-key with a keyset on {plug}"
        elif any(key.state not in (KeyState.ORDERED, KeyState.RETIRED) for key in keyset.keys):
            told = (
                f"as they are cut: retire them, so that new ones are cut of {blank.maker} {blank.number}, or "
                f"cross-key with a keyset on {plug}"
            )
        else:
            continue
        names = ", ".join(sorted(entered))
        raise LedgerError("operators", f"Keys of {keyset.symbol} enter {names}, not the cylinder's {plug}, {told}.")


def price_cross_keying(work: Work, opened: OpenedSystem, cylinder_id: int, symbols: Sequence[str]) -> CrossCost:
    """Combinations before and after, keys that would get in unasked, and other ways; saves and shows no bitting."""
    work.require(Role.BENCH)
    unknown = [symbol for symbol in symbols if symbol not in opened.keys]
    if unknown:
        raise LedgerError("symbols", f"{opened.system.name} has no keyset {unknown[0][:24]} with a bitting here.")
    way = find_way(opened, cylinder_id)
    if set(symbols) <= set(way.symbols):
        raise LedgerError("symbols", f"{', '.join(symbols)} operates this cylinder already.")
    if way.label not in opened.cylinders:
        raise LedgerError("cylinder", "The shop does not hold the bittings of this cylinder; it cannot be reckoned.")
    by_id = {keyset.id: keyset for keyset in opened.system.keysets}
    above = {k.symbol: [one.symbol for one in operators_of(k, is_nmk=False, by_id=by_id)[1:]] for k in by_id.values()}
    others = {
        label: [
            place.removeprefix("door ")
            for cylinder, place in zip(one.cylinders, one.places, strict=True)
            if cylinder.id != cylinder_id and cylinder.door
        ]
        for label, one in opened.ways.items()
    }
    more = [symbol for symbol in symbols if symbol not in way.symbols]
    keys = _keys_into(work, opened, way, symbols)
    found = cross_cost(_seen(opened.spec, keys, way), opened.cylinders, way.label, more, doors=others, above=above)
    return _with_share(found, opened.spec, keys, way, more)


def _seen(spec: BittingSpec, keys: Mapping[str, Cuts], way: Way) -> dict[str, Cuts]:
    """The keys as these cylinders see them."""
    return {symbol: spec.entering(cuts, way.chambers) for symbol, cuts in keys.items()}


def _with_share(
    cost: CrossCost, spec: BittingSpec, keys: Mapping[str, Cuts], way: Way, more: Sequence[str]
) -> CrossCost:
    """The same with what the pinning says of it that holds no cut."""
    found = pin(spec, {symbol: keys[symbol] for symbol in (*way.symbols, *more)}, chambers=way.chambers)
    return replace(cost, share=found.share_words, passed=found.passed)


def _keys_into(work: Work, opened: OpenedSystem, way: Way, symbols: Sequence[str]) -> dict[str, Cuts]:
    """The system's keys, lost ones too, that enter a cylinder, and those that are to."""
    enters = WhatEnters.of(work.session, [opened.system])
    plug, every = enters.plugs[way.keyset_id], {**opened.keys, **opened.lost}
    return {
        name: cuts
        for name, cuts in every.items()
        if name in symbols or plug in enters.entered[opened.keyset_ids[name]]
    }


def find_way(opened: OpenedSystem, cylinder_id: int) -> Way:
    """The way that a cylinder is operated; LedgerError when it is not of this system."""
    for way in opened.ways.values():
        if any(cylinder.id == cylinder_id for cylinder in way.cylinders):
            return way
    raise LedgerError("cylinder", "Choose a cylinder of this system.")


MOST_CANDIDATES = 4_000


@dataclass(frozen=True, slots=True)
class ReadyCross:
    """A cross-keying that is searched for: which keysets may change, and all that they are held against."""

    system_id: int
    system_name: str
    cylinder_id: int
    symbols: tuple[str, ...]
    way: Way
    spec: BittingSpec = field(repr=False)
    now: CrossCost
    all_keys: dict[str, Cuts] = field(repr=False)
    candidates: dict[str, list[Cuts]] = field(repr=False)
    cylinders: dict[str, tuple[str, ...]] = field(repr=False)
    unseen: dict[str, range]  # places of a bitting, of those of the cylinders that have fewer chambers

    @property
    def fixed(self) -> dict[str, Cuts]:
        """The keys that stay as they are."""
        return {symbol: cuts for symbol, cuts in self.all_keys.items() if symbol not in self.candidates}

    def search(self, rng: Random, seconds: float, on_progress: Progress) -> BittingChoice:
        """Look for bittings; needs no house, so it runs beside it."""
        return choose_bittings(
            *(self.fixed, self.candidates, self.cylinders),
            unseen=self.unseen,
            seconds=seconds,
            on_progress=on_progress,
        )

    def changed(self, found: Mapping[str, Cuts]) -> tuple[str, ...]:
        """Those of the bittings found that are others than now."""
        return tuple(symbol for symbol, cuts in found.items() if cuts != self.all_keys[symbol])

    def cost_with(self, found: Mapping[str, Cuts]) -> CrossCost:
        """What the cross-keying costs with the bittings found."""
        more = [symbol for symbol in self.symbols if symbol not in self.way.symbols]
        keys = {**self.all_keys, **found}
        cost = cross_cost(_seen(self.spec, keys, self.way), {self.way.label: self.way.symbols}, self.way.label, more)
        return _with_share(cost, self.spec, keys, self.way, more)


def make_cross_ready(work: Work, opened: OpenedSystem, cylinder_id: int, symbols: Sequence[str]) -> ReadyCross:
    """Which bittings may change and to what; saves nothing. Refuses where none may, or where none would help."""
    if aside := why_rows_aside(work.session, opened.system):
        raise LedgerError("symbols", aside)
    now = price_cross_keying(work, opened, cylinder_id, symbols)
    way = find_way(opened, cylinder_id)
    listed = tuple(dict.fromkeys([*way.symbols, *symbols]))
    involved = list(dict.fromkeys([*listed, *now.unintended]))
    free = _still_free(work, opened.system, involved)
    if not free:
        raise LedgerError(
            "symbols",
            f"Of {', '.join(involved)} each has a key cut or a cylinder pinned, or is a master: "
            "no bitting may change. See the other ways.",
        )
    every = _keys_into(work, opened, way, symbols)
    staying = {symbol: cuts for symbol, cuts in every.items() if symbol not in free}
    clash = audit(_seen(opened.spec, staying, way), {way.label: [symbol for symbol in listed if symbol in staying]})
    if clash.unintended:
        raise LedgerError(
            "symbols",
            f"{', '.join(key for _, key in clash.unintended)} stays as it is, and operates this cylinder whatever "
            f"{', '.join(free)} are cut to. See the other ways.",
        )
    plug = WhatEnters.of(work.session, [opened.system]).plugs[way.keyset_id]
    beside = with_neighbors(work, opened, plug, listed)
    keys, cylinders = beside.keys, beside.cylinders
    # A label may stand for several cylinders, of which one alone is cross-keyed.
    crossed = way.label if len(way.cylinders) == 1 else f"{way.label}, this one"
    cylinders[crossed] = listed
    if way.chambers < opened.spec.chambers:
        beside.chambers[crossed] = way.chambers
    candidates = {}
    fixed = [opened.keys[symbol] for symbol in listed if symbol not in free]
    issued, there, plan = set(keys.values()), StackIndex(beside.stacks), open_plan(work.vault, opened.system)
    for keyset in free.values():
        run = _bittings_beside(opened, plan, keyset)
        rest = (cuts for cuts in run if cuts not in issued and not there.meeting([(cut,) for cut in cuts]))
        cuts = [opened.keys[keyset.symbol], *islice(rest, MOST_CANDIDATES)]
        candidates[keyset.symbol] = sorted(cuts, key=lambda one: count_combinations([*fixed, one]))
    system = opened.system
    return ReadyCross(
        *(system.id, system.name, cylinder_id, tuple(symbols), way, opened.spec, now, keys, candidates, cylinders),
        beside.unseen,
    )


def seal_cross_search(work: Work, ready: ReadyCross, found: Mapping[str, Cuts]) -> tuple[str, ...]:
    """Seal the bittings found and cross-key the cylinder; gives the keysets that changed.

    Raises Stale where a key was cut, a cylinder pinned or a bitting changed in between.
    """
    work.require(Role.BENCH)
    with transaction(work.session):
        opened = open_system(work, ready.system_id)
        changed = ready.changed(found)
        free = _still_free(work, opened.system, list(found))
        if len(free) < len(found) or any(opened.keys.get(symbol) != ready.all_keys[symbol] for symbol in found):
            raise Stale()
        reseal_bittings(work, opened.system, [(free[symbol], found[symbol]) for symbol in changed])
        crossing = _crossing(work, ready.cylinder_id, ready.symbols)
        _require_no_successor(work, crossing, "symbols")
        require_not_lost(work.session, crossing.beside, "operators")
        added = insert_operators(work, ready.cylinder_id, ready.symbols)
        prove_no_interchange(work, [opened.system])
        require_lost_keys_stay_out(work, opened.system, [crossing.cylinder], "operators")
        record(
            work,
            CROSS_KEYED_ANEW,
            f"key system {opened.system.id}",
            f"A cylinder of {opened.system.name} is operated by {', '.join(added)} too; "
            + (f"{', '.join(changed)} got new bittings" if changed else "no bitting had to change"),
            cylinder=ready.cylinder_id,
            combinations_before=ready.now.before,
            combinations_after=ready.cost_with(found).after,
        )
        return changed


def _still_free(work: Work, system: KeySystem, symbols: list[str]) -> dict[str, Keyset]:
    """Those of these keysets that nothing is cut or pinned to yet and that no other keyset hangs under."""
    by_symbol = {keyset.symbol: keyset for keyset in system.keysets}
    parents = {keyset.parent_id for keyset in system.keysets}
    wanted = [
        keyset
        for keyset in (by_symbol.get(symbol) for symbol in symbols)
        if keyset is not None and keyset.level is Level.CHANGE and keyset.id not in parents
    ]
    ids = [keyset.id for keyset in wanted]
    cut = sa.select(Key.keyset_id).where(Key.keyset_id.in_(ids), Key.state != KeyState.ORDERED)
    pinned = sa.select(Cylinder.keyset_id).where(
        Cylinder.keyset_id.in_(ids), Cylinder.state.not_in((CylinderState.ORDERED, CylinderState.REMOVED))
    )
    taken = {*work.session.scalars(cut), *work.session.scalars(pinned)}
    return {keyset.symbol: keyset for keyset in wanted if keyset.id not in taken}


def _bittings_beside(opened: OpenedSystem, plan: LevelArray | None, keyset: Keyset) -> Iterable[Cuts]:
    """The bittings of a keyset's place in the system's array; of a system without one, all that its spec allows."""
    above = next((one for one in opened.system.keysets if one.id == keyset.parent_id), None)
    if plan is None:
        own, over = opened.keys[keyset.symbol], [opened.keys[above.symbol]] if above is not None else []
        rng = Random(repr(own))  # noqa: S311 - the candidates of a search, which are all tried
        return BittingPool.of(opened.spec, own, rng, most=MOST_CANDIDATES * 4).beside(over)
    role = ROLE_BELOW.get(above.level) if above is not None else None
    if above is None or above.symbol not in opened.keys or role is None or role not in plan.roles:
        return ()
    return plan.under(opened.spec, role, opened.keys[above.symbol])
