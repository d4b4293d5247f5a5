"""Sales tax and prices that change before the work is ready: said with amounts, settled by the house's own rule.

Figures by hand. 45 of the customer's own mortise cylinders, rekeyed keyed different, with 45 keys: 45 × $16.00 and
45 × $6.50 of labor, 45 keys of goods at $3.25 = $146.25; $1,158.75 before tax. Tax on goods alone: 8% of 146.25 is
11.70, 9% is 13.1625, so 13.16. With keys at $3.50 the goods are 157.50: 11.25 more; 8% is 12.60, 9% is 14.175, so
14.18.
"""

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import pytest

from app.documents import quote_page, quote_pdf
from app.ledger.catalog.price_editing import set_deciding_day, set_price, set_tax_rule
from app.ledger.quoting.quoting import PricedQuote, price_request
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.reports.rises import coming_days, touched_by_rises
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Job, LineKind, Stage
from app.pricing import KeyingKind, PriceKind, PriceRow, TaxRule
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import MORTISE, accept, issued
from tests.reading import pdf_text

KD = KeyingInstruction(KeyingKind.KD)
REKEY = LineRequest(LineKind.REKEY, 45, attributes=MORTISE, keying=KD, keys_each=1)


def asked(work: Work) -> QuoteRequest:
    customer = work.session.get_one(Customer, customer_id(work, "Harbourmaster"))
    customer.tier, customer.tax_place = "", "Mudflat Cross"
    work.session.commit()
    set_tax_rule(work, TaxRule("Mudflat Cross", Decimal(8), True, False, work.today))
    return QuoteRequest(customer.id, (REKEY,), title="45 to rekey")


def keys_at(work: Work, unit_cents: int, days: int, cost_cents: int = 90) -> date:
    day = work.today + timedelta(days=days)
    set_price(
        work, PriceRow("KEY-CUT", "Key, blank and cutting", "keys", PriceKind.GOODS, unit_cents, cost_cents, day)
    )
    return day


def tax_becomes(work: Work, rate: str, days: int) -> None:
    day = work.today + timedelta(days=days)
    set_tax_rule(work, TaxRule("Mudflat Cross", Decimal(rate), True, False, day))


def decides(work: Work, *, tax: bool, prices: bool) -> None:
    set_deciding_day(work, work.today, tax_of_hand_over=tax, prices_of_hand_over=prices)


def sums(priced: PricedQuote) -> tuple[int, int]:
    return priced.totals.subtotal_cents, priced.totals.tax_cents


def test_nothing_is_said_where_nothing_changes_before_it_is_ready(work: Work) -> None:
    ask = asked(work)
    keys_at(work, 350, 200)
    tax_becomes(work, "9", 200)
    priced = price_request(work, ask)
    assert priced.ready_on is not None and priced.ready_on > work.today
    assert (sums(priced), priced.coming_changes, priced.day_rule) == ((1158_75, 11_70), (), "")


@pytest.mark.parametrize(
    ("late_tax", "late_prices", "comes_to", "tax_says", "prices_say"),
    [
        (False, False, (1158_75, 11_70), "$13.16 instead of $11.70. The tax of the day of the quote holds", "stay"),
        (True, False, (1158_75, 13_16), "$13.16 instead of $11.70. The tax of the day of hand-over holds", "stay"),
        (
            False,
            True,
            (1170_00, 12_60),
            "$14.18 instead of $12.60. The tax of the day of the quote holds",
            "new ones",
        ),
        (True, True, (1170_00, 14_18), "$14.18 instead of $12.60. The tax of the day of hand-over holds", "new ones"),
    ],
)
def test_what_changes_is_said_with_amounts_and_settled_by_the_houses_rule(
    work: Work, late_tax: bool, late_prices: bool, comes_to: tuple[int, int], tax_says: str, prices_say: str
) -> None:
    ask = asked(work)
    keys_at(work, 350, 1)
    tax_becomes(work, "9", 1)
    decides(work, tax=late_tax, prices=late_prices)
    priced = price_request(work, ask)
    assert priced.problems == () and sums(priced) == comes_to
    tax, prices = priced.coming_changes
    assert tax_says in tax and "9% on goods" in tax
    assert "line 1b (Keys, 1 a cylinder) from $3.25 to $3.50 each. That is $11.25 more before tax." in prices
    assert prices_say in prices
    ends = ["hand-over" if late else "the quote" for late in (late_tax, late_prices)]
    said = f"Sales tax is that of the day of {ends[0]}, prices are those of the day of {ends[1]}."
    assert priced.day_rule.startswith(said)


def test_without_a_rule_the_day_of_the_quote_decides_and_a_fall_is_told_too(work: Work) -> None:
    ask = asked(work)
    keys_at(work, 300, 1)
    priced = price_request(work, ask)
    (told,) = priced.coming_changes
    assert "from $3.25 to $3.00 each. That is $11.25 less before tax." in told and sums(priced) == (1158_75, 11_70)
    assert priced.day_rule == "Sales tax is that of the day of the quote, prices are those of the day of the quote."


def test_an_exemption_that_ends_before_the_hand_over_is_a_change_too(work: Work) -> None:
    ask = asked(work)
    customer = work.session.get_one(Customer, ask.customer_id)
    customer.exempt_certificate, customer.exempt_until = "EX-1", work.today
    work.session.commit()
    decides(work, tax=True, prices=False)
    priced = price_request(work, ask)
    (told,) = priced.coming_changes
    assert told.startswith("The exemption certificate ends") and "$11.70 instead of $0.00" in told
    assert priced.totals.tax_cents == 11_70


def test_an_own_price_does_not_change(work: Work) -> None:
    ask = asked(work)
    own = LineRequest(LineKind.KEYS, 10, price_code="KEY-CUT", unit_cents=325, price_reason="as agreed", symbol="own")
    keys_at(work, 350, 1)
    told = " ".join(price_request(work, replace(ask, lines=(replace(REKEY, keys_each=0), own))).coming_changes)
    assert "$3.50" not in told


def test_a_quote_of_the_day_of_hand_over_is_not_accepted_for_another_rate(work: Work) -> None:
    """Issued before the change is known, and accepted when it falls between the quote's day and the new promise."""
    ask = asked(work)
    decides(work, tax=True, prices=False)
    job = issued(work, ask)
    tax_becomes(work, "9", 20)
    accept(replace(work, now=work.now + timedelta(days=1)), job)  # ready before: as quoted
    late = issued(work, ask)
    then = replace(work, now=work.now + timedelta(days=20))
    with pytest.raises(LedgerError, match="issue it anew") as refused:
        accept(then, late)
    assert refused.value.field == "accepted_on" and late.stage is Stage.QUOTED
    decides(work, tax=False, prices=False)
    fixed = issued(work, ask)
    accept(then, fixed)  # a quote whose own day decides holds
    assert fixed.stage is Stage.APPROVED


def test_a_rise_lists_open_quotes_and_orders_with_what_each_loses(work: Work) -> None:
    """45 keys go up by $0.25; three ring sets that are sold already by $1.00, and cost $0.40 more each."""
    session, ask = work.session, asked(work)
    goods = LineRequest(LineKind.HARDWARE, 3, price_code="RING-SET")
    quote = issued(work, ask)
    order = issued(work, replace(ask, lines=(goods,), title="Rings"))
    accept(work, order)
    assert touched_by_rises(session, work.today, work.today) == ()
    day = keys_at(work, 350, 30)
    rings = {"code": "RING-SET", "description": "Ring set", "category": "hardware", "kind": PriceKind.GOODS}
    now = price_request(work, replace(ask, lines=(goods,))).lines[0]
    each, cost = now.unit_cents, now.cost_cents // 3
    set_price(work, PriceRow(**rings, unit_cents=each + 100, cost_cents=cost + 40, valid_from=day))  # type: ignore[arg-type]
    assert touched_by_rises(session, work.today, work.today) == () and coming_days(session, work.today) == (day,)
    first, second = touched_by_rises(session, work.today, day)
    assert (first.number, first.stage, first.price_cents, first.cost_cents) == (quote.number, Stage.QUOTED, 11_25, 0)
    assert (second.number, second.stage) == (order.number, Stage.APPROVED)
    assert (second.price_cents, second.cost_cents) == (0, 1_20)  # its price is agreed; 3 × $0.40
    assert first.until == session.get_one(Job, quote.id).revisions[-1].valid_until
    later = replace(work, now=work.now + timedelta(days=400))
    assert [one.number for one in touched_by_rises(session, later.today, day)] == [order.number]


def test_the_paper_says_it(work: Work) -> None:
    ask = asked(work)
    keys_at(work, 350, 1)
    decides(work, tax=True, prices=False)
    page = quote_page(read_snapshot(issued(work, ask).revisions[-1].snapshot))
    assert "That is $11.25 more before tax." in page.coming_changes[0]
    assert page.day_rule.startswith("Sales tax is that of the day of hand-over")
    text = pdf_text(quote_pdf(read_snapshot(issued(work, ask).revisions[-1].snapshot)))
    assert "$11.25 more before tax" in text and "Our rule since Monday 2 March 2026" in text
