"""Sales tax on a quote: by place and day, goods and labor apart, certificates to their last day, to the cent."""

from dataclasses import replace
from datetime import timedelta
from decimal import ROUND_HALF_UP, Decimal

import pytest

from app.ledger.catalog.price_editing import set_tax_rule
from app.ledger.quoting.quoting import PricedQuote, price_request
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest
from app.ledger.store.work import Work
from app.ledger.tables import Customer, LineKind, Site
from app.pricing import KeyingKind, TaxRule
from app.pricing.totals import ROUNDING_RULE
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import mortise


def ask(work: Work, **more: object) -> QuoteRequest:
    lines = (
        mortise(3, KeyingInstruction(KeyingKind.KA)),
        LineRequest(LineKind.TRIP, 1, price_code="TRIP"),
    )
    return replace(QuoteRequest(customer_id(work, "Harbourmaster"), lines), **more)  # type: ignore[arg-type]


def place(work: Work, name: str, rate: str, goods: bool, labor: bool, days: int = 0) -> None:
    day = work.today + timedelta(days)
    set_tax_rule(work, TaxRule(name, Decimal(rate), goods, labor, day))


def by_hand(priced: PricedQuote, rate: str, goods: bool, labor: bool) -> int:
    """The tax by the stated rule: each line's own, a half cent counting as a whole one."""
    taxed = [line.amount_cents for line in priced.lines if (labor if line.is_labour else goods)]
    exact = (Decimal(cents) * Decimal(rate) / 100 for cents in taxed)
    return sum(int(one.quantize(Decimal(1), rounding=ROUND_HALF_UP)) for one in exact)


@pytest.mark.parametrize(("goods", "labor"), [(True, True), (True, False), (False, True), (False, False)])
@pytest.mark.parametrize("rate", ["0", "7.25", "8.875", "30"])
def test_goods_and_labor_are_taxed_apart_and_the_totals_add_up(
    work: Work, rate: str, goods: bool, labor: bool
) -> None:
    place(work, "Mudflat Cross", rate, goods, labor)
    customer = work.session.get_one(Customer, customer_id(work, "Harbourmaster"))
    customer.tax_place = "Mudflat Cross"
    work.session.commit()
    priced = price_request(work, ask(work))
    sums = priced.totals
    assert [problem.message for problem in priced.problems] == [] and sums.tax_place == "Mudflat Cross"
    assert sums.tax_cents == by_hand(priced, rate, goods, labor)
    assert sums.goods_cents + sums.labour_cents == sums.subtotal_cents == sum(x.amount_cents for x in priced.lines)
    assert sums.subtotal_cents + sums.tax_cents == sums.total_cents and sums.rule == ROUNDING_RULE


def test_the_sites_place_goes_before_the_customers_and_that_before_the_houses(work: Work) -> None:
    for name, rate in (("Site Place", "1"), ("Customer Place", "2")):
        place(work, name, rate, True, True)
    customer = work.session.get_one(Customer, customer_id(work, "Harbourmaster"))
    site = Site(customer_id=customer.id, name="Elsewhere", tax_place="Site Place")
    work.session.add(site)
    customer.tax_place = "Customer Place"
    work.session.commit()
    assert price_request(work, ask(work, site_id=site.id)).totals.tax_place == "Site Place"
    assert price_request(work, ask(work)).totals.tax_place == "Customer Place"
    customer.tax_place = ""
    work.session.commit()
    assert price_request(work, ask(work)).totals.tax_place == "Saltmarsh"


def test_a_rate_counts_from_its_first_day(work: Work) -> None:
    before = price_request(work, ask(work)).totals
    place(work, "Saltmarsh", "9", True, True, days=5)
    assert price_request(work, ask(work)).totals == before
    later = replace(work, now=work.now + timedelta(5))
    assert "9%" in price_request(later, ask(work)).totals.tax_note


def test_a_place_without_a_rate_is_a_problem_and_not_free_of_tax(work: Work) -> None:
    customer = work.session.get_one(Customer, customer_id(work, "Harbourmaster"))
    customer.tax_place = "Nowhere"
    work.session.commit()
    assert [problem.field for problem in price_request(work, ask(work)).problems] == ["tax_place"]
