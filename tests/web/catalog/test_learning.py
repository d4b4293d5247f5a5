"""A maker is learned from its price list: the list is sent, its pieces settled, all of it saved at once."""

import io
import re
from collections.abc import Callable
from fractions import Fraction

import openpyxl

from app.fitting import decode_any
from app.ledger.catalog.maker_queries import get_item, maker_tables
from app.ledger.store.work import Work
from app.ledger.tables import Role
from tests.factories import FormClient
from tests.forms_found import form_with

ClientAs = Callable[[Role | None], FormClient]
LENGTHS = {"18": "1-1/8 in", "14": "1-1/4 in", "38": "1-3/8 in"}
FINISHES = {
    "SC": "626 satin chromium",
    "PB": "605 bright brass",
    "OB": "613 oil-rubbed bronze",
    "SN": "619 satin nickel",
}


def numbers() -> dict[str, tuple[str, int]]:
    """60 numbers with their words and list prices in cents: $48.00 and on by 25 cents."""
    rows = {}
    for length, inches in LENGTHS.items():
        for keyway in range(1, 6):
            for finish, words in FINISHES.items():
                number = f"T{length}-Q{keyway}-{finish}"
                rows[number] = f"Mortise cylinder {inches}, keyway TQ{keyway}, {words}", 4800 + 25 * len(rows)
    return rows


def csv_list() -> bytes:
    lines = [f'{number},"{words}",{cents / 100:.2f}' for number, (words, cents) in numbers().items()]
    return "\n".join(["Part number,Description,List price", *lines]).encode()


def follow(client: FormClient, address: str) -> tuple[str, str]:
    while (answer := client.get(address)).status_code == 303:
        address = answer.headers["Location"]
    assert answer.status_code == 200
    return answer.request.path, answer.text


def learn(client: FormClient, content: bytes, name: str = "list.csv", maker: str = "Tidewell") -> tuple[str, str]:
    """Send a list; the address and the text of the page after it."""
    data = {"name": maker, "file": (io.BytesIO(content), name)}
    answer = client.post("/makers/learn", data=data, content_type="multipart/form-data")
    assert answer.status_code == 303, answer.text
    return follow(client, answer.headers["Location"])


def press(client: FormClient, address: str, page: str, act: str, **boxes: str) -> tuple[str, str]:
    answer = client.post(address, data=form_with(page, "version") | boxes | {"act": act})
    assert answer.status_code == 303, answer.text
    return follow(client, answer.headers["Location"])


def test_a_name_a_list_and_two_presses(work: Work, owner_client: FormClient) -> None:
    address, page = learn(owner_client, csv_list())
    assert "60 of 60 numbers" in page
    _, page = press(owner_client, address, page, "save")
    assert "Tidewell is saved with 60 items" in page
    maker = maker_tables(work.session)["TIDE"]
    made = decode_any(maker.patterns, "T14-Q5-OB")[0].attributes
    assert (made.type, made.length, made.keyway, made.finish) == ("mortise", Fraction(5, 4), "TQ5", "613")
    item = get_item(work.session, maker.id, "T18-Q1-PB")
    assert item is not None and (item.list_cents, item.cost_cents) == (4825, 0)
    assert [keyway.name for keyway in maker.keyways] == ["TQ1", "TQ2", "TQ3", "TQ4", "TQ5"]


def awkward_book() -> bytes:
    """The list as a workbook: a title over merged cells, price first, columns in another order, prices with $ and
    commas, a merged category, a total, a number that became a float, one without a price and one that is a day."""
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["Tidewell list prices"])
    sheet.merge_cells("A1:D1")
    sheet.append(["List price (USD)", "Item no.", "Our discount", "Item description"])
    for number, (words, cents) in numbers().items():
        sheet.append([f"${cents * 25 / 100:,.2f}", number, "40%", words])
    sheet.append(["$5.00", 1042.0, "40%", "Key blank for TQ1"])
    sheet.append(["call", "R-1", "40%", "Cylinder ring"])
    sheet.append(["Total", "", "", ""])
    sheet.merge_cells("C3:C6")
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def test_an_awkward_list_needs_no_more_than_a_plain_one(work: Work, owner_client: FormClient) -> None:
    address, page = learn(owner_client, awkward_book(), "list.xlsx")
    if address.endswith("/columns"):
        answer = owner_client.post(address, data=form_with(page, "column-0"))
        address, page = follow(owner_client, answer.headers["Location"])
    print(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", page)))
    assert "60 of 61 numbers" in page and "row 64, column List price (USD)" in page and "1042" in page
    press(owner_client, address, page, "save")
    maker = maker_tables(work.session)["TIDE"]
    item = get_item(work.session, maker.id, "T18-Q1-PB")
    assert item is not None and (item.list_cents, item.cost_cents) == (120625, 72375)  # 25 × $48.25, 40 % off
    blank = get_item(work.session, maker.id, "1042")
    assert blank is not None and (blank.category, blank.cost_cents) == ("key_blank", 300)
