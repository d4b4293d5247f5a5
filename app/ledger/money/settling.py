"""Which payment settles which invoice: uses are written, never changed; what is freed is written with a minus."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.catalog.money_rules import money_rules_on
from app.ledger.money.invoice_snapshot import InvoiceSnapshot, read_invoice
from app.ledger.quoting.sold_lines import give_back_sold
from app.ledger.store.events import record
from app.ledger.store.numbers import invoice_number
from app.ledger.store.work import Work
from app.ledger.tables import Invoice, InvoiceKind, Job, Payment, PaymentUse
from app.pricing import early_discount, settled_by, share_payment, show_cents, show_day

EARLY = "discount for paying early taken"


@dataclass(frozen=True, slots=True)
class OpenInvoice:
    """An invoice or deposit invoice with what is left to pay of it. credited_cents: by credit notes, above zero;
    used_cents: of payments; discount_cents: for paying early. open_cents is below zero where too much was paid.
    """

    invoice: Invoice
    credited_cents: int
    used_cents: int
    discount_cents: int

    @property
    def open_cents(self) -> int:
        """What is left to pay."""
        return self.invoice.total_cents - self.credited_cents - self.used_cents - self.discount_cents


def invoices_of_jobs(session: Session, jobs: Iterable[int] | None = None) -> tuple[OpenInvoice, ...]:
    """The invoices and deposit invoices of some jobs, or None of all, in the order in which they fall due: three
    queries.
    """
    papers = sa.select(Invoice).order_by(Invoice.due_on, Invoice.number)
    used = sa.select(PaymentUse.invoice_id, sa.func.sum(PaymentUse.cents), sa.func.sum(PaymentUse.discount_cents))
    if jobs is not None:
        chosen = list(jobs)
        if not chosen:
            return ()
        papers = papers.where(Invoice.job_id.in_(chosen))
        of_jobs = sa.select(Invoice.id).where(Invoice.job_id.in_(chosen))
        used = used.where(PaymentUse.invoice_id.in_(of_jobs))
    money = {row[0]: (int(row[1]), int(row[2])) for row in session.execute(used.group_by(PaymentUse.invoice_id))}
    rows = session.scalars(papers.options(sa.orm.defer(Invoice.snapshot))).all()
    credited: Counter[int] = Counter()
    for one in rows:
        if one.refers_to_id is not None:
            credited[one.refers_to_id] -= one.total_cents
    _pass_on(rows, credited, {key: discount for key, (_, discount) in money.items()})
    return tuple(
        OpenInvoice(one, credited[one.id], *money.get(one.id, (0, 0)))
        for one in rows
        if one.kind is not InvoiceKind.CREDIT_NOTE
    )


def _pass_on(papers: Sequence[Invoice], credited: Counter[int], discounts: Mapping[int, int]) -> None:
    """Have what was credited beyond what an invoice asked for, since a deposit had come off it, go to the others of
    its job: first to the deposit, which is in the hands of the house or still asked for.
    """
    debts = [one for one in papers if one.kind is not InvoiceKind.CREDIT_NOTE]
    left = {one.id: one.total_cents - discounts.get(one.id, 0) - credited[one.id] for one in debts}
    for one in debts:
        if left[one.id] >= 0:
            continue
        others = [other for other in debts if other.job_id == one.job_id and left[other.id] > 0]
        for other in sorted(others, key=lambda other: other.kind is not InvoiceKind.DEPOSIT):
            part = min(-left[one.id], left[other.id])
            for key, cents in ((one.id, -part), (other.id, part)):
                credited[key] += cents
                left[key] -= cents


@dataclass(frozen=True, slots=True)
class Early:
    """What paying an invoice by a day saves: percent of what is left to pay, until a day."""

    percent: Decimal
    until: date

    def holds_on(self, day: date) -> bool:
        """Whether it is saved on a day; the last one counts."""
        return day <= self.until


def early_of(snapshot: InvoiceSnapshot) -> Early | None:
    """An invoice's discount for paying early; None where it has none."""
    return Early(snapshot.cash_percent, snapshot.discount_until) if snapshot.discount_until else None


@dataclass(frozen=True, slots=True)
class Share:
    """What an invoice gets of money that came in, and what is taken off it besides for paying early."""

    invoice: Invoice
    cents: int
    discount_cents: int = 0


def share_out(
    session: Session, cents: int, debts: Sequence[OpenInvoice], day: date, *, is_fresh: bool
) -> tuple[Share, ...]:
    """What each open invoice, in the order in which they fall due, gets of an amount, by the house's rule of the day.

    is_fresh: it came in on this day, so that what is paid early has its discount; it is taken where the amount does
    not pay everything without.
    """
    rules = money_rules_on(session, day)
    early = {}
    if is_fresh and cents < sum(one.open_cents for one in debts):
        found = ((one.invoice.id, early_of(read_invoice(one.invoice.snapshot))) for one in debts)
        early = {key: terms for key, terms in found if terms is not None and terms.holds_on(day)}
    needed = []
    for one in debts:
        terms = early.get(one.invoice.id)
        needed.append(one.open_cents - (early_discount(one.open_cents, terms.percent) if terms else 0))
    shares = []
    for one, whole, part in zip(debts, needed, share_payment(cents, needed, rules.use_order), strict=True):
        terms, off = early.get(one.invoice.id), 0
        if terms and part == whole:
            off = one.open_cents - whole
        elif terms and rules.discount_on_part:
            off = min(settled_by(part, terms.percent), one.open_cents) - part
        if part or off:
            shares.append(Share(one.invoice, part, off))
    return tuple(shares)


def settle(
    work: Work, job: Job, *, fresh_on: date | None = None, named: Mapping[int, tuple[int, int]] | None = None
) -> Sequence[Share]:
    """Use a job's payments for its invoices, inside the caller's transaction: free what an invoice needs no more, or
    was given back; use the rest for what is open.

    What was used now. fresh_on: the day on which the newest payment came in, if it did. named: what invoices, by
    their ids, get of it, and what is taken off besides, where that was worked out for several jobs together.
    """
    session = work.session
    session.flush()
    debts = invoices_of_jobs(session, [job.id])
    for one in debts:
        if one.open_cents < 0:
            _free(work, job, min(-one.open_cents, one.used_cents), one.invoice.id)
    left = unused_cents(session, job)
    if left < 0:
        _free(work, job, -left)
        left = 0
    debts = tuple(one for one in invoices_of_jobs(session, [job.id]) if one.open_cents > 0)
    if not left or not debts:
        return ()
    shares: Sequence[Share]
    if named is not None:
        by_id = {one.invoice.id: one.invoice for one in debts}
        shares = [Share(by_id[key], *cents) for key, cents in named.items() if key in by_id]
    else:
        shares = share_out(session, left, debts, fresh_on or work.today, is_fresh=fresh_on is not None)
    _use(work, job, shares)
    return shares


def unused_cents(session: Session, job: Job) -> int:
    """What was paid for a job and is used for no invoice."""
    received = sa.select(sa.func.coalesce(sa.func.sum(Payment.received_cents), 0)).where(Payment.job_id == job.id)
    used = sa.select(sa.func.coalesce(sa.func.sum(PaymentUse.cents), 0)).join(PaymentUse.payment)
    return int(session.scalar(received) or 0) - int(session.scalar(used.where(Payment.job_id == job.id)) or 0)


def _used_of(session: Session, job: Job, invoice_id: int | None = None) -> Mapping[tuple[int, int], int]:
    """(payment, invoice) → what of the one is used for the other, the first payments first."""
    rows = (
        sa.select(PaymentUse.payment_id, PaymentUse.invoice_id, sa.func.sum(PaymentUse.cents))
        .join(PaymentUse.payment)
        .where(Payment.job_id == job.id)
        .group_by(PaymentUse.payment_id, PaymentUse.invoice_id)
        .order_by(PaymentUse.payment_id, PaymentUse.invoice_id)
    )
    if invoice_id is not None:
        rows = rows.where(PaymentUse.invoice_id == invoice_id)
    return {(payment, invoice): int(cents) for payment, invoice, cents in session.execute(rows) if cents}


def _free(work: Work, job: Job, cents: int, invoice_id: int | None = None) -> None:
    """Take the newest uses back as far as needed."""
    for (payment, invoice), used in reversed(list(_used_of(work.session, job, invoice_id).items())):
        part = min(used, cents)
        if part <= 0:
            continue
        work.session.add(PaymentUse(payment_id=payment, invoice_id=invoice, cents=-part, used_on=work.today))
        cents -= part
    work.session.flush()


def _use(work: Work, job: Job, shares: Iterable[Share]) -> None:
    used: Counter[int] = Counter()
    for (payment_id, _), cents in _used_of(work.session, job).items():
        used[payment_id] += cents
    rows = sa.select(Payment).where(Payment.job_id == job.id).order_by(Payment.id)
    free = {one.id: one.received_cents - used[one.id] for one in work.session.scalars(rows)}
    discounts = 0
    for share in shares:
        left, last = share.cents, 0
        for payment_id, there in free.items():
            part = min(there, left)
            if part <= 0:
                continue
            free[payment_id], left, last = there - part, left - part, payment_id
            work.session.add(
                PaymentUse(
                    payment_id=payment_id,
                    invoice_id=share.invoice.id,
                    cents=part,
                    discount_cents=0 if left else share.discount_cents,
                    used_on=work.today,
                )
            )
        if last and share.discount_cents:
            discounts += share.discount_cents
            _tell_early(work, job, share)
    work.session.flush()
    if discounts and job.agreed_cents is not None:
        job.agreed_cents -= discounts
        give_back_sold(work.session, job)
        work.session.flush()


def _tell_early(work: Work, job: Job, share: Share) -> None:
    said = f"{show_cents(share.discount_cents)} off invoice {invoice_number(share.invoice.number)} for paying early"
    until = read_invoice(share.invoice.snapshot).discount_until
    told = f"{said}, by {show_day(until)}" if until else said
    record(
        work,
        EARLY,
        f"job {job.number}",
        told,
        job_id=job.id,
        invoice=share.invoice.number,
        discount_cents=share.discount_cents,
    )
