"""Use cases: start a key system, add keysets with bittings of their own, and prove that nothing interchanges."""

from __future__ import annotations

__all__ = ["SystemForm", "add_keysets", "insert_system", "single_keyed_system"]

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import sqlalchemy as sa

from app.keying import Bitting as Cuts
from app.keying import (
    BittingSpec,
    KeyingError,
    draw_master,
    draw_single,
    next_bittings,
    plan_levels,
    progression_under,
    single_symbol,
)
from app.ledger.errors import LedgerError, NotFound, Taken
from app.ledger.events.actions import record
from app.ledger.keysystems.bittings import Plan, open_bittings, open_plan, seal_bitting, seal_plan, spec_of
from app.ledger.keysystems.control import insert_control
from app.ledger.keysystems.models import Bitting, Keyset, KeySystem, Level, RecordsHolder
from app.ledger.keysystems.queries import operators_of, systems_sharing_keyway
from app.ledger.keysystems.shearing import is_operated, operates, shearing_sets
from app.ledger.keysystems.symbols import change_level_symbol, number_of
from app.ledger.makers.models import Keyway
from app.ledger.work import Work

CHANGE = "C"
MASTER = "M"
MOST_DRAWS = 200


@dataclass(frozen=True, slots=True)
class SystemForm:
    """What is asked about a new key system; `changes` per master, the room wanted from the start.

    `tmk` and `roles` (what each chamber serves) are those of a plan that was chosen; without them they are drawn.
    """

    customer_id: int
    name: str
    levels: int
    keyway: str
    chambers: int
    site_id: int | None = None
    grands: int = 1
    masters: int = 1
    changes: int = 1
    records: RecordsHolder = RecordsHolder.SHOP
    owner_of_record: str = ""
    roles: str | None = None
    tmk: Cuts | None = field(default=None, repr=False)


def insert_system(work: Work, form: SystemForm) -> KeySystem:
    """Start a system inside the caller's transaction, with its masters; changes are added as they are sold.

    A system whose records the shop holds gets a top master drawn by chance and a plan of its chambers; the
    factory's gets symbols only. Raises NoBittingsLeft when the spec cannot hold what is asked.
    """
    name = form.name.strip()
    if not name:
        raise LedgerError("system", "Enter a name for the new key system.")
    if len(name) > 120:
        raise LedgerError("system", "A key system's name has at most 120 characters.")
    if not 1 <= form.levels <= 4:
        raise LedgerError("levels", "A key system has 1 to 4 levels.")
    if name_is_taken(work, form.customer_id, name):
        raise Taken("system", f"This customer has a key system named {name} already; choose it from the list.")
    keyway = find_keyway(work, form.keyway)
    most = BittingSpec.from_json(keyway.spec.spec).chambers
    if not 3 <= form.chambers <= most:
        raise LedgerError("chambers", f"Keyway {keyway.code} is cut for 3 to {most} chambers, not {form.chambers}.")
    system = add_system_row(work, replace(form, name=name), keyway)
    record(
        work,
        "key system started",
        f"key system {system.id}",
        f"{name}: {form.levels} levels on keyway {keyway.code}, records with {form.records.value}",
    )
    if form.levels > 1:
        _insert_masters(work, system, form)
    if form.records is RecordsHolder.SHOP and spec_of(system).control_offset is not None:
        insert_control(work, system)
    return system


def add_system_row(work: Work, form: SystemForm, keyway: Keyway) -> KeySystem:
    """The bare row of a system on a keyway, without keysets, inside the caller's transaction."""
    system = KeySystem(
        customer_id=form.customer_id,
        site_id=form.site_id,
        name=form.name,
        levels=form.levels,
        keyway=keyway.code,
        chambers=form.chambers,
        spec=keyway.spec,
        records=form.records,
        owner_of_record=form.owner_of_record,
        created_at=work.now,
    )
    work.session.add(system)
    work.session.flush()
    return system


def name_is_taken(work: Work, customer_id: int, name: str) -> bool:
    """Whether the customer has a key system of this name."""
    rows = sa.select(KeySystem.id).where(KeySystem.customer_id == customer_id, KeySystem.name == name)
    return work.session.scalar(rows) is not None


def find_keyway(work: Work, code: str) -> Keyway:
    """The keyway with this code; LedgerError names it when no maker has it."""
    keyway = work.session.scalar(sa.select(Keyway).where(Keyway.code == code))
    if keyway is None:
        raise LedgerError("keyway", f"No maker on record has a keyway {code[:24]!r}, so its bitting spec is unknown.")
    return keyway


def _insert_masters(work: Work, system: KeySystem, form: SystemForm) -> None:
    spec = spec_of(system)
    by_shop = form.records is RecordsHolder.SHOP
    others = [other for other in systems_sharing_keyway(work.session, system.keyway) if other.id != system.id]
    plans = (open_plan(work.vault, other) for other in others)
    tops = frozenset(plan.tmk for plan in plans if plan)
    top = form.tmk or draw_master(spec, work.rng, tops)
    plan = plan_levels(
        spec,
        top,
        levels=form.levels,
        grands=form.grands if form.levels == 4 else 1,
        masters=form.masters if form.levels > 2 else 1,
        changes_per_master=max(form.changes, 1),
        roles=form.roles,
    )
    by_symbol: dict[str, Keyset] = {}
    for planned in plan.keysets:
        if planned.level.value == Level.CHANGE.value:
            continue
        keyset = Keyset(
            system=system,
            symbol=planned.symbol,
            level=Level(planned.level.value),
            parent=by_symbol.get(planned.parent or ""),
        )
        work.session.add(keyset)
        work.session.flush()
        by_symbol[planned.symbol] = keyset
        if by_shop:
            seal_bitting(work, system, keyset, planned.bitting)
    if by_shop:
        seal_plan(work, system, Plan(top, plan.roles))
        system.capacity = sum(
            progression_under(spec, top, plan.roles, CHANGE, planned.bitting).usable
            for planned in plan.keysets
            if planned.level.value == Level.MASTER.value
        )
    work.session.flush()


def single_keyed_system(
    work: Work, customer_id: int, keyway: str, chambers: int, records: RecordsHolder
) -> KeySystem:
    """The customer's book of cylinders under no master on this keyway, started where there is none."""
    suffix = "" if records is RecordsHolder.SHOP else f", keyed by the {records.value}"
    name = f"Single keyed {keyway}, {chambers} chambers{suffix}"
    found = work.session.scalar(
        sa.select(KeySystem).where(KeySystem.customer_id == customer_id, KeySystem.name == name)
    )
    return found or insert_system(work, SystemForm(customer_id, name, 1, keyway, chambers, records=records))


def add_keysets(
    work: Work, system: KeySystem, count: int, master: str = "", *, under: Level = Level.MASTER
) -> list[Keyset]:
    """Add `count` keysets to a system inside the caller's transaction, each with a bitting nobody has yet.

    Under the master of that symbol ("" is the first); single keyed (`under` is Level.SINGLE) or in a system of
    one level, under none. Raises NoBittingsLeft (how many were asked, how many exist) or LedgerError; then
    nothing at all is saved.
    """
    single = system.levels == 1 or under is Level.SINGLE
    if not single and system.records is RecordsHolder.NOBODY:
        raise LedgerError(
            "system",
            f"Nobody holds the array and the list of bittings of {system.name}: it must not be extended. "
            "Key these cylinders single (SKD) or start a new system.",
        )
    if system.records is RecordsHolder.SHOP:
        _require_bittings(work, system)
    parent = None if single else _master(work, system, master)
    symbols = _next_symbols(work, system, parent, count)
    keysets = []
    for symbol in symbols:
        level = Level.SINGLE if parent is None else Level.CHANGE
        keyset = Keyset(system=system, symbol=symbol, level=level, parent=parent)
        work.session.add(keyset)
        keysets.append(keyset)
    work.session.flush()
    if system.records is RecordsHolder.SHOP:
        for keyset, cuts in zip(keysets, _next_cuts(work, system, parent, count), strict=True):
            seal_bitting(work, system, keyset, cuts)
    work.session.flush()
    return keysets


def _require_bittings(work: Work, system: KeySystem) -> None:
    """Refuse to draw next to bittings that this house should hold and does not: none could be told from theirs."""
    rows = (
        sa.select(KeySystem.name, Keyset.symbol)
        .join(Keyset, Keyset.system_id == KeySystem.id)
        .outerjoin(Bitting, Bitting.keyset_id == Keyset.id)
        .where(
            KeySystem.customer_id == system.customer_id,
            KeySystem.keyway == system.keyway,
            KeySystem.records == RecordsHolder.SHOP,
            Bitting.id.is_(None),
        )
        .order_by(Keyset.id)
    )
    missing = work.session.execute(rows.limit(1)).first()
    if missing is not None:
        raise LedgerError(
            "system",
            f"The bitting of {missing.symbol} in {missing.name} is not in this house, so a key that is new might be "
            "the same. Put the sealed backup back first, or take the bitting list over.",
        )


def _master(work: Work, system: KeySystem, symbol: str) -> Keyset:
    rows = sa.select(Keyset).where(Keyset.system_id == system.id, Keyset.level == Level.MASTER).order_by(Keyset.id)
    masters = work.session.scalars(rows).all()
    if not masters:
        raise NotFound("master in this key system")
    for keyset in masters:
        if keyset.symbol == symbol or not symbol:
            return keyset
    raise LedgerError(
        "master",
        f"{system.name} has no master {symbol[:24]!r}; it has {', '.join(keyset.symbol for keyset in masters[:20])}.",
    )


def _next_symbols(work: Work, system: KeySystem, parent: Keyset | None, count: int) -> list[str]:
    siblings = sa.select(Keyset.symbol).where(Keyset.system_id == system.id)
    if parent is None:
        siblings = siblings.where(Keyset.level == Level.SINGLE)
    else:
        siblings = siblings.where(Keyset.parent_id == parent.id)
    last = max((number_of(symbol) for symbol in work.session.scalars(siblings)), default=0)
    numbers = range(last + 1, last + 1 + count)
    if parent is None:
        return [single_symbol(number) for number in numbers]
    return [change_level_symbol(system.levels, parent.symbol, number) for number in numbers]


def _next_cuts(work: Work, system: KeySystem, parent: Keyset | None, count: int) -> Sequence[Cuts]:
    spec = spec_of(system)
    neighbours = systems_sharing_keyway(work.session, system.keyway, system.customer_id)
    opened = open_bittings(work.session, work.vault, neighbours)
    # A key with more cuts enters a shorter cylinder too, so it is its first cuts that count as used.
    used = frozenset(cuts[: system.chambers] for cuts in opened.values() if len(cuts) >= system.chambers)
    if parent is None:
        return _draw_singles(work, spec, neighbours, used, count)
    plan = open_plan(work.vault, system)
    base = opened.get(parent.id)
    if plan is None or base is None:
        raise LedgerError("system", f"The shop has no array for {system.name}; it cannot be extended here.")
    above = [opened[keyset.id] for keyset in _chain(system, parent)]
    others = [cuts for cuts in used if cuts not in above]
    stacks = shearing_sets(work, neighbours)
    progression = progression_under(spec, plan.tmk, plan.roles, CHANGE, base)
    # A bitting that is free may still turn a cross-keyed cylinder, or be pinned so that another key turns it:
    # such a one is passed over for good.
    while True:
        found = next_bittings(progression, count, used, "quantity")
        bad = [
            cuts
            for cuts in found
            if any(operates(cuts, stack) for stack in stacks) or is_operated(cuts, above, others)
        ]
        if not bad:
            return found
        used |= frozenset(bad)


def _chain(system: KeySystem, keyset: Keyset) -> list[Keyset]:
    return operators_of(keyset, is_nmk=False, by_id={one.id: one for one in system.keysets})


def _draw_singles(
    work: Work, spec: BittingSpec, neighbours: Sequence[KeySystem], used: frozenset[Cuts], count: int
) -> list[Cuts]:
    """Draw keys that stand alone: new, and turning no cylinder that the customer has on this keyway."""
    shearing = shearing_sets(work, neighbours)
    drawn: list[Cuts] = []
    avoid = set(used)
    for _ in range(count):
        for _ in range(MOST_DRAWS):
            cuts = draw_single(spec, work.rng, frozenset(avoid))
            avoid.add(cuts)
            if not any(operates(cuts, stack) for stack in shearing):
                break
        else:
            raise KeyingError("quantity", "No single key could be drawn that opens none of the customer's cylinders.")
        drawn.append(cuts)
    return drawn
