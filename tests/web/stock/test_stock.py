"""The pages of stock: the list, an item, a count, as counter, bench and owner have them."""

from collections.abc import Callable
from io import BytesIO

import sqlalchemy as sa

from app.ledger.stock.movements import quantity_of
from app.ledger.store.work import Work
from app.ledger.tables import Item, MovementKind, Role, StockCount, StockMovement
from tests import factories
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
