"""One or more fields set on many doors at once: what it would change, then all of it, or nothing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload
from sqlalchemy.orm.attributes import flag_modified

from app.errors import BitternError, Problem, Problems
from app.ledger.sites.door_fields import FIELDS, DoorChange, changed, for_event, put, read_field, said
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Door, Role

BULK_FIELDS = FIELDS[1:]  # an opening number is one door's own


def plan_change(
    session: Session, site_id: int, door_ids: Sequence[int], values: Mapping[str, str]
) -> tuple[DoorChange, ...]:
    """What setting `values` (texts by field) would change on these doors of a site; doors that stay are left out.

    Raises Problems by field, LedgerError on `doors` when none is chosen or one is not the site's. Saves nothing.
    """
    return tuple(change for _, change in _plan(session, site_id, door_ids, values))


def _plan(
    session: Session, site_id: int, door_ids: Sequence[int], values: Mapping[str, str]
) -> list[tuple[Door, DoorChange]]:
    new = _read(values)
    doors = _doors(session, site_id, door_ids)
    changes = []
    lockless = []
    for door in doors:
        before = said(door)
        if (before | new)["function"] and not (before | new)["lock"]:
            lockless.append(door.opening_number)
        if found := changed(before, new):
            changes.append((door, DoorChange(door.id, door.version, door.opening_number, found)))
    if lockless:
        named = ", ".join(lockless[:6]) + (f" and {len(lockless) - 6} more" if len(lockless) > 6 else "")
        raise LedgerError("lock", f"A function alone is no lock: say what lock {named} has.")
    return changes


def _read(values: Mapping[str, str]) -> dict[str, str]:
    new, problems = {}, []
    if not values:
        raise LedgerError("fields", "Choose at least one field to set.")
    for field, text in values.items():
        if field not in BULK_FIELDS:
            raise LedgerError("fields", f"{field[:40]!r} is not set on many doors at once.")
        try:
            new[field] = read_field(field, text)
        except BitternError as error:
            problems.append(Problem(field, error.message))
    if problems:
        raise Problems(problems)
    return new


def _doors(session: Session, site_id: int, door_ids: Sequence[int]) -> list[Door]:
    wanted = set(door_ids)
    if not wanted:
        raise LedgerError("doors", "Choose the doors first.")
    rows = sa.select(Door).where(Door.site_id == site_id).options(joinedload(Door.lock))
    rows = rows.order_by(sa.func.length(Door.opening_number), Door.opening_number)
    doors = [door for door in session.scalars(rows) if door.id in wanted]
    if len(doors) < len(wanted):
        raise LedgerError("doors", "One of these doors is not on record at this site any more; choose again.")
    return doors


def change_doors(work: Work, site_id: int, seen: Mapping[int, int], values: Mapping[str, str]) -> int:
    """Set fields on the doors in `seen` (id → version read); how many were changed. One event keeps every before.

    Raises as `plan_change`, and Stale, naming the doors, when somebody saved one in between; then none is changed.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        plan = _plan(work.session, site_id, list(seen), values)
        moved = [change.opening for _, change in plan if change.version != seen[change.door_id]]
        if moved:
            named = ", ".join(moved[:6]) + (f" and {len(moved) - 6} more" if len(moved) > 6 else "")
            raise Stale(f"Somebody changed {named} while you were choosing. Nothing was saved; look again.")
        for door, change in plan:
            put(door, {one.field: one.new for one in change.fields})
            flag_modified(door, "remarks")
        if plan:
            set_to = "; ".join(f"{field} → {text or 'none'}" for field, text in _read(values).items())
            record(
                work,
                "doors changed together",
                f"site {site_id}",
                f"{len(plan):,} {'door' if len(plan) == 1 else 'doors'}: {set_to}"[:1000],
                doors=for_event(change for _, change in plan),
            )
        return len(plan)
