"""A discount on the goods of a quote, and prices that go under cost or far under the book: figures by hand.

Key cabinets are 64.00 and cost 38.00, ring sets 9.80 and cost 4.10, a trip is 85.00 (demo_data/prices.csv). Saltmarsh
taxes goods at 7.25%, labor not.
"""

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

import pytest
import sqlalchemy as sa

from app.ledger.catalog.quote_rules import QuoteRulesForm, set_quote_rules
from app.ledger.jobs.queries import job_money
from app.ledger.quoting.issuing import requote
from app.ledger.quoting.low_prices import ASK
from app.ledger.quoting.quoting import price_request
from app.ledger.quoting.repeating import repeat_of
from app.ledger.quoting.request import LineRequest, QuoteRequest
from app.ledger.quoting.snapshot import as_accepted, read_snapshot
from app.ledger.reports.books import book_rows
from app.ledger.store.work import Work
from app.ledger.tables import MAIL_SUBJECT, MAIL_TEXT, Customer, Event, LineKind, SoldLine
from app.pricing import DepositRule, Discount
from app.pricing.totals import DISCOUNT_RULE, LINE_DISCOUNT_RULE, ROUNDING_RULE
from tests.ledger.conftest import customer_id
from tests.ledger.quoting.test_options import SHOP, price_at_the_factory, rules
from tests.ledger.test_main_job import accept, flats, issued

CABINETS = LineRequest(LineKind.HARDWARE, 3, price_code="KEY-CABINET", keys_each=0)
RINGS = LineRequest(LineKind.HARDWARE, 10, price_code="RING-SET", keys_each=0)
TRIP = LineRequest(LineKind.TRIP, 1, price_code="TRIP", keys_each=0)
TWELVE = Discount(percent=Decimal(12))
WHY = "buys for the whole quay"


def ask(work: Work, discount: Discount = TWELVE, *lines: LineRequest, **more: object) -> QuoteRequest:
    """Goods of 192.00 + 98.00 = 290.00 and a trip, unless there are other lines."""
    wanted = QuoteRequest(
        customer_id(work, "Harbourmaster"),
        lines or (CABINETS, RINGS, TRIP),
        discount=discount,
        discount_reason=WHY,
    )
    return replace(wanted, **more)  # type: ignore[arg-type]


def told(work: Work, asked: QuoteRequest) -> dict[str, str]:
    return {problem.field: problem.message for problem in price_request(work, asked).problems}


def test_a_percentage_comes_off_the_goods_before_tax_and_the_deposit_follows(work: Work) -> None:
    """12% of 290.00 is 34.80: 23.04 of the cabinets, 11.76 of the rings. Tax: 168.96 → 12.25, 86.24 → 6.25."""
    rules(work, percent=Decimal(50))
    priced = price_request(work, ask(work))
    sums = priced.totals
    assert priced.problems == ()
    assert (sums.goods_cents, sums.labour_cents, sums.discount_cents) == (290_00, 85_00, 34_80)
    assert (sums.subtotal_cents, sums.tax_cents, sums.total_cents) == (340_20, 18_50, 358_70)
    assert (priced.deposit_cents, sums.discount_note) == (179_35, "12% off goods")
    assert [line.unit_cents for line in priced.lines] == [64_00, 9_80, 85_00]  # the lines keep their prices
    # Cost: 3 × 38.00 + 10 × 4.10 + 32.00 = 187.00.
    assert priced.margin_cents == 340_20 - 187_00
    # The same as an amount.
    amount = price_request(work, ask(work, Discount(cents=34_80)))
    assert amount.problems == () and amount.totals == replace(sums, discount_note="off goods")


def test_an_exempt_customer_pays_no_tax_on_what_the_discount_leaves(work: Work) -> None:
    rules(work, percent=Decimal(50))
    customer = work.session.get_one(Customer, customer_id(work, "Harbourmaster"))
    customer.exempt_certificate, customer.exempt_until = "HF-88", work.today + timedelta(days=9)
    work.session.commit()
    priced = price_request(work, ask(work))
    assert (priced.totals.tax_cents, priced.totals.total_cents, priced.deposit_cents) == (0, 340_20, 170_10)
    assert priced.totals.tax_note == "Tax exempt, certificate HF-88."


def test_a_discount_needs_its_reason_and_goods_to_come_off(work: Work) -> None:
    (message,) = told(work, ask(work, discount_reason=" ")).values()
    assert message == "Say why there is a discount; the house alone reads it, no paper prints it."
    too_long = told(work, ask(work, discount_reason="x" * 501))
    assert list(too_long) == ["discount_reason"] and "At most 500" in too_long["discount_reason"]
    assert told(work, ask(work, TWELVE, TRIP)) == {
        "discount": "There are no goods here to take a discount off; labor has none."
    }
    beyond = told(work, ask(work, Discount(cents=290_01)))
    assert beyond["discount"] == "The goods come to $290.00: take off at most that."
    assert "discount" not in told(work, ask(work, Discount(cents=290_00)))


@pytest.mark.parametrize(
    ("percent", "asked"),
    [
        ("20", ""),
        ("20.1", "With the discount the goods are 20.1% under the book."),
        ("25", "With the discount the goods are 25% under the book."),
        # 45%: the cabinets come to 105.60 and cost 114.00; the rings to 53.90 and cost 41.00.
        ("45", "With the discount line 1 sells below cost."),
        ("60", "With the discount lines 1 and 2 sell below cost."),
    ],
)
def test_a_discount_far_under_the_book_or_under_cost_asks(work: Work, percent: str, asked: str) -> None:
    wanted = ask(work, Discount(percent=Decimal(percent)))
    assert told(work, wanted) == ({"discount_meant": f"{asked} {ASK}"} if asked else {})
    assert told(work, replace(wanted, discount_meant=asked)) == {}
    if asked:  # an answer to something else is none
        assert told(work, replace(wanted, discount_meant="With the discount line 3 sells below cost.")) != {}


@pytest.mark.parametrize(
    ("cents", "asked"),
    [
        (9_80, ""),
        (12_00, ""),
        (7_84, ""),  # 1.96 of 9.80 is 20%
        (7_83, "$7.83 is 20.1% under the book's $9.80."),
        (4_10, "$4.10 is 58.2% under the book's $9.80."),
        (4_09, "$4.09 is below cost."),
    ],
)
def test_an_own_price_far_under_the_book_or_under_cost_asks_on_its_line(work: Work, cents: int, asked: str) -> None:
    line = replace(RINGS, unit_cents=cents, price_reason="old stock")
    wanted = QuoteRequest(customer_id(work, "Harbourmaster"), (TRIP, line))
    assert told(work, wanted) == ({"lines.1.price_meant": f"{asked} {ASK}"} if asked else {})
    assert told(work, replace(wanted, lines=(TRIP, replace(line, price_meant=asked)))) == {}


def test_the_owner_says_how_far_under_the_book_a_price_may_go(work: Work) -> None:
    form = QuoteRulesForm(DepositRule(), MAIL_SUBJECT, MAIL_TEXT, most_off_percent=Decimal("45.5"))
    set_quote_rules(work, form, None)
    line = replace(RINGS, unit_cents=5_34, price_reason="old stock")  # 45.5% under
    dear = replace(CABINETS, unit_cents=40_00, price_reason="old stock")
    assert told(work, QuoteRequest(customer_id(work, "Harbourmaster"), (line, dear))) == {}
    below = replace(line, unit_cents=5_33)
    assert list(told(work, QuoteRequest(customer_id(work, "Harbourmaster"), (below,)))) == ["lines.0.price_meant"]


def test_what_went_under_the_book_is_in_the_jobs_story_with_its_reason(work: Work) -> None:
    low = replace(RINGS, unit_cents=4_00, price_reason="old stock", price_meant="$4.00 is below cost.")
    meant = "With the discount line 1 sells below cost."
    job = issued(work, ask(work, Discount(percent=Decimal(45)), CABINETS, low, discount_meant=meant))
    kinds = ("low price agreed", "discount given")
    rows = work.session.scalars(sa.select(Event.summary).where(Event.kind.in_(kinds)).order_by(Event.id)).all()
    # 45% of 192.00 + 40.00.
    assert rows == [
        f"Quote Q-{job.number}-1, line 2: $4.00 is below cost. Reason: old stock",
        f"Quote Q-{job.number}-1: $104.40, 45% off goods. {meant} Reason: {WHY}",
    ]


def test_both_options_have_the_discount_and_the_one_accepted_is_owed(work: Work) -> None:
    """24 × 27.36 + 48 × 3.25 = 812.64 of goods; 10% is 81.26, 65.66 of the cylinders, 15.60 of the keys. Tax:
    590.98 → 42.85, 140.40 → 10.18. Labor: 24 × 12.00 + 75.00 on the bench, 24 × 8.00 + 75.00 at the factory.
    """
    price_at_the_factory(work)
    rules(work, percent=Decimal(50))
    tenth = Discount(percent=Decimal(10))
    job = issued(work, flats(work, option_b="factory", discount=tenth, discount_reason=WHY, **SHOP))
    quote = read_snapshot(job.revisions[-1].snapshot)
    for name, labor, subtotal, whole, deposit in (
        ("A", 363_00, 1094_38, 1147_41, 573_71),
        ("B", 267_00, 998_38, 1051_41, 525_71),
    ):
        each = as_accepted(quote, name)
        sums = each.totals
        assert (sums.goods_cents, sums.labour_cents, sums.discount_cents) == (812_64, labor, 81_26)
        assert (sums.subtotal_cents, sums.tax_cents, sums.total_cents) == (subtotal, 53_03, whole)
        assert each.deposit_cents == deposit
    accept(work, job, option="B")
    assert (job.value_cents, job.deposit_cents, job_money(job).total_cents) == (998_38, 525_71, 1051_41)
    (row,) = book_rows(work, "quotes", work.today, work.today)
    assert row[5:] == ("812.64", "363.00", "-81.26", "53.03", "1147.41")


def test_a_quote_issued_anew_keeps_its_discount_and_says_so(work: Work) -> None:
    job = issued(work, ask(work))
    anew = requote(work, job)
    assert "The discount stays as it was given." in anew.notes and anew.problems == ()
    assert anew.comparison.sums == (
        ("Discount", -34_80, -34_80),
        ("Before tax", 340_20, 340_20),
        ("Sales tax", 18_50, 18_50),
        ("Total", 358_70, 358_70),
    )


def off(line: LineRequest, percent: str = "0", cents: int = 0) -> LineRequest:
    return replace(line, discount=Discount(Decimal(percent), cents), price_reason="scratched")


def test_a_line_has_a_discount_of_its_own_before_that_of_the_quote_and_before_tax(work: Work) -> None:
    """Rings 98.00 less 7.5%, 7.35, are 90.65; the trip 85.00 less 5.00 is 80.00; the cabinets stay at 192.00. Goods
    of 282.65 less 12%, 33.918, so 33.92: 192/282.65 of it, 23.04, of the cabinets, 10.88 of the rings. Tax at 7.25%:
    of 168.96, 12.25; of 79.77, 5.783, so 5.78. 282.65 + 80.00 - 33.92 + 18.03 = 346.76.
    """
    lines = (CABINETS, off(RINGS, "7.5"), off(TRIP, cents=5_00))
    priced = price_request(work, ask(work, TWELVE, *lines))
    assert priced.problems == ()
    assert [(one.amount_cents, one.discount_note) for one in priced.lines] == [
        (192_00, ""), (90_65, "Less 7.5%, $7.35"), (80_00, "Less $5.00"),
    ]  # fmt: skip
    sums = priced.totals
    assert (sums.goods_cents, sums.labour_cents, sums.discount_cents) == (282_65, 80_00, 33_92)
    assert (sums.subtotal_cents, sums.tax_cents, sums.total_cents) == (328_73, 18_03, 346_76)
    assert sums.rule == f"{ROUNDING_RULE} {LINE_DISCOUNT_RULE} {DISCOUNT_RULE}"
    # Cost: 3 × 38.00 + 10 × 4.10 + 32.00 = 187.00.
    assert priced.margin_cents == 328_73 - 187_00
    job = issued(work, ask(work, TWELVE, *lines))
    told_in_story = sa.select(Event.summary).where(Event.kind == "discount given").order_by(Event.id)
    assert work.session.scalars(told_in_story).all() == [
        f"Quote Q-{job.number}-1, line 2: Less 7.5%, $7.35. Reason: scratched",
        f"Quote Q-{job.number}-1, line 3: Less $5.00. Reason: scratched",
        f"Quote Q-{job.number}-1: $33.92, 12% off goods. Reason: {WHY}",
    ]
    accept(work, job)
    sold = sa.select(SoldLine.label, SoldLine.amount_cents).where(SoldLine.job_id == job.id).order_by(SoldLine.id)
    assert work.session.execute(sold).all() == [
        ("1", 192_00), ("2", 90_65), ("3", 80_00), ("discount", -33_92),
    ]  # fmt: skip
    # Asked for once more, and issued anew: the discounts stay, each with its reason.
    again, said = repeat_of(work, job)
    assert said == (
        "The discount of line 2 stays as it was given.",
        "The discount of line 3 stays as it was given.",
        "The discount stays as it was given.",
    )
    assert price_request(work, again).totals == sums
    other = issued(work, ask(work, TWELVE, *lines))
    assert requote(work, other).ask.lines == lines


@pytest.mark.parametrize(
    ("percent", "cents", "said"),
    [
        ("20", 0, ""),
        ("20.1", 0, "$78.30 is 20.1% under the book's $98.00."),
        ("0", 57_01, "$40.99 is below cost."),  # ten cost 41.00
        ("0", 57_00, "$41.00 is 58.2% under the book's $98.00."),
    ],
)
def test_a_lines_discount_that_goes_low_is_asked_about(work: Work, percent: str, cents: int, said: str) -> None:
    line = off(RINGS, percent, cents)
    wanted = QuoteRequest(customer_id(work, "Harbourmaster"), (line,))
    assert told(work, wanted) == ({"lines.0.price_meant": f"{said} {ASK}"} if said else {})
    assert told(work, replace(wanted, lines=(replace(line, price_meant=said),))) == {}


def test_a_lines_discount_needs_its_reason_and_is_no_more_than_the_line(work: Work) -> None:
    silent = QuoteRequest(customer_id(work, "Harbourmaster"), (replace(off(RINGS, "5"), price_reason=""),))
    assert told(work, silent) == {
        "lines.0.price_reason": "Say why there is a discount; the house alone reads it, no paper prints it."
    }
    beyond = QuoteRequest(customer_id(work, "Harbourmaster"), (off(RINGS, cents=98_01),))
    assert told(work, beyond)["lines.0.discount"] == "The line comes to $98.00: take off at most that."
