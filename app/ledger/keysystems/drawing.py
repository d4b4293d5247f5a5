"""Bittings for a system inside the caller's transaction: its masters, its next changes, single keys; none clashes."""

from __future__ import annotations

from collections.abc import Sequence

from app.keying import Bitting as Cuts
from app.keying import (
    BittingSpec,
    KeyingError,
    LevelPlan,
    NoBittingsLeft,
    draw_master,
    draw_single,
    next_bittings,
    operating_chains,
    plan_levels,
)
from app.ledger.keysystems.bittings import open_plan, spec_of
from app.ledger.keysystems.shearing import Standing
from app.ledger.keysystems.system_form import SystemForm
from app.ledger.keysystems.system_queries import operators_of, systems_sharing_keyway
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Keyset, KeySystem, Level

CHANGE = "C"
MOST_DRAWS = 200


def plan_clear(work: Work, system: KeySystem, form: SystemForm) -> LevelPlan:
    """Plan a system whose masters clash with none of the customer's keys and cylinders on the keyway.

    Its top master is unlike every other on the keyway, whoever's it is.
    """
    spec = spec_of(system)
    sharing = [other for other in systems_sharing_keyway(work.session, system.keyway) if other.id != system.id]
    tops = frozenset(plan.tmk for plan in (open_plan(work.vault, other) for other in sharing) if plan)
    there = Standing.of(work, [other for other in sharing if other.customer_id == system.customer_id], spec.chambers)
    avoid = set(there.keys)
    for _ in range(MOST_DRAWS):
        top = form.tmk or draw_master(spec, work.rng, tops | avoid)
        if not there.clashes(top, ()):
            plan = plan_levels(
                spec,
                top,
                levels=form.levels,
                grands=form.grands if form.levels == 4 else 1,
                masters=form.masters if form.levels > 2 else 1,
                changes_per_master=max(form.changes, 1),
                used=avoid,
                roles=form.roles,
            )
            chains = operating_chains({keyset.symbol: keyset.parent for keyset in plan.keysets})
            bad = {
                keyset.bitting
                for keyset in plan.keysets
                if keyset.level.value != Level.CHANGE.value
                and there.clashes(keyset.bitting, [plan.keys[above] for above in chains[keyset.symbol][1:]])
            }
            if not bad:
                return plan
            avoid |= bad
        elif form.tmk is None:
            avoid.add(top)
        else:
            break
    raise LedgerError(
        "system", "This plan would clash with another system of this customer on the same keyway: plan it anew."
    )


def next_cuts(
    work: Work, system: KeySystem, parent: Keyset | None, count: int, crossed: Sequence[Sequence[Keyset]] = ()
) -> Sequence[Cuts]:
    """The next bittings under a master, or drawn for single keys: none clashes with what the customer has.

    `crossed`: the keysets that cylinders of theirs will be cross-keyed with, for each such way.
    """
    spec = spec_of(system)
    neighbours = systems_sharing_keyway(work.session, system.keyway, system.customer_id)
    there = Standing.of(work, neighbours, system.chambers)
    if parent is None:
        return _draw_singles(work, spec, there, count)
    plan = open_plan(work.vault, system)
    base = there.opened.get(parent.id)
    if plan is None or base is None:
        raise LedgerError("system", f"The shop has no array for {system.name}; it cannot be extended here.")
    above = [there.opened[keyset.id] for keyset in _chain(system, parent)]
    ways = [above, *([*above, *(there.opened[one.id] for one in further)] for further in crossed)]
    progression = plan.under(spec, CHANGE, base)
    # A bitting that is free may still turn a cross-keyed cylinder, or be pinned so that another key turns it:
    # such a one is passed over for good.
    used, short = there.keys, None
    while True:
        try:
            found = next_bittings(progression, count, used, "quantity")
        except NoBittingsLeft as error:  # told only once it says how many there are that clash with nothing
            short, found = error, next_bittings(progression, error.left, used)
        bad = [cuts for cuts in found if any(there.clashes(cuts, way) for way in ways)]
        if not bad and short is not None:
            raise short
        if not bad:
            return found
        used |= frozenset(bad)


def _chain(system: KeySystem, keyset: Keyset) -> list[Keyset]:
    return operators_of(keyset, is_nmk=False, by_id={one.id: one for one in system.keysets})


def _draw_singles(work: Work, spec: BittingSpec, there: Standing, count: int) -> list[Cuts]:
    """Draw keys that stand alone: new, and turning no cylinder that the customer has on this keyway."""
    drawn: list[Cuts] = []
    avoid = set(there.keys)
    for _ in range(count):
        for _ in range(MOST_DRAWS):
            cuts = draw_single(spec, work.rng, frozenset(avoid))
            avoid.add(cuts)
            if not there.turns_any(cuts):
                break
        else:
            raise KeyingError("quantity", "No single key could be drawn that opens none of the customer's cylinders.")
        drawn.append(cuts)
    return drawn
