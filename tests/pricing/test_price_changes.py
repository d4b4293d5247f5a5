from __future__ import annotations

from dataclasses import replace
from datetime import date
from fractions import Fraction

from app.pricing import LineKind, PriceBook, PriceRow, compare_price_books, prices_in_force, quantity_steps

JANUARY, MARCH = date(2026, 1, 1), date(2026, 3, 1)
ROW = PriceRow("M-100", "Mortise cylinder", "cylinders", LineKind.GOODS, 4000, 2100, JANUARY)
KEY = replace(ROW, code="K-1", description="Key", unit_cents=300, cost_cents=45)


def test_a_book_beside_itself_shows_nothing():
    book = PriceBook([ROW, KEY, replace(ROW, tier="trade", unit_cents=3500)])
    assert compare_price_books(book, book, MARCH) == ()


def test_what_came_went_and_changed_is_listed_by_code():
    before = PriceBook([ROW, KEY, replace(ROW, code="R-5")])
    after = PriceBook([replace(ROW, unit_cents=4300), KEY, replace(ROW, code="A-1"), replace(KEY, tier="trade")])
    changes = compare_price_books(before, after, MARCH)
    assert [(one.code, one.tier, one.before is None, one.after is None) for one in changes] == [
        ("A-1", None, True, False),
        ("K-1", "trade", True, False),
        ("M-100", None, False, False),
        ("R-5", None, False, True),
    ]
    assert [one.unit_change_cents for one in changes] == [4000, 300, 300, -4000]
    assert changes[2].percent == Fraction(15, 2)
    assert changes[0].percent is None


def test_a_price_of_next_month_changes_nothing_until_then():
    before, after = PriceBook([ROW]), PriceBook([ROW, replace(ROW, unit_cents=4300, valid_from=MARCH)])
    assert compare_price_books(before, after, date(2026, 2, 28)) == ()
    (change,) = compare_price_books(before, after, MARCH)
    assert change.unit_change_cents == 300


def test_a_change_of_cost_or_wording_alone_counts():
    (change,) = compare_price_books(PriceBook([ROW]), PriceBook([replace(ROW, cost_cents=2500)]), MARCH)
    assert (change.unit_change_cents, change.cost_change_cents) == (0, 400)
    assert compare_price_books(PriceBook([ROW]), PriceBook([replace(ROW, description="Cylinder")]), MARCH)


def test_rows_that_a_later_one_hides_are_not_in_force():
    rows = [ROW, replace(ROW, quantity_from=10, unit_cents=3500), replace(ROW, valid_from=MARCH, unit_cents=4300)]
    assert set(prices_in_force(PriceBook(rows), JANUARY)) == {("M-100", None, 1), ("M-100", None, 10)}
    assert prices_in_force(PriceBook(rows), MARCH) == {("M-100", None, 1): rows[2], ("M-100", None, 10): rows[1]}


def test_a_customers_steps_are_what_the_book_answers():
    rows = [
        ROW,
        replace(ROW, quantity_from=10, unit_cents=3800),
        replace(ROW, quantity_from=50, unit_cents=3500),
        replace(ROW, quantity_from=25, unit_cents=3000, tier="trade"),
    ]
    book = PriceBook(rows)
    assert [row.unit_cents for row in quantity_steps(book, "M-100", MARCH)] == [4000, 3800, 3500]
    assert [row.unit_cents for row in quantity_steps(book, "M-100", MARCH, "trade")] == [4000, 3800, 3000]
    assert quantity_steps(book, "M-200", MARCH) == ()
