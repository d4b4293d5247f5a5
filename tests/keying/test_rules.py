"""Bittings that a locksmith would cut, held against a plain look at each."""

from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.errors import Problems
from app.keying import BittingRules, BittingSpec, count_refused, progress, usable, usable_bittings
from tests.keying.oracle import every_bitting, obeys_macs, small_specs
from tests.keying.test_progression import arrays

RULES = BittingRules(least_depths=3, most_equal_neighbors=2, least_span=3, no_stairs=True, no_uncut=True)

drawn_rules = st.builds(
    BittingRules,
    least_depths=st.none() | st.integers(1, 5),
    most_equal_neighbors=st.none() | st.integers(1, 4),
    least_span=st.none() | st.integers(0, 5),
    no_stairs=st.booleans(),
    no_uncut=st.booleans(),
)


def plainly_broken(rules, bitting, first_depth):
    """The first rule that a bitting breaks, each asked as its sentence stands."""
    cuts = list(bitting)
    if rules.least_depths is not None and len({*cuts}) < rules.least_depths:
        return "least_depths"
    if rules.most_equal_neighbors is not None:
        windows = [
            cuts[at : at + rules.most_equal_neighbors + 1] for at in range(len(cuts) - rules.most_equal_neighbors)
        ]
        if any(window.count(window[0]) == len(window) for window in windows):
            return "most_equal_neighbors"
    if rules.least_span is not None and sorted(cuts)[-1] - sorted(cuts)[0] < rules.least_span:
        return "least_span"
    if rules.no_stairs and any(
        cuts == [cuts[0] + step * place for place in range(len(cuts))] for step in range(-15, 16) if step
    ):
        return "no_stairs"
    if rules.no_uncut and not any(cut > first_depth + 1 for cut in cuts):
        return "no_uncut"
    return None


@pytest.mark.parametrize(
    ("cuts", "broken"),
    [
        ((2, 4, 6, 8, 0), None),
        ((3, 5, 3, 5, 3), "least_depths"),
        ((1, 3, 5, 7, 9), "no_stairs"),
        ((9, 7, 5, 3, 1), "no_stairs"),
        ((1, 4, 4, 4, 9), "most_equal_neighbors"),
        ((4, 4, 1, 9, 9), None),
        ((2, 2, 3, 4, 4), "least_span"),
        ((1, 0, 1, 0, 1), "least_depths"),
    ],
)
def test_each_rule_by_hand(cuts, broken):
    assert RULES.first_broken(cuts, 0) == broken


def test_stairs_that_turn_or_stand_still_are_none():
    only = BittingRules(no_stairs=True)
    assert only.first_broken((3, 5, 3, 5, 3), 0) is None
    assert only.first_broken((4, 4, 4, 4, 4), 0) is None
    assert BittingRules(no_uncut=True).first_broken((1, 2, 1, 2, 1), 1) == "no_uncut"
    assert BittingRules(no_uncut=True).first_broken((1, 2, 1, 2, 1), 0) is None


@settings(deadline=None, max_examples=150)
@given(small_specs(), drawn_rules)
def test_the_bittings_of_a_spec_are_counted_and_listed_as_plainly(bare, rules):
    spec = replace(bare, rules=rules)
    legal = [b for b in every_bitting(spec) if obeys_macs(spec, b)]
    broken = [plainly_broken(rules, b, spec.first_depth) for b in legal]
    allowed = [b for b, rule in zip(legal, broken, strict=True) if rule is None]
    assert list(usable_bittings(spec)) == allowed
    assert usable(spec) == len(allowed)
    refused = count_refused(spec, [spec.all_depths] * spec.chambers)
    assert +Counter(refused) == Counter(rule for rule in broken if rule)
    assert [spec.allows(b) for b in legal] == [rule is None for rule in broken]


@settings(deadline=None, max_examples=150)
@given(arrays(), drawn_rules)
def test_a_progression_keeps_to_the_rules_in_any_order(given_array, rules):
    bare, tmk, columns, order = given_array
    every = list(progress(bare, tmk, columns, order))
    found = progress(replace(bare, rules=rules), tmk, columns, order)
    broken = [plainly_broken(rules, b, bare.first_depth) for b in every]
    assert list(found) == [b for b, rule in zip(every, broken, strict=True) if rule is None]
    assert found.usable == broken.count(None)
    assert +Counter(found.refused) == Counter(rule for rule in broken if rule)
    assert all(b in found for b in every)  # one in service may be older than the rules


def test_counts_are_exact_at_the_largest_size():
    """16 depths, no MACS: arrangements of 12 unlike depths out of 16 are 16!/4! (D)."""
    spec = BittingSpec(chambers=12, depths=16, macs=15)
    arrangements = 1
    for depths in range(16, 4, -1):
        arrangements *= depths
    varied = replace(spec, rules=BittingRules(least_depths=12))
    assert usable(varied) == arrangements
    # Twelve cuts up by one start at depths 0 to 4, and as many go down: 10.
    assert usable(replace(spec, rules=BittingRules(least_depths=12, no_stairs=True))) == arrangements - 10
    # No two neighbors equal: 16 × 15**11. Span 15: less those without depth 0 or without 15, both ways.
    assert usable(replace(spec, rules=BittingRules(most_equal_neighbors=1))) == 16 * 15**11
    assert usable(replace(spec, rules=BittingRules(least_span=15))) == 16**12 - 2 * 15**12 + 14**12


def test_the_first_of_a_large_array_under_hard_rules_comes_at_once():
    spec = BittingSpec(
        chambers=12, depths=16, macs=3, rules=BittingRules(least_depths=11, least_span=13, no_stairs=True)
    )
    first = next(iter(progress(spec, (8,) * 12)))
    assert spec.allows(first)


@pytest.mark.parametrize(
    ("rules", "fields"),
    [
        ({"least_depths": 5, "least_span": 6}, ["rules.least_depths", "rules.least_span"]),
        ({"no_uncut": True}, []),
        ({"least_apart": 4}, ["rules.least_apart"]),
    ],
)
def test_a_rule_that_no_key_can_obey_is_named(rules, fields):
    spec = BittingSpec(chambers=3, depths=6, macs=5, rules=BittingRules(**rules))
    if not fields:
        spec.check_rules()
        return
    with pytest.raises(Problems) as refused:
        spec.check_rules()
    assert [problem.field for problem in refused.value.problems] == fields
