"""Which dated row holds: what the pages say is what a quote takes."""

from datetime import timedelta
from decimal import Decimal

from app.ledger.catalog.price_book import code_lines
from app.ledger.catalog.price_editing import end_price, price_mark
from app.ledger.catalog.price_queries import price_book
from app.ledger.catalog.price_rules import end_rule, list_rules, price_rules, set_rule
from app.ledger.store.work import Work
from app.pricing import PriceBasis, PriceRule
from tests.ledger.quoting.test_revising import dearer


def test_after_a_price_has_ended_the_page_shows_the_one_that_quotes_take(work: Work) -> None:
    session, today = work.session, work.today
    before = price_book(session).price("RING-SET", today)
    dearer(work, "RING-SET", 12_80, today)
    row = code_lines(session, "RING-SET", today)[0].now
    assert row is not None and row.unit_cents == 12_80
    end_price(work, row.id, today, price_mark(row))
    tomorrow = today + timedelta(days=1)
    (line,) = code_lines(session, "RING-SET", tomorrow)
    taken = price_book(session).price("RING-SET", tomorrow)
    assert taken.unit_cents == before.unit_cents
    assert line.now is not None and line.now.unit_cents == taken.unit_cents


def test_after_a_rule_has_ended_the_list_shows_the_one_that_quotes_take(work: Work) -> None:
    session, today = work.session, work.today
    for figure, day in (("2", today - timedelta(days=30)), ("3", today)):
        set_rule(work, PriceRule(PriceBasis.COST_TIMES, Decimal(figure), day, maker="ARD"))
    newest = list_rules(session, today)[0][0]
    end_rule(work, newest.id, today, newest.version)
    tomorrow = today + timedelta(days=1)
    taken = price_rules(session).rule("AD-X", "cylinder", "ARD", None, tomorrow)
    assert taken is not None and taken.figure == 2
    assert [(row.figure, state) for row, state in list_rules(session, tomorrow)] == [("3", "past"), ("2", "now")]
