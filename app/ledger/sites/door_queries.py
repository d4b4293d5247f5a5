"""Questions about doors: which sites have them, what is on each, and what ever was."""

from collections.abc import Iterable
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload, selectinload

from app.ledger.search.words import holds
from app.ledger.sites.doors import BY_OPENING
from app.ledger.store.engine import Page, get_row, page_of
from app.ledger.tables import Customer, Cylinder, CylinderOperator, CylinderState, Door, Job, Site


def list_sites(session: Session, text: str = "", page: int = 1) -> Page[sa.Row[*tuple[Any, ...]]]:
    """Sites by customer; `text` in the site's or the customer's name.

    Each has `id`, `name`, `address`, its `customer`'s name, and how many `doors`, `egress` and `fire_rated` ones.
    """
    condition: sa.ColumnElement[bool] = Site.merged_into_id.is_(None)
    if text.strip():
        condition &= sa.or_(holds(Customer.name, text.strip()), holds(Site.name, text.strip()))
    doors = (
        sa.select(
            Door.site_id,
            sa.func.count().label("doors"),
            sa.func.sum(sa.case((Door.is_egress, 1), else_=0)).label("egress"),
            sa.func.sum(sa.case((Door.is_fire_rated, 1), else_=0)).label("fire_rated"),
        )
        .group_by(Door.site_id)
        .subquery()
    )
    rows = (
        sa.select(
            Site.id,
            Site.name,
            Site.address,
            Customer.name.label("customer"),
            *(sa.func.coalesce(doors.c[name], 0).label(name) for name in ("doors", "egress", "fire_rated")),
        )
        .join(Customer, Customer.id == Site.customer_id)
        .outerjoin(doors, doors.c.site_id == Site.id)
        .where(condition)
        .order_by(Customer.name, Customer.id, Site.name)
    )
    counted = sa.select(Site.id).join(Customer).where(condition)
    return page_of(*(session, rows, page, 50), take=lambda shown: session.execute(shown).all(), counted=counted)


def site_doors(session: Session, site_id: int, text: str = "", page: int = 1) -> Page[Door]:
    """A site's doors by opening number, cylinders and keysets loaded; `text` in opening or location."""
    rows = sa.select(Door).where(_answers(site_id, text)).options(joinedload(Door.lock), *_cylinders())
    return page_of(session, rows.order_by(*BY_OPENING), page, 100)


def part_numbers(doors: Iterable[Door]) -> tuple[tuple[str, str], ...]:
    """Each part number on these doors and what it is in words, once."""
    there = (cylinder for door in doors for cylinder in door.cylinders)
    standing = (one for one in there if one.state is not CylinderState.REMOVED and one.part_number)
    return tuple(sorted({(one.part_number, one.words) for one in standing}))


def door_ids(session: Session, site_id: int, text: str = "", most: int = 5000) -> list[int]:
    """The ids of a site's doors that answer to the sifting, in the order of the page."""
    rows = sa.select(Door.id).where(_answers(site_id, text))
    return list(session.scalars(rows.order_by(*BY_OPENING).limit(most)))


def _answers(site_id: int, text: str) -> sa.ColumnElement[bool]:
    here = Door.site_id == site_id
    if not (words := text.strip()):
        return here
    return sa.and_(here, sa.or_(holds(Door.opening_number, words), holds(Door.location, words)))


def get_door(session: Session, door_id: int) -> Door:
    """A door with its site, lock and every cylinder that was ever on it; NotFound when there is none."""
    load = (joinedload(Door.site).joinedload(Site.customer), joinedload(Door.lock))
    return get_row(session, Door, door_id, "door", *load, *_cylinders())


def _cylinders() -> tuple[sa.orm.interfaces.LoaderOption, ...]:
    return (
        selectinload(Door.cylinders).joinedload(Cylinder.keyset),
        selectinload(Door.cylinders).selectinload(Cylinder.operators).joinedload(CylinderOperator.keyset),
    )


def job_numbers(session: Session, job_ids: Iterable[int | None]) -> dict[int, int]:
    """Job id → job number, for those ids that name a job."""
    wanted = {job_id for job_id in job_ids if job_id is not None}
    if not wanted:
        return {}
    return dict(session.execute(sa.select(Job.id, Job.number).where(Job.id.in_(wanted))).all())
