"""A job of goods that are handed over in parts, its figures worked out by hand.

Harbourmaster's Flats: 3 key cabinets at 64.00, 10 ring sets at 9.80, a trip at 85.00; 12% off goods, 7.25% tax.
Off: 23.04 and 11.76. Taxed: 168.96 and 86.24, tax 12.25 and 6.25. Together 340.20 + 18.50 = 358.70.
"""

import secrets
from dataclasses import replace
from datetime import timedelta

import pytest

from app.ledger.money.invoicing import InvoiceForm, Invoicing, invoice_job, papers_of_money
from app.ledger.money.payments import PaymentForm, PaymentKind, payments_of, take_payment
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import HandedLine, HandOverRow, Invoice, Job
from tests.ledger.quoting.test_discounts import TWELVE, ask
from tests.ledger.test_main_job import accept, issued


@pytest.fixture
def job(work: Work) -> Job:
    """Accepted, nothing handed over."""
    return accept(work, issued(work, ask(work, TWELVE)))


def went(work: Work, job: Job, place: int, **goods: int) -> None:
    """Hand over some goods: by line, `line_1=2`."""
    event = record(work, "part handed over", f"job {job.number}", "test", job_id=job.id)
    row = HandOverRow(job_id=job.id, place=place, event_id=event.id)
    row.lines = [HandedLine(line_number=int(name[5:]), goods=count) for name, count in goods.items()]
    work.session.add(row)
    work.session.commit()


def invoiced(work: Work, job: Job, which: Invoicing = Invoicing.HANDED_OVER, cents: int | None = None) -> Invoice:
    """The job's next invoice."""
    version = len(papers_of_money(work.session, job)) + 1
    return invoice_job(work, job.number, version, InvoiceForm(which, secrets.token_hex(8), cents))


def paid(work: Work, job: Job, cents: int, kind: PaymentKind = PaymentKind.PAYMENT, note: str = "") -> None:
    """A check for the job."""
    form = PaymentForm(kind, cents, "check", work.today, note)
    take_payment(work, job.number, payments_of(work.session, job.number).version, form)


def later(work: Work, days: int) -> Work:
    """The same work some days later."""
    return replace(work, now=work.now + timedelta(days=days))
