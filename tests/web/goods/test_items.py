"""The book of goods: the list, an item, what is added and priced, as counter, bench and owner have them."""

import json
from collections.abc import Callable
from datetime import timedelta
from html import unescape
from pathlib import Path

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.catalog.makers import import_maker
from app.ledger.stock.movements import quantity_of
from app.ledger.store.work import Work
from app.ledger.tables import Item, ItemKind, MovementKind, PriceBookRow, Role
from tests import factories
from tests.conftest import NOW
from tests.factories import FormClient
from tests.forms_found import form_with

ARDENT = Path(__file__).resolve().parents[3] / "demo_data" / "makers" / "ardent_brass.json"
ClientAs = Callable[[Role | None], FormClient]


def _item(code: str, on_hand: int | None, reserved: int = 0, **others: object) -> Item:
    item: Item = factories.ItemFactory(code=code, **others)
    if on_hand is not None:
        factories.StockMovementFactory(item_id=item.id, on_hand=on_hand)
    if reserved:
        factories.StockMovementFactory(item_id=item.id, kind=MovementKind.RESERVED, on_hand=0, reserved=reserved)
    return item


def test_a_barcode_reader_finds_the_item_and_enter_counts_it(work: Work, client_as: ClientAs) -> None:
    client, item = client_as(Role.COUNTER), _item("HINGE-4", 12, 5, barcode="0400638", bin="C-4")
    _item("HINGE-5", 3)
    found = client.get("/goods?q=0400638")
    assert found.status_code == 303 and found.location == f"/goods/{item.id}"
    page = client.get(found.location).text
    assert "<b>12</b>" in page and "<b>7</b>" in page and "Scrap" not in page and "Cost" not in page
    mark = page.split('name="mark" value="')[1].split('"')[0]
    form = {"quantity": "11", "place_id": "1", "mark": mark, "deed": "count"}
    assert client.post(found.location, data=form).status_code == 303
    assert quantity_of(work.session, item.id).on_hand == 11
    stale = client.post(found.location, data=form)
    assert stale.status_code == 422 and "11 on hand now" in stale.text
    assert client.post(f"{found.location}/away", data={**form, "deed": "scrap", "why": "bent"}).status_code == 403


def test_a_barcode_with_a_wrong_check_digit_is_asked_about_once(client_as: ClientAs) -> None:
    """036000291452 with its last two digits changed over; what is kept all the same is not asked about again."""
    client, item = client_as(Role.OWNER), _item("HINGE-4", None)
    address = f"/goods/{item.id}/edit"
    page = client.get(address).text
    assert "Keep this barcode as it is" not in page
    form = {
        "version": "1",
        "code": "HINGE-4",
        "kind": "goods",
        "words": "Hinge",
        "barcode": "036000291425",
        "cost_cents": "1.00",
        "pack_size": "1",
    }
    asked = client.post(address, data=form)
    assert asked.status_code == 422 and "The check digit of 036000291425 would be 1, not 5" in asked.text
    assert 'value="036000291425"' in asked.text and "Keep this barcode as it is" in asked.text
    kept = client.post(address, data={**form, "is_barcode_meant": "y"})
    assert kept.status_code == 303
    again = client.post(address, data={**form, "version": "2", "words": "Butt hinge"})
    assert again.status_code == 303
    right = client.post(address, data={**form, "version": "3", "barcode": "036000291452"})
    assert right.status_code == 303


def test_an_item_says_what_reorder_point_its_use_of_a_year_asks_for(client_as: ClientAs) -> None:
    """Counted first ten working days ago; 30 went out since, 3 a day, so 15 in the five days of an order. What
    a count lacked did not go out.
    """
    item = factories.ItemFactory(code="USED", lead_days=5)
    for days, kind, count in ((14, "counted", 90), (7, "sold", -20), (1, "used", -10), (1, "counted", -9)):
        at = NOW - timedelta(days=days)
        factories.StockMovementFactory(item_id=item.id, kind=MovementKind(kind), on_hand=count, at=at)
    page = client_as(Role.OWNER).get(f"/goods/{item.id}").text
    assert "30 pieces went out in 10 working days" in page
    assert "while an order of 5 working days is on its way go 15: reorder at that many" in page
    fresh = factories.ItemFactory(code="FRESH", lead_days=5)
    factories.StockMovementFactory(item_id=fresh.id, on_hand=90)
    assert "went out in" not in client_as(Role.OWNER).get(f"/goods/{fresh.id}").text


def test_the_list_is_filtered_by_words_kind_place_and_reorder_point(client_as: ClientAs) -> None:
    client = client_as(Role.OWNER)
    _item("LOW", 10, 4, reorder_point=6)  # 6 are free
    _item("ENOUGH", 10, 3, reorder_point=6)
    _item("UNCOUNTED", None, reorder_point=6)
    _item("RING-1", 5, kind=ItemKind.RING, words="Collar ring 100% brass")
    shown = {
        "shown=below": {"LOW"},
        "shown=counted": {"LOW", "ENOUGH", "RING-1"},
        "kind=ring": {"RING-1"},
        "q=100%25+collar": {"RING-1"},
        "place=1": {"LOW", "ENOUGH", "RING-1"},
        "q=nothing-like-it": set(),
    }
    for asked, codes in shown.items():
        page = client.get(f"/goods?{asked}").text
        assert {code for code in ("LOW", "ENOUGH", "UNCOUNTED", "RING-1") if f">{code}</a>" in page} == codes, asked


def test_pins_are_for_the_bench_and_the_owner(work: Work, client_as: ClientAs) -> None:
    spec = factories.SpecFactory()
    pin = _item("S1 top 03", 40, kind=ItemKind.PIN, spec_id=spec.id, pin_kind="top", pin_size=3)
    assert ">S1 top 03</a>" in client_as(Role.BENCH).get("/goods?kind=pin").text
    counter = client_as(Role.COUNTER)
    assert all(
        ">S1 top 03</a>" not in counter.get(address).text for address in ("/goods?kind=pin", "/goods?q=S1+top+03")
    )
    assert counter.get(f"/goods/{pin.id}").status_code == 404
    assert counter.get("/stock/pins").status_code == 403


def test_an_item_is_added_with_its_own_price_once_and_a_thin_margin_is_asked_about(
    client_as: ClientAs, session: Session
) -> None:
    """Sold at $10.00 what costs $8.50 leaves 15 %, under the house's 20."""
    owner = client_as(Role.OWNER)
    form = {"code": "CLOSER-1", "words": "Door closer", "kind": "goods", "maker_id": "", "pack_size": "1"}
    form |= {"price_cents": "10.00", "cost_cents": "8.50", "bin": "C-4", "reorder_point": "2"}
    asked = owner.post("/goods/new", data=form)
    assert asked.status_code == 422 and "Only 15.0 % is left after cost" in asked.text
    assert not session.scalars(sa.select(Item).where(Item.code == "CLOSER-1")).all()
    session.commit()
    made = owner.post("/goods/new", data={**form, "is_thin_meant": "y"})
    page = owner.get(made.location).text
    assert "<b>$10.00</b>" in page and "$8.50" in page and "from 25 Nov 2026" in page
    again = owner.post("/goods/new", data=form)
    assert again.status_code == 422 and "CLOSER-1 is in the book already" in again.text
    clerk = client_as(Role.COUNTER)
    seen = clerk.get(made.location).text
    assert "<b>$10.00</b>" in seen and "$8.50" not in seen
    assert clerk.get("/goods/new").status_code == 403
    address = f"{made.location}/edit"
    sent = form_with(owner.get(address).text, "words") | {"price_cents": "12.00"}
    assert owner.post(address, data=sent).status_code == 303
    prices = session.scalars(sa.select(PriceBookRow.unit_cents).where(PriceBookRow.code == "CLOSER-1")).all()
    assert prices == [1200]  # of one day: the later one counts
    renamed = owner.post(address, data={**sent, "code": "CLOSER-2", "version": "2"})
    assert renamed.status_code in (409, 422)


def test_the_houses_own_are_there_from_the_start_and_get_their_prices_on_one_page(
    client_as: ClientAs, session: Session
) -> None:
    owner = client_as(Role.OWNER)
    page = unescape(owner.get("/goods?shown=unpriced").text)
    assert "32 items without a price" in page
    assert "Keying a cylinder under a master" in unescape(owner.get("/goods?shown=unpriced&q=master").text)
    ids = dict(session.execute(sa.select(Item.code, Item.id).where(Item.code.in_(("KEYING-MK", "TRIP")))).all())
    mk, trip = (f"price-{ids[code]}" for code in ("KEYING-MK", "TRIP"))
    wrong = owner.post("/goods/prices", data={mk: "12.00", trip: "85,5x", "shown": "unpriced"})
    assert wrong.status_code == 422 and 'value="85,5x"' in wrong.text and 'value="12.00"' in wrong.text
    assert session.scalar(sa.select(sa.func.count()).select_from(PriceBookRow)) == 0
    session.commit()
    saved = owner.post("/goods/prices", data={mk: "12.00", trip: "85.00", "shown": "unpriced"})
    assert saved.status_code == 303
    session.rollback()
    rows = session.execute(sa.select(PriceBookRow.code, PriceBookRow.unit_cents, PriceBookRow.valid_from)).all()
    assert sorted(tuple(row) for row in rows) == [("KEYING-MK", 1200, NOW.date()), ("TRIP", 8500, NOW.date())]
    assert "30 items without a price" in owner.get("/goods?shown=unpriced").text


def test_a_makers_number_is_read_by_its_pattern(client_as: ClientAs, work: Work) -> None:
    maker = import_maker(work, json.loads(ARDENT.read_text("utf-8")))
    owner = client_as(Role.OWNER)
    form = {"words": "Mortise cylinder", "kind": "part", "maker_id": str(maker.id), "pack_size": "1"}
    bad = owner.post("/goods/new", data={**form, "code": "A18M-ZZ-66"})
    assert bad.status_code == 422 and "A18M-ZZ-66" in bad.text
    assert work.session.scalar(sa.select(Item.id).where(Item.code == "A18M-ZZ-66")) is None
    work.session.commit()
    twice = owner.post("/goods/new", data={**form, "code": "a18m-q1-66.sc", "list_cents": "40.00"})
    assert twice.status_code == 422 and "A18M-Q1-66.SC is in the book already" in twice.text
