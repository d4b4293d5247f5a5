"""Use cases: put a bitting spec on record, and change one without breaking the systems keyed by it."""

from __future__ import annotations

from dataclasses import replace

import sqlalchemy as sa

from app.errors import Problem, Problems
from app.keying import BittingSpec, check_offset
from app.ledger.catalog.spec_queries import get_spec, read_spec
from app.ledger.store.engine import transaction
from app.ledger.store.errors import Stale, Taken
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import KeySystem, SpecRow


def add_spec(work: Work, spec: BittingSpec) -> SpecRow:
    """Put a spec on record under `spec.name`; owner only. Taken when the name is on record already."""
    work.require()
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
    work.require()
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
