"""Use case: a sale at the counter in one go. The quote is accepted, paid, and what is there is given out."""

import secrets
from dataclasses import dataclass
from datetime import date

from app.ledger.goods.hand_overs import HandOver, hand_overs_of
from app.ledger.goods.handing_over import HandOverForm, hand_over, may_all_go, may_part_go, still_open
from app.ledger.goods.pieces import waiting_for
from app.ledger.goods.shelf import there_now
from app.ledger.jobs.queries import JobMoney, get_job, job_money
from app.ledger.jobs.stages import BEFORE_BENCH, move_job
from app.ledger.keys.key_queries import keys_of_job
from app.ledger.money.credit import require_credit
from app.ledger.money.invoicing import InvoiceForm, Invoicing, invoice_job, papers_of_money
from app.ledger.money.payments import PaymentForm, PaymentKind, payments_of, take_payment
from app.ledger.quoting.accepting import AcceptForm, accept_quote, newest_revision
from app.ledger.quoting.plan import Plan
from app.ledger.quoting.planning import plan_again
from app.ledger.quoting.promises import promise_from
from app.ledger.quoting.snapshot import QuoteSnapshot, as_accepted, read_snapshot
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import ON_ACCOUNT, Job, KeyState, Role, Stage
from app.validation import counted


@dataclass(frozen=True, slots=True, kw_only=True)
class SaleForm(AcceptForm):
    """Who accepts and takes it, and how it is paid: all that is due, or ON_ACCOUNT, by an invoice. credit: why the
    owner goes on above a credit limit.
    """

    means: str
    note: str = ""
    credit: str = ""


def sell_at_counter(work: Work, job_number: int, form: SaleForm) -> Job:
    """Accept a quoted job, take what is due for it, and hand over all of it where it is there; else what the bench
    keys here goes to the bench, and the sale stays open until that is ticked. All of it or, on any error, nothing.

    Raises what `accept_quote`, `take_payment`, `move_job` and `hand_over` raise, on their fields.
    """
    work.require(Role.COUNTER)
    with transaction(work.session):
        job = get_job(work.session, job_number)
        if job.stage is not Stage.QUOTED:
            raise LedgerError("stage", f"Only a quoted job is sold at the counter; this one is {job.stage.word}.")
        plan = plan_again(work, _snapshot(work, job, form.option)).plan
        accept_quote(work, job.id, form)
        work.session.flush()
        work.session.expire(job)  # its lines and cylinders were read while there were none
        _pay(work, job, form)
        if "shop" in job.keyed_at and job.stage in BEFORE_BENCH and not _to_order(plan):
            move_job(work, job.id, job.version, Stage.ON_THE_BENCH, override_reason=form.override_reason)
        if may_all_go(work.session, job):
            taker = " ".join(form.accepted_by.split())
            hand_over(work, job.id, job.version, HandOverForm(taker, still_open(work.session, job).mark, form.credit))
    return job


def _snapshot(work: Work, job: Job, option: str) -> QuoteSnapshot:
    return as_accepted(read_snapshot(newest_revision(work, job).snapshot), option)


def _to_order(plan: Plan) -> int:
    return sum(line.to_order for line in plan.lines)


def _pay(work: Work, job: Job, form: SaleForm) -> None:
    due = job_money(job).balance_cents
    if due > 0 and form.means == ON_ACCOUNT:
        require_credit(work, job.customer, due, form.credit, job)
        version = len(papers_of_money(work.session, job)) + 1
        invoice_job(work, job.number, version, InvoiceForm(Invoicing.ALL, secrets.token_hex(16)))
    elif due > 0:
        payment = PaymentForm(PaymentKind.PAYMENT, due, form.means, work.today, form.note)
        take_payment(work, job.number, payments_of(work.session, job.number).version, payment)


@dataclass(frozen=True, slots=True)
class CounterSale:
    """A sale at the counter as it stands. waits: what is still to be done before all of it can go, in words.

    plan: what accepting the quote does, and promised_on the day on which it is there, of one that is not accepted.
    """

    job: Job
    money: JobMoney
    handed: tuple[HandOver, ...]
    waits: tuple[str, ...] = ()
    plan: Plan | None = None
    promised_on: date | None = None
    can_go: bool = False
    can_part: bool = False

    @property
    def is_over(self) -> bool:
        """Whether all of it is with the customer."""
        return self.job.stage.is_with_customer


def counter_sale(work: Work, job_number: int, option: str = "") -> CounterSale:
    """A job as the page of its sale shows it; NotFound where there is none, or no quote of it."""
    session = work.session
    job = get_job(session, job_number)
    money, handed = job_money(job), hand_overs_of(session, job)
    if job.stage is Stage.QUOTED:
        snapshot = _snapshot(work, job, option)
        plan = plan_again(work, snapshot).plan
        return CounterSale(job, money, handed, plan=plan, promised_on=promise_from(work, snapshot, work.today).on)
    return CounterSale(
        job,
        money,
        handed,
        tuple(_waits(work, job)),
        can_go=may_all_go(session, job),
        can_part=may_part_go(session, job),
    )


def _waits(work: Work, job: Job) -> list[str]:
    waiting = waiting_for(work.session, job)
    not_there = waiting.less(there_now(work.session, job))
    uncut = sum(key.state is KeyState.ORDERED for key in keys_of_job(work.session, job.id))
    said = [f"{counted(len(not_there.cylinders), 'cylinder')} to be keyed and checked"] if not_there.cylinders else []
    said += [f"{counted(uncut, 'key')} to be cut"] if uncut else []
    return said
