"""The customer's quote adds up in print and tells no cost; the owner's page tells them all."""

import re
from collections.abc import Callable
from dataclasses import replace

import pytest

from app.documents import owner_quote_pdf, quote_page, quote_pdf
from app.documents.owner_quote import lines_without_cost, ways_table
from app.ledger.quoting.snapshot import CostedWay, QuoteSnapshot
from app.pricing import show_cents

Snapshots = Callable[..., QuoteSnapshot]
Pages = Callable[[bytes], list[str]]
SECRET_WORDS = ("customer waits at the counter", "The bench is free", "minimum charge", "Bench hours", "Margin")


def secret_figures(snapshot: QuoteSnapshot) -> set[str]:
    """What only the owner may read, as it would print."""
    cents = {snapshot.cost_cents, *(line.cost_cents for line in snapshot.lines)}
    cents |= {line.amount_cents - line.cost_cents for line in snapshot.lines}
    for choice in snapshot.keying:
        cents |= {way.total_cents for way in choice.ways}
        cents |= {part for way in choice.ways for _, part in way.cost_lines}
    return {show_cents(figure) for figure in cents}


@pytest.mark.parametrize("paper", ["Letter", "A4"])
def test_the_quote_says_what_is_sold_to_whom_and_until_when(paper: str, snapshot: Snapshots, pages: Pages) -> None:
    given = snapshot(paper)
    text = " ".join(pages(quote_pdf(given)))
    for line in given.lines:
        for said in (line.words, line.part_number, line.keying, line.remark, show_cents(line.amount_cents)):
            assert said in text
    for said in (
        "Lantern Row Dental", "555-0177", "Surgery, ground floor", "Front and back doors after a lost key",
        "3 April 2031", "14 March 2031", "Three working days", "electric strikes",
        "Payment on collection", "authority having jurisdiction", "half a cent counts as a whole one",
        "8.25 % of goods", "Signature", "PO number", "Name, in capitals", "Date",
    ):  # fmt: skip
        assert said in text


def test_the_printed_figures_add_up(snapshot: Snapshots, pages: Pages) -> None:
    text = " ".join(pages(quote_pdf(snapshot())))
    table, sums = text.split("Amount", 1)[1].split("Goods", 1)
    figures = [int(found.replace(",", "").replace(".", "")) for found in re.findall(r"\$([\d,]+\.\d\d)", table)]
    each, amounts = figures[::2], figures[1::2]
    quantities = [line.quantity for line in snapshot().lines]
    assert [one * quantity for one, quantity in zip(each, quantities, strict=True)] == amounts
    goods, labor, subtotal, tax, total = (
        int(found.replace(",", "").replace(".", "")) for found in re.findall(r"\$([\d,]+\.\d\d)", sums)[:5]
    )
    assert sum(amounts) == subtotal == goods + labor
    assert subtotal + tax == total


def test_the_quote_tells_no_cost_and_no_reason(snapshot: Snapshots, pages: Pages) -> None:
    given = snapshot()
    text = " ".join(pages(quote_pdf(given)))
    assert [figure for figure in secret_figures(given) if figure in text] == []
    assert [word for word in SECRET_WORDS if word in text] == []
    assert not {"cost_cents", "keying", "ask"} & set(type(quote_page(given)).__slots__)


def test_the_owners_page_tells_costs_both_ways_and_the_override(snapshot: Snapshots, pages: Pages) -> None:
    given = snapshot()
    texts = pages(owner_quote_pdf(given))
    text = " ".join(texts)
    assert [figure for figure in secret_figures(given) if figure not in text] == []
    assert [word for word in SECRET_WORDS if word not in text] == []
    assert "$113.57" in text and "48.5 %" in text  # 234.25 − 120.68, and its share of 234.25
    assert "cheaper at 37" in text and "15 working days" in text
    assert all("FOR THE OWNER" in page for page in texts)


def test_the_owner_is_told_of_goods_without_a_cost(snapshot: Snapshots, pages: Pages) -> None:
    given = snapshot()
    assert lines_without_cost(given) == ""
    bare = replace(given, lines=tuple(replace(line, cost_cents=0) for line in given.lines))
    goods = [line.label for line in given.lines if line.label.isdigit() and not line.is_labour and line.amount_cents]
    assert len(goods) > 1  # keys and keying have no cost of their own: it is in what the bench or the factory takes
    assert lines_without_cost(bare) == f"lines {', '.join(goods[:-1])} and {goods[-1]}"
    said = f"No cost is on record for {lines_without_cost(bare)}"
    assert said in " ".join(" ".join(pages(owner_quote_pdf(bare))).split())
    assert "No cost is on record" not in " ".join(pages(quote_pdf(bare)))


def test_both_ways_share_rows_and_still_add_up(snapshot: Snapshots) -> None:
    choice = replace(
        snapshot().keying[0],
        ways=(
            CostedWay("shop", True, 60, None, (("Freight", 10), ("Bench", 20), ("Freight", 30)), ()),
            CostedWay("factory", True, 45, None, (("Set-up", 5), ("Freight", 40)), ()),
        ),
    )
    table = ways_table(choice)
    assert table.rows == (
        ("Freight", (10, 40)), ("Bench", (20, None)), ("Freight", (30, None)), ("Set-up", (None, 5)),
    )  # fmt: skip
    for index, column in enumerate(choice.ways):
        assert sum(cells[index] or 0 for _, cells in table.rows) == column.total_cents


def test_a_long_quote_keeps_its_head_its_lines_and_its_totals_together(snapshot: Snapshots, pages: Pages) -> None:
    given = snapshot()
    lines = tuple(replace(given.lines[2], label=str(n), words=f"Padlock body number {n}") for n in range(1, 121))
    texts = pages(quote_pdf(replace(given, lines=lines)))
    assert len(texts) > 2
    assert all(f"Padlock body number {n} " in " ".join(texts) for n in range(1, 121))
    assert all("What it is" in text for text in texts if "Padlock body" in text)
    assert sum("Subtotal" in text for text in texts) == 1
    with_totals = next(text for text in texts if "Subtotal" in text)
    assert "Goods" in with_totals and "$243.92" in with_totals
    signing = next(text for text in texts if "Accepted" in text)
    assert "PO number" in signing
