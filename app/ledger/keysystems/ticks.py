"""What the bench ticks off, cylinders as pinned and checked and keys as cut; and ticks of what is no longer right."""

from collections.abc import Collection, Sequence

import sqlalchemy as sa

from app.ledger.keysystems.pinned import seal_pins
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Job, Key, KeyState, Stage

KEYS_CUT, KEYS_UNCUT = "keys cut", "keys to cut anew"

PINNED_ANEW = "cylinders to pin anew"
_TICKED = (CylinderState.PINNED, CylinderState.CHECKED)
_PAST_THE_BENCH = (Stage.CHECKED, Stage.READY)


def mark_cylinders(
    work: Work, job: Job, cylinders: Sequence[Cylinder], state: CylinderState, kind: str, done: str
) -> None:
    """Give cylinders of a job a state, inside the caller's transaction; one event of that kind says so.

    What is pinned is sealed as it is; what is to be pinned anew has no pins.
    """
    for cylinder in cylinders:
        cylinder.state = state
        if state is CylinderState.ORDERED:
            cylinder.sealed_pins = None
    if state is CylinderState.PINNED:
        seal_pins(work, cylinders)
    if cylinders:
        count = f"{len(cylinders)} cylinder{'' if len(cylinders) == 1 else 's'}"
        ids = [cylinder.id for cylinder in cylinders]
        record(work, kind, f"job {job.number}", f"{count} {done}", job_id=job.id, cylinders=ids)


def mark_keys(work: Work, job: Job, keys: Sequence[Key], state: KeyState, why: str = "") -> None:
    """Have keys of a job be cut, or be cut anew, inside the caller's transaction; one event a key system says so."""
    kind, done = (KEYS_CUT, "cut") if state is KeyState.CUT else (KEYS_UNCUT, "to cut anew")
    by_system: dict[int, list[Key]] = {}
    for key in keys:
        key.state, key.changed_at = state, work.now
        by_system.setdefault(key.keyset.system_id, []).append(key)
    for system_id, mine in by_system.items():
        symbols = ", ".join(dict.fromkeys(key.keyset.symbol for key in mine))
        count = f"{len(mine)} key{'' if len(mine) == 1 else 's'}"
        said = f"{count} {done}, job {job.number}: {symbols}" + (f"; {why}" if why else "")
        record(work, kind, f"key system {system_id}", said, job_id=job.id, keys=[key.id for key in mine])


def take_ticks_back(work: Work, cylinder_ids: Collection[int], why: str) -> int:
    """Have cylinders that are pinned or checked be pinned anew, inside the caller's transaction; how many they are.

    One event a job says so. LedgerError where their job has left the bench: it goes back there first, so that it
    cannot be handed over with pins that nobody checked. Cylinders that are fitted keep their state.
    """
    jobs: dict[int, list[Cylinder]] = {}
    ids = sorted(set(cylinder_ids))
    for start in range(0, len(ids), 500):
        rows = sa.select(Cylinder).where(
            Cylinder.id.in_(ids[start : start + 500]), Cylinder.state.in_(_TICKED), Cylinder.job_id.is_not(None)
        )
        for cylinder in work.session.scalars(rows.order_by(Cylinder.id)):
            jobs.setdefault(cylinder.job_id or 0, []).append(cylinder)
    for job_id, cylinders in jobs.items():
        job = _before_it_is_through(work, job_id, "pinned")
        mark_cylinders(work, job, cylinders, CylinderState.ORDERED, PINNED_ANEW, f"to pin and check anew: {why}")
    return sum(map(len, jobs.values()))


def take_key_ticks_back(work: Work, keyset_id: int, why: str) -> None:
    """Have a keyset's keys that are cut, and still in the shop, be cut anew, inside the caller's transaction.

    LedgerError as for cylinders. Keys that came with no job were not cut by the bench.
    """
    jobs: dict[int, list[Key]] = {}
    rows = sa.select(Key).where(Key.keyset_id == keyset_id, Key.state == KeyState.CUT, Key.job_id.is_not(None))
    for key in work.session.scalars(rows.order_by(Key.id)):
        jobs.setdefault(key.job_id or 0, []).append(key)
    for job_id, keys in jobs.items():
        mark_keys(work, _before_it_is_through(work, job_id, "cut"), keys, KeyState.ORDERED, why)


def _before_it_is_through(work: Work, job_id: int, done: str) -> Job:
    job = work.session.get_one(Job, job_id)
    if job.stage in _PAST_THE_BENCH:
        raise LedgerError(
            "", f"Job {job.number} is {job.stage.word}: move it back on to the bench first, to be {done} anew."
        )
    return job
