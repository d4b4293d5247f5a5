"""Which cylinders a keyset's key is meant to operate: what its loss exposes, and where it works in words.

A place on a door counts once: a cylinder on its way to it is no second one beside the one that stands there. Taken
from the record, so no bitting is opened; keys that turn by interchange are the lost-key plan's to find.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.tables import Cylinder, CylinderOperator, CylinderState, Door, Keyset, Level, Site

NAMED = 8


@dataclass(frozen=True, slots=True)
class Exposed:
    """A cylinder, its keyset's symbol, and the door it is on ("" and None where it is on none)."""

    cylinder_id: int
    symbol: str
    door_id: int | None
    opening_number: str
    location: str
    site: str
    position: str
    state: CylinderState


def exposed_by(session: Session, keyset: Keyset) -> tuple[Exposed, ...]:
    """The cylinders whose places the keyset's key opens, one a place, by site and opening number: two queries.

    The one that stands there where its key operates it, else the one that is on its way.
    """
    found: dict[object, Exposed] = {}
    for one in operated_by(session, keyset):
        place = one.cylinder_id if one.door_id is None else (one.door_id, one.position.casefold())
        if place not in found or one.state is CylinderState.FITTED:
            found[place] = one
    return tuple(found.values())


def operated_by(session: Session, keyset: Keyset) -> tuple[Exposed, ...]:
    """Every cylinder that the keyset's key operates, standing or on its way, by site and opening number: two queries.

    Its own, those of every keyset under it unless NMK, and those cross-keyed to it or to none above; a control
    key takes out every core of its system.
    """
    parents = dict(
        session.execute(
            sa.select(Keyset.id, sa.type_coerce(Keyset.parent_id, sa.Integer)).where(
                Keyset.system_id == keyset.system_id
            )
        ).all()
    )
    below = [one for one in parents if one != keyset.id and _is_under(one, keyset.id, parents)]
    crossed = sa.select(CylinderOperator.cylinder_id).where(CylinderOperator.keyset_id == keyset.id)
    operated: sa.ColumnElement[bool]
    if keyset.level is Level.CONTROL:
        operated = Cylinder.keyset_id.in_(list(parents))
    else:
        operated = sa.or_(
            Cylinder.keyset_id == keyset.id,
            sa.and_(Cylinder.keyset_id.in_(below), Cylinder.is_nmk.is_(False)),
            Cylinder.id.in_(crossed),
        )
    rows = session.execute(
        sa.select(
            Cylinder.id,
            Keyset.symbol,
            Cylinder.door_id,
            sa.func.coalesce(Door.opening_number, ""),
            sa.func.coalesce(Door.location, ""),
            sa.func.coalesce(Site.name, ""),
            Cylinder.position,
            Cylinder.state,
        )
        .join(Keyset, Keyset.id == Cylinder.keyset_id)
        .outerjoin(Door, Door.id == Cylinder.door_id)
        .outerjoin(Site, Site.id == Door.site_id)
        .where(operated, Cylinder.state != CylinderState.REMOVED)
        .order_by(Site.name, Door.opening_number, Cylinder.id)
    )
    return tuple(Exposed(*row) for row in rows)


def _is_under(keyset_id: int, master_id: int, parents: Mapping[int, int | None]) -> bool:
    above = parents.get(keyset_id)
    while above is not None:
        if above == master_id:
            return True
        above = parents.get(above)
    return False


def where_it_opens(keyset: Keyset, exposed: Sequence[Exposed]) -> str:
    """Where the key works, in a few words for its receipt: its purpose, or openings by number; never an address."""
    if keyset.level is Level.CONTROL:
        return "takes out the cores of this system"
    if keyset.purpose:
        return keyset.purpose
    openings = list(dict.fromkeys(one.opening_number for one in exposed if one.opening_number))
    if not openings:
        count = len(exposed)
        return f"{count} {'cylinder' if count == 1 else 'cylinders'}" if count else "no cylinder yet"
    named, rest = openings[:NAMED], len(openings) - NAMED
    return ", ".join(named) + (f" and {rest} more" if rest > 0 else "")
