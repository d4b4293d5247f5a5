"""Whole systems drawn, of two to seven levels, against plain enumeration."""

from collections import Counter
from dataclasses import replace
from itertools import combinations, pairwise, product
from random import Random

import pytest

from app.keying import (
    BittingRules,
    BittingSpec,
    KeyingError,
    SymbolLevel,
    draw_master,
    draw_system,
    plan_levels,
    read_symbol,
)
from app.keying.apart import choose_apart, count_near
from app.keying.time_limit import MOST_SECONDS
from tests.keying.oracle import every_bitting, obeys_macs, operates

TWO_STEP = BittingSpec(chambers=6, depths=10, macs=7, step=2)
ONE_STEP = BittingSpec(chambers=5, depths=6, first_depth=1, macs=4)
RULES = BittingRules(least_depths=3, most_equal_neighbors=2, least_span=3, no_stairs=True, no_uncut=True)


def breaks_a_rule(rules, bitting, first_depth):
    """In words of its own, not the engine's."""
    steps = [b - a for a, b in pairwise(bitting)]
    text = "".join(chr(65 + cut) for cut in bitting)
    return (
        len(Counter(bitting)) < (rules.least_depths or 0)
        or any(letter * ((rules.most_equal_neighbors or 99) + 1) in text for letter in text)
        or max(bitting) - min(bitting) < (rules.least_span or 0)
        or (rules.no_stairs and steps[0] != 0 and steps == steps[:1] * len(steps))
        or (rules.no_uncut and all(cut in (first_depth, first_depth + 1) for cut in bitting))
    )


def differ(one, other):
    return sum(a != b for a, b in zip(one, other, strict=True))


def draw_ask(rng):
    chambers, depths = rng.choice([4, 5, 5, 6, 6, 7]), rng.randint(5, 9)
    rules = rng.choice(
        [BittingRules(), RULES, BittingRules(most_equal_neighbors=3, no_uncut=True), BittingRules(least_span=2)]
    )
    spec = BittingSpec(
        chambers=chambers,
        depths=depths,
        first_depth=rng.randint(0, 2),
        macs=rng.randint(depths // 2, depths),
        step=rng.choice([1, 1, 2]),
        rules=rules,
    )
    counts = [rng.randint(1, 3) for _ in range(rng.randint(0, min(5, chambers - 2)))] + [rng.randint(1, 9)]
    spare = [rng.choice([0, 0, 1]) for _ in counts]
    tmk = None
    if rng.random() < 0.7:
        top = tuple(rng.choice(spec.all_depths) for _ in range(chambers))
        tmk = top if obeys_macs(spec, top) else None
    return spec, counts, spare, tmk


@pytest.mark.parametrize("part", range(3))
def test_nothing_unintended_operates_and_every_key_obeys_macs_parity_and_rules(part):
    planned = 0
    rng = Random(part)
    for turn in range(16):
        spec, counts, spare, tmk = draw_ask(rng)
        try:
            drawn = draw_system(spec, counts, spare, tmk, Random(turn), seconds=MOST_SECONDS)
        except KeyingError as refused:
            assert refused.field in {"levels", "masters", "changes", "room", "rules"}, refused
            continue
        planned += 1
        plan, keys = drawn.plan, drawn.plan.keys
        top = keys[plan.keysets[0].symbol]
        assert tmk is None or top == tmk
        assert len(set(keys.values())) == len(keys)
        for symbol, bitting in keys.items():
            assert obeys_macs(spec, bitting)
            assert (bitting == tmk) or not breaks_a_rule(spec.rules, bitting, spec.first_depth), (symbol, bitting)
            assert spec.step == 1 or all((a - b) % 2 == 0 for a, b in zip(bitting, top, strict=True))
        for cylinder, operators in plan.cylinders.items():
            assert operators[0] == cylinder and len(operators) == len(counts) + 1
            turning = {symbol for symbol, cuts in keys.items() if operates(cuts, [keys[one] for one in operators])}
            assert turning == set(operators)
        wanted = counts[-1]
        for many in counts[:-1]:
            wanted *= many
        assert len(plan.cylinders) == wanted
        assert len(drawn.left) == len(counts)
        assert all(left >= more for left, more in zip(drawn.left, spare, strict=True))
        assert list(drawn.refused) == list(spec.rules.names)
        assert any("breaks the rule" in one for one in drawn.warnings) == (
            tmk is not None and bool(breaks_a_rule(spec.rules, tmk, spec.first_depth))
        )
    assert planned >= 8  # of 16 drawn; most of the others have too few chambers or a MACS too tight


@pytest.mark.parametrize(
    ("counts", "top", "symbols"),
    [
        ([2], "AA", ["1AA", "2AA"]),
        ([1, 2], "A", ["AA", "AA1", "AA2"]),
        ([1, 1, 2], "GGM", ["A", "AA", "AA1", "AA2"]),
        ([1, 1, 1, 2], "GGGM", ["A", "AA", "AAA", "AAA1", "AAA2"]),
        ([1, 2, 1, 1, 1], "GGGGM", ["A", "AA", "AAA", "AAAA", "AAAA1", "AB", "ABA", "ABAA", "ABAA1"]),
        ([1, 1, 1, 1, 1, 1], "GGGGGM", ["A", "AA", "AAA", "AAAA", "AAAAA", "AAAAA1"]),
    ],
)
def test_each_level_has_its_letters_and_is_read_back(counts, top, symbols):
    plan = draw_system(TWO_STEP, counts, [0] * len(counts), None, Random(1)).plan
    assert list(plan.keys) == [top, *symbols]
    for keyset in plan.keysets[1:]:
        read = read_symbol(keyset.symbol, levels=len(counts) + 1)
        assert read.level is keyset.level
        assert len(counts) < 3 or read.parent == keyset.parent
        assert (read.level is SymbolLevel.CHANGE) == (keyset.symbol in plan.cylinders)


def test_more_than_22_masters_under_one_key_are_named_in_a_second_turn():
    plan = draw_system(replace(TWO_STEP, chambers=7), [1, 24, 1], [0, 0, 0], None, Random(1)).plan
    assert {"AZ", "A2A", "A2B", "A2B1"} <= set(plan.keys)
    assert plan.cylinders["A2B1"] == ("A2B1", "A2B", "A", "GGM")


@pytest.mark.parametrize("rules", [BittingRules(), RULES])
@pytest.mark.parametrize("counts", [[2, 3], [3, 2], [2, 2]])
def test_what_is_left_is_what_a_plain_count_finds_under_the_poorest_key(rules, counts):
    spec = BittingSpec(chambers=4, depths=6, macs=4, rules=rules)
    drawn = draw_system(spec, counts, [0, 0], None, Random(7))
    plan, keys = drawn.plan, drawn.plan.keys
    top = keys["A"]
    fit = [one for one in every_bitting(spec) if obeys_macs(spec, one) and not breaks_a_rule(rules, one, 0)]

    def under(role, above):
        return [
            one
            for one in fit
            if all(
                cut != high if mark == role else cut == over
                for cut, high, over, mark in zip(one, top, above, plan.roles, strict=True)
            )
        ]

    masters = [one for one in under("M", top) if len(under("C", one)) >= counts[1]]
    made = [keyset.bitting for keyset in plan.keysets if keyset.level is SymbolLevel.MASTER]
    assert drawn.left == (len(masters) - counts[0], min(len(under("C", one)) for one in made) - counts[1])
    within_macs = [one for one in every_bitting(spec) if obeys_macs(spec, one)]
    refused = Counter(
        rules.first_broken(one, 0)
        for above, role in [(top, "M"), *((master, "C") for master in made)]
        for one in within_macs
        if all(
            cut != high if mark == role else cut == over
            for cut, high, over, mark in zip(one, top, above, plan.roles, strict=True)
        )
    )
    assert drawn.refused == {name: refused[name] for name in rules.names}


def most_apart(masters, one, other):
    """The most of them of which no two share a depth in either chamber: every set of depths tried, row by row."""
    rows = {}
    for bitting in masters:
        rows.setdefault(bitting[one], set()).add(bitting[other])
    best = {frozenset(): 0}
    for depths in rows.values():
        for taken, size in list(best.items()):
            for depth in depths - taken:
                key = taken | {depth}
                best[key] = max(best.get(key, 0), size + 1)
    return max(best.values())


@pytest.mark.parametrize(("spec", "most"), [(TWO_STEP, 4), (replace(ONE_STEP, rules=RULES), 5)])
def test_no_two_masters_of_forty_plans_differ_in_one_chamber_only_where_the_array_holds_enough(spec, most):
    enough = 0
    for turn in range(40):
        rng = Random(turn)
        tmk = draw_master(spec, rng)
        roles = list("MM" + "C" * (spec.chambers - 2))
        rng.shuffle(roles)
        wanted = rng.randint(2, most)
        try:
            plan = plan_levels(spec, tmk, levels=3, masters=wanted, changes_per_master=4, roles="".join(roles))
        except KeyingError:
            continue
        one, other = (chamber for chamber, role in enumerate(roles) if role == "M")
        columns = [
            [d for d in spec.all_depths if d != cut and (d - cut) % spec.step == 0] if role == "M" else [cut]
            for cut, role in zip(tmk, roles, strict=True)
        ]
        there = [
            b for b in product(*columns) if obeys_macs(spec, b) and not breaks_a_rule(spec.rules, b, spec.first_depth)
        ]
        masters = [keyset.bitting for keyset in plan.keysets if keyset.level is SymbolLevel.MASTER]
        assert set(masters) <= set(there)
        if most_apart(there, one, other) >= wanted:
            enough += 1
            assert min((differ(a, b) for a, b in combinations(masters, 2)), default=2) >= 2, turn
    assert enough >= 20


def test_masters_come_from_the_whole_array():
    """Of 60 plans' first masters each depth that the column has stands there: not its shallow end alone."""
    seen = Counter()
    for turn in range(60):
        plan = plan_levels(
            TWO_STEP, draw_master(TWO_STEP, Random(turn)), levels=3, masters=3, changes_per_master=9, roles="MMCCCC"
        )
        seen.update(plan.keys["AA"][:2])
    assert set(seen) == set(range(10))
    assert seen[8] + seen[9] > 10


def test_masters_under_two_grands_that_differ_in_one_chamber_differ_in_two():
    plan = plan_levels(
        TWO_STEP, (4, 4, 3, 5, 4, 5), levels=4, grands=2, masters=3, changes_per_master=5, roles="GMMCCC"
    )
    masters = [keyset.bitting for keyset in plan.keysets if keyset.level is SymbolLevel.MASTER]
    assert len(masters) == 6 and min(differ(a, b) for a, b in combinations(masters, 2)) >= 2


@pytest.mark.parametrize("apart", [2, 3])
def test_chosen_bittings_stand_apart_in_three_chambers_too(apart):
    pool = [(*cuts, 0) for cuts in product(range(5), repeat=3)]
    found = choose_apart(pool, [0, 1, 2], 5 ** (4 - apart), apart, lambda _: True, Random(1))
    assert len(found) == 5 ** (4 - apart)  # of so many chambers and depths no more can be apart
    assert min(differ(a, b) for a, b in combinations(found, 2)) == apart
    assert count_near(found, apart) == 0 and count_near(pool, apart) == len(pool)


def test_a_plan_says_where_masters_had_to_come_nearer():
    """Five of six depths stand beside the top's: of two chambers at most five masters differ in both."""
    asked = {"levels": 3, "changes_per_master": 4, "roles": "MMCCC"}
    spec, tmk = replace(ONE_STEP, macs=5), (3, 3, 3, 3, 3)
    five = plan_levels(spec, tmk, masters=5, **asked)
    six = plan_levels(spec, tmk, masters=6, **asked)
    near = [count_near([k.bitting for k in plan.keysets if len(k.symbol) == 2], 2) for plan in (five, six)]
    assert near[0] == 0 and near[1] > 0
    drawn = draw_system(BittingSpec(chambers=3, depths=6, macs=5), [6, 1], [0, 0], (3, 3, 3), Random(1))
    assert any("differ from another in fewer than 2 chambers" in one for one in drawn.warnings)
    assert any("serve the changes" in one for one in drawn.warnings)


@pytest.mark.parametrize(
    ("spec", "counts", "spare", "tmk", "field"),
    [
        (TWO_STEP, [1] * 5 + [5], [0] * 6, None, "changes"),  # T5: one chamber holds four, two-step
        (ONE_STEP, [1] * 6, [0] * 6, None, "levels"),
        (BittingSpec(chambers=4, depths=3, macs=2, step=2), [1, 1, 2], [0] * 3, (1, 0, 2, 0), "changes"),
        (BittingSpec(chambers=4, depths=3, macs=2, step=2), [1] * 4, [0] * 4, (1, 0, 2, 0), "levels"),
        (TWO_STEP, [23, 1, 1], [0] * 3, None, "masters"),
        (TWO_STEP, [100, 100], [0, 0], None, "masters"),
        (TWO_STEP, [2, 4000], [0, 0], None, "changes"),
        (TWO_STEP, [16, 64], [0, 700], None, "room"),
        (BittingSpec(chambers=4, depths=4, macs=3, rules=BittingRules(least_depths=4)), [60], [0], None, "rules"),
        (TWO_STEP, [10, 20_000], [0, 0], None, "changes"),
        (TWO_STEP, [5], [0], (0, 9, 0, 9, 0, 9), "tmk"),
    ],
)
def test_what_does_not_fit_is_refused_by_its_field(spec, counts, spare, tmk, field):
    with pytest.raises(KeyingError) as refused:
        draw_system(spec, counts, spare, tmk, Random(1), seconds=MOST_SECONDS)
    assert refused.value.field == field


def test_rules_that_leave_too_few_say_which_to_loosen():
    spec = BittingSpec(chambers=4, depths=4, macs=3, rules=BittingRules(least_depths=4, no_uncut=True))
    with pytest.raises(KeyingError, match="loosen least_depths, by which alone it fits"):
        draw_system(spec, [60], [0], None, Random(1), seconds=MOST_SECONDS)


def test_the_same_seed_plans_the_same_and_another_another():
    one, same, other = (draw_system(TWO_STEP, [3, 9], [0, 0], None, Random(n)).plan.keys for n in (5, 5, 6))
    assert one == same != other


def test_a_search_keeps_its_time(monkeypatch):
    now = [0.0]

    def tick():
        now[0] += 0.1
        return now[0]

    monkeypatch.setattr("app.keying.time_limit.monotonic", tick)
    with pytest.raises(KeyingError) as refused:
        draw_system(replace(TWO_STEP, rules=RULES), [4] * 6, [0] * 6, None, Random(1), seconds=5)
    assert refused.value.field in {"masters", "changes"}
    assert now[0] < 6
