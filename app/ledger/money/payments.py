"""Use case: money received for a job or given back, and its receipt. No card numbers are kept."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import Problem, Problems
from app.ledger.jobs.notes import has_many_digits
from app.ledger.jobs.queries import JobMoney, get_job, job_money
from app.ledger.money.invoicing import has_invoices
from app.ledger.money.owing import due_of
from app.ledger.money.settling import settle
from app.ledger.quoting.sold_lines import give_back_sold
from app.ledger.sites.former_names import buyers_then
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import record
from app.ledger.store.numbers import account_payment_number, invoice_number, payment_number
from app.ledger.store.work import Work
from app.ledger.tables import ON_ACCOUNT, AccountPayment, Event, Job, Payment, Role, Stage, User
from app.pricing import MAX_CENTS, show_cents, show_day
from app.validation import fault_of_length

MEANS = ("cash", "check", "card", "bank transfer", "other")
CREDIT = "credit"
"""The means of a payment that is credit of another job, or of the customer's account."""
MEANS_ON_RECORD = (*MEANS, CREDIT, ON_ACCOUNT)
"""With those of earlier releases: what was put on account then is an invoice now."""


class PaymentKind(StrEnum):
    """Which way the money goes, and whether the work is still to come.

    After a refund the amount is due again: a payment was too much, or an error. What is given back off the price,
    as for goods brought back, is not.
    """

    DEPOSIT = "deposit"
    PAYMENT = "payment"
    REFUND = "refund"
    OFF_PRICE = "refund off the price"

    @property
    def goes_back(self) -> bool:
        """Whether the customer gets it."""
        return self in (PaymentKind.REFUND, PaymentKind.OFF_PRICE)


_EVENT = {
    PaymentKind.DEPOSIT: "deposit taken",
    PaymentKind.PAYMENT: "payment taken",
    PaymentKind.REFUND: "refund given",
    PaymentKind.OFF_PRICE: "refund given",
}
_ON_ACCOUNT_EVENT = "put on account"
_EVENT_KINDS = (*_EVENT.values(), _ON_ACCOUNT_EVENT)
_IS_AN_INVOICE = "On account is no payment: nothing came in. Issue an invoice; it stays owed until it is paid."
_MOST_NOTE = 180  # the column holds 200, and a deposit says so in front
_CAME_TO_NOTHING = (Stage.LOST, Stage.CANCELED)


@dataclass(frozen=True, slots=True)
class PaymentForm:
    """What the counter enters. cents: always above zero; a refund is given back. note: why, for a refund."""

    kind: PaymentKind
    cents: int
    means: str
    received_on: date
    note: str = ""


@dataclass(frozen=True, slots=True)
class PaymentReceipt:
    """One payment as it stands on its receipt, with the figures of that moment. cents: above zero.

    One on account says what is owed, or owed no more: no money changed hands, and paid_cents is without it.
    """

    number: str  # "R-1042-2": the second payment of job 1042
    kind: PaymentKind
    cents: int
    means: str
    note: str
    received_on: date
    taken_by: str
    job_number: int
    title: str
    customer: str
    total_cents: int  # what the job came to; 0 where it was lost or canceled, so that nothing was due
    paid_cents: int  # this one counted in
    po_number: str = ""  # the customer's own order
    used: tuple[tuple[int, int, int], ...] = ()  # number of an invoice, cents for it, and off it for paying early

    @property
    def is_on_account(self) -> bool:
        """Whether no money changed hands."""
        return self.means == ON_ACCOUNT

    @property
    def words(self) -> str:
        """What it was, in a word or two."""
        if self.is_on_account:
            return "let off the price" if self.kind.goes_back else ON_ACCOUNT
        return self.kind.value

    @property
    def balance_cents(self) -> int:
        """What was still to be paid after this one."""
        return self.total_cents - self.paid_cents


@dataclass(frozen=True, slots=True)
class JobPayments:
    """A job's money: what is due and each payment, oldest first. `version`: what a form must carry back."""

    job: Job
    money: JobMoney
    receipts: tuple[PaymentReceipt, ...]
    due_cents: int = 0  # of a canceled job: what was taken or invoiced before

    @property
    def version(self) -> int:
        """Goes up with every payment, so that a form filled before another payment is told so."""
        return len(self.receipts) + 1

    @property
    def came_to_nothing(self) -> bool:
        """The quote was lost or the job canceled, and nothing was taken or invoiced before: nothing more is due,
        whatever the quote came to.
        """
        return self.job.stage in _CAME_TO_NOTHING and not self.due_cents

    @property
    def off_price_cents(self) -> int:
        """What was given back off the price; the total that is due is without it."""
        return sum(one.cents for one in self.receipts if one.kind is PaymentKind.OFF_PRICE)


def take_payment(work: Work, job_number: int, version: int, form: PaymentForm) -> PaymentReceipt:
    """Put one payment on record for a job whose payments were read at `version`; its receipt. It is used for what is
    open of the job's invoices.

    Raises Problems on `means`, `note`, `received_on`; LedgerError on `cents` with the figures where it is above
    the balance, or a refund above what was paid; Stale where another payment came in between (a press repeated
    is one such); NotFound. Then no money is on record.
    """
    work.require(Role.COUNTER)
    if work.actor.user_id is None:
        raise LedgerError("", "A payment is taken by a person who is on record; log in.")
    note = " ".join(form.note.split())
    with transaction(work.session):
        job = get_job(work.session, job_number)
        problems = _problems(work, job, form, note)
        if problems:
            raise Problems(problems)
        if len(job.payments) + 1 != version:
            raise Stale()
        _require_room(job, *money_of(work.session, job), form)
        if form.kind is PaymentKind.OFF_PRICE and has_invoices(work.session, job):
            raise LedgerError("kind", "This job is invoiced: write a credit note on its invoice, then give it back.")
        put_payment(work, job, form, note)
    return payments_of(work.session, job_number).receipts[-1]


def put_payment(
    work: Work,
    job: Job,
    form: PaymentForm,
    note: str,
    *,
    account: AccountPayment | None = None,
    named: Mapping[int, tuple[int, int]] | None = None,
) -> Payment:
    """Put a payment of a job on record with its event, and use it, inside the caller's transaction. account: of which
    it is a part; named: see `settle`.
    """
    money = job_money(job)
    said = "Deposit" if form.kind is PaymentKind.DEPOSIT else ""
    payment = Payment(
        received_on=form.received_on,
        cents=-form.cents if form.kind.goes_back else form.cents,
        means=form.means,
        note=": ".join(part for part in (said, note) if part),
        taken_by_id=work.actor.user_id,
        account_payment_id=account.id if account else None,
    )
    job.payments.append(payment)
    work.session.flush()
    if form.kind is PaymentKind.OFF_PRICE:
        job.agreed_cents = money.total_cents - form.cents
        give_back_sold(work.session, job)
    used = settle(work, job, fresh_on=None if form.kind.goes_back else form.received_on, named=named)
    total = due_of(work.session, job) if job.stage in _CAME_TO_NOTHING else job_money(job).total_cents
    paid = money.paid_cents + payment.received_cents
    figures = {"kind_of_payment": form.kind.value, "note": note, "total_cents": total, "paid_cents": paid}
    told = [_told(form, paid, total)]
    if account is not None:
        told.append(f"part of {account_payment_number(account.number)}")
    told += [f"{show_cents(one.cents)} of it for {invoice_number(one.invoice.number)}" for one in used]
    shares = [[one.invoice.number, one.cents, one.discount_cents] for one in used]
    summary = "; ".join(told) + (f". {note}" if note else "")
    subject = f"job {job.number}"
    record(work, _EVENT[form.kind], subject, summary, job_id=job.id, payment=payment.id, used=shares, **figures)
    return payment


def _told(form: PaymentForm, paid: int, total: int) -> str:
    """The payment as the job's story tells it."""
    word = "given back" if form.kind.goes_back else f"{form.kind.value} received"
    off = " off the price" if form.kind is PaymentKind.OFF_PRICE else ""
    so_far = f"{show_cents(paid)} of {show_cents(total)} paid" if total else f"{show_cents(paid)} not given back"
    return f"{show_cents(form.cents)} {word}{off}, {form.means}; {so_far}"


def _problems(work: Work, job: Job, form: PaymentForm, note: str) -> list[Problem]:
    no_card = "Do not write card numbers here: a number of 12 digits or more is not kept. Remove it."
    not_yet = "This day has not come yet; enter today or an earlier day."
    opened = f"The job was opened on {show_day(job.asked_on)}; enter that day or a later one."
    faults = (
        ("means", form.means == ON_ACCOUNT, _IS_AN_INVOICE),
        ("means", form.means not in MEANS_ON_RECORD, f"Choose how it was paid: {', '.join(MEANS)}."),
        ("note", has_many_digits(note), no_card),
        ("note", len(note) > _MOST_NOTE, fault_of_length(note, _MOST_NOTE)),
        ("note", form.kind.goes_back and not note, "Say why the money is given back."),
        ("received_on", form.received_on > work.today, not_yet),
        ("received_on", form.received_on < job.asked_on, opened),
        ("cents", not 0 < form.cents <= MAX_CENTS, f"Enter an amount above zero, at most {show_cents(MAX_CENTS)}."),
    )
    return [Problem(field, said) for field, is_wrong, said in faults if is_wrong]


def money_of(session: Session, job: Job) -> tuple[JobMoney, int]:
    """What is to be paid of a job and was; of one that was lost or canceled, also what of that was taken or invoiced
    before.
    """
    money = job_money(job)
    due = due_of(session, job) if job.stage in _CAME_TO_NOTHING else 0
    return replace(money, total_cents=due, deposit_cents=0) if due else money, due


def _require_room(job: Job, money: JobMoney, due: int, form: PaymentForm) -> None:
    """The figures say whether this much may still come in, or go back."""
    total, paid, asked = (show_cents(cents) for cents in (money.total_cents, money.paid_cents, form.cents))
    if form.kind is PaymentKind.OFF_PRICE and (job.agreed_cents is None or job.stage in _CAME_TO_NOTHING):
        raise LedgerError("kind", "Only the price of an accepted job can be lessened: write it as a refund.")
    if form.kind.goes_back:
        if form.cents > money.paid_cents:
            raise LedgerError(
                "cents",
                f"{asked} is more than was paid: {paid} came in for job {job.number}. Give back at most that.",
            )
        return
    if not job.revisions:
        raise LedgerError("cents", "Nothing is quoted for this job yet, so nothing is due. Issue its quote first.")
    if job.stage in _CAME_TO_NOTHING and not due:
        raise LedgerError("kind", f"This job is {job.stage.word}: only a refund can be written now.")
    if form.cents > money.balance_cents:
        left = show_cents(max(money.balance_cents, 0))
        raise LedgerError(
            "cents",
            f"{asked} is more than is due: the total is {total}, {paid} is paid, {left} is left to pay. "
            "What a customer pays beyond it is taken on the customer's page.",
        )


def payments_of(session: Session, job_number: int) -> JobPayments:
    """A job's payments with the figures of their moments: six queries at most. NotFound when there is no job."""
    job = get_job(session, job_number)
    takers = {payment.taken_by_id for payment in job.payments}
    names = dict(session.execute(sa.select(User.id, User.name).where(User.id.in_(takers))).all())
    details = session.scalars(sa.select(Event.detail).where(Event.job_id == job.id, Event.kind.in_(_EVENT_KINDS)))
    told = {detail.get("payment"): detail for detail in details}
    (money, due), paid, receipts = money_of(session, job), 0, []
    buyers = buyers_then(session, job.id, job.customer, (one.received_on for one in job.payments))
    for place, payment in enumerate(job.payments, start=1):
        paid += payment.received_cents
        # A payment that came from another record (an import) has no event: then the figures are today's.
        said = told.get(payment.id, {})
        kind = said.get("kind_of_payment") or (PaymentKind.REFUND if payment.cents < 0 else PaymentKind.PAYMENT)
        receipts.append(
            PaymentReceipt(
                number=payment_number(job.number, place),
                kind=PaymentKind(kind),
                cents=abs(payment.cents),
                means=payment.means,
                note=said.get("note", payment.note),
                received_on=payment.received_on,
                taken_by=names.get(payment.taken_by_id, ""),
                job_number=job.number,
                title=job.title,
                customer=buyers[payment.received_on],
                total_cents=said.get("total_cents", money.total_cents),
                # Not the event's: one of an earlier Bittern counted what was on account as paid.
                paid_cents=paid,
                po_number=job.po_number,
                used=tuple((number, cents, off) for number, cents, off in said.get("used", ())),
            )
        )
    return JobPayments(job, money, tuple(receipts), due)
