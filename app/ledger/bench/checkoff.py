"""The bench ticks cylinders and keys off: who pinned a cylinder, and who checked it."""

from collections.abc import Collection, Sequence

from app.ledger.bench.bench_sheet import racks_of
from app.ledger.bench.blanks import give_blanks_back, take_blanks
from app.ledger.bench.pins import short_of_pins, take_pins
from app.ledger.jobs.cylinder_lines import job_cylinders
from app.ledger.jobs.queries import get_job
from app.ledger.jobs.stages import wants_second_check
from app.ledger.keys.key_queries import keys_of_job
from app.ledger.keysystems.keysets import require_decoded
from app.ledger.keysystems.ticks import (
    CHECKED,
    PINNED,
    CheckOff,
    checked_off,
    mark_cylinders,
    mark_keys,
    take_ticks_back,
)
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.work import Work
from app.ledger.tables import (
    Cylinder,
    CylinderState,
    Job,
    KeyState,
    Role,
    Stage,
)

CUT_IN = (Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER, Stage.CLOSED)


_FROM = {CylinderState.PINNED: CylinderState.ORDERED, CylinderState.CHECKED: CylinderState.PINNED}


def tick_cylinders(work: Work, job_number: int, cylinder_ids: Collection[int], state: CylinderState) -> int:
    """Tick cylinders of a job on the bench off as pinned or checked, or undo their ticks (ordered); how many changed.

    Two people may tick at once: what is as far already stays as it is. LedgerError on `cylinders` where none is
    named, where one is to be checked that is not pinned yet, and where the house wants a second person to check it.
    """
    work.require(Role.BENCH)
    if not cylinder_ids:
        which = "whose ticks to undo" if state is CylinderState.ORDERED else f"that are {state.value}"
        raise LedgerError("cylinders", f"Tick the cylinders {which}.")
    with transaction(work.session):
        job = get_job(work.session, job_number)
        if job.stage is not Stage.ON_THE_BENCH:
            raise LedgerError("stage", f"This job is {job.stage.word}; move it on to the bench first.")
        wanted = [cylinder for cylinder in job.cylinders if cylinder.id in cylinder_ids]
        if len(wanted) != len(set(cylinder_ids)):
            raise NotFound("cylinder in this job")
        if state is CylinderState.ORDERED:
            said = f"ticks undone by {work.actor.name}"
            return take_ticks_back(work, cylinder_ids, said, same_pins=True)
        moved = [cylinder for cylinder in wanted if cylinder.state is _FROM[state]]
        require_decoded([one.keyset for one in moved if one.keyset is not None], "cylinders")
        if state is CylinderState.CHECKED:
            if any(one.state is CylinderState.ORDERED for one in wanted):
                raise LedgerError("cylinders", "A cylinder is checked after it is pinned; tick it as pinned first.")
            if wants_second_check(work.session):
                _require_somebody_else(work, job, moved)
        if state is CylinderState.PINNED:
            take_pins(work, job, moved)
        kind = CHECKED if state is CylinderState.CHECKED else PINNED
        mark_cylinders(work, job, moved, state, kind, f"{state.value} by {work.actor.name}")
        return len(moved)


def tick_rack(work: Work, job_number: int, rack: int, state: CylinderState) -> tuple[int, tuple[str, ...]]:
    """Tick all of a rack off as pinned, or what is pinned of it as checked: how many changed, and what stays, by its
    opening, or its keyset where it has no door: what waits for a pin, or is not pinned yet.

    NotFound without such a rack; LedgerError on `cylinders` where nothing of it can be ticked, and as for one.
    """
    work.require(Role.BENCH)
    job = get_job(work.session, job_number)
    cylinders = job_cylinders(work.session, job.id)
    found = next((one for one in racks_of(work.session, job, cylinders) if one.number == rack), None)
    if found is None:
        raise NotFound("rack of this job")
    short = short_of_pins(work, job, found.ids) if state is CylinderState.PINNED else {}
    there = [line for line in found.lines if line.state is _FROM[state] and line.id not in short]
    before = tuple(CylinderState)[: tuple(CylinderState).index(state)]
    left = [line for line in found.lines if line.state in before and line not in there]
    labels = tuple(dict.fromkeys(line.opening_number or cylinders.symbol(line) for line in left))
    if not there:
        why = (
            "each waits for a pin, or is ticked off" if state is CylinderState.PINNED else "none waits for its check"
        )
        raise LedgerError("cylinders", f"Nothing of rack {rack} can be ticked off as {state.value}: {why}.")
    return tick_cylinders(work, job_number, [line.id for line in there], state), labels


def tick_keys(work: Work, job_number: int, keyset_ids: Collection[int], state: KeyState) -> int:
    """Tick a job's keys of these keysets off as cut and stamped, or undo it (ordered); how many changed.

    The job has been on the bench, so whoever had to allow its keys was asked; what has left the shop stays as it is.
    LedgerError on `keys` or `stage`.
    """
    work.require(Role.BENCH)
    if not keyset_ids:
        raise LedgerError("keys", "Tick the keys that this is about.")
    with transaction(work.session):
        job = get_job(work.session, job_number)
        if job.stage not in CUT_IN:
            raise LedgerError("stage", f"This job is {job.stage.word}; move it on to the bench first.")
        mine = [key for key in keys_of_job(work.session, job.id) if key.keyset_id in keyset_ids]
        if {key.keyset_id for key in mine} != set(keyset_ids):
            raise NotFound("key in this job")
        require_decoded({key.keyset for key in mine}, "keys")
        before = KeyState.ORDERED if state is KeyState.CUT else KeyState.CUT
        changed = [key for key in mine if key.state is before]
        mark_keys(work, job, changed, state)
        if state is KeyState.CUT:
            take_blanks(work, job)
        else:
            give_blanks_back(work, job, changed)
        return len(changed)


def _require_somebody_else(work: Work, job: Job, cylinders: Sequence[Cylinder]) -> None:
    offs = checked_off(work.session, job.id)
    own = [one for one in cylinders if offs.get(one.id, CheckOff()).pinned_by == work.actor.name]
    if own:
        raise LedgerError(
            "cylinders",
            f"You pinned {len(own)} of these yourself; this house wants a second person to check them.",
        )
