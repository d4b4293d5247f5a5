"""Cylinders on doors: found there, removed, and which one stands at each position or makes way for another."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol, TypeVar

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased

from app.errors import Problem, Problems
from app.ledger.store.engine import get_row, get_version, transaction
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.events import record
from app.ledger.store.records import text_problems
from app.ledger.store.work import Work
from app.ledger.tables import (
    LATE_STAGES,
    Cylinder,
    CylinderState,
    Door,
    Job,
    JobLine,
    Keyset,
    KeySystem,
    LineKind,
    Role,
)
from app.validation import fault_of_length

CYLINDER_ADDED, CYLINDER_TAKEN_OUT = "cylinder added", "cylinder taken out"
_TYPES = ("mortise", "rim", "deadbolt", "padlock", "cabinet", "bored", "sfic", "lfic")


@dataclass(frozen=True, slots=True)
class CylinderForm:
    """A cylinder as found. `keyset_id`: one of the customer's keysets, None where nobody knows."""

    position: str
    words: str
    part_number: str = ""
    keyset_id: int | None = None
    remarks: str = ""


def as_found(door: Door, form: CylinderForm) -> Cylinder:
    """The cylinder as a row, fitted on the door, with its type where its words say it."""
    return Cylinder(
        door=door,
        position=form.position,
        words=form.words,
        part_number=form.part_number,
        keyset_id=form.keyset_id,
        remarks=form.remarks,
        type=next((kind for kind in _TYPES if kind in form.words.lower()), ""),
        state=CylinderState.FITTED,
    )


def add_cylinder(work: Work, door_id: int, form: CylinderForm) -> Cylinder:
    """Put on record that a cylinder stands on a door, without a job. Problems by field, NotFound."""
    work.require(Role.COUNTER, Role.BENCH)
    problems = text_problems(form, Cylinder)
    problems += [Problem(name, "Fill this in.") for name in ("position", "words") if not getattr(form, name).strip()]
    if problems:
        raise Problems(problems)
    with transaction(work.session):
        door = get_row(work.session, Door, door_id, "door")
        there = (one for one in standing(door) if not one.is_planned)
        if any(one.position.casefold() == form.position.casefold() for one in there):
            raise LedgerError("position", f"A cylinder is on record {form.position} already; remove it first.")
        if form.keyset_id is not None:
            rows = sa.select(Keyset.id).join(KeySystem).where(KeySystem.customer_id == door.site.customer_id)
            if work.session.scalar(rows.where(Keyset.id == form.keyset_id)) is None:
                raise LedgerError("keyset_id", "This keyset is in no key system of this customer.")
        cylinder = as_found(door, form)
        work.session.add(cylinder)
        work.session.flush()
        said = f"Cylinder {cylinder.position}: {cylinder.words} saved as found"
        record(work, CYLINDER_ADDED, f"door {door.id}", said, cylinder=cylinder.id)
        return cylinder


def take_out(work: Work, cylinder_id: int, version: int, why: str = "") -> Cylinder:
    """Put on record that a fitted cylinder, read at `version`, came out, or that a planned one is not to come; it
    stays in the door's history.

    LedgerError for one that a job is to bring: its job moves it. Stale, NotFound.
    """
    work.require(Role.COUNTER, Role.BENCH)
    why = " ".join(why.split())
    if fault := fault_of_length(why, 200):
        raise LedgerError("why", fault)
    with transaction(work.session):
        cylinder = get_version(work.session, Cylinder, cylinder_id, "cylinder on a door", version)
        if cylinder.door_id is None:
            raise NotFound("cylinder on a door")
        was_planned = cylinder.is_planned
        if cylinder.state is not CylinderState.FITTED and not was_planned:
            raise LedgerError("", f"This cylinder is {cylinder.state.value}; only a fitted one can be removed here.")
        cylinder.state, cylinder.removed_on = CylinderState.REMOVED, work.today
        done = "is not planned any more" if was_planned else "removed from the door"
        said = f"Cylinder {cylinder.position}: {cylinder.words} {done}" + (f": {why}" if why else "")
        record(work, CYLINDER_TAKEN_OUT, f"door {cylinder.door_id}", said, cylinder=cylinder.id)
        return cylinder


class StandingCylinder(Protocol):
    """A cylinder as a row of the ledger or as a plain one."""

    @property
    def id(self) -> int: ...
    @property
    def position(self) -> str: ...
    @property
    def state(self) -> CylinderState: ...


_One = TypeVar("_One", bound=StandingCylinder)


def standing(door: Door) -> tuple[Cylinder, ...]:
    """One cylinder a position, by position: the fitted one; where none is fitted, the one that is to come."""
    return standing_among(door.cylinders)


def standing_among(cylinders: Iterable[_One]) -> tuple[_One, ...]:
    """The same, of one door's cylinders."""
    found: dict[str, _One] = {}
    there = [one for one in cylinders if one.state is not CylinderState.REMOVED]
    for one in sorted(there, key=lambda one: (one.state is CylinderState.FITTED, one.id)):
        found[one.position] = one
    return tuple(found[position] for position in sorted(found))


def making_way(session: Session, customer_id: int) -> dict[int, str]:
    """The ids of a customer's keyed cylinders whose place another takes that is on its way, and which job brings it.

    Whatever system that one is keyed in; of two on their way to one place, the older makes way. One on no door makes
    way for what it is rekeyed to.
    """
    rekeyed = session.execute(
        sa.select(JobLine.ask, Job.number)
        .join(Job, Job.id == JobLine.job_id)
        .where(Job.customer_id == customer_id, Job.stage.in_(LATE_STAGES), JobLine.kind == LineKind.REKEY.value)
    )
    found = {one: f"Job {number} rekeys this" for ask, number in rekeyed for one in ask.get("standing", ())}
    there, coming = aliased(Cylinder), aliased(Cylinder)
    rows = session.execute(
        sa.select(there.id, Job.number, Door.opening_number)
        .select_from(there)
        .join(Keyset, Keyset.id == there.keyset_id)
        .join(KeySystem, KeySystem.id == Keyset.system_id)
        .join(coming, coming.door_id == there.door_id)
        .join(Job, Job.id == coming.job_id)
        .join(Door, Door.id == coming.door_id)
        .where(
            KeySystem.customer_id == customer_id,
            there.state != CylinderState.REMOVED,
            coming.state.not_in((CylinderState.FITTED, CylinderState.REMOVED)),
            sa.func.lower(coming.position) == sa.func.lower(there.position),
            sa.or_(coming.id > there.id, there.state == CylinderState.FITTED),
        )
        .order_by(coming.id)
    )
    found |= {one: f"Job {number} brings another cylinder to {opening}" for one, number, opening in rows}
    return found
