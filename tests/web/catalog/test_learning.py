"""A maker is learned from its price list: the list is sent, its pieces settled, all of it saved at once."""

import io
import re
from collections.abc import Callable
from fractions import Fraction

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
    print(re.sub(r"<[^>]+>", " ", page))
    assert "60 of 60 numbers" in page
    _, page = press(owner_client, address, page, "save")
    assert "Tidewell is saved with 60 items" in page
    maker = maker_tables(work.session)["TIDE"]
    made = decode_any(maker.patterns, "T14-Q5-OB")[0].attributes
    assert (made.type, made.length, made.keyway, made.finish) == ("mortise", Fraction(5, 4), "TQ5", "613")
    item = get_item(work.session, maker.id, "T18-Q1-PB")
    assert item is not None and (item.list_cents, item.cost_cents) == (4825, 0)
    assert [keyway.name for keyway in maker.keyways] == ["TQ1", "TQ2", "TQ3", "TQ4", "TQ5"]
