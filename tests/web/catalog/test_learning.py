"""A maker is learned from its price list: the list is sent, its pieces settled, all of it saved at once."""

import io
import re
from collections.abc import Callable
from fractions import Fraction
from itertools import product

import openpyxl
import pytest
import sqlalchemy as sa

from app.fitting import decode_any
from app.ledger.catalog.maker_queries import get_item, maker_tables
from app.ledger.store.work import Work
from app.ledger.tables import Item, Maker, Role
from tests.factories import BenchTermsFactory, FormClient
from tests.forms_found import form_with
from tests.web.catalog.test_terms import BENCH

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
    assert made.chambers == 6  # nothing says it: as the bitting spec
    item = get_item(work.session, maker.id, "T18-Q1-PB")
    assert item is not None and (item.list_cents, item.cost_cents) == (4825, 0)
    assert [keyway.name for keyway in maker.keyways] == ["TQ1", "TQ2", "TQ3", "TQ4", "TQ5"]
    assert "<dt>Cost</dt><dd>not known</dd>" in owner_client.get(f"/goods/{item_id(work, maker.id)}").text


def test_a_fixed_piece_is_named_once(owner_client: FormClient) -> None:
    address, page = learn(owner_client, re.sub(rb"(Q\d)-", rb"\1-ZZ-", csv_list()))
    press(owner_client, address, page, "save")
    page = owner_client.get("/fit/number?q=T14-Q5-ZZ-OB").text
    assert "T14-Q5-ZZ-OB, piece by piece" in page
    assert len(re.findall("<span[^>]*>always ZZ</span>", page)) == 1


def item_id(work: Work, maker_id: int) -> int:
    """The id of an item of the list."""
    return work.session.scalars(sa.select(Item.id).where(Item.maker_id == maker_id, Item.code == "T18-Q1-PB")).one()


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
    assert "60 of 61 numbers" in page and "row 64, column List price (USD)" in page and "1042" in page
    press(owner_client, address, page, "save")
    maker = maker_tables(work.session)["TIDE"]
    item = get_item(work.session, maker.id, "T18-Q1-PB")
    assert item is not None and (item.list_cents, item.cost_cents) == (120625, 72375)  # 25 × $48.25, 40 % off
    blank = get_item(work.session, maker.id, "1042")
    assert blank is not None and (blank.category, blank.cost_cents) == ("key_blank", 300)


def test_columns_that_no_heading_tells_are_asked_and_words_may_stand_in_two(
    work: Work, owner_client: FormClient
) -> None:
    lines = []
    for number, (words, cents) in numbers().items():
        body, keyway, finish = words.split(", ")
        lines.append(f"{cents / 100:.2f},{number},{body},{keyway} / {finish}")
    address, page = learn(owner_client, "\n".join(["x,y,z,w", *lines]).encode())
    assert address.endswith("/columns")
    boxes = form_with(page, "column-0") | {"column-0": "", "column-1": "number", "column-2": "words"}
    refused = owner_client.post(address, data=boxes)
    assert refused.status_code == 422 and "Say which column has: List price." in refused.text
    boxes |= {"column-0": "list", "column-3": "words"}
    address, page = follow(owner_client, owner_client.post(address, data=boxes).headers["Location"])
    assert "60 of 60 numbers" in page
    assert sorted(form_with(page, "version")["attribute-0-0"]) == sorted("length")


@pytest.mark.parametrize("heading", ["Kind", "What"])
def test_a_column_of_words_is_proposed_under_whatever_heading(owner_client: FormClient, heading: str) -> None:
    rows = [f"{number},{words.replace(',', '')},{cents / 100:.2f}" for number, (words, cents) in numbers().items()]
    address, page = learn(owner_client, "\n".join([f"Cat. no.,{heading},List (each)", *rows]).encode())
    assert address.endswith("/columns")  # it is proposed, not taken
    boxes = form_with(page, "column-0")
    assert [boxes[f"column-{place}"] for place in range(3)] == ["number", "words", "list"]


def test_a_head_in_two_rows_whose_columns_say_what_their_cells_are(work: Work, owner_client: FormClient) -> None:
    lines = ["Cat.,Size,Keyway,Finish,Price,Price", "no.,in,,,each,per 10"]
    for place, (length, keyway, finish) in enumerate(product(LENGTHS, range(1, 4), FINISHES)):
        inches, said = LENGTHS[length].removesuffix(" in"), FINISHES[finish].split()[0]
        lines.append(f"AV{length}{keyway}{finish},{inches},W{keyway},{said},$ {40 + place}.10,$ 39.00")
    address, page = learn(owner_client, "\n".join(lines).encode())
    if address.endswith("/columns"):  # nobody knows which of the two prices is meant
        boxes = form_with(page, "column-0")
        assert [boxes[f"column-{place}"] for place in range(5)] == ["number", "words", "words", "words", "list"]
        address, page = follow(owner_client, owner_client.post(address, data=boxes).headers["Location"])
    assert "36 of 36 numbers" in page and "Rows that cannot be read" not in page
    press(owner_client, address, page, "save", **{"kind-0": "mortise"})
    made = decode_any(maker_tables(work.session)["TIDE"].patterns, "AV142OB")[0].attributes
    assert (made.length, made.keyway, made.finish) == (Fraction(5, 4), "W2", "613")


def test_a_piece_is_cut_joined_and_told_and_the_count_follows(work: Work, owner_client: FormClient) -> None:
    address, page = learn(owner_client, csv_list())
    address, page = press(owner_client, address, page, "join_0_1")  # keyway with finish
    assert "60 of 60 numbers" in page and "T18-Q1-SC, piece by piece" in page
    boxes = form_with(page, "version")
    assert "name-0-2" not in boxes and boxes["meaning-0-1-0"] == "keyway TQ1, 626 satin chromium"
    address, page = press(owner_client, address, page, "cut_0_1_l2")
    boxes = form_with(page, "version")
    assert "60 of 60 numbers" in page and boxes["name-0-2"]
    address, page = learn(owner_client, csv_list())
    address, page = press(
        owner_client, address, page, "look", **{"meaning-0-2-0": "612 satin bronze", "attribute-0-1": ""}
    )
    assert "612 satin bronze" in page and "Bitting spec of new keyways" not in page
    fragment = owner_client.post(
        address, data=form_with(page, "version") | {"attribute-0-1": "keyway"}, headers={"HX-Request": "true"}
    )
    assert fragment.status_code == 200 and "<html" not in fragment.text
    assert "Bitting spec of new keyways" in fragment.text
    stale = owner_client.post(address, data=form_with(page, "version") | {"act": "save"})
    assert stale.status_code == 422 and "changed on another page" in stale.text
    address, page = follow(owner_client, address)
    press(owner_client, address, page, "save", off="37.5", code="tw")
    tables = maker_tables(work.session)["TW"]
    assert decode_any(tables.patterns, "T18-Q1-SC")[0].attributes.finish == "612"
    item = get_item(work.session, tables.id, "T18-Q1-PB")
    assert item is not None and item.cost_cents == 3016  # 4825 less 37.5 %: 3015.625


def test_what_the_words_do_not_say_is_asked(work: Work, owner_client: FormClient) -> None:
    content = csv_list().replace(b"Mortise cylinder ", b"")
    address, page = learn(owner_client, content)
    assert "The words do not say: choose" in page
    refused = owner_client.post(address, data=form_with(page, "version") | {"act": "save"})
    assert refused.status_code == 422 and "Say what these numbers are" in refused.text
    assert work.session.scalar(sa.select(sa.func.count()).select_from(Maker)) == 0
    press(owner_client, address, page, "save", **{"kind-0": "rim"})
    work.session.rollback()
    assert decode_any(maker_tables(work.session)["TIDE"].patterns, "T18-Q1-SC")[0].attributes.type == "rim"
    _, page = learn(owner_client, content, "mortise_cylinders.csv", "Other")
    assert form_with(page, "version")["kind-0"] == "mortise"


def test_a_list_sent_again_changes_prices_alone_and_another_makers_is_told(
    work: Work, owner_client: FormClient
) -> None:
    address, page = learn(owner_client, csv_list())
    press(owner_client, address, page, "save", **{"meaning-0-2-0": "612 satin bronze"})
    before = maker_tables(work.session)["TIDE"].patterns
    address, page = learn(owner_client, csv_list().replace(b"48.25", b"50.00"))
    assert "60 of 60 numbers" in page and "own patterns read these numbers" in page
    assert "Bitting spec of new keyways" not in page  # there is none
    press(owner_client, address, page, "save")
    work.session.rollback()
    tables = maker_tables(work.session)["TIDE"]
    assert tables.patterns == before
    item = get_item(work.session, tables.id, "T18-Q1-PB")
    assert item is not None and item.list_cents == 5000
    address, page = learn(owner_client, csv_list(), maker="Marram")
    assert "The patterns of Tidewell read these numbers." in page
    other = csv_list().replace(b"\nT", b"\n9Z")
    address, page = learn(owner_client, other)
    assert "on record do not read most of these numbers" in page and "1 new pattern beside 1 pattern" in page
    address, page = press(owner_client, address, page, "look", beside="no")
    assert "60 cylinders of its catalog will not be read any more: T14-Q1-OB" in page


def test_locks_beside_cylinders_and_numbers_that_fit_nothing(work: Work, owner_client: FormClient) -> None:
    locks = [
        f'CAP{number}.{keyway}/{finish},"Bored deadbolt {words}, keyway TQ{keyway}, {told}",90.00'
        for number, words in (("1", "single cylinder"), ("2", "double cylinder"))
        for keyway in range(1, 6)
        for finish, told in FINISHES.items()
    ]
    content = csv_list() + "\n".join(["", *locks, "ZQ77,Thumb turn,12.00"]).encode()
    address, page = learn(owner_client, content, maker="Marram")
    _, page = press(owner_client, address, page, "save", unread="out")
    assert "Marram is saved with 100 items" in page
    address, page = learn(owner_client, content)
    assert "100 of 101 numbers" in page and "ZQ77" in page
    press(owner_client, address, page, "save")
    tables = maker_tables(work.session)["TIDE"]
    assert decode_any(tables.patterns, "CAP2.3/OB")[0].attributes.type == "deadbolt"
    rows = dict(
        work.session.execute(
            sa.select(Item.category, sa.func.count()).where(Item.maker_id == tables.id).group_by(Item.category)
        ).all()
    )
    assert rows == {"cylinder": 60, "lock": 40, "hardware": 1}


def test_a_code_that_the_list_lacks_is_added(work: Work, owner_client: FormClient) -> None:
    address, page = learn(owner_client, csv_list())
    address, page = press(owner_client, address, page, "look", **{"code-0-1": "q9 keyway TQ9"})
    boxes = form_with(page, "version")
    assert "keyway TQ9" in boxes.values() and boxes["code-0-1"] == ""
    refused = owner_client.post(address, data=boxes | {"code-0-1": "Q9 keyway TQ8", "act": "save"})
    assert refused.status_code == 422 and "keyway has the code Q9 already" in refused.text
    refused = owner_client.post(address, data=boxes | {"code-0-1": "Q—é", "act": "save"})
    assert refused.status_code == 422 and "plain letters" in refused.text
    press(owner_client, address, page, "save")
    tables = maker_tables(work.session)["TIDE"]
    assert decode_any(tables.patterns, "T14-Q9-OB")[0].attributes.keyway == "TQ9"
    assert "TQ9" in [keyway.name for keyway in tables.keyways]


def mixed_list() -> bytes:
    """Mortise cylinders, and rim cylinders of another order, without a word."""
    rim = [f"RQ{keyway}/{finish},,40.00" for keyway in range(1, 6) for finish in FINISHES]
    mortise = [f"{number},,{cents / 100:.2f}" for number, (_, cents) in numbers().items()]
    return "\n".join(["Part number,Description,List price", *mortise, *rim]).encode()


def test_a_family_is_split_or_not_read_at_all(work: Work, owner_client: FormClient) -> None:
    address, page = learn(owner_client, mixed_list())
    # What is still to be chosen keeps nobody from settling the rest: only saving asks for it.
    acts = re.findall(r'<button [^>]*name="act"[^>]*>', page)
    assert len(acts) > 3 and [one for one in acts if "formnovalidate" not in one] == [
        '<button name="act" value="save">'
    ]
    assert "Split: 60 such as T18-Q1-SC, 20 such as RQ1/SC" in page
    address, page = press(owner_client, address, page, "apart_0_marks")
    assert "80 of 80 numbers" in page and "T18-Q1-SC, piece by piece" in page and "RQ1/SC, piece by piece" in page
    boxes = form_with(page, "version")
    assert "name-0-2" in boxes and "name-1-1" in boxes and "name-1-2" not in boxes
    said = {"attribute-1-0": "keyway", "attribute-1-1": "finish", "kind-0": "mortise", "kind-1": "rim"}
    address, page = press(owner_client, address, page, "look", **said)
    address, page = press(owner_client, address, page, "drop_0_0")
    assert "20 of 80 numbers" in page and "60 numbers are not" in page
    assert form_with(page, "version")["kind-0"] == "rim"
    press(owner_client, address, page, "save")
    made = decode_any(maker_tables(work.session)["TIDE"].patterns, "RQ3/SN")[0].attributes
    assert (made.type, made.keyway, made.finish) == ("rim", "3", "SN")


def test_a_keyway_that_another_maker_has_by_the_same_name_is_told(owner_client: FormClient) -> None:
    address, page = learn(owner_client, csv_list())
    assert "tells keyways by their names" not in page
    press(owner_client, address, page, "save")
    other = csv_list().replace(b"\nT", b"\nZ9.").replace(b"TQ5", b"ZQ5")
    address, page = learn(owner_client, other, maker="Marram")
    assert "Tidewell has the keyway TQ1, TQ2, TQ3, TQ4 too" in page
    named = {f"meaning-0-1-{place}": f"keyway M{place}" for place in range(4)}
    assert "tells keyways by their names" not in press(owner_client, address, page, "look", **named)[1]


def test_a_maker_without_lead_time_says_by_what_its_goods_are_reckoned(owner_client: FormClient) -> None:
    address, page = learn(owner_client, csv_list())
    _, page = press(owner_client, address, page, "save")
    assert "no day can be told" in page
    BenchTermsFactory(terms={**BENCH, "uncombinated_lead_days": 5})
    assert "reckoned with 5 working days" in owner_client.get("/makers/1").text


def test_the_counter_learns_no_maker(client_as: ClientAs) -> None:
    assert client_as(Role.COUNTER).get("/makers/learn").status_code == 403
    assert client_as(Role.COUNTER).post("/makers/learn").status_code == 403
