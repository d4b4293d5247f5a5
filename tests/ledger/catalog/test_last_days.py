"""What has a last day holds all that day, and not on the next; what has a first day, not on the day before."""

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import pytest

from app.errors import BitternError
from app.ledger.catalog.house_settings import set_bench_terms, set_factory_terms
from app.ledger.catalog.maker_queries import factory_terms_on
from app.ledger.catalog.price_book import code_lines, price_changes
from app.ledger.catalog.price_editing import set_tax_rule
from app.ledger.catalog.price_queries import bench_terms_on, bench_terms_row_on, price_entries
from app.ledger.catalog.price_rules import end_rule, list_rules, set_rule
from app.ledger.quoting.issuing import requote
from app.ledger.quoting.quoting import PricedQuote, price_request
from app.ledger.quoting.request import QuoteRequest
from app.ledger.sites.customers import exemption_state
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Maker, PriceBookRow, Stage
from app.pricing import PriceBasis, PriceKind, PriceRow, PriceRule, TaxRule, total
from tests.ledger.conftest import customer_id
from tests.ledger.quoting.test_revising import RINGS, dearer
from tests.ledger.test_main_job import accept, flats, issued

DAY = timedelta(days=1)


def days_later(work: Work, days: int) -> Work:
    return replace(work, now=work.now + days * DAY)


def rings(work: Work, **more: object) -> QuoteRequest:
    return flats(work, lines=(RINGS,), system=None, **more)


@pytest.fixture
def customer(work: Work) -> Customer:
    return work.session.get_one(Customer, customer_id(work, "Harbourmaster"))


# ---- quotes ----


@pytest.mark.parametrize("entered_later", [0, 1, 9], ids="entered {} days later".format)
def test_a_quote_is_accepted_on_its_last_valid_day(work: Work, entered_later: int) -> None:
    job = issued(work, rings(work))
    last = job.revisions[-1].valid_until
    later = days_later(work, (last - work.today).days + entered_later)
    accept(later, job, accepted_on=last)
    assert (job.stage, job.accepted_on) == (Stage.APPROVED, last)


@pytest.mark.parametrize("entered_later", [0, 1, 9], ids="entered {} days later".format)
def test_a_quote_is_refused_the_day_after(work: Work, entered_later: int) -> None:
    job = issued(work, rings(work))
    last = job.revisions[-1].valid_until
    later = days_later(work, (last - work.today).days + 1 + entered_later)
    with pytest.raises(LedgerError) as refused:
        accept(later, job, accepted_on=last + DAY)
    assert refused.value.field == "accepted_on"
    assert refused.value.message.startswith(f"This quote was valid until {last:%d %b %Y}: issue a new revision")
    work.session.refresh(job)
    assert (job.stage, job.accepted_on) == (Stage.QUOTED, None)


def test_a_quote_is_accepted_on_the_day_of_its_issue_and_not_for_the_day_before_or_tomorrow(work: Work) -> None:
    job = issued(work, rings(work))
    for day, words in ((work.today - DAY, "before the quote was issued"), (work.today + DAY, "cannot lie ahead")):
        with pytest.raises(LedgerError, match=words):
            accept(work, job, accepted_on=day)
        work.session.refresh(job)
    assert accept(work, job, accepted_on=work.today).accepted_on == work.today


# ---- prices, rules, tax ----


def rings_cost(work: Work) -> int | None:
    """What the ring set costs on a quote of that day; None where no price holds."""
    priced = price_request(work, rings(work))
    return None if priced.problems else priced.lines[0].unit_cents


def is_offered(work: Work, code: str, day: date) -> bool:
    return code in [entry.code for entry in price_entries(work.session, day)]


def now_in_the_book(work: Work, day: date) -> int | None:
    (line,) = code_lines(work.session, "RING-SET", day)
    return line.now.unit_cents if line.now else None


def test_a_price_holds_on_its_last_day_in_quotes_the_list_and_the_book(work: Work) -> None:
    for row in work.session.query(PriceBookRow).filter_by(code="RING-SET"):
        row.valid_until = work.today + 5 * DAY
    work.session.commit()
    before = rings_cost(work)
    for days, cents in ((5, before), (6, None)):
        later = days_later(work, days)
        assert rings_cost(later) == cents
        assert is_offered(later, "RING-SET", later.today) is (cents is not None)
        assert now_in_the_book(later, later.today) == cents


def test_a_price_holds_from_its_first_day_in_quotes_the_list_and_the_book(work: Work) -> None:
    before = rings_cost(work)
    dearer(work, "RING-SET", 12_80, work.today + 5 * DAY)
    for days, cents in ((4, before), (5, 12_80)):
        later = days_later(work, days)
        assert rings_cost(later) == now_in_the_book(later, later.today) == cents
    first = min(row.valid_from for row in work.session.query(PriceBookRow).filter_by(code="RING-SET"))
    assert [is_offered(work, "RING-SET", first + days * DAY) for days in (-1, 0)] == [False, True]


def test_a_price_file_is_held_against_the_price_of_its_day(work: Work) -> None:
    before = rings_cost(work)
    for row in work.session.query(PriceBookRow).filter_by(code="RING-SET"):
        row.valid_until = work.today + 5 * DAY
    work.session.commit()
    rings = PriceRow("RING-SET", "Rings", "hardware", PriceKind.GOODS, 1280, 600, work.today)
    for days, is_held in ((5, True), (6, False)):
        (change,) = price_changes(work.session, [replace(rings, valid_from=work.today + days * DAY)])
        assert change is not None and (change.before or [None])[0] == (before if is_held else None)


def test_a_price_rule_holds_from_its_first_to_its_last_day(work: Work) -> None:
    before, first = rings_cost(work), work.today + 2 * DAY
    cost = work.session.query(PriceBookRow).filter_by(code="RING-SET").first()
    assert cost is not None
    set_rule(work, PriceRule(PriceBasis.COST_TIMES, Decimal(3), first, code="RING-SET"))
    (rule,) = [row for row, _ in list_rules(work.session, work.today) if row.code == "RING-SET"]
    end_rule(work, rule.id, first + 3 * DAY, rule.version)
    by_rule = 3 * (cost.cost_cents or 0)
    assert before not in (None, by_rule)
    for days, cents, state in (
        (1, before, "coming"),
        (2, by_rule, "now"),
        (5, by_rule, "now"),
        (6, before, "past"),
    ):
        later = days_later(work, days)
        assert rings_cost(later) == cents
        assert dict(list_rules(work.session, later.today))[rule] == state


def test_terms_hold_from_their_first_day(work: Work) -> None:
    session, first = work.session, work.today + 5 * DAY
    maker = session.query(Maker).filter_by(code="ARD").one()
    bench, factory = bench_terms_row_on(session, work.today), factory_terms_on(session, maker.id, work.today)
    assert bench is not None and factory is not None
    set_bench_terms(work, first, bench.terms | {"pin_cents": 77})
    set_factory_terms(work, "ARD", first, factory.to_json() | {"lead_working_days": 77})
    for day, is_new in ((first - DAY, False), (first, True)):
        assert (bench_terms_on(session, day).pin_cents == 77) is is_new
        on_that_day = factory_terms_on(session, maker.id, day)
        assert on_that_day is not None and (on_that_day.lead_working_days == 77) is is_new


def test_an_exemption_holds_on_its_last_day(work: Work, customer: Customer) -> None:
    customer.exempt_certificate, customer.exempt_until = "EX-77", work.today + 5 * DAY
    work.session.commit()

    def tax(days: int) -> PricedQuote:
        return price_request(days_later(work, days), rings(work))

    assert tax(5).totals.tax_cents == 0
    assert tax(6).totals.tax_cents > 0 and "expired" in tax(6).totals.tax_note
    last = customer.exempt_until
    assert "it ends today" in exemption_state("EX-77", last, last).words
    assert "expired on" in exemption_state("EX-77", last, last + DAY).words


def test_a_tax_rate_holds_from_its_first_day(work: Work) -> None:
    set_tax_rule(work, TaxRule("Saltmarsh", Decimal(9), True, True, work.today + 5 * DAY))
    for days, is_new in ((4, False), (5, True)):
        assert ("9%" in price_request(days_later(work, days), rings(work)).totals.tax_note) is is_new


def test_a_tax_rate_with_an_end_holds_on_its_last_day() -> None:
    first, last = date(2026, 1, 1), date(2026, 3, 31)
    rate = TaxRule("Saltmarsh", Decimal(8), True, True, first, last)
    for day in (first, last):
        assert total([], rate, None, day).total_cents == 0
    for day in (first - DAY, last + DAY):
        with pytest.raises(BitternError, match="does not hold on"):
            total([], rate, None, day)


# ---- days that are asked for ----


def test_what_is_needed_today_is_quoted_and_what_was_needed_yesterday_is_not(work: Work) -> None:
    ask = rings(work)
    assert price_request(work, replace(ask, need_by=work.today)).problems == ()
    late = price_request(work, replace(ask, need_by=work.today - DAY))
    assert [(one.field, one.message.split(";")[0]) for one in late.problems] == [("need_by", "This day has passed")]
    lines = flats(work, 1).lines
    for days, fields in ((0, []), (-1, ["lines.0.need_by"])):
        own = replace(flats(work, 1), lines=(replace(lines[0], need_by=work.today + days * DAY),))
        assert [one.field for one in price_request(work, own).problems] == fields


def test_a_day_of_need_stays_on_a_new_revision_until_it_has_passed(work: Work) -> None:
    (line,) = flats(work, 1).lines
    day = work.today + 40 * DAY
    own = issued(work, flats(work, lines=(replace(line, need_by=day),)))
    whole = issued(work, rings(work, need_by=day))
    for days, kept in ((40, day), (41, None)):
        later = days_later(work, days)
        assert requote(later, whole).ask.need_by == kept
        assert requote(later, own).ask.lines[0].need_by == kept
