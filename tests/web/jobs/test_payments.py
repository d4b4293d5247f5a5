"""A job's payments page: take money, print its receipt, and refusals with the figures."""

import re
from collections.abc import Callable

import pytest
import sqlalchemy as sa

from app.ledger.store.work import Work
from app.ledger.tables import Job, Payment, Role, Stage
from tests import factories
from tests.factories import FormClient
from tests.reading import pdf_text

ClientAs = Callable[[Role | None], FormClient]
FORM = {"kind": "deposit", "cents": "50.00", "means": "check", "received_on": "2026-11-25", "version": "1"}


@pytest.fixture
def job(work: Work) -> Job:
    factories.HouseFactory()
    customer = factories.CustomerFactory(name="Lantern Row Dental")
    found: Job = factories.JobFactory(
        number=1042, stage=Stage.APPROVED, customer=customer, title="Front door", po_number="LRD-88"
    )
    factories.QuoteRevisionFactory(job=found, total_cents=10_725)
    return found


def paid(work: Work) -> list[int]:
    work.session.rollback()
    return list(work.session.scalars(sa.select(Payment.cents).order_by(Payment.id)))


def test_a_deposit_is_taken_and_its_receipt_printed(work: Work, job: Job, client_as: ClientAs) -> None:
    client = client_as(Role.COUNTER)
    fresh = client.get("/jobs/1042/payments").text
    assert re.search('<input[^>]*autofocus[^>]*value="107.25"', fresh) and "Nothing has been received yet" in fresh
    answer = client.post("/jobs/1042/payments", data={**FORM, "note": "check 20417"})
    assert answer.status_code == 303
    page = client.get(answer.location).text
    assert "$50.00 received; $57.25 left to pay" in page and "R-1042-1, PDF" in page and 'value="57.25"' in page
    receipt = client.get("/jobs/1042/payments/1.pdf")
    assert receipt.mimetype == "application/pdf"
    text = pdf_text(receipt.data)
    for told in (
        "Deposit receipt R-1042-1",
        "Lantern Row Dental",
        "$50.00",
        "$57.25",
        "check 20417",
        "Your order LRD-88",
        "For the house",
    ):
        assert told in text, told
    back = {**FORM, "kind": "refund", "cents": "5", "note": "paid twice", "version": "2"}
    assert client.post("/jobs/1042/payments", data=back).status_code == 303
    text = pdf_text(client.get("/jobs/1042/payments/2.pdf").data)
    assert "Refund receipt R-1042-2" in text and "Given back" in text and "$62.25" in text
    assert client.get("/jobs/1042/payments/1.pdf").data == receipt.data
    assert paid(work) == [5_000, -500]


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"cents": "107.26"}, "$107.26 is more than is due: the total is $107.25, $0.00 is paid, $107.25 is left"),
        ({"kind": "refund", "note": "x"}, "$50.00 is more than was paid: $0.00 came in"),
        ({"cents": "-5"}, "may not be negative"),
        ({"cents": ""}, "Enter an amount"),
        ({"cents": "9" * 10_000}, "too long for an amount"),
        ({"kind": ""}, "Choose which it is"),
        ({"kind": "theft"}, "Not a valid choice"),
        ({"means": "shells"}, "Not a valid choice"),
        ({"received_on": "2027-01-01"}, "has not come yet"),
        ({"received_on": "x"}, "Write the day as"),
        ({"note": "4111 1111 1111 1111"}, "Do not write card numbers here"),
        ({"note": "y" * 181}, "At most 180 characters"),
    ],
)
def test_a_refusal_has_the_figures_and_keeps_what_was_typed(
    work: Work, job: Job, client_as: ClientAs, changed: dict[str, str], says: str
) -> None:
    answer = client_as(Role.COUNTER).post("/jobs/1042/payments", data={**FORM, **changed})
    assert answer.status_code == 422 and says in answer.text
    assert 'value="2026-11-25"' in answer.text or "received_on" in changed
    assert paid(work) == []


def test_a_press_repeated_is_told(work: Work, job: Job, client_as: ClientAs) -> None:
    client = client_as(Role.COUNTER)
    client.post("/jobs/1042/payments", data=FORM)
    again = client.post("/jobs/1042/payments", data=FORM)
    assert again.status_code == 409 and "$50.00 deposit received" in again.text
    assert paid(work) == [5_000]


def test_the_bench_sees_no_money_and_no_job_has_none(work: Work, job: Job, client_as: ClientAs) -> None:
    bench, owner = client_as(Role.BENCH), client_as(Role.OWNER)
    for address in ("/jobs/1042/payments", "/jobs/1042/payments/1.pdf"):
        assert bench.get(address).status_code == 403
    assert bench.post("/jobs/1042/payments", data=FORM).status_code == 403
    for address in ("/jobs/9/payments", "/jobs/1042/payments/1.pdf", "/jobs/1042/payments/0.pdf"):
        assert owner.get(address).status_code == 404
    factories.JobFactory(number=1050)
    assert "nothing is due" in owner.get("/jobs/1050/payments").text


@pytest.mark.parametrize("stage", [Stage.LOST, Stage.CANCELED])
def test_nothing_is_due_for_a_job_that_came_to_nothing(
    work: Work, job: Job, client_as: ClientAs, stage: Stage
) -> None:
    client = client_as(Role.COUNTER)
    factories.JobLineFactory(job=job)
    assert client.post("/jobs/1042/payments", data=FORM).status_code == 303
    work.session.rollback()
    job.stage, job.deposit_cents = stage, 8_000
    work.session.commit()
    page = client.get("/jobs/1042").text
    assert "To pay" not in page and "Deposit still to come" not in page
    assert f'Received and not given back <span class="soft">the job is {stage.word}' in page
    page = client.get("/jobs/1042/payments").text
    assert "Left to pay" not in page and 'value="50.00"' in page
    assert f"The job is {stage.word}: nothing is due, and what was received was not given back yet." in page
    back = {**FORM, "kind": "refund", "note": "their deposit", "version": "2"}
    assert client.post("/jobs/1042/payments", data=back).status_code == 303
    assert f"The job is {stage.word}: nothing is due." in client.get("/jobs/1042/payments").text
    assert f'Nothing is due <span class="soft">the job is {stage.word}' in client.get("/jobs/1042").text


def test_what_was_put_on_account_is_told_as_owed_everywhere(work: Work, job: Job, client_as: ClientAs) -> None:
    factories.JobLineFactory(job=job)
    job.stage, job.agreed_cents, job.deposit_cents = Stage.HANDED_OVER, 10_725, 4_000
    work.session.commit()
    client, owner = client_as(Role.COUNTER), client_as(Role.OWNER)
    refused = client.post("/jobs/1042/payments", data={**FORM, "means": "on account", "note": "their order 8"})
    assert refused.status_code == 422 and "Not a valid choice" in refused.text
    assert 'value="their order 8"' in refused.text and "on account" not in client.get("/jobs/1042/payments").text
    factories.PaymentFactory(job_id=job.id, cents=10_725, means="on account")
    work.session.commit()
    page = client.get("/jobs/1042/payments").text
    assert "<dt>Paid</dt><dd>$0.00</dd>" in page and "<dt>Deposit asked</dt><dd>$40.00" in page
    assert "$40.00 still to come" in page
    assert '<dt>Left to pay</dt><dd><b>$107.25</b> <span class="soft">$107.25 of it on account' in page
    page = client.get("/jobs/1042").text
    assert "Put on account" in page and "Received" not in page and "Paid in full" not in page
    assert 'Nothing received; to pay <span class="soft">$107.25 of it on account' in page
    text = pdf_text(client.get("/jobs/1042/payments/1.pdf").data)
    for told in ("Put on account R-1042-1", "Owed by", "Nothing was received", "Left to pay", "Customer's signature"):
        assert told in text, told
    assert "We have received" not in text and text.count("$107.25") == 3 and text.count("$0.00") == 1
    day = owner.get("/day/owed").text
    assert "$107.25" in day and "Lantern Row Dental" in day
    paid_by_check = {**FORM, "kind": "payment", "cents": "107.25", "means": "check", "version": "2"}
    assert client.post("/jobs/1042/payments", data=paid_by_check).status_code == 303
    page = client.get("/jobs/1042").text
    assert "Paid in full" in page and "of it on account" not in page
    assert "Payment receipt R-1042-2" in pdf_text(client.get("/jobs/1042/payments/2.pdf").data)
    assert "$107.25" not in owner.get("/day/owed").text


def test_a_credit_on_account_has_a_paper_that_says_so(work: Work, job: Job, client_as: ClientAs) -> None:
    factories.JobLineFactory(job=job)
    job.stage, job.agreed_cents = Stage.HANDED_OVER, 10_000
    factories.PaymentFactory(job_id=job.id, cents=-725, means="on account", note="a ring back")
    work.session.commit()
    client = client_as(Role.COUNTER)
    text = pdf_text(client.get("/jobs/1042/payments/1.pdf").data)
    assert "Credit on account R-1042-1" in text and "No money changed hands" in text and "$100.00" in text
    assert "Let off the price on account" in client.get("/jobs/1042").text
