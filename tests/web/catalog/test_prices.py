"""Prices: set from a day on, read from a file with a list first; the owner alone."""

import csv
import io
import re
from datetime import date
from pathlib import Path

import pytest
import sqlalchemy as sa
from flask.testing import FlaskClient
from sqlalchemy.orm import Session
from werkzeug.test import TestResponse

from app.ledger.tables import Event, Item, PriceBookRow, Role
from app.spreadsheets import guarded_book_bytes
from tests.desk import upload
from tests.factories import PriceRowFactory, PriceTierFactory
from tests.forms_found import form_with

PRICES = (Path(__file__).resolve().parents[3] / "demo_data" / "prices.csv").read_bytes()
HEAD = "code,description,category,kind,price,cost,tier,quantity from,valid from\n"
ONE = {
    "tier": "",
    "quantity_from": "1",
    "unit_cents": "3.50",
    "cost_cents": "0.90",
    "valid_from": "2026-11-30",
}


def _upload(client: FlaskClient, content: bytes, name: str = "prices.csv") -> TestResponse:
    return upload(client, "/prices/import", content, name, first_day="2026-11-30")


@pytest.mark.parametrize("path", ["/prices/export.csv", "/prices/bench-terms", "/prices/factory-terms"])
def test_cost_is_for_the_owner_alone(client_as, path: str) -> None:
    for role in (Role.COUNTER, Role.BENCH):
        assert client_as(role).get(path).status_code == 403


def key_cut(session: Session) -> str:
    """Where a price of a cut key is set, which every house has as an item."""
    item = session.scalars(sa.select(Item.id).where(Item.code == "KEY-CUT")).one()
    session.rollback()
    return f"/prices/set?item={item}"


def test_a_price_starts_today_or_on_a_day_and_the_old_one_stands_until_then(
    owner_client: FlaskClient, session: Session
) -> None:
    row = PriceRowFactory(code="KEY-CUT", unit_cents=325, cost_cents=90)
    form = owner_client.get(f"/prices/set?row={row.id}").text
    assert 'value="2026-11-25"' in form and 'value="3.25"' in form
    assert owner_client.post(key_cut(session), data=ONE).status_code == 303
    rows = session.scalars(sa.select(PriceBookRow).order_by(PriceBookRow.valid_from)).all()
    assert [(each.valid_from.month, each.unit_cents) for each in rows] == [(1, 325), (11, 350)]
    event = session.scalar(sa.select(Event).where(Event.kind == "price set"))
    assert event is not None
    assert event.detail == {"unit_cents": 350, "cost_cents": 90, "valid_from": "2026-11-30", "before": None}


def test_two_owners_do_not_overwrite_each_other(owner_client: FlaskClient, session) -> None:
    PriceRowFactory(code="KEY-CUT", unit_cents=340, cost_cents=90, valid_from=date(2026, 11, 30))
    assert owner_client.post(key_cut(session), data=ONE).status_code == 409
    assert owner_client.post(key_cut(session), data={**ONE, "seen": "999/90"}).status_code == 409
    assert owner_client.post(key_cut(session), data={**ONE, "seen": "340/90"}).status_code == 303
    assert session.scalar(sa.select(PriceBookRow.unit_cents)) == 350


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"unit_cents": "abc"}, "This is not an amount in dollars"),
        ({"unit_cents": "-3"}, "An amount may not be negative"),
        ({"unit_cents": "9" * 60}, "too long for an amount"),
        ({"unit_cents": ""}, "Enter the price."),
        ({"quantity_from": "1.5"}, "Enter a whole number from 1 to 1,000,000."),
        ({"valid_from": "30.11."}, "Write the day as 2026-01-31."),
        ({"tier": "platinum"}, "There is no customer tier named platinum"),
        ({"cost_cents": "3.40"}, "Tick this to set it all the same."),
    ],
)
def test_bad_prices_are_refused_beside_their_field_and_kept(owner_client, session, typed, said) -> None:
    answer = owner_client.post(key_cut(session), data={**ONE, **typed})
    assert answer.status_code == 422
    assert said in answer.text
    assert "Key, blank and cutting" in answer.text
    assert session.scalar(sa.select(sa.func.count()).select_from(PriceBookRow)) == 0


def test_a_thin_margin_goes_on_record_when_it_is_meant(owner_client: FlaskClient, session) -> None:
    data = {**ONE, "cost_cents": "3.40", "is_thin_meant": "y"}
    assert owner_client.post(key_cut(session), data=data).status_code == 303
    assert session.scalar(sa.select(PriceBookRow.cost_cents)) == 340


def test_a_price_ends_and_a_coming_one_is_taken_back(owner_client: FlaskClient, session) -> None:
    row = PriceRowFactory(code="A", valid_from=date(2026, 1, 1))
    coming = PriceRowFactory(code="A", valid_from=date(2026, 12, 7))
    seen, coming_seen = (
        {"seen": re.search(r'name="seen"[^>]* value="([^"]*)"', owner_client.get(f"/prices/end/{one.id}").text)[1]}
        for one in (row, coming)
    )
    assert owner_client.post(f"/prices/end/{row.id}", data={**seen, "last_day": "2026-11-30"}).status_code == 303
    late = owner_client.post(f"/prices/end/{row.id}", data={**seen, "last_day": "2026-12-30"})
    assert late.status_code == 409  # somebody else ended it since this page was made
    seen["seen"] += "2026-11-30"
    assert owner_client.post(f"/prices/end/{row.id}", data={**seen, "last_day": "2025-11-30"}).status_code == 422
    blank = owner_client.post(f"/prices/end/{row.id}", data={"last_day": " "})
    assert blank.status_code == 422 and "Enter the last day." in blank.text
    taken = owner_client.post(f"/prices/end/{coming.id}", data={**coming_seen, "last_day": "2026-12-01"})
    assert taken.status_code == 303
    assert session.scalars(sa.select(PriceBookRow.valid_until)).all() == [date(2026, 11, 30)]
    session.commit()
    assert session.scalar(sa.select(sa.func.count()).select_from(Event).where(Event.kind == "price ended")) == 2


def test_a_file_is_listed_first_and_saved_only_on_the_word(owner_client: FlaskClient, session) -> None:
    PriceTierFactory(name="contract")
    PriceRowFactory(code="TRIP", description="Trip to the site", category="trip", kind="labour", unit_cents=8000)
    answer = _upload(owner_client, PRICES)
    assert answer.status_code == 200
    assert "Nothing is saved yet" in answer.text
    assert "$80.00" in answer.text and "<b>$85.00</b>" in answer.text
    assert session.scalar(sa.select(sa.func.count()).select_from(PriceBookRow)) == 1
    session.commit()
    assert owner_client.post("/prices/import/record", data=form_with(answer.text, "fingerprint")).status_code == 303
    count = len(list(csv.reader(io.StringIO(PRICES.decode())))) - 1
    assert session.scalar(sa.select(sa.func.count()).select_from(PriceBookRow)) == count + 1
    event = session.scalar(sa.select(Event).where(Event.kind == "prices set"))
    assert ["TRIP", "", 1, "2026-11-30", [8000, 80], [8500, 3200]] in event.detail["changes"]
    again = owner_client.post("/prices/import/record", data=form_with(answer.text, "fingerprint"))
    assert again.status_code == 400 and "not kept any more" in again.text


def test_a_list_that_is_out_of_date_is_not_saved(owner_client: FlaskClient, session) -> None:
    answer = _upload(owner_client, (HEAD + "A,Thing,misc,goods,2,1,,1,\n").encode())
    PriceRowFactory(code="A", unit_cents=150, valid_from=date(2026, 2, 1))
    stale = owner_client.post("/prices/import/record", data=form_with(answer.text, "fingerprint"))
    assert stale.status_code == 409
    assert "changed since this list was made" in stale.text
    assert session.scalar(sa.select(sa.func.count()).select_from(PriceBookRow)) == 1


def test_a_file_waits_for_its_sender_alone(client_as, owner_client: FlaskClient, session) -> None:
    from tests.factories import FormClient, UserFactory

    answer = _upload(owner_client, (HEAD + "A,Thing,misc,goods,2,1,,1,\n").encode())
    other = FormClient(owner_client.application)
    other.log_in(UserFactory(role=Role.OWNER))
    assert other.post("/prices/import/record", data=form_with(answer.text, "fingerprint")).status_code == 400
    for token in ("../../etc/passwd", "x" * 24, ""):
        data = {**form_with(answer.text, "fingerprint"), "token": token}
        assert owner_client.post("/prices/import/record", data=data).status_code == 400


def test_every_problem_of_a_file_is_listed_by_row_and_column(owner_client: FlaskClient, session) -> None:
    rows = "A,Thing,misc,goods,2,1,,1,\nB,Thing,misc,gold,2,1,,1,\n\nC,,misc,goods,-2,1.005,,0,tomorrow\n"
    answer = _upload(owner_client, (HEAD + rows).encode())
    assert answer.status_code == 422
    for where in ("row 3, kind", "row 5, description", "row 5, price", "row 5, cost", "row 5, quantity from"):
        assert where in answer.text
    assert "6 problems in the file. Nothing was saved." in answer.text
    twice = _upload(
        owner_client, (HEAD + "A,T,m,goods,2,1,,1,\n\nA,T,m,goods,3,1,gold,1,\nA,T,m,goods,3,1,,1,\n").encode()
    )
    assert "row 4, tier" in twice.text and "row 5, code" in twice.text
    assert session.scalar(sa.select(sa.func.count()).select_from(PriceBookRow)) == 0


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("prices.pdf", b"%PDF-1.7", "no PDF that can be read"),
        ("prices.csv", b"%PDF-1.7", "no CSV file"),
        ("prices.xlsx", b"PK\x03\x04rubbish", "no XLSX workbook"),
        ("prices.csv", "code,description\nA,Höhe".encode("latin-1"), "not in UTF-8"),
        ("prices.csv", b"", "This file is empty."),
        ("prices.xlsm", b"PK", "can hold macros"),
        ("<script>.csv", b"x", "There is no column"),
    ],
)
def test_files_that_are_no_price_list_are_refused(owner_client: FlaskClient, name, content, said) -> None:
    answer = _upload(owner_client, content, name)
    assert answer.status_code == 422
    assert said in answer.text.replace("&#39;", "'")
    assert "<script>.csv" not in answer.text


def test_too_large_a_file_is_refused_before_it_is_read(owner_client: FlaskClient) -> None:
    kind = "multipart/form-data; boundary=x"
    answer = owner_client.post("/prices/import", data=b"x" * (17 << 20), content_type=kind, csrf=False)
    assert answer.status_code == 413
    assert owner_client.get("/goods").status_code == 200


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_what_is_saved_to_a_file_reads_back_to_the_same(owner_client: FlaskClient, session, kind: str) -> None:
    PriceTierFactory(name="trade")
    PriceRowFactory(code="A", description="=1+1", unit_cents=123456789, cost_cents=5, valid_from=date(2026, 2, 3))
    PriceRowFactory(code="B", tier="trade", quantity_from=25)
    answer = owner_client.get(f"/prices/export.{kind}")
    assert answer.status_code == 200
    again = _upload(owner_client, answer.data, f"book.{kind}")
    assert "0 new or changed, 2 as they are" in again.text


def test_a_prices_last_day_goes_into_the_file_and_comes_back(owner_client: FlaskClient, session) -> None:
    def ends() -> dict[str, date | None]:
        session.rollback()
        return dict(session.execute(sa.select(PriceBookRow.code, PriceBookRow.valid_until)).all())

    def record(rows: str, head: str = HEAD.strip() + ",valid until\n") -> str:
        page = _upload(owner_client, (head + rows).encode()).text
        assert owner_client.post("/prices/import/record", data=form_with(page, "fingerprint")).status_code == 303
        return page

    for code in "AB":
        PriceRowFactory(code=code, description="T", valid_from=date(2026, 2, 3), valid_until=date(2026, 12, 24))
    sheet = owner_client.get("/prices/export.csv").data.decode("utf-8-sig").splitlines()
    assert sheet[0].endswith(",valid from,valid until") and sheet[1].endswith(",2026-02-03,2026-12-24")
    page = record("A,T,m,goods,7.00,1.00,,1,2026-02-03,2027-01-31\nB,T,m,goods,7.00,1.00,,1,2026-02-03,\n")
    assert "until 31 Jan 2027" in page and "without end now" in page
    assert ends() == {"A": date(2027, 1, 31), "B": None}
    record("A,T,m,goods,8.00,1.00,,1,2026-02-03\n", HEAD)
    assert ends()["A"] == date(2027, 1, 31)  # a file that does not speak of ends leaves them
    wrong = _upload(
        owner_client, (HEAD.strip() + ",valid until\nA,T,m,goods,8,1,,1,2026-02-03,2026-02-02\n").encode()
    )
    assert wrong.status_code == 422 and "row 2, valid until" in wrong.text


def test_a_formula_is_text_and_never_run(owner_client: FlaskClient) -> None:
    rows = [HEAD.strip().split(","), ["A", "=1+1", "misc", "goods", "2.00", "1.00", "", "1", "2026-12-01"]]
    answer = _upload(owner_client, guarded_book_bytes([("Prices", rows)]), "p.xlsx")
    assert answer.status_code in (200, 422)
    assert ">2<" not in answer.text


def test_what_people_typed_never_becomes_markup(owner_client: FlaskClient) -> None:
    row = PriceRowFactory(code="<b>X</b>", description="<script>x</script>", category="<i>c</i>", tier="<u>t</u>")
    for path in ("/goods", "/goods?q=<b>X</b>", f"/prices/set?row={row.id}", f"/prices/end/{row.id}"):
        page = owner_client.get(path).text
        for markup in ("<b>X", "<script>x", "<i>c", "<u>t"):
            assert markup not in page


def test_prices_of_a_file_hold_from_today(client_as) -> None:
    page = client_as(Role.OWNER).get("/prices/import").text
    assert re.search(r'<input [^>]*name="first_day"[^>]*value="2026-11-25"', page)
