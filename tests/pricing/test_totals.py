from dataclasses import replace
from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.errors import BitternError, Problems
from app.pricing import (
    MAX_CENTS,
    DepositRule,
    Discount,
    Exemption,
    LineStatus,
    PricedLine,
    PriceKind,
    TaxRule,
    TaxTable,
    compare_revisions,
    show_cents,
    total,
)
from app.pricing.totals import DISCOUNT_RULE, ROUNDING_RULE

DAY = date(2026, 3, 2)
RULE = TaxRule("Saltmarsh", Decimal("8.25"), True, False, date(2026, 1, 1))
PERCENTS = st.decimals(0, 100, places=2)
LINES = st.builds(
    PricedLine,
    st.just("Cylinder"),
    st.integers(1, 500),
    st.integers(0, 100_000),
    st.sampled_from(PriceKind),
    st.lists(PERCENTS, max_size=3).map(tuple),
)
DISCOUNTS = st.builds(Discount, percent=PERCENTS) | st.builds(Discount, cents=st.integers(0, 10_000_000))
RULES = st.builds(
    TaxRule,
    st.just("Saltmarsh"),
    st.decimals(0, 30, places=3),
    st.booleans(),
    st.booleans(),
    st.just(RULE.valid_from),
)


def read_back(cents):
    return Decimal(show_cents(cents).replace("$", "").replace(",", "").replace("−", "-"))


@given(st.lists(LINES, max_size=12), RULES, DISCOUNTS)
def test_what_is_printed_adds_up(lines, rule, discount):
    sums = total(lines, rule, None, DAY, discount)
    shared = discount.shared_out(lines)
    net = sum(read_back(one.net_cents) for one in shared)
    assert all(0 <= read_back(one.net_cents) <= read_back(one.quantity * one.unit_cents) for one in shared)
    assert read_back(sums.subtotal_cents) == net
    assert read_back(sums.goods_cents) + read_back(sums.labour_cents) - read_back(sums.discount_cents) == net
    assert read_back(sums.tax_cents) == sum(read_back(rule.tax_cents(one)) for one in shared)
    assert read_back(sums.total_cents) == net + read_back(sums.tax_cents)


@given(LINES)
def test_the_order_of_discounts_does_not_matter(line):
    assert {replace(line, discounts=order).net_cents for order in permutations(line.discounts)} == {line.net_cents}


@given(st.lists(LINES, max_size=12), DISCOUNTS)
def test_a_discount_comes_off_goods_alone_each_by_its_amount(lines, discount):
    goods = [one for one in lines if one.kind is PriceKind.GOODS]
    taken = discount.taken_cents(sum(one.listed_cents for one in goods))
    shared = discount.shared_out(lines)
    assert sum(one.discount_cents for one in shared) == taken
    assert not any(one.discount_cents for one in shared if one.kind is PriceKind.LABOR)
    whole = sum(one.listed_cents for one in goods)
    for one in shared:
        if one.kind is PriceKind.GOODS and whole:
            # Each rounding moves what is left by half a cent, and the last line bears what they all moved.
            assert abs(one.discount_cents - Decimal(taken) * one.listed_cents / whole) <= Decimal(len(goods)) / 2


@given(st.lists(LINES, max_size=12), RULES)
def test_only_what_the_place_taxes_is_taxed(lines, rule):
    taxed = {PriceKind.GOODS: rule.goods_taxed, PriceKind.LABOR: rule.labour_taxed}
    assert all(rule.tax_cents(one) == 0 for one in lines if not taxed[one.kind])
    alone = total([one for one in lines if taxed[one.kind]], rule, None, DAY)
    assert alone.tax_cents == total(lines, rule, None, DAY).tax_cents
    assert (alone.tax_cents > 0) == any(rule.tax_cents(one) for one in lines)


def test_each_lines_tax_is_rounded_so_two_half_cents_are_two_cents():
    line = PricedLine("Key blank", 1, 10, PriceKind.GOODS)
    rule = replace(RULE, rate=Decimal(5))
    assert total([line, line], rule, None, DAY).tax_cents == 2
    assert "its tax is rounded to the cent" in ROUNDING_RULE


def test_an_amount_comes_off_after_the_percentages():
    line = PricedLine("Cylinder", 3, 1001, PriceKind.GOODS, (Decimal(10), Decimal(50)), 100)
    # 30.03 × 0.9 × 0.5 = 13.5135, then a dollar.
    assert line.net_cents == 1351 - 100
    sums = total([line], RULE, None, DAY)
    assert (sums.goods_cents, sums.discount_cents, sums.subtotal_cents) == (1351, 100, 1251)


def test_a_discount_is_taken_before_tax():
    """By hand: 10% of goods 2 × 42.50 + 3 × 3.25 = 94.75 is 9.475, so 9.48: 8.50 of the cylinders, .98 of the keys.
    Tax at 8.25%: on 76.50, 6.31125 → 6.31; on 8.77, .723525 → .72; the trip is not taxed.
    """
    lines = [
        PricedLine("Cylinder", 2, 4250, PriceKind.GOODS),
        PricedLine("Key", 3, 325, PriceKind.GOODS),
        PricedLine("Trip", 1, 9000, PriceKind.LABOR),
    ]
    sums = total(lines, RULE, None, DAY, Discount(percent=Decimal(10)))
    assert (sums.goods_cents, sums.labour_cents, sums.discount_cents) == (9475, 9000, 948)
    assert (sums.subtotal_cents, sums.tax_cents, sums.total_cents) == (17527, 703, 18230)
    assert (sums.discount_note, sums.rule) == ("10% off goods", f"{ROUNDING_RULE} {DISCOUNT_RULE}")
    # Ten dollars off: 10.00 × 85.00 / 94.75 = 8.970…, so 8.97 of the cylinders and 1.03 of the keys.
    fixed = total(lines, RULE, None, DAY, Discount(cents=10_00))
    assert (fixed.discount_cents, fixed.subtotal_cents) == (1000, 17475)
    # 76.03 × .0825 = 6.272475 → 6.27; 8.72 × .0825 = .7194 → .72.
    assert (fixed.tax_cents, fixed.total_cents, fixed.discount_note) == (699, 18174, "off goods")
    exempt = total(lines, RULE, Exemption("SM-1188", DAY), DAY, Discount(percent=Decimal(10)))
    assert (exempt.tax_cents, exempt.total_cents) == (0, 17527)
    assert total(lines, RULE, None, DAY).discount_note == ""


@pytest.mark.parametrize(
    ("given_discount", "price", "tax", "total_cents"),
    [
        # Printed in 23VAC10-210-250, example 1, of an early payment: 100.00 at 5.3%, 10% off.
        (Discount(percent=Decimal(10)), 9000, 477, 9477),
        # Computed by us: a fixed sum off the price, tax on what is left: 90.50 × .053 = 4.7965 → 4.80.
        (Discount(cents=9_50), 9050, 480, 9530),
    ],
)
def test_a_discount_and_its_tax_as_published(given_discount, price, tax, total_cents):
    rule = replace(RULE, rate=Decimal("5.3"))
    sums = total([PricedLine("Goods", 1, 10_000, PriceKind.GOODS)], rule, None, DAY, given_discount)
    assert (sums.subtotal_cents, sums.tax_cents, sums.total_cents) == (price, tax, total_cents)


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"percent": Decimal(101)}, "percent"),
        ({"percent": Decimal("NaN")}, "percent"),
        ({"percent": 10}, "percent"),
        ({"cents": -1}, "cents"),
        ({"cents": True}, "cents"),
        ({"cents": MAX_CENTS + 1}, "cents"),
        ({"percent": Decimal(10), "cents": 5}, "cents"),
    ],
)
def test_a_discount_that_cannot_be_is_refused(wrong, field):
    with pytest.raises(BitternError) as refused:
        Discount(**wrong)
    assert refused.value.field == field


def test_an_exemption_holds_to_its_last_day_and_says_so_after():
    line = PricedLine("Cylinder", 1, 10_000, PriceKind.GOODS)
    paper = Exemption("SM-1188", DAY)
    exempt = total([line], RULE, paper, DAY)
    assert exempt.tax_cents == 0
    assert "SM-1188" in exempt.tax_note
    late = total([line], RULE, paper, date(2026, 3, 3))
    assert late.tax_cents == 825
    assert "SM-1188 expired on Monday 2 March 2026" in late.tax_note
    assert total([line], RULE, None, DAY).tax_note == RULE.sentence


def test_nothing_comes_to_nothing():
    assert total([], RULE, None, DAY).total_cents == 0


def test_a_rule_of_another_time_and_a_total_beyond_reason_are_refused():
    with pytest.raises(BitternError) as refused:
        total([], RULE, None, date(2025, 12, 31))
    assert (refused.value.field, refused.value.message) == (
        "tax",
        "The tax rule of Saltmarsh does not hold on Wednesday 31 December 2025.",
    )
    line = PricedLine("Cylinder", 1, MAX_CENTS, PriceKind.LABOR)
    assert total([line], RULE, None, DAY).total_cents == MAX_CENTS
    for lines in ([line, replace(line, unit_cents=1)], [replace(line, kind=PriceKind.GOODS)]):
        with pytest.raises(BitternError) as refused:
            total(lines, RULE, None, DAY)
        assert (refused.value.field, refused.value.message) == (
            "lines",
            "A quote may not come to more than $10,000,000.00.",
        )


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"quantity": 0}, "quantity"),
        ({"quantity": -1}, "quantity"),
        ({"quantity": 1.5}, "quantity"),
        ({"quantity": True}, "quantity"),
        ({"quantity": 10**30}, "quantity"),
        ({"quantity": 1_000_000, "unit_cents": 1_000_000}, "quantity"),
        ({"unit_cents": -1}, "unit_cents"),
        ({"unit_cents": 10**30}, "unit_cents"),
        ({"discounts": (Decimal(101),)}, "discounts"),
        ({"discounts": (Decimal("NaN"),)}, "discounts"),
        ({"discounts": (0.1,)}, "discounts"),
        ({"discount_cents": 1001}, "discount_cents"),
        ({"discounts": (Decimal(10),), "discount_cents": 901}, "discount_cents"),
        ({"discount_cents": -1}, "discount_cents"),
        ({"discount_cents": True}, "discount_cents"),
        ({"quantity": 1_000_001, "unit_cents": 0}, "quantity"),
        ({"quantity": 2, "unit_cents": MAX_CENTS // 2 + 1}, "quantity"),
        ({"unit_cents": True}, "unit_cents"),
    ],
)
def test_lines_that_cannot_be_are_refused(change, field):
    with pytest.raises(BitternError) as refused:
        replace(PricedLine("Cylinder", 1, 1000, PriceKind.GOODS), **change)
    assert refused.value.field == field


TAXED = TaxRule("Saltmarsh", Decimal("8.25"), True, False, date(2026, 1, 1))


def test_a_new_rate_holds_from_its_day():
    table = TaxTable([TAXED, replace(TAXED, rate=Decimal("8.5"), valid_from=date(2026, 7, 1))])
    assert table.rule("Saltmarsh", date(2026, 6, 30)).rate == Decimal("8.25")
    assert table.rule("Saltmarsh", date(2026, 7, 1)).rate == Decimal("8.5")


def test_a_rule_for_a_while_gives_way_to_the_one_before_it():
    week = replace(TAXED, rate=Decimal(0), valid_from=date(2026, 8, 3), valid_until=date(2026, 8, 9))
    table = TaxTable([TAXED, week])
    assert table.rule("Saltmarsh", date(2026, 8, 9)).rate == 0
    assert table.rule("Saltmarsh", date(2026, 8, 10)).rate == Decimal("8.25")


def test_a_place_without_a_rule_is_named():
    for place, day, message in (
        ("Lowport", DAY, "No sales tax rule for Lowport holds on Monday 2 March 2026; enter one."),
        (
            "Saltmarsh",
            date(2025, 12, 31),
            "No sales tax rule for Saltmarsh holds on Wednesday 31 December 2025; enter one.",
        ),
    ):
        with pytest.raises(BitternError) as refused:
            TaxTable([TAXED]).rule(place, day)
        assert (refused.value.field, refused.value.message) == ("place", message)


def test_two_rates_from_the_same_day_are_refused():
    with pytest.raises(Problems, match="Saltmarsh"):
        TaxTable([TAXED, replace(TAXED, rate=Decimal(9))])


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({}, "Saltmarsh sales tax, 8.25% on goods; labor is not taxed."),
        ({"labour_taxed": True}, "Saltmarsh sales tax, 8.25% on goods and labor."),
        ({"goods_taxed": False, "labour_taxed": True}, "Saltmarsh sales tax, 8.25% on labor; goods are not taxed."),
        ({"rate": Decimal("0.000")}, "No sales tax in Saltmarsh."),
        ({"goods_taxed": False}, "No sales tax in Saltmarsh."),
        ({"rate": Decimal(10)}, "Saltmarsh sales tax, 10% on goods; labor is not taxed."),
    ],
)
def test_the_rule_is_printed_as_a_sentence(change, sentence):
    assert replace(TAXED, **change).sentence == sentence


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"rate": Decimal("NaN")}, "rate"),
        ({"rate": Decimal(-1)}, "rate"),
        ({"rate": Decimal(101)}, "rate"),
        ({"rate": 8.25}, "rate"),
        ({"place": " "}, "place"),
        ({"place": None}, "place"),
        ({"place": "x" * 10_000}, "place"),
        ({"valid_until": date(2025, 1, 1)}, "valid_until"),
    ],
)
def test_rules_that_cannot_be_are_refused(change, field):
    with pytest.raises(BitternError) as refused:
        replace(TAXED, **change)
    assert refused.value.field == field


CENTS = st.integers(0, MAX_CENTS)
DEPOSIT_PERCENTS = st.decimals(0, 100, places=2, allow_nan=False)


@given(DEPOSIT_PERCENTS, CENTS, CENTS)
def test_a_share_is_rounded_half_up_and_never_above_the_total(percent, above, total):
    asked = DepositRule(percent=percent, above_cents=above).asked_cents(total)
    exact = (Decimal(total) * percent / 100).quantize(Decimal(1), ROUND_HALF_UP)
    assert asked == (int(exact) if total > above else 0)
    assert 0 <= asked <= total


@given(CENTS, CENTS, CENTS)
def test_an_amount_is_asked_whole_unless_the_total_is_less(cents, above, total):
    asked = DepositRule(cents=cents, above_cents=above).asked_cents(total)
    assert asked == (min(cents, total) if total > above else 0)


@pytest.mark.parametrize(
    ("rule", "words"),
    [
        (DepositRule(), "No deposit is asked."),
        (DepositRule(percent=Decimal("33.3")), "A deposit of 33.3 % is asked of every quote."),
        (
            DepositRule(cents=20_00, above_cents=500_00),
            "A deposit of $20.00 is asked of quotes above $500.00, tax included.",
        ),
    ],
)
def test_the_rule_reads_as_a_sentence(rule, words):
    assert rule.words == words


@pytest.mark.parametrize(
    ("wrong", "field"),
    [
        ({"percent": Decimal(101)}, "deposit_percent"),
        ({"percent": Decimal("NaN")}, "deposit_percent"),
        ({"percent": True}, "deposit_percent"),
        ({"cents": 10**30}, "deposit_cents"),
        ({"cents": True}, "deposit_cents"),
        ({"cents": -1}, "deposit_cents"),
        ({"above_cents": 10**30}, "deposit_above_cents"),
        ({"above_cents": -1}, "deposit_above_cents"),
        ({"percent": Decimal(10), "cents": 5}, "deposit_cents"),
    ],
)
def test_what_cannot_be_is_refused_by_field(wrong, field):
    with pytest.raises(BitternError) as refused:
        DepositRule(**wrong)
    assert refused.value.field == field


CYLINDER = PricedLine("Mortise cylinder", 3, 4250, PriceKind.GOODS)
KEY = PricedLine("Key", 6, 300, PriceKind.GOODS)
TRIP = PricedLine("Trip", 1, 9000, PriceKind.LABOR)
REVISED_LINES = st.lists(
    st.builds(
        PricedLine,
        st.sampled_from(["Cylinder", "Key", "Cam"]),
        st.integers(1, 3),
        st.integers(1, 3),
        st.just(PriceKind.GOODS),
    ),
    max_size=8,
)


def test_lines_are_the_same_changed_added_or_removed():
    more = replace(CYLINDER, quantity=4)
    changes = compare_revisions([CYLINDER, KEY], [TRIP, more])
    assert [(one.status, one.before, one.after) for one in changes] == [
        (LineStatus.ADDED, None, TRIP),
        (LineStatus.CHANGED, CYLINDER, more),
        (LineStatus.REMOVED, KEY, None),
    ]
    assert [one.difference_cents for one in changes] == [9000, 4250, -1800]


def test_equal_lines_are_matched_before_those_of_the_same_name():
    dear = replace(KEY, unit_cents=900)
    changes = compare_revisions([dear, KEY], [KEY, replace(dear, quantity=1)])
    assert [one.status for one in changes] == [LineStatus.SAME, LineStatus.CHANGED]


@given(REVISED_LINES, REVISED_LINES)
def test_every_line_appears_once_and_the_differences_add_up(before, after):
    changes = compare_revisions(before, after)
    assert [one.after for one in changes if one.after] == after
    assert sorted(map(repr, (one.before for one in changes if one.before))) == sorted(map(repr, before))
    gap = sum(line.net_cents for line in after) - sum(line.net_cents for line in before)
    assert sum(one.difference_cents for one in changes) == gap
    for one in changes:
        if one.status is LineStatus.SAME:
            assert one.before == one.after
        if one.status is LineStatus.CHANGED:
            assert one.before != one.after
            assert one.before.description == one.after.description


@given(REVISED_LINES)
def test_a_revision_beside_itself_is_all_the_same(lines):
    assert {one.status for one in compare_revisions(lines, lines)} <= {LineStatus.SAME}


def test_a_rule_holds_on_its_last_day_which_may_be_its_first():
    rule = replace(RULE, valid_from=DAY, valid_until=DAY)
    assert total([PricedLine("Cylinder", 1, 10_000, PriceKind.GOODS)], rule, None, DAY).tax_cents == 825
