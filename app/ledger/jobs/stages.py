"""Use cases: move a job from one stage to the next, hand it over, and note that a quote is lost."""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased

from app.errors import Problem, Problems
from app.ledger.jobs.queries import job_money
from app.ledger.keys.key_queries import keys_of_job
from app.ledger.keysystems.authority import require_job_authority
from app.ledger.keysystems.copy_numbers import say_copies
from app.ledger.quoting.factory_keyed import sent_cylinders, sent_keysets
from app.ledger.store.engine import get_row, get_version, transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import STAGE_MOVED, record
from app.ledger.store.numbers import quote_number
from app.ledger.store.work import Work
from app.ledger.tables import (
    LATE_STAGES,
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
    longest,
)
from app.pricing import show_cents
from app.validation import counted, fault_of_length, length_limit

_NAMED = 12  # cylinders that a refusal names
_NAMED_KEYSETS = 8  # that a sentence names
_NEEDS_REASON = (Stage.LOST, Stage.CANCELED)
BEFORE_BENCH = (Stage.APPROVED, Stage.PARTS_ON_ORDER)
# Shop-keyed cylinders must pass the bench and its check on their way out.
_SKIPS_BENCH = {(Stage.APPROVED, Stage.READY), (Stage.PARTS_ON_ORDER, Stage.READY)}


def next_stages(job: Job) -> tuple[Stage, ...]:
    """The stages that the job may move to from where it stands."""
    moves = MOVES[job.stage]
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
    *,
    taken_by: str = "",
    known: str = "",
) -> Job:
    """Move a job that was read at `version`; LedgerError names what is allowed when the jump is not.

    Lost and canceled need a reason. The bench needs the written authority of each key system's owner of record,
    or, of the house's owner, an `override_reason`. Checked may be set by bench and owner only, and only
    with every cylinder that the shop keys ticked off as checked. Ready says that what a factory cut is there.
    Handing over needs `taken_by`, who takes the goods, and `known`, the mark of what whoever hands them over was told
    to be open still ("" where nothing is); Problems on these. It puts the job's cylinders on their doors (those there
    before count as removed), and its keys that are cut in that person's hands. What it rekeys must be there first.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        job = get_version(work.session, Job, job_id, "job", version)
        _move(work, job, to, reason, override_reason, taken_by, known)
        return job


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


def _move(
    work: Work, job: Job, to: Stage, reason: str, override_reason: str = "", taken_by: str = "", known: str = ""
) -> None:
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
    said, detail = [reason.strip()], dict[str, Any]()
    if to is Stage.ON_THE_BENCH:
        require_job_authority(work, job, f"put job {job.number} on the bench", override_reason)
        if job.stage in BEFORE_BENCH:
            said.append(job_money(job).deposit_missing)
    if to is Stage.HANDED_OVER:
        _require_rekeyed_there(work, job)
        taker, still = _hand_over(work, job, taken_by, known)
        said = [f"taken by {taker}.", still.going_words, *still.sentences, *said]
        detail = {"taken_by": taker, "uncut": [key.id for key in still.keys], "owed_cents": still.owed_cents}
    left = job.stage
    job.stage = to
    if to in _NEEDS_REASON:
        job.reason = reason.strip()
    _move_pieces(work, job, to)
    record(
        work,
        STAGE_MOVED,
        f"job {job.number}",
        ": ".join(filter(None, (f"{left.value} → {to.value}", " ".join(filter(None, said))))),
        job_id=job.id,
        **detail,
    )


@dataclass(frozen=True, slots=True)
class StillOpen:
    """Keys that are not cut yet, and money that is not paid; cents with tax. going: the keys that are cut and go."""

    keys: tuple[Key, ...]
    owed_cents: int
    total_cents: int
    going: tuple[Key, ...] = ()

    @property
    def mark(self) -> str:
        """What somebody sends back who was told of just these keys and cents; "" where nothing is open."""
        if not self.keys and not self.owed_cents:
            return ""
        told = f"{sorted(key.id for key in self.keys)} {self.owed_cents}"
        return hashlib.sha256(told.encode()).hexdigest()[:16]

    @property
    def sentences(self) -> tuple[str, ...]:
        """What is open, each in a sentence."""
        said = []
        if self.keys:
            is_or_are = "is" if len(self.keys) == 1 else "are"
            said.append(f"{counted(len(self.keys), 'key')} {is_or_are} not cut yet: {_named(self.keys)}.")
        if self.owed_cents:
            said.append(f"{show_cents(self.owed_cents)} of {show_cents(self.total_cents)} is not paid.")
        return tuple(said)

    @property
    def going_words(self) -> str:
        """The keys that go with it, in a sentence; "" where none does."""
        if not self.going:
            return ""
        go_or_goes = "goes" if len(self.going) == 1 else "go"
        return f"{counted(len(self.going), 'key')} {go_or_goes} with it: {_named(self.going)}."


def _named(keys: Sequence[Key]) -> str:
    copies: dict[tuple[int, str], list[int]] = {}
    for key in keys:
        copies.setdefault((key.keyset_id, key.keyset.symbol), []).append(key.copy_number)
    named = [f"{symbol} {say_copies(numbers)}" for (_, symbol), numbers in copies.items()]
    left = len(named) - _NAMED_KEYSETS
    return "; ".join(named[:_NAMED_KEYSETS]) + (f"; and {counted(left, 'more keyset')}" if left > 0 else "")


def still_open(session: Session, job: Job) -> StillOpen:
    """What whoever hands this job over has to know."""
    keys, money = keys_of_job(session, job.id), job_money(job)
    uncut, going = (tuple(key for key in keys if key.state is state) for state in (KeyState.ORDERED, KeyState.CUT))
    return StillOpen(uncut, max(money.balance_cents, 0), money.total_cents, going)


def _hand_over(work: Work, job: Job, taken_by: str, known: str) -> tuple[str, StillOpen]:
    """Who takes the goods, and what stays open; keys that are cut go out to them."""
    taker, left = " ".join(taken_by.split()), still_open(work.session, job)
    problems = [] if taker else [Problem("taken_by", "Enter who takes it: a person's name.")]
    if fault := fault_of_length(taker, longest(Key.holder)):
        problems.append(Problem("taken_by", fault))
    if left.mark and known != left.mark:
        told = " ".join(left.sentences)
        problems.append(Problem("known", f"{told} Tick that it is handed over all the same, and press again."))
    if problems:
        raise Problems(problems)
    for key in keys_of_job(work.session, job.id):
        if key.state is KeyState.CUT:
            key.state, key.holder, key.changed_at = KeyState.OUT, taker, work.now
    return taker, left


def taker_of(session: Session, job_id: int) -> str:
    """Who took the job's goods, "" where nobody has, or nobody was asked."""
    told = session.scalars(
        sa.select(Event.detail).where(Event.job_id == job_id, Event.kind == STAGE_MOVED).order_by(Event.id.desc())
    )
    return next((str(detail["taken_by"]) for detail in told if "taken_by" in detail), "")


def _move_pieces(work: Work, job: Job, to: Stage) -> None:
    if to is Stage.CHECKED:
        for cylinder in job.cylinders:
            cylinder.state = CylinderState.CHECKED
    elif to is Stage.READY:
        theirs = sent_keysets(work.session, job)
        for key in _keys(work, job, KeyState.ORDERED):
            if key.keyset_id in theirs:
                key.state, key.changed_at = KeyState.CUT, work.now
    elif to is Stage.ON_THE_BENCH:
        for cylinder in job.cylinders:
            cylinder.state = CylinderState.ORDERED
    elif to is Stage.HANDED_OVER:
        _remove_replaced(work, job)
        for cylinder in job.cylinders:
            cylinder.state = CylinderState.FITTED
    elif to is Stage.CANCELED:
        for cylinder in job.cylinders:
            cylinder.state = CylinderState.REMOVED
        for key in _keys(work, job, KeyState.ORDERED, KeyState.CUT):
            key.state, key.changed_at = KeyState.RETIRED, work.now


def _remove_replaced(work: Work, job: Job) -> None:
    """What hangs where the job's cylinders go, and what a line rekeyed where it hangs, on a door or on none."""
    mine = aliased(Cylinder)
    is_in_place = sa.exists().where(
        mine.job_id == job.id,
        mine.door_id == Cylinder.door_id,
        sa.func.lower(mine.position) == sa.func.lower(Cylinder.position),
    )
    # What another job is still to bring stays on order, whichever of the two was sold first.
    rows = sa.select(Cylinder).where(
        Cylinder.state == CylinderState.FITTED, sa.or_(is_in_place, Cylinder.id.in_(_rekeyed(job)))
    )
    for other in work.session.scalars(rows):
        other.state = CylinderState.REMOVED


def _require_rekeyed_there(work: Work, job: Job) -> None:
    """LedgerError on `stage` where another job is to bring what this one rekeys yet: it would undo that."""
    bringing = sa.select(Job.number).join(Cylinder, Cylinder.job_id == Job.id)
    first = work.session.scalar(
        bringing.where(
            Cylinder.id.in_(_rekeyed(job)),
            Cylinder.state.not_in((CylinderState.FITTED, CylinderState.REMOVED)),
            Job.stage.in_(LATE_STAGES),
        )
        .order_by(Job.number)
        .limit(1)
    )
    if first is not None:
        raise LedgerError("stage", f"This job rekeys cylinders that job {first} brings: hand job {first} over first.")


def _rekeyed(job: Job) -> list[int]:
    return [one for line in job.lines for one in line.ask.get("standing", ())]


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
        if one.keyset_id is not None and one.id not in sent and one.state is not CylinderState.CHECKED
    ]
    if not left:
        return
    named = ", ".join(_where(work, one) for one in left[:_NAMED])
    more = f" and {len(left) - _NAMED} more" if len(left) > _NAMED else ""
    by = ": this house wants a second person to check each" if wants_second_check(work.session) else ""
    raise LedgerError(
        "stage",
        f"{len(left)} of this job's cylinders {'is' if len(left) == 1 else 'are'} not ticked off as checked: "
        f"{named}{more}. The bench ticks them on the job's bench page{by}.",
    )


def wants_second_check(session: Session) -> bool:
    """Whether the house wants cylinders checked by somebody else than who pinned them."""
    return bool(session.scalar(sa.select(House.second_check).order_by(House.id).limit(1)))


def _where(work: Work, cylinder: Cylinder) -> str:
    """A cylinder as somebody finds it: by its opening number, or by its line where it is for no door."""
    door = work.session.get(Door, cylinder.door_id) if cylinder.door_id is not None else None
    if door is None:
        return f"line {cylinder.line_number}, no door" if cylinder.line_number else "one without a door"
    return door.opening_number + (f" {cylinder.position}" if cylinder.position != "outside" else "")
