"""Use cases: move a job from one stage to the next, and note that a quote is lost."""

from collections.abc import Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.jobs.queries import job_money
from app.ledger.keysystems.authority import require_job_authority
from app.ledger.keysystems.pinned import freeze_pins
from app.ledger.keysystems.planned_doors import were_planned
from app.ledger.quoting.factory_keyed import sent_cylinders, sent_keysets
from app.ledger.stock.needs import release_needs
from app.ledger.store.engine import get_row, get_version, transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import STAGE_MOVED, record
from app.ledger.store.numbers import quote_number
from app.ledger.store.work import Work
from app.ledger.tables import (
    MOVES,
    Cylinder,
    CylinderState,
    Door,
    Event,
    House,
    Job,
    Key,
    KeyState,
    QuoteRevision,
    Role,
    Stage,
)
from app.validation import first_of, length_limit

_NAMED = 12  # cylinders that a refusal names
_NEEDS_REASON = (Stage.LOST, Stage.CANCELED)
BEFORE_BENCH = (Stage.APPROVED, Stage.PARTS_ON_ORDER)
# Shop-keyed cylinders must pass the bench and its check on their way out.
_SKIPS_BENCH = {(Stage.APPROVED, Stage.READY), (Stage.PARTS_ON_ORDER, Stage.READY)}


def next_stages(job: Job) -> tuple[Stage, ...]:
    """The stages that the job may move to from where it stands; handed over it is by what is handed over."""
    moves = tuple(to for to in MOVES[job.stage] if to is not Stage.HANDED_OVER)
    if "shop" in job.keyed_at:
        return tuple(to for to in moves if (job.stage, to) not in _SKIPS_BENCH)
    return moves


def move_job(
    work: Work,
    job_id: int,
    version: int,
    to: Stage,
    reason: str = "",
    override_reason: str = "",
) -> Job:
    """Move a job that was read at `version`; LedgerError names what is allowed when the jump is not.

    Lost and canceled need a reason. The bench needs the written authority of each key system's owner of record,
    or, of the house's owner, an `override_reason`. Checked may be set by bench and owner only, and only
    with every cylinder that the shop keys ticked off as checked. Ready says that what a factory cut is there.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        job = get_version(work.session, Job, job_id, "job", version)
        _move(work, job, to, reason, override_reason)
        return job


def follow_parts(work: Work, job: Job, *, are_coming: bool, why: str) -> None:
    """Have a job that waits stand on 'parts on order' while some of them come, and on 'approved' when none is to:
    it can start. Inside the caller's transaction; a job that is further stays where it is.
    """
    to = Stage.PARTS_ON_ORDER if are_coming else Stage.APPROVED
    if job.stage not in BEFORE_BENCH or job.stage is to:
        return
    left, job.stage = job.stage, to
    record(work, STAGE_MOVED, f"job {job.number}", f"{left.value} → {to.value}: {why}", job_id=job.id)


def lose_quote(work: Work, quote_id: int, reason: str) -> Job:
    """Mark a quoted job as lost, with the customer's reason, by the id of its newest quote revision.

    Raises LedgerError on `reason` when none is given and on `stage` when the quote is no longer open, Stale
    when a newer revision was issued since the list was read.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        revision = get_row(work.session, QuoteRevision, quote_id, "quote")
        job = revision.job
        if revision is not job.revisions[-1]:
            number = quote_number(job.number, revision.revision)
            raise Stale(f"Quote {number} has been replaced by a newer revision: look at it first.")
        _move(work, job, Stage.LOST, reason)
        return job


def _move(work: Work, job: Job, to: Stage, reason: str, override_reason: str = "") -> None:
    """Check the move and make it, inside the caller's transaction."""
    allowed = next_stages(job)
    if to not in allowed:
        names = ", ".join(stage.word for stage in allowed) or "nothing: its story is over"
        raise LedgerError("stage", f"From {job.stage.word} this job cannot go to {to.word}; it can go to {names}.")
    if to in _NEEDS_REASON and not reason.strip():
        raise LedgerError("reason", f"Say why the job is {to.word}.")
    if len(reason) > 500:
        raise LedgerError("reason", length_limit(500))
    if to is Stage.CHECKED:
        work.require(Role.BENCH)
        require_checked(work, job)
    said = [reason.strip()]
    if to is Stage.ON_THE_BENCH:
        require_job_authority(work, job, f"put job {job.number} on the bench", override_reason)
        if job.stage in BEFORE_BENCH:
            said.append(job_money(job).deposit_missing)
    if to in _NEEDS_REASON:
        job.reason = reason.strip()
    pass_stage(work, job, to, " ".join(filter(None, said)))
    _move_pieces(work, job, to)


def pass_stage(work: Work, job: Job, to: Stage, said: str = "", **detail: Any) -> Event:
    """Have the job stand in a stage, with an event that says so, inside the caller's transaction."""
    left, job.stage = job.stage, to
    if to is Stage.READY:
        job.ready_on = work.today
    elif to is Stage.ON_THE_BENCH:
        job.ready_on = None
    told = ": ".join(filter(None, (f"{left.value} → {to.value}", said)))
    return record(work, STAGE_MOVED, f"job {job.number}", told, job_id=job.id, **detail)


def stages_to_ready(job: Job) -> tuple[Stage, ...]:
    """The stages that a job passes until it is ready, where all of its pieces are there already."""
    way = [Stage.ON_THE_BENCH, Stage.CHECKED] if "shop" in job.keyed_at else []
    way = way[way.index(job.stage) + 1 :] if job.stage in way else way
    return () if job.stage.is_with_customer or job.stage is Stage.READY else (*way, Stage.READY)


def _move_pieces(work: Work, job: Job, to: Stage) -> None:
    here = [one for one in job.cylinders if not one.state.has_left]  # the others were taken in part
    if to is Stage.CHECKED:
        for cylinder in here:
            cylinder.state = CylinderState.CHECKED
        freeze_pins(work, here)
    elif to is Stage.READY:
        theirs = sent_keysets(work.session, job)
        for key in _keys(work, job, KeyState.ORDERED):
            if key.keyset_id in theirs:
                key.state, key.changed_at = KeyState.CUT, work.now
    elif to is Stage.ON_THE_BENCH:
        for cylinder in here:
            cylinder.state, cylinder.sealed_pins = CylinderState.ORDERED, None
    elif to is Stage.CANCELED:
        release_needs(work, job, f"job {job.number} canceled")
        planned = were_planned(work.session, here)  # and are again, however the job came to them
        for cylinder in here:
            if cylinder.id in planned:
                cylinder.job_id, cylinder.line_number, cylinder.state = None, None, CylinderState.ORDERED
                cylinder.sealed_pins = None
            else:
                cylinder.state = CylinderState.REMOVED
        for key in _keys(work, job, KeyState.ORDERED, KeyState.CUT):
            key.state, key.changed_at = KeyState.RETIRED, work.now


def _keys(work: Work, job: Job, *states: KeyState) -> Sequence[Key]:
    return work.session.scalars(sa.select(Key).where(Key.job_id == job.id, Key.state.in_(states))).all()


def require_checked(work: Work, job: Job) -> None:
    """LedgerError on `stage`, naming them, when cylinders that the shop keys are not ticked off as checked."""
    if "shop" not in job.keyed_at:
        return
    sent = sent_cylinders(work.session, job)
    left = [
        one
        for one in job.cylinders
        if one.keyset_id is not None
        and one.id not in sent
        and one.state is not CylinderState.CHECKED
        and not one.state.has_left
    ]
    if not left:
        return
    named = first_of(list(dict.fromkeys(_where(work, one) for one in left)), _NAMED)
    by = ": this house wants a second person to check each" if wants_second_check(work.session) else ""
    raise LedgerError(
        "stage",
        f"{len(left)} of this job's cylinders {'is' if len(left) == 1 else 'are'} not ticked off as checked: "
        f"{named}. The bench ticks them on the job's bench page{by}.",
    )


def wants_second_check(session: Session) -> bool:
    """Whether the house wants cylinders checked by somebody else than who pinned them."""
    return bool(session.scalar(sa.select(House.second_check).order_by(House.id).limit(1)))


def _where(work: Work, cylinder: Cylinder) -> str:
    """A cylinder as the bench finds it: by its opening number, or by its keyset where it is for no door."""
    door = work.session.get(Door, cylinder.door_id) if cylinder.door_id is not None else None
    if door is None:
        return f"no door {cylinder.keyset.symbol}" if cylinder.keyset else "no door"
    return door.opening_number + (f" {cylinder.position}" if cylinder.position != "outside" else "")
