"""A part number with a price-book entry has that price and cost; nothing is entered twice, and costs are not lost."""

from dataclasses import replace
from datetime import date

import sqlalchemy as sa

from app.ledger.quoting.quoting import PricedQuote, price_request
from app.ledger.quoting.request import KeyingInstruction, LineRequest
from app.ledger.store.engine import transaction
from app.ledger.store.work import Work
from app.ledger.tables import Item, LineKind, PriceBookRow
from app.pricing import KeyingKind
from tests.ledger.quoting.test_key_lines import lantern

PART = LineRequest(LineKind.PART, 2, part_number="CAP2-Q1-66.SC", keying=KeyingInstruction(KeyingKind.KA))


def entered(work: Work, code: str, price: int, cost: int) -> None:
    with transaction(work.session):
        work.session.add(
            PriceBookRow(
                code=code,
                unit_cents=price,
                cost_cents=cost,
                valid_from=date(2026, 1, 1),
            )
        )


def goods(work: Work, line: LineRequest) -> tuple[PricedQuote, int, int]:
    """The line priced, its price each and what one costs."""
    priced = price_request(work, lantern(work, line))
    return priced, priced.lines[0].unit_cents, priced.resolved[0].cost_cents if priced.resolved[0] else 0


def test_the_price_books_entry_is_the_price_and_the_cost_of_a_part(work: Work) -> None:
    """The catalog says 46.80 and 23.40."""
    assert goods(work, PART)[1:] == (4680, 2340)
    entered(work, "CAP2-Q1-66.SC", 4400, 2100)
    assert goods(work, PART)[1:] == (4400, 2100)
    own = replace(PART, unit_cents=4000, price_reason="regular customer")
    priced, price, cost = goods(work, own)
    assert (price, cost) == (4000, 2100) and not priced.problems


def test_an_entry_without_a_cost_has_the_catalogs(work: Work) -> None:
    entered(work, "CAP2-Q1-66.SC", 4400, 0)
    assert goods(work, PART)[1:] == (4400, 2340)
    sold_plain = LineRequest(LineKind.HARDWARE, 1, price_code="CAP2-Q1-66.SC")
    priced, price, cost = goods(work, sold_plain)
    assert (price, cost, priced.lines[0].part_number) == (4400, 2340, "CAP2-Q1-66.SC")
    assert [note for _, note in priced.notes] == ["CAP2-Q1-66.SC can be keyed: for that, take it by part number."]


def test_a_legal_number_that_the_price_book_alone_has_is_sold_and_keyed(work: Work) -> None:
    with transaction(work.session):
        work.session.execute(sa.delete(Item).where(Item.code == "CAP2-Q1-66.SC"))
    priced = price_request(work, lantern(work, PART))
    assert [one.field for one in priced.problems] == ["lines.0.unit_price"]
    asked_for = replace(PART, unit_cents=5000, price_reason="the maker's word", cost_cents=2600)
    assert goods(work, asked_for)[1:] == (5000, 2600)
    unknown, _, cost = goods(work, replace(asked_for, cost_cents=None))
    assert cost == 0 and "What it costs is not on record" in unknown.notes[0][1]
    entered(work, "CAP2-Q1-66.SC", 4400, 2100)
    priced, price, cost = goods(work, PART)
    assert (price, cost) == (4400, 2100) and not priced.problems
    assert [line.kind for line in priced.lines] == ["part number", "keying", "keys"]


def test_goods_of_the_price_book_are_found_by_their_code_as_a_part_number(work: Work) -> None:
    priced, price, cost = goods(work, LineRequest(LineKind.PART, 3, part_number="ring-set"))
    assert (price, cost, priced.lines[0].kind) == (980, 410, "hardware") and not priced.problems


def test_what_has_no_price_yet_is_named_in_words_with_the_item_to_price(work: Work) -> None:
    """Keying alike and cut keys lose their prices: each line that needs one says which item lacks it."""
    with transaction(work.session):
        work.session.execute(sa.delete(PriceBookRow).where(PriceBookRow.code.in_(("KEYING-KA", "KEY-CUT"))))
        work.session.execute(sa.update(Item).where(Item.code == "KEYING-KA").values(words="Keying alike"))
    ids = dict(work.session.execute(sa.select(Item.code, Item.id).where(Item.code.like("KEY%"))).all())
    keyed, cut = price_request(work, lantern(work, replace(PART, keys_each=2))).problems
    assert keyed.message == "“Keying alike” has no price yet: the owner gives it one under Goods."
    assert (keyed.field, keyed.item_id) == ("lines.0.keying", ids["KEYING-KA"])
    assert (cut.field, cut.item_id) == ("lines.0.keying", ids["KEY-CUT"])
    [keys] = price_request(work, lantern(work, LineRequest(LineKind.KEYS, 2))).problems
    assert keys.item_id == ids["KEY-CUT"]
