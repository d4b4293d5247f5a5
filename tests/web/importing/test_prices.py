"""A price file goes in: shown first, from the day that is said; the same book once more changes nothing."""

import csv
import io
from datetime import date
from pathlib import Path

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.tables import Event, PriceBookRow
from tests.desk import upload
from tests.factories import FormClient, PriceRowFactory, PriceTierFactory
from tests.forms_found import form_with
from tests.web.importing.test_customers import action_of, follow, send

PRICES = (Path(__file__).resolve().parents[3] / "demo_data" / "prices.csv").read_bytes()
HEAD = "code,description,category,kind,price,cost,tier,quantity from,valid from\n"


def count(session: Session) -> int:
    session.rollback()
    return session.scalar(sa.select(sa.func.count()).select_from(PriceBookRow)) or 0


def test_a_file_is_shown_first_and_holds_from_the_day_that_is_said(
    owner_client: FormClient, session: Session
) -> None:
    for name in ("contract", "trade"):
        PriceTierFactory(name=name)
    PriceRowFactory(code="TRIP", unit_cents=8000, cost_cents=80)
    shown = send(owner_client, PRICES, "prices.csv", "prices")
    assert "Nothing is saved yet" in shown and "holds from 25 Nov 2026" in shown and count(session) == 1
    address = action_of(shown).removesuffix("/save")
    asked = owner_client.get(address + "/columns").text
    answer = owner_client.post(address + "/columns", data=form_with(asked, "sender") | {"first_day": "2026-11-30"})
    changed = follow(owner_client, answer.headers["Location"] + "?show=changed")
    assert "<del>$80.00</del> → $85.00" in changed
    saved = owner_client.post(action_of(changed), data=form_with(changed, "seal"))
    assert "Which open quotes and orders" in owner_client.get(saved.headers["Location"]).text
    assert count(session) == len(list(csv.reader(io.StringIO(PRICES.decode())))) - 1 + 1
    event = session.scalar(sa.select(Event).where(Event.kind == "prices set"))
    assert event is not None and ["TRIP", "", 1, "2026-11-30", [8000, 80], [8500, 3200]] in event.detail["changes"]


def test_a_plan_that_is_out_of_date_is_not_saved_and_waits_for_its_sender_alone(
    owner_client: FormClient, clerk: FormClient, session: Session
) -> None:
    shown = send(owner_client, (HEAD + "A,Thing,misc,goods,2,1,,1,\n").encode(), "p.csv", "prices")
    assert clerk.post(action_of(shown), data=form_with(shown, "seal")).status_code == 400
    PriceRowFactory(code="A", unit_cents=150, valid_from=date(2026, 2, 1))
    assert owner_client.post(action_of(shown), data=form_with(shown, "seal")).status_code == 409
    assert count(session) == 1


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_what_is_saved_to_a_file_reads_back_to_the_same(owner_client: FormClient, kind: str) -> None:
    PriceTierFactory(name="trade")
    PriceRowFactory(code="A", description="=1+1", unit_cents=123456789, cost_cents=5, valid_from=date(2026, 2, 3))
    PriceRowFactory(code="B", tier="trade", quantity_from=25)
    again = owner_client.get(f"/prices/export.{kind}").data
    assert "Everything in this table is saved already" in send(owner_client, again, f"book.{kind}", "prices")


def test_a_prices_last_day_comes_with_its_file_alone(owner_client: FormClient, session: Session) -> None:
    def ends() -> dict[str, date | None]:
        session.rollback()
        return dict(session.execute(sa.select(PriceBookRow.code, PriceBookRow.valid_until)).all())

    def saved(rows: str, head: str = HEAD.strip() + ",valid until\n") -> str:
        page = send(owner_client, (head + rows).encode(), "p.csv", "prices")
        assert owner_client.post(action_of(page), data=form_with(page, "seal")).status_code == 303
        return page

    for code in "AB":
        PriceRowFactory(code=code, description="T", valid_from=date(2026, 2, 3), valid_until=date(2026, 12, 24))
    page = saved("A,T,m,goods,7.00,1.00,,1,2026-02-03,2027-01-31\nB,T,m,goods,7.00,1.00,,1,2026-02-03,\n")
    assert "2027-01-31" in page and "Without end now" in page and ends() == {"A": date(2027, 1, 31), "B": None}
    saved("A,T,m,goods,8.00,1.00,,1,2026-02-03\n", HEAD)
    assert ends()["A"] == date(2027, 1, 31)  # a file that does not speak of ends leaves them


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("prices.csv", b"%PDF-1.7", "no CSV file"),
        ("prices.xlsx", b"PK\x03\x04rubbish", "no XLSX workbook"),
        ("prices.csv", b"", "This file is empty."),
        ("prices.xlsm", b"PK", "can hold macros"),
        ("<script>.csv", b"code\n", "There is no row in this"),
    ],
)
def test_files_that_are_no_table_are_refused(owner_client: FormClient, name: str, content: bytes, said: str) -> None:
    answer = upload(owner_client, "/imports", content, name, kind="prices")
    assert answer.status_code == 422 and said in answer.text and "<script>.csv" not in answer.text


def test_too_large_a_file_is_refused_before_it_is_read(owner_client: FormClient) -> None:
    kind = "multipart/form-data; boundary=x"
    assert owner_client.post("/imports", data=b"x" * (17 << 20), content_type=kind, csrf=False).status_code == 413
