"""The revisions of a job's keying schedule: what was printed, and what has changed since the one before."""

from collections.abc import Mapping
from dataclasses import replace

import sqlalchemy as sa

from app.ledger.jobs.cylinder_lines import ScheduleRow
from app.ledger.jobs.papers import Schedule, schedule_of
from app.ledger.store.engine import transaction
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Event, Job, Role
from app.validation import counted

PRINTED = "keying schedule printed"
_WORDS = {
    "opening_number": "opening",
    "location": "location",
    "hand": "hand",
    "lock": "lock",
    "position": "position",
    "part_number": "part number",
    "keyset": "keyset",
    "operated_by": "operated by",
    "remarks": "remarks",
}
_Rows = Mapping[str, Mapping[str, str]]  # cylinder id → what the schedule says of it, by the names of `_WORDS`


def print_schedule(work: Work, job: Job) -> Schedule:
    """The keying schedule as it is printed today, with what has changed since the revision before it.

    It is a revision of its own where it says something else than the last that was printed; the first has the number
    of the quote's revision. What it says goes on record with it; it holds no bitting.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        schedule = schedule_of(work, job)
        rows = {str(row.cylinder_id): _said(row) for row in schedule.rows}
        keys = {f"{one.system}: {one.symbol}": one.keys for one in schedule.keysets}
        printed = work.session.scalars(
            sa.select(Event.detail)
            .where(Event.job_id == job.id, Event.kind == PRINTED)
            .order_by(Event.id.desc())
            .limit(2)
        ).all()
        is_new = not printed or (printed[0].get("rows"), printed[0].get("keys")) != (rows, keys)
        number = int(printed[0]["revision"]) + is_new if printed else max(1, schedule.head.revision)
        if is_new:
            record(
                work,
                PRINTED,
                f"job {job.number}",
                f"Keying schedule printed, revision {number}",
                job_id=job.id,
                revision=number,
                rows=rows,
                keys=keys,
            )
        before = printed[0 if is_new else 1] if len(printed) > (not is_new) else None
        schedule = replace(schedule, head=replace(schedule.head, revision=number))
        if before is None or "rows" not in before:  # of a job that came from another house only the number is there
            return schedule
        return replace(
            schedule,
            changed={
                row.cylinder_id: words
                for row in schedule.rows
                if (words := _changed(before["rows"].get(str(row.cylinder_id)), rows[str(row.cylinder_id)]))
            },
            also_changed=(*_gone(before["rows"], rows), *_keys_changed(before["keys"], keys)),
        )


def _said(row: ScheduleRow) -> dict[str, str]:
    return {name: ", ".join(row.operated_by) if name == "operated_by" else getattr(row, name) for name in _WORDS}


def _changed(before: Mapping[str, str] | None, now: Mapping[str, str]) -> str:
    """How a cylinder differs, in words; "" where it does not.

    >>> _changed({"keyset": "AA1", "hand": "LH"}, {"keyset": "AA2", "hand": "LH"}), _changed(None, {})
    ('keyset AA2, was AA1', 'new')
    """
    if before is None:
        return "new"
    return "; ".join(
        f"{_WORDS[name]} {said or 'none'}, was {before.get(name) or 'none'}"
        for name, said in now.items()
        if said != before.get(name)
    )


def _gone(before: _Rows, now: _Rows) -> list[str]:
    gone = (said for cylinder, said in before.items() if cylinder not in now)
    return [f"{said['opening_number'] or 'no door'}: the cylinder on {said['keyset']} is gone" for said in gone]


def _keys_changed(before: Mapping[str, int], now: Mapping[str, int]) -> list[str]:
    return [
        f"{name}: {counted(now.get(name, 0), 'key')}, before {before.get(name, 0):,}"
        for name in {**before, **now}
        if now.get(name, 0) != before.get(name, 0)
    ]
