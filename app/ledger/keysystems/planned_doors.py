"""Doors of a matrix stay with their keysets: each gets a planned cylinder, until a job brings it."""

from collections.abc import Sequence

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload, selectinload

from app.keying import AccessPlan
from app.ledger.keysystems.system_queries import operators_of
from app.ledger.sites.customers import site_named
from app.ledger.sites.cylinders import standing
from app.ledger.sites.door_history import DOORS_PLANNED
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderOperator, CylinderState, Door, Event, Keyset, KeySystem, Site, longest
from app.validation import counted, first_of

_NAMED = 8
_LONGEST = longest(Door.opening_number)
PLANNED = "planned cylinder"
"""What a cylinder is in words while nobody has said what will be fitted."""


def plan_doors_of(work: Work, system: KeySystem, plan: AccessPlan, site_name: str, takes_doors: str) -> Site:
    """Give every door of a plan its planned cylinder, inside the caller's transaction; the site that they are at.

    site_name: one of the customer's sites or a new one, "" for its only one. A door that is on record there is taken
    once somebody agreed to the sentence that says which (`takes_doors`).
    """
    long = next((one for one in plan.doors if len(one) > _LONGEST), None)
    if long is not None:
        raise LedgerError(
            "",
            f"{long[:_LONGEST]} … is longer than an opening number, {_LONGEST} characters: shorten it in the table.",
        )
    site = _site(work, system, site_name.strip())
    rows = sa.select(Door).where(Door.site_id == site.id).order_by(Door.id)
    rows = rows.options(selectinload(Door.cylinders).joinedload(Cylinder.keyset).joinedload(Keyset.system))
    known = {door.opening_number: door for door in work.session.scalars(rows)}
    _ask(takes_doors, site, [known[one] for one in plan.doors if one in known])
    by_symbol = {keyset.symbol: keyset for keyset in system.keysets}
    by_id = {keyset.id: keyset for keyset in system.keysets}
    added = [Door(site_id=site.id, opening_number=one) for one in plan.doors if one not in known]
    work.session.add_all(added)
    work.session.flush()
    known |= {door.opening_number: door for door in added}
    cylinders = {}
    for opening, name in sorted(plan.doors.items(), key=lambda one: (len(one[0]), one[0])):  # as papers list them
        symbols = plan.cylinders[name]
        own = by_symbol[symbols[0]]
        above = [one.symbol for one in operators_of(own, is_nmk=False, by_id=by_id)[1:]]
        is_nmk = not set(above) <= set(symbols)
        further = [one for one in symbols if one != own.symbol and (is_nmk or one not in above)]
        cylinder = Cylinder(
            door=known[opening],
            words=PLANNED,
            type="",
            chambers=system.chambers,
            keyway=system.keyway,
            keyset=own,
            is_nmk=is_nmk,
            state=CylinderState.ORDERED,
        )
        cylinder.operators = [CylinderOperator(keyset_id=by_symbol[one].id) for one in further]
        work.session.add(cylinder)
        cylinders[opening] = cylinder
    work.session.flush()
    record(
        work,
        DOORS_PLANNED,
        f"site {site.id}",
        f"{counted(len(cylinders), 'door')} planned on keysets of {system.name}, {len(added):,} of them new",
        added=[door.id for door in added],
        cylinders={str(one.id): one.door_id for one in cylinders.values()},
    )
    return site


def _site(work: Work, system: KeySystem, name: str) -> Site:
    rows = (
        sa.select(Site)
        .where(Site.customer_id == system.customer_id, Site.merged_into_id.is_(None))
        .order_by(Site.name)
    )
    sites = work.session.scalars(rows).all()
    if name:
        return site_named(work, system.customer_id, name)
    if len(sites) == 1:
        return sites[0]
    named = f": {', '.join(site.name for site in sites[:_NAMED])}, or a new one" if sites else ""
    raise LedgerError("site_name", f"The doors stay with their keysets: enter their site{named}.")


def _ask(takes_doors: str, site: Site, doors: Sequence[Door]) -> None:
    """Ask about doors that the site has already; refuse those that are planned for a system."""
    if not doors:
        return
    said, bare = [], []
    for door in doors:
        planned = next((one for one in door.cylinders if one.is_planned), None)
        there = planned or next((one for one in standing(door) if one.position == "outside"), None)
        keyed = f" on {there.keyset.symbol} of {there.keyset.system.name}" if there and there.keyset else ""
        if planned is not None:
            raise LedgerError(
                "site_name",
                f"Door {door.opening_number} of {site.name} is planned{keyed} already: remove that on the door's "
                "page first, or enter another site.",
            )
        if there is None:
            bare.append(door.opening_number)
        else:
            said.append(f"{door.opening_number} has a cylinder{keyed}")
    if bare:
        said.insert(0, f"{first_of(bare, _NAMED)} {'is' if len(bare) == 1 else 'are'} on record at {site.name}")
    told = f"{first_of(said, _NAMED, '; ')}. Tick that these doors are meant, and save again."
    if takes_doors != told:
        raise LedgerError("takes_doors", told)


def planned_cylinders(session: Session, system: KeySystem) -> Sequence[Cylinder]:
    """The planned cylinders of a system, with doors, keysets and operators, in the order that they were planned."""
    return session.scalars(
        _planned()
        .where(Keyset.system_id == system.id)
        .options(
            joinedload(Cylinder.door),
            joinedload(Cylinder.keyset),
            selectinload(Cylinder.operators).joinedload(CylinderOperator.keyset),
        )
    ).all()


def were_planned(session: Session, cylinders: Sequence[Cylinder]) -> set[int]:
    """The ids of those among cylinders on doors that were planned, whatever job brings them."""
    sites = {f"site {one.door.site_id}" for one in cylinders if one.door}
    rows = sa.select(Event.detail).where(Event.kind == DOORS_PLANNED, Event.subject.in_(sites)).order_by(Event.id)
    planned = {int(one) for detail in session.scalars(rows) for one in detail.get("cylinders", {})}
    return planned & {one.id for one in cylinders}


def take_place(session: Session, old: Keyset, new: Keyset) -> None:
    """Let what a keyset is for, and what is planned on it, follow to the keyset that takes its place."""
    new.purpose, new.carriers, new.reserved_for = old.purpose, old.carriers, old.reserved_for
    replan(session, old, new)


def replan(session: Session, old: Keyset, new: Keyset) -> None:
    """Let what is planned on a keyset, or to be operated by it, follow to another."""
    for cylinder in session.scalars(_planned().where(Cylinder.keyset_id == old.id)).all():
        cylinder.keyset = new
    rows = sa.select(CylinderOperator).join(Cylinder, Cylinder.id == CylinderOperator.cylinder_id)
    planned = rows.where(Cylinder.job_id.is_(None), Cylinder.state == CylinderState.ORDERED)
    for operator in session.scalars(planned.where(CylinderOperator.keyset_id == old.id)).all():
        operator.keyset = new


def planned_at(session: Session, site_id: int, openings: Sequence[str]) -> dict[tuple[str, str], Cylinder]:
    """The planned cylinders of a site's doors, by opening number and position."""
    if not openings:
        return {}
    rows = _planned().join(Door, Door.id == Cylinder.door_id)
    rows = rows.where(Door.site_id == site_id, Door.opening_number.in_(openings)).options(
        joinedload(Cylinder.door),
        joinedload(Cylinder.keyset),
        selectinload(Cylinder.operators).joinedload(CylinderOperator.keyset),
    )
    found = session.scalars(rows).all()
    return {(one.door.opening_number, one.position.casefold()): one for one in found if one.door}


def _planned() -> sa.Select[Cylinder]:
    return (
        sa.select(Cylinder)
        .join(Keyset, Keyset.id == Cylinder.keyset_id)
        .where(Cylinder.job_id.is_(None), Cylinder.state == CylinderState.ORDERED)
        .order_by(Cylinder.id)
    )
