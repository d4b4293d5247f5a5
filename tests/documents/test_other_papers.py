"""Key receipts, factory orders and bitting lists say what they must, and no more."""

from collections.abc import Callable
from dataclasses import replace
from datetime import date

import pytest

from app.documents import (
    BittingList,
    FactoryOrder,
    bitting_list_pdf,
    factory_order_pdf,
    factory_order_table,
    hand_over_pdf,
    key_receipt_pdf,
)
from app.ledger.bench.bench_sheet import BenchWork
from app.ledger.goods.hand_overs import HandOver
from app.ledger.goods.papers import HandOverSheet
from app.ledger.keys.key_queries import KeyReceipt
from app.ledger.quoting.snapshot import HouseHead
from tests.documents.conftest import make_head

Pages = Callable[[bytes], list[str]]


def test_a_receipt_says_who_holds_which_copy_and_has_a_line_to_sign(
    house: Callable[..., HouseHead], receipt: Callable[..., KeyReceipt], pages: Pages
) -> None:
    text = " ".join(pages(key_receipt_pdf(house(), receipt())))
    assert "AA 2 AA 2 Tidewater Hall, all doors when it is asked for" in text
    assert "AB4 1 AB4 1 blank Ardent Brass AK6-12 C-104, study 4 30 June 2031" in text
    for said in ("Imke Farrow", "letter of the bursar", "received the 2 keys listed", "Holder's signature"):
        assert said in text
    one = replace(receipt(), keys=receipt().keys[:1], authority="")
    assert "received the key listed" in " ".join(pages(key_receipt_pdf(house(), one)))
    assert "none on record" in " ".join(pages(key_receipt_pdf(house(), one)))


@pytest.mark.parametrize(("paper", "keys"), [("Letter", 26), ("A4", 29)])
def test_the_signature_of_a_hand_over_never_stands_on_a_page_of_its_own(paper: str, keys: int, pages: Pages) -> None:
    """So many keys leave room on the first page for all but the lines to sign."""
    handed = HandOver("H-1042-1", 1, date(2031, 3, 3), "Cora", "R. Teal", (), (), (), left="")
    rows = tuple((f"AA{number}", "College", "copy 1") for number in range(1, keys + 1))
    texts = pages(hand_over_pdf(HandOverSheet(make_head(paper), handed, "", (), rows, ())))
    assert len(texts) == 2
    assert f"AA{keys} copy 1 College" in texts[1] and "I have received what is listed." in texts[1]


def test_a_factory_order_has_schedule_keying_and_stamping(order: Callable[..., FactoryOrder], pages: Pages) -> None:
    texts = pages(factory_order_pdf(order()))
    text = " ".join(texts)
    for number in range(1, 31):
        assert f"AA{number} master keyed (MK), alike in sets of 2 AA{number}, AA, A 4 AA{number} " in text
    for said in (
        "Ardent Brass", "11 April 2031", "60 cylinders, 120 keys", "Three levels",
        "the keyset's symbol and the copy number", "We hold this system's records", "College GMK, new",
        "Mortise cylinder, 1-1/8 in",
    ):  # fmt: skip
        assert said in texts[0]
    assert all("Operated by Keys Stamp" in page for page in texts)


def test_a_factory_order_says_that_the_charge_for_a_small_order_is_agreed(
    order: Callable[..., FactoryOrder], pages: Pages
) -> None:
    given = order()
    assert "minimum" not in " ".join(pages(factory_order_pdf(given)))
    small = replace(given, work=replace(given.work, small_order_cents=3500))
    assert "your charge of $35.00 for that is agreed" in " ".join(pages(factory_order_pdf(small)))
    sheets = factory_order_table(small).sheets
    assert ("Small order", "Under your minimum order: your charge of $35.00 for that is agreed.") in sheets[1][2]


def test_a_factory_order_says_how_many_keys_are_not_wanted(order: Callable[..., FactoryOrder], pages: Pages) -> None:
    """A published practice: 50 cylinders alike bring 100 keys, 20 are wanted, 80 deducted. Here 120 are wanted."""
    given = order()
    assert "are wanted" not in " ".join(pages(factory_order_pdf(given)))
    fewer = replace(given, work=replace(given.work, untaken_keys=80))
    said = (
        "Of the 200 keys that come with the cylinders 120 are wanted, as scheduled: leave 80 out, and take them off"
    )
    assert said in " ".join(" ".join(pages(factory_order_pdf(fewer))).split())


def test_no_bitting_is_on_a_receipt_or_an_order(
    house: Callable[..., HouseHead],
    receipt: Callable[..., KeyReceipt],
    order: Callable[..., FactoryOrder],
    bench: Callable[..., BenchWork],
    pages: Pages,
) -> None:
    printed = "".join(pages(key_receipt_pdf(house(), receipt())) + pages(factory_order_pdf(order()))).replace(" ", "")
    assert [key.symbol for key in bench().systems[0].keys if key.bitting in printed] == []


def test_a_bitting_list_is_confidential_on_every_page(bitting_list: Callable[..., BittingList], pages: Pages) -> None:
    given = bitting_list()
    long = replace(given, lines=given.lines * 30)
    texts = pages(bitting_list_pdf(long))
    assert len(texts) > 2
    assert all("CONFIDENTIAL · revealed to Petra Quill" in text and "copy ____ of ____" in text for text in texts)
    assert " ".join(texts).count("528614") == 30
    assert "528614" not in repr(given)
