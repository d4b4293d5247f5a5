"""What orders do to jobs: their stage, their promised day, and whom to call about a day that moved or is over.

A promise never moves silently: it is said in the job's story, and its customer stands on the list of those to call
until somebody ticks that he was called.
"""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.goods.order_lines import CUSTOMER_CALLED, PROMISE_MOVED, jobs_of
from app.ledger.jobs.stages import follow_parts
from app.ledger.quoting.promises import promise_again
from app.ledger.stock.needs import needs_of
from app.ledger.stock.on_order import OPEN
from app.ledger.store.engine import get_row, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import (
    LATE_STAGES,
    Customer,
    Job,
    Need,
    OrderState,
    PromiseMove,
    PurchaseLine,
    PurchaseOrder,
    PurchaseShare,
    Role,
)
from app.pricing import show_day


def follow_jobs(work: Work, order: PurchaseOrder, job_ids: Collection[int] | None = None) -> Sequence[Job]:
    """Set the stage of an order's jobs by what is still to come for each; the jobs, by id.

    job_ids: those that waited for it, where the order does not name them any more.
    """
    work.session.flush()
    wanted = sorted(jobs_of(order) if job_ids is None else job_ids)
    coming = _coming_for(work.session, wanted)
    jobs = [get_row(work.session, Job, job_id, "job") for job_id in wanted]
    for job in jobs:
        if coming.get(job.id):
            follow_parts(work, job, are_coming=True, why=f"by order {order.number}")
        else:
            left = sum(state.to_order for state in needs_of(work.session, job.id))
            why = (
                f"{left:,} of its parts are to be ordered again" if left else "all its parts are there, it can start"
            )
            follow_parts(work, job, are_coming=False, why=why)
    return jobs


def _coming_for(session: Session, job_ids: Sequence[int]) -> dict[int, int]:
    """Job → how many pieces are on their way for it."""
    rows = (
        sa.select(Need.job_id, sa.func.sum(PurchaseShare.quantity - PurchaseShare.arrived))
        .join(PurchaseShare, PurchaseShare.need_id == Need.id)
        .join(PurchaseLine, PurchaseLine.id == PurchaseShare.line_id)
        .join(PurchaseOrder, PurchaseOrder.id == PurchaseLine.order_id)
        .where(Need.job_id.in_(job_ids), PurchaseOrder.state.in_(OPEN))
        .group_by(Need.job_id)
    )
    return dict(session.execute(rows).all())


def move_promises(work: Work, order: PurchaseOrder, jobs: Sequence[Job]) -> Sequence[PromiseMove]:
    """Move the promises of jobs that cannot be kept as an order stands now, inside the caller's transaction."""
    moved = []
    for job in jobs:
        ready = promise_again(work, job) if job.stage in LATE_STAGES else None
        if ready is not None and job.promised_on is not None and ready > job.promised_on:
            moved.append(_move(work, order, job, ready))
    return moved


def _move(work: Work, order: PurchaseOrder, job: Job, day: date) -> PromiseMove:
    moved = PromiseMove(job_id=job.id, order_id=order.id, was_on=job.promised_on, now_on=day, moved_at=work.now)
    was = show_day(job.promised_on) if job.promised_on else "no day"
    work.session.add(moved)
    job.promised_on = day
    work.session.flush()
    said = f"Promise moved from {was} to {show_day(day)}, by order {order.number} to {order.maker.name}"
    record(work, PROMISE_MOVED, f"job {job.number}", said, job_id=job.id)
    return moved


def promise_earlier(work: Work, order_id: int, job_id: int, day: date) -> PromiseMove:
    """Promise an earlier day to a job whose parts come earlier; LedgerError where it cannot be ready by then."""
    work.require(Role.COUNTER)
    with transaction(work.session):
        order, job = (
            get_row(work.session, PurchaseOrder, order_id, "order"),
            get_row(work.session, Job, job_id, "job"),
        )
        ready = promise_again(work, job)
        if (
            job.stage not in LATE_STAGES
            or job.promised_on is None
            or ready is None
            or not ready <= day < job.promised_on
        ):
            raise LedgerError("", f"Job {job.number} cannot be promised for {show_day(day)} any more: look again.")
        return _move(work, order, job, day)


@dataclass(frozen=True, slots=True)
class CallToMake:
    """A customer to tell that a promise moved. moves: the ids of what one call tells; order: the last that moved it.

    now_on: None where nobody knows it, and the maker is called first: the order is late, since `late_since`, without
    a new day, or was sent so late that its job can be ready on `ready_on` only, which its maker has not confirmed.
    """

    job: Job
    customer_name: str
    phone: str
    was_on: date | None
    now_on: date | None
    order: PurchaseOrder
    moves: tuple[int, ...] = ()
    late_since: date | None = None
    ready_on: date | None = None

    @property
    def is_later(self) -> bool:
        """Whether the new day is a later one, or none is known."""
        return self.was_on is None or self.now_on is None or self.now_on > self.was_on

    @property
    def late_words(self) -> str:
        """Why nobody knows the new day, and whom to ask; "" of a promise that moved."""
        ask = f"call {self.order.maker.name}"
        if self.late_since is not None:
            return f"{self.order.number} is late since {show_day(self.late_since)}, no new day: {ask}"
        if self.ready_on is not None:
            return f"{self.order.number} was sent so late that it can be ready on {show_day(self.ready_on)}: {ask}"
        return ""


def calls_to_make(work: Work) -> Sequence[CallToMake]:
    """Whom to call, those who wait for it soonest first: about a promise that moved, a job once; and who waits for an
    order whose day is over, or that was sent too late, until its maker has told another.
    """
    calls = [*_moved(work.session), *_waiting_for_late(work)]
    return sorted(calls, key=lambda call: (call.was_on or call.now_on or date.max, call.job.number, call.order.id))


def promise_doubts(work: Work, job_id: int) -> Sequence[str]:
    """Why a job's promise, which stands, may not be kept: orders without a day, each in words."""
    return [call.late_words for call in _waiting_for_late(work, job_id)]


def _waiting_for_late(work: Work, job_id: int | None = None) -> Iterable[CallToMake]:
    day = sa.func.coalesce(PurchaseLine.expected_on, PurchaseOrder.expected_on)
    rows = work.session.execute(
        sa.select(Job, Customer.name, Customer.phone, PurchaseOrder, sa.func.min(day))
        .join(Customer, Customer.id == Job.customer_id)
        .join(Need, Need.job_id == Job.id)
        .join(PurchaseShare, PurchaseShare.need_id == Need.id)
        .join(PurchaseLine, PurchaseLine.id == PurchaseShare.line_id)
        .join(PurchaseOrder, PurchaseOrder.id == PurchaseLine.order_id)
        .where(
            PurchaseOrder.state.in_(OPEN),
            PurchaseShare.quantity > PurchaseShare.arrived,
            # Once it is confirmed, the promise has moved.
            sa.or_(day < work.today, PurchaseOrder.state == OrderState.SENT),
            Job.stage.in_(LATE_STAGES),
            *([] if job_id is None else [Job.id == job_id]),
        )
        .group_by(Job.id, Customer.id, PurchaseOrder.id)
        .order_by(Job.id, PurchaseOrder.id)
    )
    for job, name, phone, order, first in rows.all():
        if first is not None and first < work.today:
            yield CallToMake(job, name, phone, job.promised_on, None, order, late_since=first)
            continue
        ready = promise_again(work, job)
        if ready is not None and job.promised_on is not None and ready > job.promised_on:
            yield CallToMake(job, name, phone, job.promised_on, None, order, ready_on=ready)


def _moved(session: Session) -> Iterable[CallToMake]:
    rows = session.execute(
        sa.select(PromiseMove, Job, Customer.name, Customer.phone, PurchaseOrder)
        .join(Job, Job.id == PromiseMove.job_id)
        .join(Customer, Customer.id == Job.customer_id)
        .join(PurchaseOrder, PurchaseOrder.id == PromiseMove.order_id)
        .where(PromiseMove.called_at.is_(None), Job.stage.in_(LATE_STAGES))
        .order_by(PromiseMove.id)
    )
    calls: dict[int, CallToMake] = {}
    for move, job, name, phone, order in rows:
        known = calls.get(job.id)
        was_on, moves = (known.was_on, known.moves) if known else (move.was_on, ())
        calls[job.id] = CallToMake(job, name, phone, was_on, move.now_on, order, (*moves, move.id))
    return calls.values()


def mark_called(work: Work, job_id: int, newest: int) -> Job:
    """Note that a job's customer was called about its moves up to the one with the id `newest`."""
    work.require(Role.COUNTER)
    with transaction(work.session):
        job = get_row(work.session, Job, job_id, "job")
        rows = sa.select(PromiseMove).where(
            PromiseMove.job_id == job.id, PromiseMove.id <= newest, PromiseMove.called_at.is_(None)
        )
        moves = work.session.scalars(rows.order_by(PromiseMove.id)).all()
        for move in moves:
            move.called_at, move.called_by_id = work.now, work.actor.user_id
        if moves:
            told = f"{job.customer.name} called: promised for {show_day(moves[-1].now_on)} now"
            record(work, CUSTOMER_CALLED, f"job {job.number}", told, job_id=job.id)
        return job
