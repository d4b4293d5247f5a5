"""Use cases: who opens what. Make a matrix ready to be keyed, and seal what was found into a system."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from app.errors import Problem, Problems
from app.keying import AccessMatrix, AccessPlan, BittingSpec, KeyingError, draw_master, progression_under, read_matrix
from app.keying import Bitting as Cuts
from app.ledger.keysystems.bittings import Plan, add_keyset, open_bittings, open_plan, seal_plan
from app.ledger.keysystems.control import insert_control, lacks_control
from app.ledger.keysystems.system_queries import systems_sharing_keyway
from app.ledger.keysystems.systems import SystemForm, add_system_row, find_keyway, keyway_spec, name_is_taken
from app.ledger.keysystems.unsealed_system import SystemsInService, entering
from app.ledger.store.engine import get_row, transaction
from app.ledger.store.errors import LedgerError, Taken
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Keyset, KeySystem, Level, Role


@dataclass(frozen=True, slots=True)
class ReadyMatrix:
    """A matrix with what it is keyed by: the spec, a top master drawn by chance, and bittings to leave alone."""

    keyway: str
    spec: BittingSpec
    matrix: AccessMatrix
    tmk: Cuts = field(repr=False)
    avoid: frozenset[Cuts] = field(repr=False)


def make_ready(work: Work, keyway: str, chambers: int, table: Sequence[Sequence[str]]) -> ReadyMatrix:
    """Read the table and draw a master unlike those on this keyway; saves nothing.

    Raises Problems, each naming its row and column.
    """
    work.require(Role.BENCH)
    spec = keyway_spec(work, keyway, chambers)
    matrix, problems = read_matrix(table)
    if matrix is None:
        raise Problems(problems)
    if not matrix.keys:
        raise Problems([Problem("file", "Nobody opens anything: mark at least one door for one holder.")])
    systems = systems_sharing_keyway(work.session, keyway)
    tops = frozenset(p.tmk for p in (open_plan(work.vault, one) for one in systems) if p and len(p.tmk) == chambers)
    opened = open_bittings(work.session, work.vault, systems)
    avoid = frozenset(entering(cuts, chambers, spec.first_depth) for cuts in opened.values())
    return ReadyMatrix(keyway, spec, matrix, draw_master(spec, work.rng, tops), avoid)


def seal_access(work: Work, ready: ReadyMatrix, plan: AccessPlan, customer_id: int, name: str) -> KeySystem:
    """Make a system of the plan for a customer: its keysets with their holders, every bitting sealed.

    A top master that nobody carries is left out: no cylinder is pinned to it.
    """
    work.require(Role.BENCH)
    chambers = ready.spec.chambers
    with transaction(work.session):
        get_row(work.session, Customer, customer_id, "customer")
        if name_is_taken(work, customer_id, name):
            raise Taken("name", f"This customer has a key system named {name} already.")
        keyway = find_keyway(work, ready.keyway)
        _refuse_clashes(work, ready, plan, customer_id)
        system = add_system_row(work, SystemForm(customer_id, name, plan.levels, keyway.code, chambers), keyway)
        _insert_keysets(work, system, plan)
        if plan.roles:
            seal_plan(work, system, Plan(ready.tmk, plan.roles))
            system.capacity = sum(
                progression_under(ready.spec, ready.tmk, plan.roles, "C", keyset.bitting).usable
                for keyset in plan.keysets
                if keyset.level.value == Level.MASTER.value
            )
        work.session.flush()
        record(
            work,
            "key system made of a matrix",
            f"key system {system.id}",
            f"{name}: {len(plan.keys)} keysets for {len(plan.holders)} holders and {len(plan.doors)} doors"
            + _with_control(work, system),
        )
        return system


def _refuse_clashes(work: Work, ready: ReadyMatrix, plan: AccessPlan, customer_id: int) -> None:
    """The search knew no customer: hold what it found against the keys and cylinders that this one has."""
    neighbors = systems_sharing_keyway(work.session, ready.keyway, customer_id)
    there = SystemsInService.of(work, neighbors, ready.spec.chambers)
    turned = next((symbol for symbol, cuts in plan.keys.items() if there.turns_any(cuts)), None)
    for name, symbols in plan.cylinders.items():
        first, *above = [plan.keys[symbol] for symbol in symbols]
        turned = turned or (name if there.turns(first, above) else None)
    if turned is not None:
        raise LedgerError(
            "customer",
            f"{turned} would clash with another system of this customer on keyway {ready.keyway}. Nothing was saved; "
            "search again, or take another keyway.",
        )


def _with_control(work: Work, system: KeySystem) -> str:
    """Give a system of interchangeable cores its control key; words for the record. Its page tells of none."""
    if not lacks_control(system):
        return ""
    try:
        insert_control(work, system)
    except KeyingError:  # before anything was added: the spec has no control cut, or none is free
        return ", without a control key"
    return ", with a control key"


def _insert_keysets(work: Work, system: KeySystem, plan: AccessPlan) -> None:
    carriers: dict[str, list[str]] = {}
    for holder, symbol in plan.holders.items():
        if symbol is not None:
            carriers.setdefault(symbol, []).append(holder)
    issued = plan.keys
    by_symbol: dict[str, Keyset] = {}
    for planned in plan.keysets:
        if planned.symbol not in issued:
            continue
        parent, level = by_symbol.get(planned.parent or ""), Level(planned.level.value)
        purpose = ", ".join(carriers.get(planned.symbol, ()))[:200]
        by_symbol[planned.symbol] = add_keyset(work, system, planned.symbol, level, parent, planned.bitting, purpose)
