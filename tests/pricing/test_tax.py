from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest

from app.errors import BitternError, Problems
from app.pricing import TaxRule, TaxTable

RULE = TaxRule("Saltmarsh", Decimal("8.25"), True, False, date(2026, 1, 1))


def test_a_new_rate_holds_from_its_day():
    table = TaxTable([RULE, replace(RULE, rate=Decimal("8.5"), valid_from=date(2026, 7, 1))])
    assert table.rule("Saltmarsh", date(2026, 6, 30)).rate == Decimal("8.25")
    assert table.rule("Saltmarsh", date(2026, 7, 1)).rate == Decimal("8.5")


def test_a_rule_for_a_while_gives_way_to_the_one_before_it():
    week = replace(RULE, rate=Decimal(0), valid_from=date(2026, 8, 3), valid_until=date(2026, 8, 9))
    table = TaxTable([RULE, week])
    assert table.rule("Saltmarsh", date(2026, 8, 9)).rate == 0
    assert table.rule("Saltmarsh", date(2026, 8, 10)).rate == Decimal("8.25")


def test_a_place_without_a_rule_is_named():
    with pytest.raises(BitternError, match="Lowport"):
        TaxTable([RULE]).rule("Lowport", date(2026, 3, 2))
    with pytest.raises(BitternError, match="31 December 2025"):
        TaxTable([RULE]).rule("Saltmarsh", date(2025, 12, 31))


def test_two_rates_from_the_same_day_are_refused():
    with pytest.raises(Problems, match="Saltmarsh"):
        TaxTable([RULE, replace(RULE, rate=Decimal(9))])


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({}, "Saltmarsh sales tax, 8.25% on goods; labour is not taxed."),
        ({"labour_taxed": True}, "Saltmarsh sales tax, 8.25% on goods and labour."),
        ({"goods_taxed": False, "labour_taxed": True}, "Saltmarsh sales tax, 8.25% on labour; goods are not taxed."),
        ({"rate": Decimal("0.000")}, "No sales tax in Saltmarsh."),
        ({"goods_taxed": False}, "No sales tax in Saltmarsh."),
        ({"rate": Decimal(10)}, "Saltmarsh sales tax, 10% on goods; labour is not taxed."),
    ],
)
def test_the_rule_is_printed_as_a_sentence(change, sentence):
    assert replace(RULE, **change).sentence == sentence


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"rate": Decimal("NaN")}, "rate"),
        ({"rate": Decimal(-1)}, "rate"),
        ({"rate": Decimal(101)}, "rate"),
        ({"rate": 8.25}, "rate"),
        ({"place": ""}, "place"),
        ({"place": "x" * 10_000}, "place"),
        ({"valid_until": date(2025, 1, 1)}, "valid_until"),
    ],
)
def test_rules_that_cannot_be_are_refused(change, field):
    with pytest.raises(BitternError) as refused:
        replace(RULE, **change)
    assert refused.value.field == field
