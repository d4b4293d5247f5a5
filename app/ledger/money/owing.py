"""What customers owe: by job, by customer, by age; and a customer's account, entry by entry."""

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased, contains_eager, selectinload

from app.ledger.catalog.money_rules import money_rules_on
from app.ledger.money.invoicing import handed_value
from app.ledger.money.settling import OpenInvoice, invoices_of_jobs
from app.ledger.store.engine import get_row
from app.ledger.store.events import moved_to
from app.ledger.store.numbers import account_payment_number, invoice_number, payment_number
from app.ledger.tables import (
    AccountPayment,
    Customer,
    Event,
    HandOverRow,
    Invoice,
    InvoiceKind,
    Job,
    Payment,
    PaymentUse,
    QuoteRevision,
    Stage,
)
from app.pricing import AGE_CLASSES, MoneyRules

_WITH_CUSTOMER = tuple(stage for stage in Stage if stage.is_with_customer)
_OVER = (Stage.LOST, Stage.CANCELED)


@dataclass(frozen=True, slots=True)
class Owed:
    """A job of which something was handed over, or invoiced, that is not paid; cents with tax. total_cents: what is
    due of it. `since`: when it was first handed over or invoiced; due_on: when the first open invoice is due.
    """

    number: int
    customer_id: int
    customer_name: str
    phone: str
    title: str
    total_cents: int
    paid_cents: int
    since: date
    days: int
    due_on: date | None = None
    invoiced_cents: int = 0  # of what is owed, what stands on invoices
    overdue_cents: int = 0

    @property
    def owed_cents(self) -> int:
        """What is still to be paid."""
        return self.total_cents - self.paid_cents


@dataclass(frozen=True, slots=True)
class Owing:
    """One customer's share: how many jobs, how much, how much of it overdue, and the oldest's days; credit_cents: a
    credit beside it.
    """

    customer_id: int
    customer_name: str
    phone: str
    jobs: int
    owed_cents: int
    days: int
    since: date
    overdue_cents: int
    credit_cents: int = 0


def owed_jobs(session: Session, today: date, customer_id: int | None = None) -> tuple[Owed, ...]:
    """Jobs with money still to come for what was handed over or invoiced, the longest waiting first."""
    newest = (
        sa.select(QuoteRevision.total_cents)
        .where(QuoteRevision.job_id == Job.id)
        .order_by(QuoteRevision.revision.desc())
        .limit(1)
        .correlate(Job)
        .scalar_subquery()
    )
    total = sa.func.coalesce(Job.agreed_cents, newest, 0)
    sums = sa.select(sa.func.sum(Payment.received_cents)).where(Payment.job_id == Job.id).correlate(Job)
    paid = sa.func.coalesce(sums.scalar_subquery(), 0)
    moved = sa.select(sa.func.min(Event.at)).where(Event.job_id == Job.id, moved_to(Stage.HANDED_OVER))
    handed = moved.correlate(Job).scalar_subquery()
    first = sa.select(sa.func.min(Invoice.invoiced_on)).where(Invoice.job_id == Job.id).correlate(Job)
    is_invoiced = sa.exists().where(Invoice.job_id == Job.id)
    part_went = sa.exists().where(HandOverRow.job_id == Job.id)
    rows = sa.select(
        Job,
        total.label("total"),
        paid.label("paid"),
        handed.label("handed"),
        first.scalar_subquery().label("invoiced"),
    ).join(Customer, Customer.id == Job.customer_id)
    is_with_customer = Job.stage.in_(_WITH_CUSTOMER)
    rows = rows.where(
        sa.or_(
            sa.and_(is_with_customer, total > paid),
            sa.and_(Job.stage.not_in(_WITH_CUSTOMER), sa.or_(is_invoiced, part_went)),
        )
    ).order_by(Job.id)
    if customer_id is not None:
        rows = rows.where(Job.customer_id == customer_id)
    found = session.execute(rows.options(contains_eager(Job.customer))).all()
    papers: dict[int, list[OpenInvoice]] = defaultdict(list)
    on_invoice = [row.Job.id for row in found if row.invoiced]
    rules = money_rules_on(session, today) if on_invoice else MoneyRules()
    for one in invoices_of_jobs(session, on_invoice):
        papers[one.invoice.job_id].append(one)
    owed = [_owed(session, row, papers[row.Job.id], rules, today) for row in found]
    return tuple(sorted((one for one in owed if one.owed_cents > 0), key=lambda one: (one.since, one.number)))


def _owed(session: Session, row: Any, papers: Sequence[OpenInvoice], rules: MoneyRules, today: date) -> Owed:
    job: Job = row.Job
    due = int(row.total) if job.stage.is_with_customer else due_of(session, job, papers)
    unpaid = [one for one in papers if one.open_cents > 0]
    handed = row.handed.astimezone().date() if row.handed else None
    if handed is None and not job.stage.is_with_customer:
        handed = _first_hand_over(session, job)
    days = [day for day in (handed, row.invoiced) if day is not None]
    since = min(days) if days else (job.promised_on or job.asked_on)
    late = [one for one in unpaid if rules.age(one.invoice.due_on, today)]
    return Owed(
        number=job.number,
        customer_id=job.customer_id,
        customer_name=job.customer.name,
        phone=job.customer.phone,
        title=job.title,
        total_cents=due,
        paid_cents=int(row.paid),
        since=since,
        days=max((today - since).days, 0),
        due_on=unpaid[0].invoice.due_on if unpaid else None,
        invoiced_cents=sum(one.open_cents for one in unpaid),
        overdue_cents=sum(one.open_cents for one in late),
    )


def due_of(session: Session, job: Job, papers: Sequence[OpenInvoice] | None = None) -> int:
    """What is to be paid by now of a job that is not with its customer as a whole: what was invoiced or handed over,
    whichever is more. papers: its invoices, where they are known.
    """
    known = invoices_of_jobs(session, [job.id]) if papers is None else papers
    invoiced = sum(one.invoice.total_cents - one.credited_cents - one.discount_cents for one in known)
    return max(invoiced, handed_value(session, job))


def _first_hand_over(session: Session, job: Job) -> date | None:
    rows = sa.select(Event.at).join(HandOverRow, HandOverRow.event_id == Event.id).where(HandOverRow.job_id == job.id)
    found = session.scalar(rows.order_by(HandOverRow.place).limit(1))
    return found.astimezone().date() if found else None


def by_customer(jobs: Sequence[Owed]) -> tuple[Owing, ...]:
    """The same by customer, who owes the longest first."""
    groups: dict[int, list[Owed]] = {}
    for job in jobs:
        groups.setdefault(job.customer_id, []).append(job)
    return tuple(
        Owing(
            group[0].customer_id,
            group[0].customer_name,
            group[0].phone,
            len(group),
            sum(job.owed_cents for job in group),
            group[0].days,
            group[0].since,
            sum(job.overdue_cents for job in group),
        )
        for group in groups.values()
    )


def owed_by_customer(session: Session, today: date) -> tuple[Owing, ...]:
    """Who owes how much since when, the longest first, until it is paid."""
    owing = by_customer(owed_jobs(session, today))
    credit = credit_of(session) if owing else {}
    return tuple(replace(one, credit_cents=credit.get(one.customer_id, 0)) for one in owing)


def credit_of(session: Session, customer_id: int | None = None) -> Mapping[int, int]:
    """Customer → what was paid too much: of payments to the account, and for jobs that cost less since."""
    credit: Counter[int] = Counter()
    whole = sa.select(AccountPayment.customer_id, sa.func.sum(AccountPayment.cents)).group_by(
        AccountPayment.customer_id
    )
    parts = (
        sa.select(AccountPayment.customer_id, sa.func.sum(Payment.cents))
        .join(Payment, Payment.account_payment_id == AccountPayment.id)
        .group_by(AccountPayment.customer_id)
    )
    if customer_id is not None:
        whole, parts = (rows.where(AccountPayment.customer_id == customer_id) for rows in (whole, parts))
    for rows, sign in ((whole, 1), (parts, -1)):
        for customer, cents in session.execute(rows):
            credit[customer] += sign * int(cents)
    for job, cents in overpaid_jobs(session, customer_id):
        credit[job.customer_id] += cents
    return {customer: cents for customer, cents in credit.items() if cents}


def overpaid_jobs(session: Session, customer_id: int | None = None) -> list[tuple[Job, int]]:
    """Jobs for which more was paid than they come to, and how much more; of canceled ones what was paid beyond what
    was invoiced or taken before.
    """
    paid = sa.func.coalesce(
        sa.select(sa.func.sum(Payment.received_cents))
        .where(Payment.job_id == Job.id)
        .correlate(Job)
        .scalar_subquery(),
        0,
    )
    due = sa.case((Job.stage.in_(_OVER), 0), else_=Job.agreed_cents)
    rows = sa.select(Job, paid - due).where(sa.or_(Job.agreed_cents.is_not(None), Job.stage.in_(_OVER)), paid > due)
    if customer_id is not None:
        rows = rows.where(Job.customer_id == customer_id)
    found = [(job, int(cents)) for job, cents in session.execute(rows.order_by(Job.number))]
    over = [(job, cents - (due_of(session, job) if job.stage in _OVER else 0)) for job, cents in found]
    return [(job, cents) for job, cents in over if cents > 0]


@dataclass(frozen=True, slots=True)
class AgingRow:
    """A customer's debt by age: cents by the places of AGE_CLASSES, what is not invoiced yet, the credit, and what
    was paid ahead for jobs of which nothing was handed over or invoiced yet, or less than that.
    """

    customer_id: int
    customer_name: str
    phone: str
    cents: tuple[int, ...]
    not_invoiced_cents: int
    credit_cents: int
    ahead_cents: int = 0

    @property
    def total_cents(self) -> int:
        """What the customer owes, less the credit and what was paid ahead; below zero where that is more."""
        return sum(self.cents) + self.not_invoiced_cents - self.credit_cents - self.ahead_cents


@dataclass(frozen=True, slots=True)
class Aging:
    """Every customer with a debt or a credit, by name; the rule by which days are counted."""

    rows: tuple[AgingRow, ...]
    rule: str

    @property
    def total(self) -> AgingRow:
        """All customers together."""
        cents = tuple(sum(row.cents[place] for row in self.rows) for place in range(len(AGE_CLASSES)))
        names = ("not_invoiced_cents", "credit_cents", "ahead_cents")
        rest = (sum(getattr(row, name) for row in self.rows) for name in names)
        return AgingRow(0, "All", "", cents, *rest)


def aging(session: Session, today: date, customer_id: int | None = None) -> Aging:
    """What is owed by how long it is overdue, of each customer or of one."""
    rules = money_rules_on(session, today)
    jobs = owed_jobs(session, today, customer_id)
    classes: dict[int, list[int]] = defaultdict(lambda: [0] * len(AGE_CLASSES))
    rest: Counter[int] = Counter()
    rows = sa.select(Invoice.job_id, Job.customer_id).join(Job, Job.id == Invoice.job_id).distinct()
    if customer_id is not None:
        rows = rows.where(Job.customer_id == customer_id)
    owner: dict[int, int] = dict(session.execute(rows.where(Job.id.in_(_with_open_invoices()))).all())
    for one in invoices_of_jobs(session, owner):
        if one.open_cents > 0:
            place = rules.age_class(one.invoice.due_on, today)
            classes[owner[one.invoice.job_id]][place] += one.open_cents
    for job in jobs:
        rest[job.customer_id] += max(0, job.owed_cents - job.invoiced_cents)
    credit, ahead = credit_of(session, customer_id), _paid_ahead(session, customer_id)
    ids = {*classes, *(key for key, cents in rest.items() if cents), *credit, *ahead}
    names = sa.select(Customer.id, Customer.name, Customer.phone).where(Customer.id.in_(ids))
    found = session.execute(names.order_by(sa.func.lower(Customer.name), Customer.id))
    return Aging(
        tuple(
            AgingRow(key, name, phone, tuple(classes[key]), rest[key], credit.get(key, 0), ahead[key])
            for key, name, phone in found
        ),
        rules.age_sentence,
    )


def _paid_ahead(session: Session, customer_id: int | None = None) -> Counter[int]:
    """Customer → what was paid for jobs beyond what was handed over or invoiced of them, but what is credit."""
    paid = sa.select(Payment.job_id, sa.func.sum(Payment.received_cents).label("cents")).group_by(Payment.job_id)
    sums = paid.subquery()
    rows = sa.select(Job, sums.c.cents).join(sums, sums.c.job_id == Job.id)
    rows = rows.where(Job.stage.not_in((*_WITH_CUSTOMER, *_OVER)), sums.c.cents > 0)
    if customer_id is not None:
        rows = rows.where(Job.customer_id == customer_id)
    found = session.execute(rows.order_by(Job.id)).all()
    papers: dict[int, list[OpenInvoice]] = defaultdict(list)
    for one in invoices_of_jobs(session, [job.id for job, _ in found]):
        papers[one.invoice.job_id].append(one)
    ahead: Counter[int] = Counter()
    for job, cents in found:
        most = int(cents) if job.agreed_cents is None else min(int(cents), job.agreed_cents)
        if (beyond := most - due_of(session, job, papers[job.id])) > 0:
            ahead[job.customer_id] += beyond
    return ahead


def _with_open_invoices() -> sa.Select[int]:
    """The jobs whose invoices and credit notes come to something else than what payments settled of them."""
    other = aliased(Invoice)
    settled = (
        sa.select(sa.func.sum(PaymentUse.cents + PaymentUse.discount_cents))
        .join(other, other.id == PaymentUse.invoice_id)
        .where(other.job_id == Invoice.job_id)
        .correlate(Invoice)
    )
    rows = sa.select(Invoice.job_id).group_by(Invoice.job_id)
    return rows.having(sa.func.sum(Invoice.total_cents) != sa.func.coalesce(settled.scalar_subquery(), 0))


@dataclass(frozen=True, slots=True)
class AccountEntry:
    """A line of an account: cents above zero are owed, below zero paid or credited. balance_cents: after it."""

    on: date
    number: str
    words: str
    cents: int
    balance_cents: int = 0
    due_on: date | None = None
    open_cents: int | None = None  # of an invoice
    used: tuple[tuple[str, int], ...] = ()  # of a payment: for which invoices, and how much


@dataclass(frozen=True, slots=True)
class Statement:
    """A customer's account from a day on: what was owed before it, each entry, what is owed, and how old that is."""

    customer: Customer
    since: date | None
    until: date
    before_cents: int
    entries: tuple[AccountEntry, ...]
    aging: AgingRow
    age_rule: str
    use_rule: str

    @property
    def balance_cents(self) -> int:
        """What is owed at the end."""
        return self.entries[-1].balance_cents if self.entries else self.before_cents


def statement_of(session: Session, customer_id: int, today: date, since: date | None = None) -> Statement:
    """A customer's account; NotFound."""
    customer = get_row(session, Customer, customer_id, "customer")
    rules = money_rules_on(session, today)
    entries = sorted(_entries(session, customer_id, today), key=lambda one: one.on)
    balance, before, kept = 0, 0, []
    for one in entries:
        balance += one.cents
        if since is not None and one.on < since:
            before = balance
            continue
        kept.append(
            AccountEntry(one.on, one.number, one.words, one.cents, balance, one.due_on, one.open_cents, one.used)
        )
    rows = aging(session, today, customer_id).rows
    none = AgingRow(customer.id, customer.name, customer.phone, (0,) * len(AGE_CLASSES), 0, 0)
    return Statement(
        customer,
        since,
        today,
        before,
        tuple(kept),
        rows[0] if rows else none,
        rules.age_sentence,
        rules.use_sentence,
    )


def _entries(session: Session, customer_id: int, today: date) -> Iterable[AccountEntry]:
    """Every entry of a customer's account, in no order of days."""
    jobs = {one.id: one for one in session.scalars(sa.select(Job).where(Job.customer_id == customer_id))}
    open_now = {one.invoice.id: one for one in invoices_of_jobs(session, jobs)}
    papers = session.scalars(sa.select(Invoice).where(Invoice.job_id.in_(jobs)).order_by(Invoice.number)).all()
    numbers = {one.id: invoice_number(one.number) for one in papers}
    billed: Counter[int] = Counter()
    for one in papers:
        billed[one.job_id] += one.total_cents
        about = f"{one.kind.words}, job {jobs[one.job_id].number}"
        if one.refers_to_id is not None:
            about += f", on {numbers[one.refers_to_id]}: {one.reason}"
        is_debt = one.kind is not InvoiceKind.CREDIT_NOTE
        yield AccountEntry(
            one.invoiced_on,
            numbers[one.id],
            about,
            one.total_cents,
            due_on=one.due_on if is_debt else None,
            open_cents=max(0, open_now[one.id].open_cents) if is_debt else None,
        )
    uses: dict[int, Counter[int]] = defaultdict(Counter)
    rows = sa.select(PaymentUse).join(PaymentUse.invoice).where(Invoice.job_id.in_(jobs)).order_by(PaymentUse.id)
    for use in session.scalars(rows):
        uses[use.payment_id][use.invoice_id] += use.cents
        if use.discount_cents:
            billed[use.invoice.job_id] -= use.discount_cents
            words = f"Discount for paying early, on {numbers[use.invoice_id]}"
            yield AccountEntry(use.used_on, "", words, -use.discount_cents)
    invoiced, at_once, rests = {one.job_id for one in papers}, set(), []
    for job in _not_all_invoiced(session, jobs.values()):
        rest = handed_value(session, job) - billed[job.id]
        on = _first_hand_over(session, job) or job.promised_on or job.asked_on
        if job.id not in invoiced and _is_paid_on(job, rest, on):
            at_once.add(job.id)
        elif rest > 0:
            rests.append(AccountEntry(on, "", f"Job {job.number}, handed over and not invoiced", rest))
    yield from _payments(session, customer_id, jobs, uses, numbers, at_once)
    yield from rests


def _is_paid_on(job: Job, cents: int, day: date) -> bool:
    """Whether it was paid as it went, as at the counter: such a sale was never owed, and no account has it."""
    if any(one.account_payment_id is not None or one.received_on != day for one in job.payments):
        return False
    return sum(one.received_cents for one in job.payments) == cents


def _not_all_invoiced(session: Session, jobs: Iterable[Job]) -> list[Job]:
    """Jobs of which something was handed over."""
    rows = sa.select(HandOverRow.job_id).distinct()
    went = set(session.scalars(rows))
    return [job for job in jobs if job.stage.is_with_customer or job.id in went]


def _payments(
    session: Session,
    customer_id: int,
    jobs: Mapping[int, Job],
    uses: Mapping[int, Counter[int]],
    numbers: Mapping[int, str],
    at_once: Collection[int],
) -> Iterable[AccountEntry]:
    """Payments but those of the jobs that were paid as they went."""
    place = sa.func.row_number().over(partition_by=Payment.job_id, order_by=Payment.id)
    rows = sa.select(Payment, place).where(Payment.job_id.in_(jobs)).order_by(Payment.id)
    parts: dict[int | None, list[tuple[str, int]]] = defaultdict(list)
    whole = sa.select(AccountPayment).where(AccountPayment.customer_id == customer_id).order_by(AccountPayment.id)
    accounts = session.scalars(whole.options(selectinload(AccountPayment.parts))).all()
    own = {one.id for one in accounts}
    for payment, number in session.execute(rows):
        used = [(numbers[key], cents) for key, cents in uses[payment.id].items() if cents]
        if payment.account_payment_id in own:
            parts[payment.account_payment_id] += used
            continue
        if payment.received_cents and payment.job_id not in at_once:
            word = "Given back" if payment.cents < 0 else "Payment"
            yield AccountEntry(
                payment.received_on,
                payment_number(jobs[payment.job_id].number, number),
                f"{word}, {payment.means}, job {jobs[payment.job_id].number}",
                -payment.received_cents,
                used=tuple(used),
            )
    for account in accounts:
        if elsewhere := sum(part.cents for part in account.parts if part.job_id not in jobs):
            number = account_payment_number(account.number)
            yield AccountEntry(
                account.received_on, number, "Of this for a job that is another customer's now", elsewhere
            )
        if account.cents or parts[account.id]:
            word = "Given back" if account.cents < 0 else "Payment" if account.cents else "Credit used"
            yield AccountEntry(
                account.received_on,
                account_payment_number(account.number),
                f"{word}, {account.means}" if account.cents else word,
                -account.cents,
                used=tuple(parts[account.id]),
            )
