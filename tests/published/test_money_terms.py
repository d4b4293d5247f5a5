"""Terms and cash discounts, part payments, tax in cents, deposits, accounts, ages, numbers: values from outside.

Each row says where it comes from. P: printed there; C: computed by us; D: derived by us from printed inputs.
OA1: Principles of Accounting, Volume 1, OpenStax 2019. OCM: Contemporary Mathematics, OpenStax 2023. OPF: Principles
of Finance, OpenStax 2022. Laws and rules differ by place and day: each is a setting of the house, none is built in.
"""

from datetime import date
from decimal import ROUND_HALF_UP, Decimal
from fractions import Fraction

import pytest

from app.ledger.store.numbers import account_payment_number, invoice_number
from app.pricing import (
    Dating,
    Discount,
    MoneyRules,
    PaymentTerms,
    PricedLine,
    PriceKind,
    TaxCents,
    TaxRounding,
    TaxRule,
    UseOrder,
    early_discount,
    restocking_cents,
    settled_by,
    share_payment,
    total,
)

DAY = date(2026, 3, 2)


def terms(percent: str, days: int, due: int = 30, dating: Dating = Dating.INVOICE) -> PaymentTerms:
    return PaymentTerms(due, Decimal(percent), days, dating)


def paid(cents: int, what: PaymentTerms, invoiced_on: date, paid_on: date) -> int:
    """What settles an invoice on a day."""
    until = what.discount_until(what.counted_from(invoiced_on))
    return cents - early_discount(cents, what.cash_percent) if until and paid_on <= until else cents


@pytest.mark.parametrize(
    ("cents", "what", "invoiced_on", "paid_on", "expected"),
    [
        # CD1, P: Accounting Principles: A Business Perspective p. 240, online.flipbuilder.com/oode/sjrj
        (2000_00, terms("2", 10), date(2026, 7, 12), date(2026, 7, 21), 1960_00),
        # CD2, P: OA1 12.2; the tenth day counts
        (600_00, terms("5", 10), date(2026, 4, 3), date(2026, 4, 13), 570_00),
        (600_00, terms("5", 10), date(2026, 4, 3), date(2026, 4, 15), 600_00),
        # CD3, P: OA1 6.4
        (16_800_00, terms("2", 10), date(2026, 8, 1), date(2026, 8, 10), 16_464_00),
        (16_800_00, terms("2", 10), date(2026, 8, 1), date(2026, 8, 25), 16_800_00),
        # CD4, P: OA1 6.4: 55 at 350.00, less a return of 3,500.00 and an allowance of 300.00; 10/15
        (55 * 350_00 - 3500_00 - 300_00, terms("10", 15), date(2026, 5, 1), date(2026, 5, 16), 13_905_00),
        # CD5, P: OA1 6.3
        (8000_00 - 1500_00 - 120_00, terms("5", 15), date(2026, 6, 1), date(2026, 6, 10), 6061_00),
        # CD9, P: Business mathematics lesson 14.5, studylib.net/doc/5432321
        (727_05, terms("4", 10, 30, Dating.END_OF_MONTH), date(2026, 7, 12), date(2026, 8, 10), 697_97),
        (727_05, terms("4", 10, 30, Dating.END_OF_MONTH), date(2026, 7, 12), date(2026, 8, 11), 727_05),
    ],
)
def test_what_settles_an_invoice_early(
    cents: int, what: PaymentTerms, invoiced_on: date, paid_on: date, expected: int
) -> None:
    assert paid(cents, what, invoiced_on, paid_on) == expected


def test_days_of_terms() -> None:
    month = terms("4", 10, 30, Dating.END_OF_MONTH)
    # CD9, P: last discount day August 10, net August 30.
    start = month.counted_from(date(2026, 7, 12))
    assert (month.discount_until(start), month.due_on(start)) == (date(2026, 8, 10), date(2026, 8, 30))
    # CD10, P (same lesson): dated the 26th or later, one month more; 7,938.00 D. Another text has no such extension.
    late = terms("2", 10, 30, Dating.END_OF_MONTH)
    assert late.discount_until(late.counted_from(date(2026, 11, 27), late_in_month=26)) == date(2027, 1, 10)
    assert late.discount_until(late.counted_from(date(2026, 11, 27))) == date(2026, 12, 10)
    assert 8100_00 - early_discount(8100_00, Decimal(2)) == 7938_00
    # CD11, P: Business Mathematics ch. 7 test, questionai.com 1699554
    goods = terms("2", 10, 30, Dating.RECEIPT)
    assert goods.discount_until(goods.counted_from(date(2026, 5, 8), date(2026, 5, 20))) == date(2026, 5, 30)
    # CD13, P: Business Mathematics p. 280, questionai.com 423899: chain 20/10/10, 3/15 EOM, freight apart.
    line = PricedLine("Goods", 1, 27_393_00, PriceKind.GOODS, tuple(map(Decimal, (20, 10, 10))))
    assert line.net_cents == 17_750_66
    chain = terms("3", 15, 35, Dating.END_OF_MONTH)
    start = chain.counted_from(date(2026, 9, 14))
    assert (chain.discount_until(start), chain.due_on(start)) == (date(2026, 10, 15), date(2026, 11, 4))
    off = early_discount(line.net_cents, Decimal(3))
    assert (off, line.net_cents - off + 748_38) == (532_52, 17_966_52)


@pytest.mark.parametrize(
    ("cents", "percent", "settles"),
    [
        (450_00, "2", 459_18),  # CD6, P: holooly.com "Dave's Body and Paint"; 1,140.00 less it is 680.82
        (2790_00, "7", 3000_00),  # CD7, P: physicsforums.com 1035352
        (1920_00, "4", 2000_00),
        (980_00, "2", 1000_00),  # CD8, P: libraryguides.centennialcollege.ca p=5114199
        (2665_60, "2", 2720_00),  # 3,720.00 falls to 1,000.00
    ],
)
def test_what_a_part_payment_settles_in_its_days(cents: int, percent: str, settles: int) -> None:
    assert settled_by(cents, Decimal(percent)) == settles


@pytest.mark.parametrize(
    ("how", "exact", "cents"),
    [
        # TX1, rule P, cases D: R.I. Gen. Laws 44-18.1-25 (streamlined agreement); Mass. G.L. 64I s. 5
        (TaxRounding.HALF_UP, "1.5", 2),
        (TaxRounding.HALF_UP, "1.49", 1),
        # TX3, P: 20 NYCRR 530.1: half a cent and more is one; five mills or less in all is not collected
        (TaxRounding.NO_HALF_CENT, "1.5", 2),
        (TaxRounding.NO_HALF_CENT, "0.5", 0),
        (TaxRounding.NO_HALF_CENT, "0.51", 1),
        # TX5, rule P, figures D: New Zealand, GST Act s. 19O
        (TaxRounding.HALF_DROPPED, "10.5", 10),
        (TaxRounding.HALF_DROPPED, "10.51", 11),
        # TX6, P: Australia, GST Act 1999 s. 9-90
        (TaxRounding.HALF_UP, "0.5", 1),
    ],
)
def test_tax_comes_to_whole_cents_by_the_rule(how: TaxRounding, exact: str, cents: int) -> None:
    assert how.cents(Fraction(exact)) == cents


def test_tax_by_line_or_by_invoice() -> None:
    """TX2, choice P (the laws of TX1), figures C."""
    line, whole = TaxCents(), TaxCents(by_invoice=True)
    assert [one.tax([10_10] * 3, Decimal("8.25")) for one in (line, whole)] == [2_49, 2_50]
    assert [one.tax([10_25] * 3, Decimal(6)) for one in (line, whole)] == [1_86, 1_85]


def test_marylands_steps() -> None:
    """TX4, rule P, figures D: Md. Tax-General 11-104, 11-301 (2008): 6 cents a dollar, then 1 from .01, 2 from .17,
    3 from .34, 4 from .51, 5 from .67, 6 from .84, on the combined sale.
    """
    steps = [1, 17, 34, 51, 67, 84]
    for cents in range(3_01):
        by_law = cents // 100 * 6 + sum(cents % 100 >= step for step in steps)
        assert TaxRounding.STEPS.cents(Fraction(cents * 6, 100)) == by_law, cents
    one, all_of_them = TaxCents(TaxRounding.STEPS), TaxCents(TaxRounding.STEPS, by_invoice=True)
    assert [one.tax([cents], Decimal(6)) for cents in (10_01, 10_17, 10_34, 10_84)] == [61, 62, 63, 66]
    assert [TaxCents().tax([cents], Decimal(6)) for cents in (10_01, 10_17, 10_34, 10_84)] == [60, 61, 62, 65]
    assert (all_of_them.tax([10_01] * 3, Decimal(6)), one.tax([10_01] * 3, Decimal(6))) == (1_81, 1_83)


@pytest.mark.parametrize(
    ("cents", "rate", "tax"),
    [
        (34_88, "8.25", 2_88),  # TX7, P: OCM 6.2
        (428_99, "8.25", 35_39),  # TX7, D: the text prints a total of 464.87 for 464.38, a slip
        (499_00, "8.81", 43_96),  # TX8, P: OCM 6.2
        (432_00, "8.25", 35_64),  # TX9, P: OCM 6.2
        (18_000_00, "6", 1_080_00),  # TX10, P: OA1 12.2
        (110_00, "5", 5_50),  # TX11, P: Wis. Adm. Code Tax 11.94: delivery with taxable goods
        (20_00, "5.3", 1_06),  # RT6, P: 23VAC10-210-3080 B
        (1000_00, "6.5", 65_00),  # RC1, rule P (Kansas Notice 15-02), figure D
    ],
)
def test_tax_of_an_amount(cents: int, rate: str, tax: int) -> None:
    rule = TaxRule("Saltmarsh", Decimal(rate), True, True, DAY)
    sums = total([PricedLine("Goods", 1, cents, PriceKind.GOODS)], rule, None, DAY)
    assert (sums.tax_cents, sums.total_cents) == (tax, cents + tax)


def test_cash_discount_and_tax_and_discounts_before_tax() -> None:
    # TX13, P: 23VAC10-210-250 example 1: 100.00 and 5.30 of tax, 10 % within 30 days: 94.77 = 90.00 + 4.77
    assert 105_30 - early_discount(105_30, Decimal(10)) == 94_77 == 90_00 + TaxCents().tax([90_00], Decimal("5.3"))
    # TX17, P: Minnesota Dept. of Revenue, Discounts and Coupons: tax is on the discounted price
    rule = TaxRule("Saltmarsh", Decimal(10), True, True, DAY)
    sums = total([PricedLine("Goods", 1, 100_00, PriceKind.GOODS)], rule, None, DAY, Discount(percent=Decimal(20)))
    assert sums.tax_cents == 8_00
    # TX12, rule P, figures C: Minn. Stat. 297A.61 subd. 7: delivery of 20.00 over 300.00 taxable and 100.00 exempt
    assert share_payment(20_00, [300_00, 100_00], UseOrder.IN_PROPORTION) == (15_00, 5_00)


def test_the_order_in_which_a_part_payment_is_used() -> None:
    # TX15, P and D: 23VAC10-210-160: parts 50.00, labor 25.00, tax 2.65; 30.00 paid
    shares = share_payment(30_00, [50_00, 25_00, 2_65], UseOrder.IN_PROPORTION)
    assert shares == (19_32, 9_66, 1_02)
    assert 50_00 - shares[0] == 30_68 and 2_65 - shares[2] == 1_63
    # TX16: 200.00 stay open of 270.00 and 30.00 of charges when 100.00 is paid, whichever comes first:
    # oldest first (20 NYCRR 534.7 ex. 1), pro rata (COMAR 03.06.03.07 C), price first (S.D. Rule 64:06:01:03.02).
    for order in UseOrder:
        assert sum((270_00, 30_00)) - sum(share_payment(100_00, [270_00, 30_00], order)) == 200_00
    assert share_payment(100_00, [270_00, 30_00], UseOrder.OLDEST_FIRST) == (100_00, 0)
    assert share_payment(100_00, [270_00, 30_00], UseOrder.IN_PROPORTION) == (90_00, 10_00)


def test_the_restocking_charge_is_one_percentage() -> None:
    """RT5, P: California Reg. 1655(a)(1): one percentage for every return of a cycle; figure C."""
    assert restocking_cents(85_00, Decimal(10)) == 8_50


def test_the_age_of_a_debt() -> None:
    rules = MoneyRules()
    due = date(2026, 6, 1)
    # AG3, P: 74 Ill. Adm. Code 320.30: current on the due date itself
    assert [rules.age_class(due, date(2026, 6, day)) for day in (1, 2)] == [0, 1]
    assert [rules.age_class(due, day) for day in (date(2026, 7, 1), date(2026, 7, 2))] == [1, 2]
    assert [rules.age_class(due, day) for day in (date(2026, 7, 31), date(2026, 8, 1))] == [2, 3]
    assert [rules.age_class(due, day) for day in (date(2026, 8, 30), date(2026, 8, 31))] == [3, 4]
    # AG4, P / D: OPF 19.4 says 45 days (both ends); the plain difference is 44
    both = MoneyRules(counts_both_days=True)
    assert (rules.age(due, date(2026, 7, 15)), both.age(due, date(2026, 7, 15))) == (44, 45)
    assert "both counted" in both.age_sentence


def test_numbers_of_invoices() -> None:
    """IN1, P: Directive 2006/112/EC art. 226(2); IN3, P: India, CGST Rules 46(b): at most 16 letters, digits,
    - and /. The series without gaps (IN2, IN4) is held to in `tests/published/test_money_accounts.py`.
    """
    numbers = [invoice_number(one) for one in (1, 2, 9999, 10_000, 2**31 - 1)]
    assert numbers[:2] == ["I-0001", "I-0002"] and len(set(numbers)) == len(numbers)
    assert all(len(one) <= 16 and one.replace("-", "").isalnum() for one in numbers)
    assert invoice_number(7) != account_payment_number(7)
    assert len("SSJCo/MP/01/2018") == 16


@pytest.mark.parametrize("rate", ["5.3", "6", "7.25", "8.81", "8.875"])
def test_tax_of_each_amount_is_that_of_decimal(rate: str) -> None:
    """C: Python's decimal with ROUND_HALF_UP, every amount from 0.01 to 30.00."""
    for cents in range(1, 30_01):
        by_decimal = (Decimal(cents) * Decimal(rate) / 100).quantize(Decimal(1), ROUND_HALF_UP)
        assert TaxCents().tax([cents], Decimal(rate)) == by_decimal
