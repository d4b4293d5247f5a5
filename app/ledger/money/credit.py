"""A customer's credit limit: asked before goods go that are not paid; the owner may let them go with a reason."""

from app.ledger.jobs.queries import job_money
from app.ledger.money.invoicing import Handed, handed_value, value_of
from app.ledger.money.owing import credit_of, owed_jobs
from app.ledger.money.settling import invoices_of_jobs
from app.ledger.store.engine import get_version, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import CREDIT_EXCEEDED, record
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Job, Role
from app.pricing import MAX_CENTS, show_cents


def require_credit_for(work: Work, job: Job, lines: Handed, reason: str = "") -> None:
    """Ask whether pieces of a job that go now fit into its customer's credit limit, inside the caller's transaction.

    See `require_credit`. What was paid for the job already is counted; a job that is paid in full is not asked about.
    """
    if job.customer.credit_limit_cents is None:
        return
    invoiced = sum(
        one.invoice.total_cents - one.credited_cents - one.discount_cents
        for one in invoices_of_jobs(work.session, [job.id])
    )
    paid = job_money(job).paid_cents
    due = max(invoiced, handed_value(work.session, job) + value_of(work.session, job, lines)) - paid
    before = max(invoiced, handed_value(work.session, job)) - paid
    if due > max(before, 0):
        require_credit(work, job.customer, due - max(before, 0), reason, job)


def require_credit(work: Work, customer: Customer, cents: int, reason: str = "", job: Job | None = None) -> None:
    """Refuse to let `cents` more be owed than now where a customer's limit is below that; LedgerError with the
    figures, on `credit` for the owner, who goes on with a reason, which stays on record.
    """
    limit = customer.credit_limit_cents
    if limit is None or cents <= 0:
        return
    owed = sum(one.owed_cents for one in owed_jobs(work.session, work.today, customer.id))
    owed -= credit_of(work.session, customer.id).get(customer.id, 0)
    if owed + cents <= limit:
        return
    told = (
        f"{customer.name} owes {show_cents(max(owed, 0))} and this is {show_cents(cents)} more: that is above the "
        f"credit limit of {show_cents(limit)}."
    )
    if work.actor.role is not Role.OWNER:
        raise LedgerError("", f"Ask the owner, or take a payment first: {told}")  # no box of this actor's mends it
    if not reason.strip():
        raise LedgerError("credit", f"{told} Take a payment first, or say why it goes all the same.")
    subject = f"job {job.number}" if job else f"customer {customer.id}"
    record(work, CREDIT_EXCEEDED, subject, f"{told} Reason: {reason.strip()}", job_id=job.id if job else None)


def set_credit_limit(work: Work, customer_id: int, version: int, cents: int | None) -> Customer:
    """Set the most that a customer may owe, None for no limit, read at `version`; the owner's alone. LedgerError on
    `limit` where it is no amount that can be owed.
    """
    work.require_owner()
    if cents is not None and not 0 <= cents <= MAX_CENTS:
        raise LedgerError("limit", f"Enter an amount from $0.00 to {show_cents(MAX_CENTS)}, or nothing for no limit.")
    with transaction(work.session):
        customer = get_version(work.session, Customer, customer_id, "customer", version)
        customer.credit_limit_cents = cents
        work.session.flush()
        said = "no credit limit" if cents is None else f"credit limit {show_cents(cents)}"
        record(work, "credit limit set", f"customer {customer.id}", f"{customer.name}: {said}")
        return customer
