"""Bitting specs: saved, changed without breaking the systems keyed by them, and asked for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.errors import Problem, Problems
from app.keying import BittingSpec, check_offset
from app.ledger.store.engine import get_row, transaction
from app.ledger.store.errors import Stale, Taken
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import KeySystem, Keyway, Maker, SpecRow


def add_spec(work: Work, spec: BittingSpec) -> SpecRow:
    """Put a spec on record under `spec.name`; owner only. Taken when the name is on record already."""
    work.require_owner()
    name = _name(spec)
    if spec.control_offset is not None:
        check_offset(spec)
    with transaction(work.session):
        _refuse_taken(work, name)
        row = SpecRow(name=name, spec=replace(spec, name="").to_json())
        work.session.add(row)
        work.session.flush()
        record(work, "bitting spec entered", f"bitting spec {row.id}", f"{name}: {_in_short(spec)}")
        return row


def change_spec(work: Work, spec_id: int, version: int, spec: BittingSpec) -> SpecRow:
    """Save a spec read at `version`; owner only.

    Where systems are keyed by it, what their bittings are written in stays: Problems names each field that may
    not change so. Raises Stale when somebody saved in between.
    """
    work.require_owner()
    name = _name(spec)
    if spec.control_offset is not None:
        check_offset(spec)
    with transaction(work.session):
        row = get_spec(work.session, spec_id)
        if row.version != version:
            raise Stale()
        if name != row.name:
            _refuse_taken(work, name)
        before = read_spec(row)
        refuse_breaking(work, row, before, spec)
        row.name, row.spec = name, replace(spec, name="").to_json()
        changed = [label for field, label in _LABELS.items() if getattr(before, field) != getattr(spec, field)]
        if changed:
            record(work, "bitting spec changed", f"bitting spec {row.id}", f"{name}: {', '.join(changed)} changed")
        return row


_LABELS = {
    "name": "name",
    "chambers": "chambers",
    "depths": "depths",
    "first_depth": "first depth",
    "macs": "MACS",
    "step": "step",
    "stack_total": "stack total",
    "control_offset": "control offset",
    "min_master_pin": "least master pin",
    "depth0_in": "root depth of the shallowest cut",
    "increment_in": "increment",
    "first_cut_in": "first cut",
    "spacing_in": "spacing",
}


def _name(spec: BittingSpec) -> str:
    name = " ".join(spec.name.split())
    if not name:
        raise Problems([Problem("name", "Enter a name for the spec, such as the maker and the keyway family.")])
    return name


def _refuse_taken(work: Work, name: str) -> None:
    if work.session.scalar(sa.select(SpecRow.id).where(SpecRow.name == name)):
        raise Taken("name", f"There is a bitting spec named {name} already; choose another name.")


def _in_short(spec: BittingSpec) -> str:
    return f"{spec.chambers} chambers, {spec.depths} depths, MACS {spec.macs}"


def refuse_breaking(work: Work, row: SpecRow, before: BittingSpec, after: BittingSpec) -> None:
    """Raise Problems where a spec would change what the bittings of systems in service are written in."""
    most, systems = work.session.execute(
        sa.select(sa.func.max(KeySystem.chambers), sa.func.count()).where(KeySystem.spec_id == row.id)
    ).one()
    if not systems:
        return
    held = f"{systems} key system{'s are' if systems > 1 else ' is'} keyed by this spec"
    problems = []
    if after.chambers < most:
        problems.append(Problem("chambers", f"{held}, with up to {most} chambers; enter at least {most}."))
    if after.first_depth != before.first_depth:
        problems.append(Problem("first_depth", f"{held}; its depths must keep their numbers. Enter a new spec."))
    elif after.depths < before.depths:
        problems.append(Problem("depths", f"{held}; a depth in use could be lost. Enter at least {before.depths}."))
    if after.step != before.step:
        problems.append(Problem("step", f"{held} and progressed by this step. Enter a new spec instead."))
    if problems:
        raise Problems(problems)


@dataclass(frozen=True, slots=True)
class SpecUse:
    """A spec in the list: its keyways' codes, and how many key systems are keyed by it."""

    row: SpecRow
    keyways: tuple[str, ...]
    systems: int

    @property
    def spec(self) -> BittingSpec:
        """The spec itself."""
        return read_spec(self.row)


def read_spec(row: SpecRow) -> BittingSpec:
    """The spec of a row, under the row's name."""
    return BittingSpec.from_json({**row.spec, "name": row.name})


def get_spec(session: Session, spec_id: int) -> SpecRow:
    """One spec; NotFound when there is none."""
    return get_row(session, SpecRow, spec_id, "bitting spec")


def list_specs(session: Session) -> tuple[SpecUse, ...]:
    """Every spec by name with what uses it: three queries."""
    rows = session.scalars(sa.select(SpecRow).order_by(SpecRow.name)).all()
    keyways: dict[int, list[str]] = {}
    for spec_id, code in session.execute(sa.select(Keyway.spec_id, Keyway.code).order_by(Keyway.code)):
        keyways.setdefault(spec_id, []).append(code)
    counted = sa.select(KeySystem.spec_id, sa.func.count()).group_by(KeySystem.spec_id)
    systems = dict(session.execute(counted).all())
    return tuple(SpecUse(row, tuple(keyways.get(row.id, ())), systems.get(row.id, 0)) for row in rows)


def use_of(session: Session, row: SpecRow) -> tuple[Sequence[Keyway], Sequence[KeySystem]]:
    """The keyways cut to a spec and the systems keyed by it."""
    keyways = session.scalars(
        sa.select(Keyway).where(Keyway.spec_id == row.id).options(joinedload(Keyway.maker)).order_by(Keyway.code)
    ).all()
    systems = session.scalars(
        sa.select(KeySystem)
        .where(KeySystem.spec_id == row.id)
        .options(joinedload(KeySystem.customer))
        .order_by(KeySystem.name)
    ).all()
    return keyways, systems


def keyway_chambers(session: Session) -> list[tuple[str, str, int]]:
    """Code, maker's name and most chambers of every keyway, by code."""
    rows = session.execute(
        sa.select(Keyway.code, Maker.name, SpecRow.spec).join(Keyway.maker).join(Keyway.spec).order_by(Keyway.code)
    )
    return [(code, maker, BittingSpec.from_json(spec).chambers) for code, maker, spec in rows]
