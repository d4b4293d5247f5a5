"""Margins of price and cost, price breaks on all pieces, and tax on the discounted price: published figures."""

from datetime import date
from decimal import Decimal
from fractions import Fraction

import pytest

from app.pricing import Discount, PriceBasis, PriceBook, PricedLine, PriceKind, PriceRow, PriceRule, TaxRule, total

DAY = date(2026, 3, 2)


def rule(basis: PriceBasis, figure: str) -> PriceRule:
    return PriceRule(basis, Decimal(figure), DAY)


@pytest.mark.parametrize(
    ("basis", "figure", "cost", "price"),
    [
        # MG1 (P, Contemporary Mathematics, OpenStax 2023, 6.2): a markup of 15 % on 62.00; one of 75 % on 480.
        (PriceBasis.COST_TIMES, "1.15", 62_00, 71_30),
        (PriceBasis.COST_TIMES, "1.75", 480_00, 840_00),
        # MG2 (P, Brechner, Contemporary Mathematics for Business, 8-II ex. 7, bartleby.com): 165.99 - 71.25 = 94.74,
        # 133 % of cost, 57.1 % of price; both with the decimals that hit the cent (C).
        (PriceBasis.MARGIN, "57.076", 71_25, 165_99),
        (PriceBasis.COST_TIMES, "2.3297", 71_25, 165_99),
        # MG3 (P, Business Mathematics p. 341, questionai.com 1699650): 25 and 100 % on cost are 20 and 50 % of price.
        (PriceBasis.MARGIN, "20", 100_00, 125_00),
        (PriceBasis.COST_TIMES, "1.25", 100_00, 125_00),
        (PriceBasis.MARGIN, "50", 100_00, 200_00),
        (PriceBasis.COST_TIMES, "2", 100_00, 200_00),
        # MG4 (P, same p. 297, questionai.com 423945): 7.00 is 25 % of the price: cost 21.00, price 28.00.
        (PriceBasis.MARGIN, "25", 21_00, 28_00),
        # MG5 (P, same p. 299, questionai.com 423958): 41.88 a dozen, half of the price.
        (PriceBasis.MARGIN, "50", 41_88, 83_76),
    ],
)
def test_a_price_by_markup_or_margin(basis: PriceBasis, figure: str, cost: int, price: int) -> None:
    assert rule(basis, figure).price(cost, 0) == price


def test_a_dozen_by_the_piece() -> None:
    """MG5: 83.76 a dozen is 6.98 each (P)."""
    assert Fraction(rule(PriceBasis.MARGIN, "50").price(41_88, 0), 12) == 6_98


BREAKS = ((1, 100_00), (10, 80_00), (20, 70_00), (50, 60_00), (100, 50_00))
BOOK = PriceBook(
    PriceRow("X", "X", "hardware", PriceKind.GOODS, cents, 0, DAY, quantity_from=start) for start, cents in BREAKS
)


@pytest.mark.parametrize(
    ("quantity", "dollars"),
    [
        (15, 1_200),  # PB1: P, a programming exercise with its answer, in huggingface.co Nemotron-CC-Math-v1
        # PB2: D, the edges of PB1.
        *((9, 900), (10, 800), (18, 1_440), (19, 1_520), (20, 1_400)),
        *((49, 3_430), (50, 3_000), (99, 5_940), (100, 5_000)),
    ],
)
def test_breaks_hold_for_all_pieces(quantity: int, dollars: int) -> None:
    assert BOOK.price("X", DAY, None, quantity).unit_cents * quantity == dollars * 100


@pytest.mark.parametrize(
    ("quantity", "more"),
    [
        *((8, None), (9, (10, 800_00)), (17, None), (18, (20, 1_400_00)), (19, (20, 1_400_00)), (20, None)),
        *((49, (50, 3_000_00)), (99, (100, 5_000_00)), (100, None)),
    ],
)
def test_the_clerk_is_told_where_more_cost_less(quantity: int, more: tuple[int, int] | None) -> None:
    """PB2 (D): 20 cost less than 18 or 19; 17 cost 1,360, less than 20."""
    assert BOOK.cheaper_more("X", DAY, None, quantity) == more


def test_the_tax_is_on_the_discounted_price() -> None:
    """TX17: taxed on the discounted price (P, Minnesota Dept. of Revenue, Discounts and Coupons; likewise Ariz.
    R15-5-129 A); figures ours (C): 100.00 less 10 % of the line, 90.00, less 5 % of the goods, 85.50, at 8.25 %:
    7.05375.
    """
    line = PricedLine("Cylinder", 1, 100_00, PriceKind.GOODS, off_cents=10_00)
    tax = TaxRule("Saltmarsh", Decimal("8.25"), True, False, DAY)
    sums = total([line], tax, None, DAY, Discount(percent=Decimal(5)))
    assert (sums.goods_cents, sums.discount_cents, sums.subtotal_cents) == (90_00, 4_50, 85_50)
    assert (sums.tax_cents, sums.total_cents) == (7_05, 92_55)
