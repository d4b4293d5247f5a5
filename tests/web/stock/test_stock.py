"""The pages of stock: the list, an item, a count, as counter, bench and owner have them."""

from collections.abc import Callable
from datetime import timedelta
from io import BytesIO

import sqlalchemy as sa

from app.ledger.stock.movements import quantity_of
from app.ledger.store.work import Work
from app.ledger.tables import Item, ItemKind, MovementKind, Role, StockCount, StockMovement
from tests import factories
from tests.conftest import NOW
from tests.factories import FormClient
from tests.reading import pdf_text

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
    found = client.get("/stock?q=0400638")
    assert found.status_code == 303 and found.location == f"/stock/items/{item.id}"
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
    address = f"/stock/items/{item.id}/edit"
    page = client.get(address).text
    assert "Keep this barcode as it is" not in page
    form = {"version": "1", "words": "Hinge", "barcode": "036000291425", "cost_cents": "1.00", "pack_size": "1"}
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
    page = client_as(Role.OWNER).get(f"/stock/items/{item.id}").text
    assert "30 pieces went out in 10 working days" in page
    assert "while an order of 5 working days is on its way go 15: reorder at that many" in page
    fresh = factories.ItemFactory(code="FRESH", lead_days=5)
    factories.StockMovementFactory(item_id=fresh.id, on_hand=90)
    assert "went out in" not in client_as(Role.OWNER).get(f"/stock/items/{fresh.id}").text


def test_the_list_is_filtered_by_words_kind_place_and_reorder_point(client_as: ClientAs) -> None:
    client = client_as(Role.OWNER)
    _item("LOW", 10, 4, reorder_point=6)  # 6 are free
    _item("ENOUGH", 10, 3, reorder_point=6)
    _item("UNCOUNTED", None, reorder_point=6)
    _item("RING-1", 5, kind=ItemKind.RING, words="Collar ring 100% brass")
    shown = {
        "": {"LOW", "ENOUGH", "UNCOUNTED", "RING-1"},
        "below=yes": {"LOW"},
        "kind=ring": {"RING-1"},
        "q=100%25+collar": {"RING-1"},
        "place=1": {"LOW", "ENOUGH", "RING-1"},
        "q=nothing-like-it": set(),
    }
    for asked, codes in shown.items():
        page = client.get(f"/stock?{asked}").text
        assert {code for code in ("LOW", "ENOUGH", "UNCOUNTED", "RING-1") if f">{code}</a>" in page} == codes, asked
    assert "never counted" in client.get("/stock").text


def test_pins_are_for_the_bench_and_the_owner(work: Work, client_as: ClientAs) -> None:
    spec = factories.SpecFactory()
    pin = _item("S1 top 03", 40, kind=ItemKind.PIN, spec_id=spec.id, pin_kind="top", pin_size=3)
    assert ">S1 top 03</a>" in client_as(Role.BENCH).get("/stock").text
    counter = client_as(Role.COUNTER)
    assert all(">S1 top 03</a>" not in counter.get(address).text for address in ("/stock", "/stock?q=S1+top+03"))
    assert counter.get(f"/stock/items/{pin.id}").status_code == 404
    assert counter.get("/stock/pins").status_code == 403


def test_a_count_is_typed_scanned_asked_and_saved(work: Work, client_as: ClientAs) -> None:
    client = client_as(Role.COUNTER)
    items = [_item(f"T-{number}", number, bin="T-1", cost_cents=300) for number in (5, 6, 7)]
    begun = client.post("/stock/counts", data={"place": "1", "bin": "T-", "deed": "some"})
    address = begun.location
    assert begun.status_code == 303 and address.startswith("/stock/counts/")
    page = client.get(address).text
    assert page.index(">T-5<") < page.index(">T-6<") and 'name="item-' in page
    factories.StockMovementFactory(item_id=items[1].id, kind=MovementKind.SOLD, on_hand=-2)
    boxes = {f"item-{item.id}": str(count) for item, count in zip(items, (4, 6, "many"), strict=True)}
    answer = client.post(address, data=boxes)
    assert answer.status_code == 422 and "2 sold since the count began" in answer.text
    assert "Enter a whole number, 0 or more." in answer.text and 'value="many"' in answer.text
    said = client.post(address, data={f"item-{items[1].id}": "6", f"since-{items[1].id}": "before"})
    assert said.status_code == 303
    scanned = client.post(f"{address}/scan", data={"code": "t-7"})
    assert scanned.location == f"{address}?item={items[2].id}"
    assert ">T-7<" in client.get(scanned.location).text
    differ = client.get(f"{address}?show=differences").text
    assert "−$3.00" in differ or "-$3.00" in differ
    seal = differ.split('name="seal" value="')[1].split('"')[0]
    assert client.post(f"{address}/save", data={"seal": "no"}).status_code == 422
    assert client.post(f"{address}/save", data={"seal": seal}).status_code == 303
    work.session.rollback()
    assert [quantity_of(work.session, item.id).on_hand for item in items] == [4, 4, 7]
    kept = work.session.scalars(sa.select(StockMovement).where(StockMovement.kind == MovementKind.COUNTED)).all()
    assert sorted((one.item_id, one.on_hand) for one in kept if one.why == "count 1") == [
        (items[0].id, -1),
        (items[1].id, 0),
    ]
    assert work.session.scalars(sa.select(StockCount)).one().is_saved


def test_a_sheet_goes_out_and_comes_back_filled_in(work: Work, client_as: ClientAs) -> None:
    factories.HouseFactory()
    client, item = client_as(Role.BENCH), _item("T-5", 5, bin="T-1")
    address = client.post("/stock/counts", data={"place": "1", "bin": "T-", "deed": "some"}).location
    paper = client.get(f"{address}/sheet.pdf")
    assert paper.status_code == 200 and "Bin Number What it is Counted Time T-1 T-5" in pdf_text(paper.data)
    sheet = client.get(f"{address}/sheet.csv").data.decode("utf-8-sig").splitlines()
    assert sheet[1].startswith(f"{item.id},T-1,,T-5,")
    filled = "\r\n".join([sheet[0], sheet[1].removesuffix(",,") + ",9,"]).encode()
    sent = client.post(f"{address}/file", data={"file": (BytesIO(filled), "sheet.csv")})
    assert sent.status_code == 303
    assert "+4" in client.get(sent.location).text
    wrong = client.post(f"{address}/file", data={"file": (BytesIO(filled.replace(b",9,", b",x,")), "sheet.csv")})
    assert wrong.status_code == 422 and "row 2, counted" in wrong.text
