"""Use cases: a cylinder that was found on a door goes on record, and one that came out stays in its history."""

from __future__ import annotations

from dataclasses import dataclass

import sqlalchemy as sa

from app.errors import Problem, Problems
from app.ledger.sites.current_cylinders import standing
from app.ledger.sites.door_import import TYPES
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound, Stale
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Door, Keyset, KeySystem, Role

_LIMITS = {"position": 40, "words": 300, "part_number": 80, "remarks": 2000}


@dataclass(frozen=True, slots=True)
class CylinderForm:
    """A cylinder as found. `keyset_id`: one of the customer's keysets, None where nobody knows."""

    position: str
    words: str
    part_number: str = ""
    keyset_id: int | None = None
    remarks: str = ""


def add_cylinder(work: Work, door_id: int, form: CylinderForm) -> Cylinder:
    """Put on record that a cylinder stands on a door, without a job. Problems by field, NotFound."""
    work.require(Role.COUNTER, Role.BENCH)
    problems = [
        Problem(name, f"At most {limit} characters fit here.")
        for name, limit in _LIMITS.items()
        if len(getattr(form, name)) > limit
    ]
    problems += [Problem(name, "Fill this in.") for name in ("position", "words") if not getattr(form, name).strip()]
    if problems:
        raise Problems(problems)
    with transaction(work.session):
        door = work.session.get(Door, door_id)
        if door is None:
            raise NotFound("door")
        if any(one.position.casefold() == form.position.casefold() for one in standing(door)):
            raise LedgerError("position", f"A cylinder is on record {form.position} already; take it out first.")
        if form.keyset_id is not None:
            rows = sa.select(Keyset.id).join(KeySystem).where(KeySystem.customer_id == door.site.customer_id)
            if work.session.scalar(rows.where(Keyset.id == form.keyset_id)) is None:
                raise LedgerError("keyset_id", "This keyset is in no key system of this customer.")
        cylinder = Cylinder(
            door=door,
            position=form.position,
            words=form.words,
            part_number=form.part_number,
            keyset_id=form.keyset_id,
            type=next((kind for kind in TYPES if kind in form.words.lower()), ""),
            remarks=form.remarks,
            state=CylinderState.FITTED,
        )
        work.session.add(cylinder)
        work.session.flush()
        said = f"Cylinder {cylinder.position}: {cylinder.words} put on record as found"
        record(work, "cylinder added", f"door {door.id}", said)
        return cylinder


def take_out(work: Work, cylinder_id: int, version: int, why: str = "") -> Cylinder:
    """Put on record that a fitted cylinder, read at `version`, came out; it stays in the door's history.

    LedgerError for one that is not fitted: its job moves it. Stale, NotFound.
    """
    work.require(Role.COUNTER, Role.BENCH)
    why = " ".join(why.split())
    if len(why) > 200:
        raise LedgerError("why", "At most 200 characters fit here.")
    with transaction(work.session):
        cylinder = work.session.get(Cylinder, cylinder_id)
        if cylinder is None or cylinder.door_id is None:
            raise NotFound("cylinder on a door")
        if cylinder.version != version:
            raise Stale()
        if cylinder.state is not CylinderState.FITTED:
            raise LedgerError("", f"This cylinder is {cylinder.state.value}; only a fitted one can come out here.")
        cylinder.state = CylinderState.REMOVED
        said = f"Cylinder {cylinder.position}: {cylinder.words} came out" + (f": {why}" if why else "")
        record(work, "cylinder taken out", f"door {cylinder.door_id}", said)
        return cylinder
