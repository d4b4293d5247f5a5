"""Use cases: plan a system for a customer, and start it with the masters of the plan that was chosen."""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import Problem, Problems
from app.keying import BittingSpec, Demand, Planning, draw_master, plan_system, read_bitting, write_bitting
from app.ledger.keysystems.bittings import open_plan
from app.ledger.keysystems.sealed_token import carried, carry
from app.ledger.keysystems.system_queries import systems_sharing_keyway
from app.ledger.keysystems.systems import SystemForm, insert_system, keyway_spec
from app.ledger.store.engine import get_row, transaction
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Customer, KeySystem, Role


@dataclass(frozen=True, slots=True)
class PlanForm:
    """What a new system must hold, and on what."""

    keyway: str
    chambers: int
    levels: int
    changes_per_master: int
    masters: int = 1
    grands: int = 1
    expansion_percent: int = 0

    @property
    def demand(self) -> Demand:
        """As the keying room takes it; counts of levels that the system lacks are one."""
        return Demand(
            levels=self.levels,
            grands=self.grands if self.levels == 4 else 1,
            masters=self.masters if self.levels > 2 else 1,
            changes_per_master=self.changes_per_master,
            expansion_percent=self.expansion_percent,
        )


@dataclass(frozen=True, slots=True)
class Planned:
    """The plans side by side; `sealed` carries the master they were reckoned under, for whoever starts it."""

    form: PlanForm
    spec: BittingSpec
    planning: Planning
    sealed: str


def plan_for(work: Work, form: PlanForm) -> Planned:
    """Two or three plans for a system on this keyway, reckoned under a master drawn by chance; saves nothing.

    The master is shown to nobody. A person who may not start a system gets no sealed master either.
    """
    work.require(Role.COUNTER, Role.BENCH)
    spec = keyway_spec(work, form.keyway, form.chambers)
    demand = form.demand
    taken = (open_plan(work.vault, other) for other in systems_sharing_keyway(work.session, form.keyway))
    top = draw_master(
        spec, work.rng, frozenset(plan.tmk for plan in taken if plan and len(plan.tmk) == spec.chambers)
    )
    planning = plan_system(spec, top, demand)
    may_start = bool(planning.startable) and work.actor.role is not Role.COUNTER
    return Planned(form, spec, planning, carry(work, write_bitting(spec, top), _purpose(form)) if may_start else "")


def _purpose(form: PlanForm) -> str:
    return f"plan of a system, {form}"


def start_planned(work: Work, form: PlanForm, sealed: str, roles: str, customer_id: int, name: str) -> KeySystem:
    """Start the system that was planned, by the plan with these roles: its masters and control key sealed.

    Raises LedgerError when the page is another day's or another person's, Taken when the name is.
    """
    work.require(Role.BENCH)
    spec = keyway_spec(work, form.keyway, form.chambers)
    top = read_bitting(spec, carried(work, sealed, _purpose(form)), "plan")
    demand = form.demand
    plan = next((one for one in plan_system(spec, top, demand).startable if one.roles == roles), None)
    if plan is None:
        raise Problems([Problem("roles", "Choose one of the plans.")])
    with transaction(work.session):
        get_row(work.session, Customer, customer_id, "customer")
        system = insert_system(
            work,
            SystemForm(
                customer_id,
                name,
                form.levels,
                form.keyway,
                form.chambers,
                None,
                demand.grands,
                demand.masters,
                1 if plan.constants else demand.changes_per_master,  # the roles alone do not hold what turning does
                roles=roles,
                constants=plan.constants,
                tmk=top,
            ),
        )
        record(
            work,
            "key system planned",
            f"key system {system.id}",
            f"{system.name}: {plan.title}, {plan.levels[0].capacity} changes a master, "
            f"{form.expansion_percent} % expansion asked",
        )
        return system


def customers_to_choose(session: Session) -> list[tuple[str, str]]:
    """Id as text and name of every customer, by name."""
    rows = session.execute(sa.select(Customer.id, Customer.name).order_by(Customer.name, Customer.id))
    return [(str(number), name) for number, name in rows]
