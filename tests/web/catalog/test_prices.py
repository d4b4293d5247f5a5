"""Prices: set from a day on, read from a file with a list first; the owner alone."""

import re
from datetime import date
from pathlib import Path

import pytest
import sqlalchemy as sa
from flask.testing import FlaskClient
from sqlalchemy.orm import Session

from app.ledger.tables import Event, Item, PriceBookRow, Role
from tests.factories import PriceRowFactory

PRICES = (Path(__file__).resolve().parents[3] / "demo_data" / "prices.csv").read_bytes()
HEAD = "code,description,category,kind,price,cost,tier,quantity from,valid from\n"
ONE = {
    "tier": "",
    "quantity_from": "1",
    "unit_cents": "3.50",
    "cost_cents": "0.90",
    "valid_from": "2026-11-30",
}


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


@pytest.mark.postgresql
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


@pytest.mark.postgresql
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


@pytest.mark.postgresql
def test_what_people_typed_never_becomes_markup(owner_client: FlaskClient) -> None:
    row = PriceRowFactory(code="<b>X</b>", description="<script>x</script>", category="<i>c</i>", tier="<u>t</u>")
    for path in ("/goods", "/goods?q=<b>X</b>", f"/prices/set?row={row.id}", f"/prices/end/{row.id}"):
        page = owner_client.get(path).text
        for markup in ("<b>X", "<script>x", "<i>c", "<u>t"):
            assert markup not in page
