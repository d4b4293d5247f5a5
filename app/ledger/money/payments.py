"""Use case: money received for a job, given back, or owed on account; and its receipt. No card numbers are kept."""

from dataclasses import dataclass
from datetime import date
from enum import StrEnum

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import Problem, Problems
from app.ledger.jobs.notes import has_many_digits
from app.ledger.jobs.queries import JobMoney, get_job, job_money
from app.ledger.quoting.sold_lines import give_back_sold
from app.ledger.sites.former_names import buyers_then
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import record
from app.ledger.store.numbers import payment_number
from app.ledger.store.work import Work
from app.ledger.tables import ON_ACCOUNT, Event, Job, Payment, Role, Stage, User
from app.pricing import MAX_CENTS, show_cents
from app.validation import fault_of_length

MEANS = ("cash", "check", "card", "bank transfer", ON_ACCOUNT, "other")


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
_NEED_MONEY = {
    PaymentKind.DEPOSIT: "A deposit on account is none: nothing came in. Choose how it was paid, or leave it owed.",
    PaymentKind.REFUND: "On account no money goes back. Choose how it was given back, or take it off the price.",
}
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

    @property
    def version(self) -> int:
        """Goes up with every payment, so that a form filled before another payment is told so."""
        return len(self.receipts) + 1

    @property
    def came_to_nothing(self) -> bool:
        """The quote was lost or the job canceled: nothing more is due, whatever the quote came to."""
        return self.job.stage in _CAME_TO_NOTHING

    @property
    def off_price_cents(self) -> int:
        """What was given back off the price; the total that is due is without it."""
        return sum(one.cents for one in self.receipts if one.kind is PaymentKind.OFF_PRICE)


def take_payment(work: Work, job_number: int, version: int, form: PaymentForm) -> PaymentReceipt:
    """Put one payment on record for a job whose payments were read at `version`; its receipt.

    What is put on account stays owed, and off the price on account it is owed no more: a deposit and a plain refund
    cannot be on account, since no money changes hands.

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
        money = job_money(job)
        _require_room(job, money, form)
        said = "Deposit" if form.kind is PaymentKind.DEPOSIT else ""
        payment = Payment(
            received_on=form.received_on,
            cents=-form.cents if form.kind.goes_back else form.cents,
            means=form.means,
            note=": ".join(part for part in (said, note) if part),
            taken_by_id=work.actor.user_id,
        )
        job.payments.append(payment)
        work.session.flush()
        if form.kind is PaymentKind.OFF_PRICE:
            job.agreed_cents = money.total_cents - form.cents
            give_back_sold(work.session, job)
        total = 0 if job.stage in _CAME_TO_NOTHING else job_money(job).total_cents
        paid = money.paid_cents + payment.received_cents
        kind = _ON_ACCOUNT_EVENT if payment.is_on_account else _EVENT[form.kind]
        figures = {"kind_of_payment": form.kind.value, "note": note, "total_cents": total, "paid_cents": paid}
        told = _told(form, paid, total) + (f". {note}" if note else "")
        record(work, kind, f"job {job.number}", told, job_id=job.id, payment=payment.id, **figures)
    return payments_of(work.session, job_number).receipts[-1]


def _told(form: PaymentForm, paid: int, total: int) -> str:
    """The payment as the job's story tells it."""
    if form.means == ON_ACCOUNT:
        word = "let off the price, on account" if form.kind.goes_back else "put on account, still owed"
        return f"{show_cents(form.cents)} {word}; {show_cents(paid)} of {show_cents(total)} paid"
    word = "given back" if form.kind.goes_back else f"{form.kind.value} received"
    off = " off the price" if form.kind is PaymentKind.OFF_PRICE else ""
    so_far = f"{show_cents(paid)} of {show_cents(total)} paid" if total else f"{show_cents(paid)} not given back"
    return f"{show_cents(form.cents)} {word}{off}, {form.means}; {so_far}"


def _problems(work: Work, job: Job, form: PaymentForm, note: str) -> list[Problem]:
    no_card = "Do not write card numbers here: a number of 12 digits or more is not kept. Remove it."
    not_yet = "This day has not come yet; enter today or an earlier day."
    opened = f"The job was opened on {job.asked_on.isoformat()}; enter that day or a later one."
    faults = (
        ("means", form.means not in MEANS, f"Choose how it was paid: {', '.join(MEANS)}."),
        ("means", form.means == ON_ACCOUNT and form.kind in _NEED_MONEY, _NEED_MONEY.get(form.kind, "")),
        ("note", has_many_digits(note), no_card),
        ("note", len(note) > _MOST_NOTE, fault_of_length(note, _MOST_NOTE)),
        ("note", form.kind.goes_back and not note, "Say why the money is given back."),
        ("received_on", form.received_on > work.today, not_yet),
        ("received_on", form.received_on < job.asked_on, opened),
        ("cents", not 0 < form.cents <= MAX_CENTS, f"Enter an amount above zero, at most {show_cents(MAX_CENTS)}."),
    )
    return [Problem(field, said) for field, is_wrong, said in faults if is_wrong]


def _require_room(job: Job, money: JobMoney, form: PaymentForm) -> None:
    """The figures say whether this much may still come in, or go back."""
    total, paid, asked = (show_cents(cents) for cents in (money.total_cents, money.paid_cents, form.cents))
    if form.kind is PaymentKind.OFF_PRICE and (job.agreed_cents is None or job.stage in _CAME_TO_NOTHING):
        raise LedgerError("kind", "Only the price of an accepted job can be lessened: write it as a refund.")
    if form.kind.goes_back and form.means != ON_ACCOUNT:
        if form.cents > money.paid_cents:
            raise LedgerError(
                "cents",
                f"{asked} is more than was paid: {paid} came in for job {job.number}. Give back at most that.",
            )
        return
    if not job.revisions:
        raise LedgerError("cents", "Nothing is quoted for this job yet, so nothing is due. Issue its quote first.")
    if job.stage in _CAME_TO_NOTHING:
        raise LedgerError("kind", f"This job is {job.stage.word}: only a refund can be written now.")
    if form.cents > money.balance_cents:
        left = show_cents(max(money.balance_cents, 0))
        raise LedgerError(
            "cents", f"{asked} is more than is due: the total is {total}, {paid} is paid, {left} is left to pay."
        )
    on_account = money.on_account_cents
    if form.means == ON_ACCOUNT and not form.kind.goes_back and form.cents > money.balance_cents - on_account:
        raise LedgerError(
            "cents",
            f"{show_cents(on_account)} of the {show_cents(money.balance_cents)} left to pay is on account already: "
            f"at most {show_cents(money.balance_cents - on_account)} can be added.",
        )


def payments_of(session: Session, job_number: int) -> JobPayments:
    """A job's payments with the figures of their moments: six queries at most. NotFound when there is no job."""
    job = get_job(session, job_number)
    takers = {payment.taken_by_id for payment in job.payments}
    names = dict(session.execute(sa.select(User.id, User.name).where(User.id.in_(takers))).all())
    details = session.scalars(sa.select(Event.detail).where(Event.job_id == job.id, Event.kind.in_(_EVENT_KINDS)))
    told = {detail.get("payment"): detail for detail in details}
    money, paid, receipts = job_money(job), 0, []
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
            )
        )
    return JobPayments(job, money, tuple(receipts))
