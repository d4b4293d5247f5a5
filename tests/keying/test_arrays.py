from collections import Counter
from dataclasses import replace
from itertools import combinations, islice, pairwise, product
from math import comb
from random import Random

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from app.keying import (
    AccessMatrix,
    AccessPlan,
    BittingRules,
    BittingSpec,
    KeyingError,
    LevelArray,
    audit,
    draw_master,
    extend,
    key_matrix,
    next_bittings,
    plan_levels,
    progress,
    progression_under,
    rotate,
)
from app.keying.arrays import Spread
from app.keying.issuing import draw_bitting
from tests.keying.oracle import bittings_of, every_bitting, obeys_macs, small_specs

SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2)
TMK = (5, 2, 8, 6, 1, 4)
RULES = BittingRules(least_depths=3, most_equal_neighbors=2, least_span=3, no_stairs=True, no_uncut=True)


def test_turned_gives_each_bitting_of_the_rotation_once():
    turned = LevelArray(TMK, "CCCCCC", constants=2).under(SPEC, "C", TMK)
    plain = list(rotate(SPEC, TMK, 2))
    listed = list(turned)
    assert len(listed) == len(set(listed)) == turned.usable == len(plain)
    assert set(listed) == set(plain)
    assert all(cuts in turned for cuts in listed) and TMK not in turned
    assert all(sum(cut == top for cut, top in zip(cuts, TMK, strict=True)) == 2 for cuts in listed)


def test_without_constants_it_is_the_plain_array():
    plain = progression_under(SPEC, TMK, "CCC-CC", "C", TMK)
    assert sorted(LevelArray(TMK, "CCC-CC").under(SPEC, "C", TMK)) == sorted(plain)


def test_a_rotating_system_is_extended_without_interchange_or_a_bitting_twice():
    for turn in range(4):
        tmk = draw_master(SPEC, Random(turn))
        array = LevelArray(tmk, "CCCCCC", constants=1 + turn)
        first = list(islice(LevelArray(tmk, "CCCCCC", constants=1 + turn).under(SPEC, "C", tmk), 40))
        keys = {"AA": tmk, **{f"{n}AA": cuts for n, cuts in enumerate(first, start=1)}}
        cylinders = {symbol: (symbol, "AA") for symbol in keys if symbol != "AA"}
        found = extend(SPEC, array, keys, cylinders, changes={"AA": 60})
        added = {keyset.symbol: keyset.bitting for keyset in found.keysets}
        assert len(set(added.values()) | set(keys.values())) == 101
        assert not audit({**keys, **added}, {**cylinders, **found.cylinders}).unintended


SEVEN = BittingSpec(chambers=7, depths=10, macs=9, step=2)
SINGLE = BittingSpec(chambers=6, depths=6, macs=5, step=1)


def apart(one, other):
    return sum(a != b for a, b in zip(one, other, strict=True))


@settings(deadline=None, max_examples=60)
@given(st.data())
def test_the_same_bittings_come_none_twice_none_left_out(data):
    spec = data.draw(small_specs())
    tmk = data.draw(bittings_of(spec))
    try:
        array = progress(spec, tmk, held=data.draw(st.sets(st.integers(1, spec.chambers), max_size=2)))
    except KeyingError:  # a master outside its MACS, or nothing left to progress
        return
    spread = list(Spread(array))
    assert len(spread) == len(set(spread)) == Spread(array).usable
    assert set(spread) == set(array)
    assert all(bitting in Spread(array) for bitting in spread)


@pytest.mark.parametrize(("spec", "tmk"), [(SPEC, TMK), (SEVEN, (4,) * 7), (SINGLE, (2,) * 6)])
def test_the_changes_of_one_job_differ_in_three_cuts(spec, tmk):
    array = progress(spec, tmk)
    assert apart(*islice(array, 2)) == 1  # what the plain sequence does
    first = list(islice(Spread(array), array.usable // 100))
    assert len(first) >= 30
    assert min(apart(a, b) for a, b in combinations(first, 2)) >= 3
    # And for as long as sums hold, some hundreds of keys, in two.
    many = list(islice(Spread(array), array.usable // 10))
    assert min(apart(a, b) for a, b in combinations(many[:400], 2)) >= 2


def test_neighbors_are_near_misses_no_more():
    array = progress(SPEC, TMK)
    plain, spread = list(array)[:400], list(Spread(array))[:400]
    assert sum(apart(a, b) == 1 for a, b in pairwise(plain)) > 200
    assert not any(apart(a, b) == 1 for a, b in pairwise(spread))


def test_what_is_used_is_passed_over_and_the_order_is_the_same_each_time():
    array = Spread(progress(SPEC, TMK))
    first = next_bittings(array, 12)
    assert next_bittings(array, 12) == first
    assert next_bittings(array, 6, used=frozenset(first[:6])) == first[6:]


def test_a_large_array_gives_its_first_changes_at_once():
    spec = replace(SPEC, chambers=12, depths=16, macs=9, step=1, rules=RULES)
    first = list(islice(Spread(progress(spec, (8,) * 12)), 300))
    assert min(apart(a, b) for a, b in combinations(first, 2)) >= 3
    assert all(spec.allows(bitting) for bitting in first)


FIVE = BittingSpec(chambers=5, depths=6, macs=4, step=1, rules=RULES)
SIX = BittingSpec(chambers=6, depths=10, macs=7, step=2, rules=RULES)


@pytest.mark.parametrize("spec", [FIVE, SIX])
def test_no_first_change_under_a_master_breaks_a_rule_or_is_the_shallowest(spec):
    rng, firsts = Random(15), Counter()
    for _ in range(1000):
        tmk = draw_bitting(spec, rng)
        array = progress(spec, tmk)
        first = next(iter(Spread(array)))
        assert RULES.first_broken(tmk, 0) is None and RULES.first_broken(first, 0) is None
        assert first != tuple(min(column) for column in array.columns)
        firsts[tuple(column.index(cut) for column, cut in zip(array.columns, first, strict=True))] += 1
    # Every depth of each chamber comes first somewhere, none in half of the arrays.
    for chamber in range(spec.chambers):
        shares = Counter()
        for places, times in firsts.items():
            shares[places[chamber]] += times
        assert len(shares) == len(array.columns[chamber]) and max(shares.values()) < 500


def test_a_change_is_never_next_to_one_that_differs_in_one_chamber():
    for spec, roles in [(SIX, "CCCCCC"), (SIX, "CCCM-M"), (FIVE, "CMCCM"), (FIVE, "CC-MM")]:
        tmk = draw_bitting(spec, Random(4))
        listed = list(LevelArray(tmk, roles).under(spec, "C", tmk))
        assert len(listed) > 15 and min(apart(*pair) for pair in pairwise(listed)) >= 2


def test_extended_and_matrix_systems_spread_their_changes_and_audit_clean():
    plan = plan_levels(SPEC, TMK, levels=3, masters=2, changes_per_master=1)
    added = extend(SPEC, LevelArray(plan.tmk, plan.roles), plan.keys, plan.cylinders, changes={"AA": 10, "AB": 10})
    keys = {**plan.keys, **{keyset.symbol: keyset.bitting for keyset in added.keysets}}
    assert not audit(keys, {**plan.cylinders, **added.cylinders}).unintended
    mine = [keyset.bitting for keyset in added.keysets if keyset.parent == "AA"]
    assert min(apart(a, b) for a, b in combinations(mine, 2)) >= 2

    doors = [f"{hall}{n}" for hall, n in product("NSB", range(12))]
    opens = {"owner": set(doors), **{hall: {d for d in doors if d[0] == hall} for hall in "NSB"}}
    opens |= {f"holder of {door}": {door} for door in doors}
    found = key_matrix(SPEC, TMK, AccessMatrix.of(opens, doors), Random(1))
    assert isinstance(found, AccessPlan) and not audit(found.keys, found.cylinders).unintended
    hall = [keyset.bitting for keyset in found.keysets if keyset.parent == "AA"]
    assert len(hall) == 12 and min(apart(a, b) for a, b in combinations(hall, 2)) >= 2


@st.composite
def rotations(draw):
    spec = draw(small_specs(most_depths=5))
    assume(spec.depths > spec.step)
    tmk = draw(bittings_of(spec))
    assume(spec.within_macs(tmk))
    assume(all(any(d != cut and (d - cut) % spec.step == 0 for d in spec.all_depths) for cut in tmk))
    return spec, tmk, draw(st.integers(1, spec.chambers - 1))


@given(rotations())
def test_rotation_lists_every_bitting_with_that_many_constants(rotation):
    spec, tmk, constants = rotation
    found = rotate(spec, tmk, constants)
    plain = {
        bitting
        for bitting in every_bitting(spec)
        if obeys_macs(spec, bitting)
        and sum(a == b for a, b in zip(bitting, tmk, strict=True)) == constants
        and all((a - b) % spec.step == 0 for a, b in zip(bitting, tmk, strict=True))
    }
    listed = list(found)
    assert len(listed) == len(set(listed)) == found.usable
    assert set(listed) == plain
    assert {bitting for bitting in every_bitting(spec) if bitting in found} == plain


@given(rotations())
def test_no_change_operates_anothers_cylinder(rotation):
    spec, tmk, constants = rotation
    keys = {"AA": tmk} | {f"{n}AA": b for n, b in enumerate(islice(rotate(spec, tmk, constants), 200), 1)}
    assert not audit(keys, {symbol: ("AA", symbol) for symbol in keys if symbol != "AA"}).unintended


def test_places_move_on_in_order():
    found = rotate(SPEC, TMK, 4)
    assert found.places == tuple(combinations(range(1, 7), 4))
    assert sum(turn.theoretical for turn in found.turns) == comb(6, 4) * 4**2


@pytest.mark.parametrize("constants", [0, 6, True, 10**30])
def test_constants_that_cannot_be_are_refused(constants):
    with pytest.raises(KeyingError) as refused:
        rotate(SPEC, TMK, constants)
    assert refused.value.field == "constants"


def test_a_chamber_without_another_depth_cannot_rotate():
    spec = BittingSpec(chambers=3, depths=2, macs=2, step=2)
    with pytest.raises(KeyingError):
        rotate(spec, (0, 1, 0), 1)


def test_one_chamber_without_another_depth_cannot_rotate():
    spec = BittingSpec(chambers=3, depths=3, macs=2, step=2)  # depth 1 is the only odd one
    with pytest.raises(KeyingError, match="no other depth of the master's parity") as refused:
        rotate(spec, (0, 1, 0), 1)
    assert refused.value.field == "places"
    assert rotate(spec, (0, 1, 0), 1, ((2,),)).usable == 1
