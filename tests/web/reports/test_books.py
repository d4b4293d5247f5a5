"""The house's books: issued quotes, closed jobs and payments as CSV, on the page and from the command."""

import csv
import io
import re
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from html import unescape

import pytest
import sqlalchemy as sa
from click.testing import CliRunner
from sqlalchemy.orm import Session

from app.cli import main
from app.config import Config
from app.ledger.reports.books import BOOKS
from app.ledger.tables import Customer, Cylinder, Job, QuoteRevision, Role, Stage
from tests import factories
from tests.conftest import NOW
from tests.desk import accepted, quoted
from tests.factories import FormClient
from tests.reading import pdf_text
from tests.stocked import HARDWARE, MORTISE, empty_house

__all__ = ["empty_house"]

ClientAs = Callable[[Role], FormClient]
SPAN = "first=2026-11-01&last=2026-11-30"


@pytest.fixture
def owned(client_as: ClientAs) -> FormClient:
    return client_as(Role.OWNER)


def table(client: FormClient, name: str, span: str = SPAN) -> list[dict[str, str]]:
    answer = client.get(f"/house/books/{name}.csv?{span}")
    assert answer.status_code == 200 and answer.mimetype == "text/csv"
    return list(csv.DictReader(io.StringIO(answer.data.decode("utf-8-sig"))))


def closed_job(owned: FormClient, session: Session) -> Job:
    """A job quoted, accepted, paid in part with some given back, and closed."""
    accepted(owned, quoted(owned, dict(MORTISE), dict(HARDWARE)))

    def version() -> int:
        session.rollback()
        return session.scalars(sa.select(Job.version)).one()

    for there, (kind, amount, note) in enumerate((("payment", "40.00", ""), ("refund", "7.25", "too much")), start=1):
        form = {"kind": kind, "cents": amount, "means": "cash", "received_on": "2026-11-25", "note": note}
        answer = owned.post("/jobs/1001/payments", data={**form, "version": there})
        assert answer.status_code == 303, unescape(answer.text)
    assert owned.post("/jobs/1001/move", data={"version": version(), "to": "on the bench"}).status_code == 303
    cylinders = session.scalars(sa.select(Cylinder.id)).all()
    for how in ("pinned", "checked"):
        assert owned.post("/bench/jobs/1001/ticks", data={"as": how, "cylinders": cylinders}).status_code == 303
    for stage in (Stage.CHECKED, Stage.READY, Stage.HANDED_OVER, Stage.CLOSED):
        told = re.search(r'name="known" id="known" value="([^"]+)"', owned.get("/jobs/1001").text)
        handing = {"taken_by": "R. Teal", "known": told[1] if told else ""}
        sent = {"version": version(), "to": stage.value, "reason": "as agreed", **handing}
        way = "hand-overs" if stage is Stage.HANDED_OVER else "move"
        moved = owned.post(f"/jobs/1001/{way}", data=sent)
        assert moved.status_code == 303
    session.rollback()
    return session.scalars(sa.select(Job)).one()


def test_only_the_owner_opens_the_books(client_as: ClientAs) -> None:
    for role in (Role.COUNTER, Role.BENCH):
        assert client_as(role).get("/house/books").status_code == 403
        assert client_as(role).get(f"/house/books/quotes.csv?{SPAN}").status_code == 403


def test_each_book_adds_up_and_agrees_with_the_record(owned: FormClient, session: Session) -> None:
    job = closed_job(owned, session)
    assert job.stage is Stage.CLOSED
    revision = session.scalars(sa.select(QuoteRevision)).one()
    (quote,) = table(owned, "quotes")
    assert (quote["quote"], quote["revision"], quote["issued"]) == ("1001", "1", "2026-11-25")
    assert quote["tax place"] == "Saltmarsh"
    parts = Decimal(quote["goods"]) + Decimal(quote["labor"]) + Decimal(quote["tax"])
    assert parts == Decimal(quote["total"]) == Decimal(revision.total_cents) / 100
    (closed,) = table(owned, "jobs")
    assert (closed["job"], closed["quote"], closed["closed"]) == ("1001", "Q-1001-1", NOW.date().isoformat())
    assert Decimal(closed["subtotal"]) - Decimal(closed["cost"]) == Decimal(closed["margin"])
    assert Decimal(closed["cost"]) * 100 == revision.cost_cents
    payments = table(owned, "payments")
    assert [(row["payment"], row["amount"]) for row in payments] == [("R-1001-1", "40.00"), ("R-1001-2", "-7.25")]
    assert closed["off the price"] == "0.00"
    back = {"kind": "refund off the price", "cents": "2.75", "means": "cash", "received_on": "2026-11-25"}
    assert owned.post("/jobs/1001/payments", data={**back, "note": "brought back", "version": 3}).status_code == 303
    (after,) = table(owned, "jobs")
    assert (after.pop("off the price"), closed.pop("off the price")) == ("2.75", "0.00") and after == closed
    assert [row["amount"] for row in table(owned, "payments")] == ["40.00", "-7.25", "-2.75"]


def test_a_quote_without_a_discount_speaks_of_none(owned: FormClient, session: Session) -> None:
    closed_job(owned, session)
    (quote,) = table(owned, "quotes")
    assert quote["discount"] == "0.00"
    printed = pdf_text(owned.get("/quotes/1001/1/quote.pdf").data)
    assert "Each line is rounded to the cent, and its tax is rounded to the cent" in printed
    for told in (printed, owned.get("/quotes/1001/1").text):
        assert "discount" not in told.lower()


def test_what_was_put_on_account_is_no_payment_of_the_books(owned: FormClient, session: Session) -> None:
    closed_job(owned, session)
    job = session.scalars(sa.select(Job).where(Job.number == 1001)).one()
    factories.PaymentFactory(job_id=job.id, cents=500, means="on account", received_on=date(2026, 11, 25))
    cash = {"kind": "payment", "cents": "2.50", "means": "cash", "received_on": "2026-11-25", "version": 4}
    assert owned.post("/jobs/1001/payments", data=cash).status_code == 303
    came = [(row["payment"], row["method"], row["amount"]) for row in table(owned, "payments")]
    assert came == [("R-1001-1", "cash", "40.00"), ("R-1001-2", "cash", "-7.25"), ("R-1001-4", "cash", "2.50")]


def test_days_outside_are_left_out_and_bad_days_are_named(owned: FormClient, session: Session) -> None:
    closed_job(owned, session)
    for name in ("quotes", "jobs", "payments"):
        assert table(owned, name, "first=2026-11-26&last=2026-11-30") == []
        assert table(owned, name, "first=2026-11-01&last=2026-11-24") == []
        assert len(table(owned, name, "first=2026-11-25&last=2026-11-25")) == (2 if name == "payments" else 1)
    for span, said in (
        ("first=2026-11-30&last=2026-11-01", "The last day is before the first"),
        ("first=1900-01-01&last=2026-11-01", "At most 20 years"),
        ("first=soon", "Write the day as"),
        (f"first={'9' * 10_000}", "Write the day as"),
    ):
        page = owned.get(f"/house/books?{span}")
        assert page.status_code == 422 and said in unescape(page.text)
        assert owned.get(f"/house/books/quotes.csv?{span}&last=2026-11-01").status_code in (400, 422)
    assert owned.get(f"/house/books/secrets.csv?{SPAN}").status_code == 404


def test_the_page_explains_every_column(owned: FormClient) -> None:
    page = unescape(owned.get("/house/books").text)
    for column in (column for book in BOOKS for column in book.columns):
        assert f"<dt>{column.name}</dt><dd>{column.what}</dd>" in page


def test_a_customer_named_like_a_formula_stays_text(owned: FormClient, session: Session) -> None:
    closed_job(owned, session)
    session.execute(
        sa.update(Customer)
        .where(Customer.id == session.scalars(sa.select(Job.customer_id)).one())
        .values(name='=HYPERLINK("x")')
    )
    session.commit()
    assert table(owned, "payments")[0]["customer"] == '\'=HYPERLINK("x")'


def test_the_command_writes_what_the_page_saves(
    owned: FormClient, session: Session, config: Config, tmp_path
) -> None:
    closed_job(owned, session)
    environment = {"BITTERN_INSTANCE": str(config.instance), "BITTERN_DATABASE_URL": config.database_url}
    out = tmp_path / "payments.csv"
    words = ["books", "payments", "--from", "2026-11-01", "--to", "2026-11-30", "-o", str(out)]
    answer = CliRunner().invoke(main, words, env=environment)
    assert answer.exit_code == 0, answer.output
    assert out.read_bytes() == owned.get(f"/house/books/payments.csv?{SPAN}").data
    refused = CliRunner().invoke(main, ["books", "jobs", "--from", "x", "--to", "2026-11-30"], env=environment)
    assert refused.exit_code == 2 and "Write the day" in refused.output
    helped = CliRunner().invoke(main, ["books", "quotes", "--help"])
    assert all(column.what in " ".join(helped.output.split()) for column in BOOKS[0].columns)
