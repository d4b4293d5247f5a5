"""Invoices, accounts and the rules about money as the counter and the owner meet them: figures by hand."""

import csv
import io
import re
from collections.abc import Callable

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.money.invoicing import handed_value
from app.ledger.tables import AccountPayment, Customer, Invoice, Job, PriceTier, Role, Stage
from tests import factories
from tests.conftest import NOW
from tests.desk import accepted, quoted
from tests.factories import FormClient
from tests.reading import pdf_text
from tests.stocked import HARDWARE, empty_house

__all__ = ["empty_house"]

ClientAs = Callable[[Role], FormClient]


def form_of(page: str) -> dict[str, str]:
    """The hidden fields of a page's last form with a token."""
    return {name: re.findall(rf'name="{name}" type="hidden" value="(.*?)"', page)[0] for name in ("version", "token")}


@pytest.fixture
def counter(client_as: ClientAs) -> FormClient:
    return client_as(Role.COUNTER)


@pytest.fixture
def job(client_as: ClientAs, session: Session) -> Job:
    """Ring sets that were sold: see `tests.stocked`."""
    owned = client_as(Role.OWNER)
    quoted(owned, HARDWARE)
    accepted(owned, 1001)
    session.expire_all()
    return session.scalars(sa.select(Job).where(Job.number == 1001)).one()


def test_a_job_is_invoiced_paid_and_credited_on_its_pages(counter: FormClient, job: Job, session: Session) -> None:
    total = f"${job.agreed_cents / 100:,.2f}"
    page = counter.get("/jobs/1001/invoices").text
    assert "Nothing is invoiced yet." in page and f"All of it, before it is handed over: {total}" in page
    sent = {**form_of(page), "which": "all"}
    answer = counter.post("/jobs/1001/invoices", data=sent)
    assert answer.status_code == 303 and answer.location.endswith("/invoices/1")
    assert counter.post("/jobs/1001/invoices", data=sent).location == answer.location  # pressed twice
    page = counter.get("/invoices/1").text
    assert "Invoice I-0001 is issued" in page and f"<dt>Left to pay</dt><dd><b>{total}</b>" in page
    again = counter.post("/jobs/1001/invoices", data={**sent, "token": "another", "version": "2"})
    assert again.status_code == 422 and "All of this job is invoiced already: I-0001 of" in again.text
    paper = pdf_text(counter.get("/invoices/1.pdf").data)
    for said in ("Invoice I-0001", "Please pay by", total, "add up to what was agreed", "due in 30 days"):
        assert said in paper, said
    bad = counter.post("/invoices/1/credit", data={**form_of(page), "pieces-1": "x", "reason": "back"})
    assert bad.status_code == 422 and "Line 1: “x” is no count of pieces." in bad.text and 'value="x"' in bad.text
    nothing = counter.post("/invoices/1/credit", data={**form_of(page), "reason": "back"})
    assert nothing.status_code == 422 and "Enter how many pieces of a line are credited" in nothing.text
    done = counter.post("/invoices/1/credit", data={**form_of(page), "pieces-1": "1", "reason": "one back"})
    assert done.status_code == 303
    session.rollback()  # lets go of what it read before
    note = session.scalars(sa.select(Invoice).where(Invoice.number == 2)).one()
    paper = pdf_text(counter.get("/invoices/2.pdf").data)
    for said in ("Credit note I-0002", "Changes invoice I-0001", "one back", f"−${-note.total_cents / 100:,.2f}"):
        assert said in paper, said
    assert "Credited by" in counter.get("/invoices/1").text
    assert "Credit note I-0002" in counter.get("/jobs/1001").text


def test_the_page_of_a_deposit_invoice_has_no_empty_table_of_lines(counter: FormClient, job: Job) -> None:
    sent = {**form_of(counter.get("/jobs/1001/invoices").text), "which": "deposit", "cents": "10.00"}
    assert counter.post("/jobs/1001/invoices", data=sent).location.endswith("/invoices/1")
    page = counter.get("/invoices/1").text
    assert "Deposit invoice I-0001" in page and ">Lines</caption>" not in page


def test_a_counter_above_the_credit_limit_is_told_to_ask_the_owner_and_named_no_box(
    counter: FormClient, job: Job, session: Session
) -> None:
    job.customer.credit_limit_cents = 100
    session.commit()
    page = counter.get("/jobs/1001/hand-over").text
    (version,) = re.findall(r'name="version"[^>]*value="(\d+)"', page)
    sent = {"version": version, "taken_by": "R. Teal", "goods-1": "1"}
    refused = counter.post("/jobs/1001/hand-over", data=sent)
    assert refused.status_code == 422 and refused.text.count("above the credit limit") == 1
    assert "<li>Ask the owner, or take a payment first: " in refused.text and "Go on above" not in refused.text


def test_goods_that_were_taken_of_a_canceled_job_are_told_as_owed(
    counter: FormClient, job: Job, session: Session
) -> None:
    page = counter.get("/jobs/1001/hand-over").text
    (version,) = re.findall(r'name="version"[^>]*value="(\d+)"', page)
    counter.post("/jobs/1001/hand-over", data={"version": version, "taken_by": "R. Teal", "goods-1": "1"})
    session.rollback()  # lets go of what it read before
    job.stage = Stage.CANCELED
    session.commit()
    page = counter.get("/jobs/1001").text
    cents = handed_value(session, job)
    assert cents > 0 and "Nothing is due" not in page
    assert f'Nothing received; to pay</th><td class="money">${cents / 100:,.2f}' in page
    assert "Taken or invoiced before it was canceled, with tax" in page


def test_an_account_takes_a_check_for_its_invoices_and_prints_a_statement(
    counter: FormClient, job: Job, session: Session, client_as: ClientAs
) -> None:
    customer, cents = job.customer_id, job.agreed_cents or 0
    page = counter.get("/jobs/1001/invoices").text
    counter.post("/jobs/1001/invoices", data={**form_of(page), "which": "all"})
    page = counter.get(f"/customers/{customer}/account").text
    token = re.findall(r'name="token" type="hidden" value="(.*?)"', page)[0]
    check = {"token": token, "means": "check", "received_on": NOW.date().isoformat(), "note": "no. 12"}
    over = f"{cents / 100 + 5:.2f}"
    refused = counter.post(f"/customers/{customer}/account", data={**check, "cents": over, "invoice-1": "x"})
    assert refused.status_code == 422 and "not an amount" in refused.text and 'value="no. 12"' in refused.text
    assert counter.post(f"/customers/{customer}/account", data={**check, "cents": over}).status_code == 303
    page = counter.get(f"/customers/{customer}/account").text
    assert "<dt>Credit</dt><dd>$5.00</dd>" in page and "used for I-0001" in page
    receipt = pdf_text(counter.get("/account-payments/1.pdf").data)
    session.rollback()
    taken = f"{NOW.year} by {session.scalars(sa.select(AccountPayment)).one().taken_by.name}"
    for said in ("Payment receipt M-0001", taken, "For invoice I-0001", "Stays as your credit $5.00"):
        assert said in receipt, said
    back = {**check, "token": "b", "cents": "5.01", "note": "too much"}
    too_much = counter.post(f"/customers/{customer}/account/refund", data=back)
    assert too_much.status_code == 422 and "$5.00 of this account is credit" in too_much.text
    assert counter.post(f"/customers/{customer}/account/refund", data={**back, "cents": "5.00"}).status_code == 303
    statement = pdf_text(counter.get(f"/customers/{customer}/statement.pdf").data)
    for said in ("Statement of", "I-0001", "M-0001", "settled", "used for I-0001", "Age is counted in days", "$0.00"):
        assert said in statement, said
    rows = client_as(Role.OWNER).get("/reports/aging.csv").data.decode("utf-8-sig")
    assert list(csv.DictReader(io.StringIO(rows))) == []


def test_debts_by_age_are_listed_with_totals(counter: FormClient, session: Session) -> None:
    job = factories.JobFactory(number=1042, stage=Stage.HANDED_OVER, agreed_cents=107_25)
    factories.QuoteRevisionFactory(job=job, total_cents=107_25)
    page = counter.get("/reports/aging").text
    assert "the due day itself not counted" in page and "$107.25" in page and job.customer.name in page
    rows = list(csv.DictReader(io.StringIO(counter.get("/reports/aging.csv").data.decode("utf-8-sig"))))
    assert [(row["Not invoiced yet"], row["Balance"]) for row in rows] == [("107.25", "107.25")]
    assert counter.get("/reports/aging.xlsx").status_code == 200


def test_the_owner_sets_rules_terms_and_limits(client_as: ClientAs, session: Session) -> None:
    owner = client_as(Role.OWNER)
    customer = factories.CustomerFactory()
    page = owner.get("/house/settings/money").text
    assert "Nothing was settled yet: these are the usual rules." in page
    sent = {
        "due_days": "20",
        "cash_percent": "2",
        "cash_days": "30",
        "late_in_month": "0",
        "dating": "invoice",
        "part": "none",
        "rounding": "steps",
        "tax_of": "invoice",
        "restocking_percent": "15",
        "restocking": "kept",
        "use_order": "in proportion",
        "age": "both",
        "valid_from": NOW.date().isoformat(),
    }
    refused = owner.post("/house/settings/money", data=sent)
    assert refused.status_code == 422 and "The discount ends no later than the invoice is due." in refused.text
    assert owner.post("/house/settings/money", data={**sent, "cash_days": "10"}).status_code == 303
    page = owner.get("/house/settings/money").text
    for said in (
        "The rules about money from 25 Nov 2026 on are saved.",
        "2% off if paid within 10 days, due in 20 days",
        "any part of a cent",
        "The restocking charge is 15%.",
    ):
        assert said in page, said
    tier = {"name": "quay tier", "percent_off": "0", "has_terms": "y", "due_days": "45", "dating": "end of month"}
    assert owner.post("/house/settings/tiers/new", data=tier).status_code == 303
    row = session.scalars(sa.select(PriceTier).where(PriceTier.name == "quay tier")).one()
    assert (row.due_days, row.dating) == (45, "end of month")
    place = f"/customers/{customer.id}/account/limit"
    assert client_as(Role.COUNTER).post(place, data={"limit": "1", "version": "1"}).status_code == 403
    assert owner.post(place, data={"limit": "500.00", "version": str(customer.version)}).status_code == 303
    session.expire_all()
    assert session.get_one(Customer, customer.id).credit_limit_cents == 500_00
