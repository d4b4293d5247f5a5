"""Use cases: move a job from one stage to the next, and note that a quote is lost."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import sqlalchemy as sa

from app.ledger.doors.models import Cylinder, CylinderState
from app.ledger.engine import transaction
from app.ledger.errors import LedgerError, NotFound, Stale
from app.ledger.events.actions import record
from app.ledger.events.models import Event
from app.ledger.jobs.authority import require_job_authority
from app.ledger.jobs.checkoff import require_checked
from app.ledger.jobs.handing_over import HandOver, hand_over
from app.ledger.jobs.models import Job, QuoteRevision, Stage
from app.ledger.jobs.queries import LATE_STAGES
from app.ledger.jobs.sent import sent_keysets
from app.ledger.keysystems.models import Key, KeyState
from app.ledger.users.models import Role
from app.ledger.work import Work

S = Stage
# Asked becomes quoted by issuing a quote, quoted becomes approved by accepting it: not by a mere move.
MOVES: dict[Stage, tuple[Stage, ...]] = {
    S.ASKED: (S.LOST,),
    S.QUOTED: (S.LOST,),
    S.APPROVED: (S.PARTS_ON_ORDER, S.ON_THE_BENCH, S.READY, S.CANCELLED),
    S.PARTS_ON_ORDER: (S.ON_THE_BENCH, S.READY, S.CANCELLED),
    S.ON_THE_BENCH: (S.CHECKED, S.PARTS_ON_ORDER, S.CANCELLED),
    S.CHECKED: (S.READY, S.ON_THE_BENCH, S.CANCELLED),
    S.READY: (S.HANDED_OVER, S.ON_THE_BENCH, S.CANCELLED),
    S.HANDED_OVER: (S.CLOSED,),
    S.CLOSED: (),
    S.LOST: (),
    S.CANCELLED: (),
}
_MOVED = "stage moved"
_NEEDS_REASON = (S.LOST, S.CANCELLED)
# Shop-keyed cylinders must pass the bench and its check on their way out.
_SKIPS_BENCH = {(S.APPROVED, S.READY), (S.PARTS_ON_ORDER, S.READY)}


def next_stages(job: Job) -> tuple[Stage, ...]:
    """The stages that the job may move to from where it stands."""
    moves = MOVES[job.stage]
    if "shop" in job.keyed_at:
        return tuple(to for to in moves if (job.stage, to) not in _SKIPS_BENCH)
    return moves


def moved_to(stage: Stage) -> sa.ColumnElement[bool]:
    """Events that tell of a job's move to a stage, whatever reason was written with it."""
    told = [f"{left.value} → {stage.value}" for left, moves in MOVES.items() if stage in moves]
    written = [Event.summary.startswith(f"{words}: ") for words in told]
    return sa.and_(Event.kind == _MOVED, sa.or_(Event.summary.in_(told), *written))


def move_job(
    work: Work,
    job_id: int,
    version: int,
    to: Stage,
    reason: str = "",
    override_reason: str = "",
    handing: HandOver | None = None,
) -> Job:
    """Move a job that was read at `version`; LedgerError names what is allowed when the jump is not.

    Lost and cancelled need a reason. The bench needs the written authority of each key system's owner of record,
    or, of the house's owner, an `override_reason`. Checked may be set by bench and owner only, and only
    with every cylinder that the shop keys ticked off as checked. Ready says that what a factory cut is there.
    Handing over needs who takes the goods, and that whoever hands them over knows what is open still (`handing`);
    it puts the job's cylinders on their doors (those there before count as removed), and its keys that are cut
    in that person's hands. What it rekeys must be there first.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        job = work.session.get(Job, job_id)
        if job is None:
            raise NotFound("job")
        if job.version != version:
            raise Stale()
        _move(work, job, to, reason, override_reason, handing)
        return job


def lose_quote(work: Work, quote_id: int, reason: str) -> Job:
    """Mark a quoted job as lost, with the customer's reason, by the id of its newest quote revision.

    Raises LedgerError on `reason` when none is given and on `stage` when the quote is no longer open, Stale
    when a newer revision was issued since the list was read.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        revision = work.session.get(QuoteRevision, quote_id)
        if revision is None:
            raise NotFound("quote")
        job = revision.job
        if revision is not job.revisions[-1]:
            raise Stale(
                f"Quote {job.number}-{revision.revision} has been replaced by a newer revision: look at it first."
            )
        _move(work, job, S.LOST, reason)
        return job


def _move(
    work: Work, job: Job, to: Stage, reason: str, override_reason: str = "", handing: HandOver | None = None
) -> None:
    """Check the move and make it, inside the caller's transaction."""
    allowed = next_stages(job)
    if to not in allowed:
        names = ", ".join(stage.value for stage in allowed) or "nothing: its story is over"
        raise LedgerError("stage", f"From {job.stage.value} this job cannot go to {to.value}; it can go to {names}.")
    if to in _NEEDS_REASON and not reason.strip():
        raise LedgerError("reason", f"Say why the job is {to.value}.")
    if len(reason) > 500:
        raise LedgerError("reason", "At most 500 characters fit here.")
    if to is S.CHECKED:
        work.require(Role.BENCH)
        require_checked(work, job)
    if to is S.ON_THE_BENCH:
        require_job_authority(work, job, f"put job {job.number} on the bench", override_reason)
    said, detail = [reason.strip()], dict[str, Any]()
    if to is S.HANDED_OVER:
        _require_rekeyed_there(work, job)
        taker, still = hand_over(work, job, handing or HandOver())
        said = [f"taken by {taker}.", *still.sentences, *said]
        detail = {"taken_by": taker, "uncut": [key.id for key in still.keys], "owed_cents": still.owed_cents}
    left = job.stage
    job.stage = to
    if to in _NEEDS_REASON:
        job.reason = reason.strip()
    _move_pieces(work, job, to)
    record(
        work,
        _MOVED,
        f"job {job.number}",
        ": ".join(filter(None, (f"{left.value} → {to.value}", " ".join(filter(None, said))))),
        job_id=job.id,
        **detail,
    )


def _move_pieces(work: Work, job: Job, to: Stage) -> None:
    if to is S.CHECKED:
        for cylinder in job.cylinders:
            cylinder.state = CylinderState.CHECKED
    elif to is S.READY:
        theirs = sent_keysets(work.session, job)
        for key in _keys(work, job, KeyState.ORDERED):
            if key.keyset_id in theirs:
                key.state, key.changed_at = KeyState.CUT, work.now
    elif to is S.ON_THE_BENCH:
        for cylinder in job.cylinders:
            cylinder.state = CylinderState.ORDERED
    elif to is S.HANDED_OVER:
        for cylinder in job.cylinders:
            cylinder.state = CylinderState.FITTED
            _remove_earlier(work, cylinder)
        _remove_rekeyed(work, job)
    elif to is S.CANCELLED:
        for cylinder in job.cylinders:
            cylinder.state = CylinderState.REMOVED
        for key in _keys(work, job, KeyState.ORDERED, KeyState.CUT):
            key.state, key.changed_at = KeyState.RETIRED, work.now


def _remove_earlier(work: Work, cylinder: Cylinder) -> None:
    if cylinder.door_id is None:
        return
    earlier = work.session.scalars(
        sa.select(Cylinder).where(
            Cylinder.door_id == cylinder.door_id,
            sa.func.lower(Cylinder.position) == cylinder.position.lower(),
            Cylinder.id != cylinder.id,
            # What another job is still to bring stays on order, whichever of the two was sold first.
            Cylinder.state == CylinderState.FITTED,
        )
    )
    for other in earlier:
        other.state = CylinderState.REMOVED


def _remove_rekeyed(work: Work, job: Job) -> None:
    """What a line rekeyed where it hangs is now the job's cylinder, on a door or on none."""
    ids = _rekeyed(job)
    rows = sa.select(Cylinder).where(Cylinder.id.in_(ids), Cylinder.state == CylinderState.FITTED)
    for other in work.session.scalars(rows) if ids else ():
        other.state = CylinderState.REMOVED


def _require_rekeyed_there(work: Work, job: Job) -> None:
    """LedgerError on `stage` where another job is to bring what this one rekeys yet: it would undo that."""
    bringing = sa.select(Job.number).join(Cylinder, Cylinder.job_id == Job.id)
    first = work.session.scalar(
        bringing.where(
            Cylinder.id.in_(_rekeyed(job)),
            Cylinder.state.not_in((CylinderState.FITTED, CylinderState.REMOVED)),
            Job.stage.in_(LATE_STAGES),
        ).limit(1)
    )
    if first is not None:
        raise LedgerError("stage", f"This job rekeys cylinders that job {first} brings: hand job {first} over first.")


def _rekeyed(job: Job) -> list[int]:
    return [one for line in job.lines for one in line.ask.get("standing", ())]


def _keys(work: Work, job: Job, *states: KeyState) -> Sequence[Key]:
    return work.session.scalars(sa.select(Key).where(Key.job_id == job.id, Key.state.in_(states))).all()
