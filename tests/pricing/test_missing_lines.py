import copy
import json
from pathlib import Path

import pytest

from app.errors import BitternError, Problems
from app.pricing import QuoteFacts, find_missing_lines, read_missing_line_rules

GIVEN = json.loads((Path(__file__).resolve().parents[2] / "shared" / "missing_lines.json").read_text())
RULES = read_missing_line_rules(GIVEN)


@pytest.mark.parametrize(
    ("code", "lacking", "whole"),
    [
        ("no-keys", {"keyed_cylinders": 3}, {"keys": 6}),
        ("no-master-keys", {"master_keyed_cylinders": 3, "new_systems": 1}, {"master_keys": 2}),
        ("no-cam", {"mortise_cylinders_swapped": 3, "cams": 2}, {"cams": 3}),
        ("no-control-key", {"interchangeable_cores": 1}, {"control_keys": 1}),
        ("no-bitting-list", {"new_systems": 1}, {"bitting_lists_on_file": 1}),
        ("no-records", {"existing_systems": 1}, {"bitting_lists_on_file": 1}),
        ("trip-without-labour", {"trips": 1}, {"labor_lines": 1}),
        ("labour-on-site-without-trip", {"site_labor_lines": 1}, {"trips": 1}),
        ("no-back-plate", {"rim_cylinders": 1}, {"back_plates": 1}),
    ],
)
def test_each_rule_asks_when_its_line_is_missing_and_not_otherwise(code, lacking, whole):
    assert code in [one.code for one in find_missing_lines(QuoteFacts(**lacking), RULES)]
    assert code not in [one.code for one in find_missing_lines(QuoteFacts(**lacking | whole), RULES)]
    assert code not in [one.code for one in find_missing_lines(QuoteFacts(**lacking), RULES, {code})]


def test_every_rule_of_the_table_is_tried_above_and_ends_in_a_question():
    assert len(RULES) == 9
    assert all(rule.question.endswith("?") for rule in RULES)
    assert "source" in GIVEN


def test_a_quote_of_nothing_raises_no_question():
    assert find_missing_lines(QuoteFacts(), RULES) == ()


@pytest.mark.parametrize("wrong", [-1, True, 1.5, None, "3", 10**30])
def test_facts_are_whole_numbers(wrong):
    with pytest.raises(BitternError, match="keys"):
        QuoteFacts(keys=wrong)


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"when": []}, "rules[1].when"),
        ({"when": [{"fact": "doors", "is": "above", "value": 0}]}, "rules[1].when[1].fact"),
        ({"when": [{"fact": "keys", "is": ">", "value": 0}]}, "rules[1].when[1].is"),
        ({"when": [{"fact": "keys", "is": "above"}]}, "rules[1].when[1].value"),
        ({"when": [{"fact": "keys", "is": "above", "value": -1}]}, "rules[1].when[1].value"),
        ({"when": [{"fact": "keys", "is": "above", "value": 1, "fact_beside": "cams"}]}, "rules[1].when[1].value"),
        ({"when": [{"fact": "keys", "is": "above", "value": 1, "or": 2}]}, "rules[1].when[1].or"),
        ({"when": "always"}, "rules[1].when"),
        ({"code": "no-cam"}, "rules"),
        ({"question": "x" * 10_000}, "rules[1].question"),
        ({"ask": "?"}, "rules[1].ask"),
    ],
)
def test_bad_rules_are_named_by_their_place(change, field):
    given = copy.deepcopy(GIVEN)
    given["rules"][0] |= change
    with pytest.raises(Problems) as refused:
        read_missing_line_rules(given)
    assert field in {problem.field for problem in refused.value.problems}


@pytest.mark.parametrize(
    ("comparison", "holds"), [("above", [2]), ("below", [0]), ("equal", [1]), ("not equal", [0, 2])]
)
def test_comparisons(comparison, holds):
    rule = {"code": "a", "when": [{"fact": "keys", "is": comparison, "value": 1}], "question": "Is it?"}
    rules = read_missing_line_rules({"source": "test", "rules": [rule]})
    assert [n for n in range(3) if find_missing_lines(QuoteFacts(keys=n), rules)] == holds


def test_a_question_has_its_words_and_what_one_press_adds():
    asked = {one.code: one for one in find_missing_lines(QuoteFacts(mortise_cylinders_swapped=3, cams=1), RULES)}
    (rule,) = [one for one in RULES if one.code == "no-cam"]
    assert asked["no-cam"].question == rule.question
    assert asked["no-cam"].mend == rule.mend
    assert rule.mend.count(QuoteFacts(mortise_cylinders_swapped=3, cams=1)) == 2


def test_a_condition_compares_with_its_number_or_with_another_fact():
    def asks(condition, **facts):
        rule = {"code": "a", "when": [condition], "question": "Is it?"}
        rules = read_missing_line_rules({"source": "test", "rules": [rule]})
        return bool(find_missing_lines(QuoteFacts(**facts), rules))

    over_two = {"fact": "keys", "is": "above", "value": 2}
    assert (asks(over_two, keys=3), asks(over_two, keys=2)) == (True, False)
    over_cams = {"fact": "keys", "is": "above", "fact_beside": "cams"}
    assert (asks(over_cams, keys=3, cams=2), asks(over_cams, keys=2, cams=2)) == (True, False)


def test_refused_rules_say_what_a_rule_needs():
    rule = {"code": "a", "when": [], "question": "Is it?"}
    both = {
        "code": "b",
        "when": [{"fact": "keys", "is": "above", "value": 1, "fact_beside": "cams"}],
        "question": "?",
    }
    with pytest.raises(Problems) as refused:
        read_missing_line_rules({"source": "test", "rules": [rule, both, both]})
    said = {problem.message for problem in refused.value.problems}
    assert "A rule needs at least one condition, or it would always ask." in said
    assert "Give value or fact_beside, not both." in said
