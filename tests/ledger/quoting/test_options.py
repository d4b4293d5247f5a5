"""A quote with two ways, its deposit, and what becomes of the one that is accepted."""

from dataclasses import replace
from datetime import date, timedelta
from decimal import Decimal

import pytest
import sqlalchemy as sa

from app.errors import Problems
from app.fitting import CylinderAttributes
from app.ledger.catalog.quote_rules import QuoteRulesForm, set_quote_rules
from app.ledger.jobs.queries import job_money
from app.ledger.quoting.issuing import IssueForm, issue_quote
from app.ledger.quoting.quoting import offered_ways, price_request
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest
from app.ledger.quoting.snapshot import QuoteSnapshot, as_accepted, read_snapshot
from app.ledger.store.errors import LedgerError, NotAllowed, Stale
from app.ledger.store.events import events_of
from app.ledger.store.work import Work
from app.ledger.tables import MAIL_SUBJECT, MAIL_TEXT, Event, Job, LineKind, PriceBookRow, Role
from app.pricing import DepositRule, KeyingKind
from tests.ledger.conftest import by, customer_id
from tests.ledger.test_main_job import accept, flats, issued

SHOP = {"keyed_at": "shop", "override_reason": "the manager wants it from us"}


def price_at_the_factory(work: Work, cents: int = 800) -> None:
    work.session.add(
        PriceBookRow(
            code="KEYING-MK-FACTORY",
            unit_cents=cents,
            cost_cents=0,
            tier="",
            quantity_from=1,
            valid_from=date(2026, 2, 1),
            valid_until=None,
        )
    )
    work.session.commit()


def rules(work: Work, **deposit: object) -> None:
    rule = DepositRule(**deposit)  # type: ignore[arg-type]
    set_quote_rules(work, QuoteRulesForm(rule, MAIL_SUBJECT, MAIL_TEXT), None)


def snapshot_of(job: Job) -> QuoteSnapshot:
    return read_snapshot(job.revisions[-1].snapshot)


def test_both_ways_stand_on_the_quote_each_with_its_total_place_and_promise(work: Work) -> None:
    price_at_the_factory(work)
    job = issued(work, flats(work, option_b="factory", **SHOP))
    quote = snapshot_of(job)
    other = quote.option_b
    assert other is not None
    assert {choice.choice for choice in quote.keying} == {"shop"}
    assert {choice.choice for choice in other.keying} == {"factory"}
    # 24 cylinders keyed at 8.00 instead of the tier's price: labor, which Saltmarsh does not tax.
    keying = {line.label: line.unit_cents for line in quote.lines}["1a"]
    assert quote.totals.total_cents - other.totals.total_cents == 24 * (keying - 800)
    assert other.ready_on is not None and quote.ready_on is not None and other.ready_on > quote.ready_on
    assert other.working_days == 15 and quote.working_days is not None and quote.working_days < 15
    for each in (quote, as_accepted(quote, "B")):  # both add up in print
        assert sum(line.amount_cents for line in each.lines) == each.totals.subtotal_cents
        assert each.totals.subtotal_cents + each.totals.tax_cents == each.totals.total_cents
    assert read_snapshot(quote.to_text()) == quote


def test_accepted_as_b_the_job_has_the_other_way_its_price_and_its_promise(work: Work) -> None:
    price_at_the_factory(work)
    job = issued(work, flats(work, option_b="factory", **SHOP))
    quote = snapshot_of(job)
    assert job.keyed_at == "shop"
    accept(work, job, option="B")
    other = as_accepted(quote, "B")
    assert (job.keyed_at, job.accepted_option, job.promised_on) == ("factory", "B", other.ready_on)
    assert job.value_cents == other.totals.subtotal_cents and job.cost_cents == other.cost_cents
    assert job.bench_minutes == other.bench_minutes == 0
    event = work.session.scalars(sa.select(Event).where(Event.kind == "quote accepted")).one()
    assert event.detail["option"] == "B" and event.summary.endswith(", option B, keyed at the factory")
    assert job_money(job).total_cents == other.totals.total_cents != quote.totals.total_cents


def test_accepted_days_later_the_promise_counts_from_the_acceptance(work: Work) -> None:
    price_at_the_factory(work)
    job = issued(work, flats(work, option_b="factory", **SHOP))
    later = replace(work, now=work.now + timedelta(days=9))  # from Monday 2 March to Wednesday 11 March
    accept(later, job, option="B")
    quoted = as_accepted(snapshot_of(job), "B").ready_on
    assert quoted == date(2026, 3, 23) and job.promised_on == date(2026, 4, 1)  # 15 working days after each


def test_accepted_as_a_it_stays_as_quoted(work: Work) -> None:
    price_at_the_factory(work)
    job = issued(work, flats(work, option_b="factory", **SHOP))
    accept(work, job, option="A")
    assert (job.keyed_at, job.accepted_option) == ("shop", "A")
    assert job_money(job).total_cents == job.revisions[-1].total_cents


@pytest.mark.parametrize(
    ("has_two", "option", "says"), [(True, "", "two ways"), (True, "C", "two ways"), (False, "B", "one way")]
)
def test_the_option_accepted_is_one_that_was_offered(work: Work, has_two: bool, option: str, says: str) -> None:
    job = issued(work, flats(work, option_b="factory" if has_two else "", **SHOP))
    with pytest.raises(LedgerError, match=says) as refused:
        accept(work, job, option=option)
    assert refused.value.field == "option"
    assert job.stage.value == "quoted"


def test_only_a_way_that_is_possible_is_offered(work: Work) -> None:
    priced = price_request(work, flats(work))
    assert [choice.choice for choice in priced.keying] == ["factory"]
    assert offered_ways(priced) == ("shop",)
    own = CylinderAttributes("rim", chambers=5, keyway="AQ1")
    line = LineRequest(LineKind.REKEY, 4, attributes=own, keying=KeyingInstruction(KeyingKind.KA))
    ask = QuoteRequest(customer_id(work, "Lantern"), (line,), option_b="factory")
    assert offered_ways(price_request(work, ask)) == ()
    for wrong in ("factory", "shop", "moon"):
        with pytest.raises(Problems) as refused:
            issue_quote(work, IssueForm(replace(ask, option_b=wrong), "a token of its own"))
        assert [problem.field for problem in refused.value.problems] == ["option_b"]


def test_a_day_that_the_factory_cannot_keep_takes_its_option_off(work: Work) -> None:
    soon = flats(work, need_by=date(2026, 3, 9), **SHOP)
    assert offered_ways(price_request(work, soon)) == ()
    with pytest.raises(Problems, match="not offered"):
        issued(work, replace(soon, option_b="factory"))


def test_the_deposit_is_a_share_of_each_options_own_total(work: Work) -> None:
    rules(work, percent=Decimal("33.3"), above_cents=100_00)
    price_at_the_factory(work)
    job = issued(work, flats(work, option_b="factory", **SHOP))
    quote = snapshot_of(job)
    assert quote.option_b is not None
    for total, deposit in (
        (quote.totals.total_cents, quote.deposit_cents),
        (quote.option_b.totals.total_cents, quote.option_b.deposit_cents),
    ):
        assert deposit == int(Decimal(total) * Decimal("0.333") + Decimal("0.5"))
    assert job.deposit_cents == quote.deposit_cents
    accept(work, job, option="B")
    assert job.deposit_cents == quote.option_b.deposit_cents
    assert job_money(job).deposit_left_cents == job.deposit_cents


def test_a_small_quote_asks_no_deposit_and_an_amount_is_never_more_than_the_total(work: Work) -> None:
    rules(work, cents=50_000_00, above_cents=100_00)
    small = QuoteRequest(customer_id(work, "Lantern"), (LineRequest(LineKind.HARDWARE, 1, price_code="RING-SET"),))
    assert snapshot_of(issued(work, small)).deposit_cents == 0
    large = snapshot_of(issued(work, flats(work)))
    assert large.deposit_cents == large.totals.total_cents


def test_the_owner_alone_settles_the_rules_and_each_change_is_an_event(work: Work) -> None:
    form = QuoteRulesForm(DepositRule(percent=Decimal(30)), MAIL_SUBJECT, MAIL_TEXT, ("no-cam",))
    with pytest.raises(NotAllowed):
        set_quote_rules(by(work, Role.COUNTER), form, None)
    kept = set_quote_rules(work, form, None)
    assert "30 % is asked of every quote" in events_of(work.session, "house")[0].summary
    with pytest.raises(Stale):
        set_quote_rules(work, form, kept.version + 1)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"mail_subject": ""}, "mail_subject"),
        ({"mail_subject": "Quote\nBcc: all@example.test"}, "mail_subject"),
        ({"mail_subject": "x" * 201}, "mail_subject"),
        ({"mail_text": "Dear {customer.password}"}, "mail_text"),
        ({"mail_text": "x" * 10_000}, "mail_text"),
        ({"questions_off": ("no-such-question",)}, "questions_off"),
    ],
)
def test_rules_that_cannot_be_are_refused_by_field(work: Work, change: dict[str, object], field: str) -> None:
    form = replace(QuoteRulesForm(DepositRule(), MAIL_SUBJECT, MAIL_TEXT), **change)  # type: ignore[arg-type]
    with pytest.raises(Problems) as refused:
        set_quote_rules(work, form, None)
    assert [problem.field for problem in refused.value.problems] == [field]


def test_what_is_had_from_the_shelf_is_promised_for_the_day_of_acceptance(work: Work) -> None:
    job = issued(work, flats(work, lines=(LineRequest(LineKind.HARDWARE, 3, price_code="RING-SET"),), system=None))
    later = replace(work, now=work.now + timedelta(days=5))  # a Saturday
    accept(later, job)
    assert job.promised_on == later.today
