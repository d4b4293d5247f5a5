"""Use cases: a check for several invoices of a customer; what is over is his credit, to be used or given back."""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import Problem, Problems
from app.ledger.jobs.notes import has_many_digits
from app.ledger.jobs.queries import get_job
from app.ledger.money.owing import credit_of, overpaid_jobs
from app.ledger.money.payments import CREDIT, MEANS, PaymentForm, PaymentKind, put_payment
from app.ledger.money.settling import OpenInvoice, Share, invoices_of_jobs, share_out
from app.ledger.store.engine import get_row, transaction
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.events import next_number, record
from app.ledger.store.numbers import account_payment_number, invoice_number
from app.ledger.store.work import Work
from app.ledger.tables import ACCOUNT_NUMBERS, AccountPayment, Customer, Job, Payment, PaymentUse, Role, longest
from app.pricing import MAX_CENTS, show_cents
from app.validation import fault_of_length

ACCOUNT_PAID = "account payment taken"
CREDIT_USED = "credit used"
ACCOUNT_REFUNDED = "credit given back"


@dataclass(frozen=True, slots=True)
class AccountForm:
    """What a customer pays at once, or is given back. named: what of it is for which invoice, by its id; without any
    it is used by the house's rule. token: of the page.
    """

    cents: int
    means: str
    received_on: date
    token: str
    note: str = ""
    named: Mapping[int, int] = field(default_factory=dict)


def open_invoices(session: Session, customer_id: int) -> tuple[OpenInvoice, ...]:
    """A customer's invoices with something left to pay, in the order in which they fall due."""
    jobs = session.scalars(sa.select(Job.id).where(Job.customer_id == customer_id))
    return tuple(one for one in invoices_of_jobs(session, jobs) if one.open_cents > 0)


def get_account_payment(session: Session, number: int) -> AccountPayment:
    """A payment to an account by its number; NotFound."""
    found = session.scalar(sa.select(AccountPayment).where(AccountPayment.number == number))
    if found is None:
        raise NotFound("payment")
    return found


def take_account_payment(work: Work, customer_id: int, form: AccountForm) -> AccountPayment:
    """Take money for several invoices of a customer: each job gets a payment of its share, and what is over is the
    customer's credit. The same token gives the same payment. Raises Problems on `means`, `note`, `received_on`,
    `cents`; LedgerError on `named` where an invoice would get more than is left to pay of it.
    """
    work.require(Role.COUNTER)
    with transaction(work.session):
        number = next_number(work.session, ACCOUNT_NUMBERS)
        if (done := _taken_with(work.session, form.token)) is not None:
            work.session.rollback()
            return done
        customer = get_row(work.session, Customer, customer_id, "customer")
        _require_sound(work, form)
        debts = open_invoices(work.session, customer.id)
        shares = _named(work.session, form, debts) if any(form.named.values()) else ()
        if not shares:
            shares = share_out(work.session, form.cents, debts, form.received_on, is_fresh=True)
        account = _put(work, customer, number, form, form.cents)
        _use(work, account, shares, form.means)
        over = form.cents - sum(one.cents for one in shares)
        said = [f"{show_cents(form.cents)} received, {form.means}"]
        said += [f"{show_cents(one.cents)} for {invoice_number(one.invoice.number)}" for one in shares]
        if over:
            said.append(f"{show_cents(over)} stays as credit")
        _tell(work, ACCOUNT_PAID, account, said)
    return account


def use_credit(work: Work, customer_id: int, received_on: date, token: str) -> AccountPayment:
    """Use a customer's credit for what is open of his invoices, the first due first or by the house's rule.
    LedgerError on `credit` where there is none, or nothing to use it for.
    """
    work.require(Role.COUNTER)
    with transaction(work.session):
        number = next_number(work.session, ACCOUNT_NUMBERS)
        if (done := _taken_with(work.session, token)) is not None:
            work.session.rollback()
            return done
        customer = get_row(work.session, Customer, customer_id, "customer")
        credit = credit_of(work.session, customer.id).get(customer.id, 0)
        debts = open_invoices(work.session, customer.id)
        if credit <= 0 or not debts:
            raise LedgerError("credit", "There is no credit, or no open invoice to use it for.")
        shares = share_out(work.session, credit, debts, received_on, is_fresh=False)
        form = AccountForm(0, CREDIT, received_on, token)
        account = _put(work, customer, number, form, 0)
        used = sum(one.cents for one in shares)
        for job, over in overpaid_jobs(work.session, customer.id):
            part = min(over, used)
            if part:
                back = PaymentForm(PaymentKind.REFUND, part, CREDIT, received_on, "used for another job")
                put_payment(work, get_job(work.session, job.number), back, back.note, account=account)
                used -= part
        _use(work, account, shares, CREDIT)
        said = [f"{show_cents(one.cents)} of credit for {invoice_number(one.invoice.number)}" for one in shares]
        _tell(work, CREDIT_USED, account, said)
    return account


def give_credit_back(work: Work, customer_id: int, form: AccountForm) -> AccountPayment:
    """Give back money that a customer's account has too much of; what a job has too much is given back on the job.
    LedgerError on `cents` where it is more than that, Problems on the other boxes.
    """
    work.require(Role.COUNTER)
    with transaction(work.session):
        number = next_number(work.session, ACCOUNT_NUMBERS)
        if (done := _taken_with(work.session, form.token)) is not None:
            work.session.rollback()
            return done
        customer = get_row(work.session, Customer, customer_id, "customer")
        _require_sound(work, form)
        if not form.note.strip():
            raise Problems([Problem("note", "Say why the money is given back.")])
        over = sum(cents for _, cents in overpaid_jobs(work.session, customer.id))
        most = credit_of(work.session, customer.id).get(customer.id, 0) - over
        if form.cents > most:
            told = f"{show_cents(max(most, 0))} of this account is credit: give back at most that."
            more = f" {show_cents(over)} more is paid too much for jobs: give it back there." if over else ""
            raise LedgerError("cents", told + more)
        account = _put(work, customer, number, form, -form.cents)
        _tell(work, ACCOUNT_REFUNDED, account, [f"{show_cents(form.cents)} given back, {form.means}"])
    return account


def _taken_with(session: Session, token: str) -> AccountPayment | None:
    return session.scalar(sa.select(AccountPayment).where(AccountPayment.request_token == token))


def _require_sound(work: Work, form: AccountForm) -> None:
    if work.actor.user_id is None:
        raise LedgerError("", "A payment is taken by a person who is on record; log in.")
    note, most = " ".join(form.note.split()), longest(AccountPayment.note)
    no_card = "Do not write card numbers here: a number of 12 digits or more is not kept. Remove it."
    not_yet = "This day has not come yet; enter today or an earlier day."
    above = f"Enter an amount above zero, at most {show_cents(MAX_CENTS)}."
    faults = (
        ("means", form.means not in MEANS, f"Choose how it was paid: {', '.join(MEANS)}."),
        ("note", has_many_digits(note), no_card),
        ("note", len(note) > most, fault_of_length(note, most)),
        ("received_on", form.received_on > work.today, not_yet),
        ("cents", not 0 < form.cents <= MAX_CENTS, above),
    )
    if problems := [Problem(name, said) for name, is_wrong, said in faults if is_wrong]:
        raise Problems(problems)


def _named(session: Session, form: AccountForm, debts: Sequence[OpenInvoice]) -> tuple[Share, ...]:
    shares: list[Share] = []
    known = {one.invoice.id: one for one in debts}
    for key, cents in form.named.items():
        if not cents:
            continue
        one = known.get(key)
        if one is None or cents > one.open_cents:
            left = show_cents(one.open_cents) if one else "Nothing"
            which = invoice_number(one.invoice.number) if one else "this invoice"
            raise LedgerError("named", f"{left} is left to pay of {which}: enter at most that.")
        shares += share_out(session, cents, [one], form.received_on, is_fresh=True)
    if sum(one.cents for one in shares) > form.cents:
        raise LedgerError("named", f"These come to more than the {show_cents(form.cents)} that came in.")
    return tuple(shares)


def _put(work: Work, customer: Customer, number: int, form: AccountForm, cents: int) -> AccountPayment:
    account = AccountPayment(
        number=number,
        customer_id=customer.id,
        received_on=form.received_on,
        cents=cents,
        means=form.means,
        note=" ".join(form.note.split()),
        taken_by_id=work.actor.user_id,
        request_token=form.token,
    )
    work.session.add(account)
    work.session.flush()
    return account


def _use(work: Work, account: AccountPayment, shares: Sequence[Share], means: str) -> None:
    """Give each job its share as a payment of its own."""
    by_job: dict[int, list[Share]] = defaultdict(list)
    for one in shares:
        by_job[one.invoice.job.number].append(one)
    for job_number, ones in by_job.items():
        cents = sum(one.cents for one in ones)
        paid = PaymentForm(PaymentKind.PAYMENT, cents, means, account.received_on)
        named = {one.invoice.id: (one.cents, one.discount_cents) for one in ones}
        put_payment(work, get_job(work.session, job_number), paid, "", account=account, named=named)


def _tell(work: Work, kind: str, account: AccountPayment, said: Sequence[str]) -> None:
    note = f". {account.note}" if account.note else ""
    words = f"{account_payment_number(account.number)}: {'; '.join(said)}{note}"
    record(work, kind, f"customer {account.customer_id}", words, account_payment=account.id)


@dataclass(frozen=True, slots=True)
class AccountReceipt:
    """A payment to an account as its receipt says it: for which invoices, with how much off for paying early; what of
    it is credit.
    """

    account: AccountPayment
    uses: tuple[tuple[int, int, int], ...]  # number of an invoice, cents, off for paying early
    over_cents: int

    @property
    def number(self) -> str:
        """Its number as it prints."""
        return account_payment_number(self.account.number)

    @property
    def freed_cents(self) -> int:
        """What no invoice uses any more, as after a credit note: given back, or free for other invoices."""
        return max(0, self.account.cents - self.over_cents - sum(cents for _, cents, _ in self.uses))


def account_receipt(session: Session, number: int) -> AccountReceipt:
    """The receipt of a payment to an account, by its number; NotFound."""
    account = get_account_payment(session, number)
    rows = (
        sa.select(PaymentUse)
        .join(PaymentUse.payment)
        .where(Payment.account_payment_id == account.id)
        .order_by(PaymentUse.id)
    )
    uses: dict[int, Counter[str]] = defaultdict(Counter)
    for one in session.scalars(rows):
        uses[one.invoice.number].update({"cents": one.cents, "off": one.discount_cents})
    over = account.cents - sum(part.cents for part in account.parts)
    return AccountReceipt(
        account, tuple((key, one["cents"], one["off"]) for key, one in uses.items() if one["cents"]), over
    )
