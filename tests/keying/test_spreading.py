from __future__ import annotations

from itertools import combinations, islice, pairwise, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from oracle import bittings_of, small_specs

from app.keying import (
    AccessMatrix,
    BittingSpec,
    LevelArray,
    Spread,
    audit,
    extend,
    key_hierarchy,
    next_bittings,
    plan_levels,
    progress,
)
from app.keying.errors import KeyingError
from app.keying.hierarchy import AccessPlan

SIX = BittingSpec(chambers=6, depths=10, macs=7, step=2)
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


@pytest.mark.parametrize(("spec", "tmk"), [(SIX, (5, 2, 8, 6, 1, 4)), (SEVEN, (4,) * 7), (SINGLE, (2,) * 6)])
def test_the_changes_of_one_job_differ_in_three_cuts(spec, tmk):
    array = progress(spec, tmk)
    assert apart(*islice(array, 2)) == 1  # what the plain sequence does
    first = list(islice(Spread(array), array.usable // 100))
    assert len(first) >= 30
    assert min(apart(a, b) for a, b in combinations(first, 2)) >= 3
    # And for as long as sums hold, some hundreds of keys, in two.
    many = list(islice(Spread(array), array.usable // 10))
    assert min(apart(a, b) for a, b in combinations(many[:400], 2)) >= 2


def test_neighbours_are_near_misses_no_more():
    array = progress(SIX, (5, 2, 8, 6, 1, 4))
    plain, spread = list(array)[:400], list(Spread(array))[:400]
    assert sum(apart(a, b) == 1 for a, b in pairwise(plain)) > 200
    assert not any(apart(a, b) == 1 for a, b in pairwise(spread))


def test_what_is_used_is_passed_over_and_the_order_is_the_same_each_time():
    array = Spread(progress(SIX, (5, 2, 8, 6, 1, 4)))
    first = next_bittings(array, 12)
    assert next_bittings(array, 12) == first
    assert next_bittings(array, 6, used=frozenset(first[:6])) == first[6:]


def test_a_large_array_comes_part_by_part(monkeypatch):
    array = progress(SINGLE, (2,) * 6)
    whole = list(Spread(array))
    monkeypatch.setattr("app.keying.spreading.LISTED", 10)
    assert list(islice(Spread(array), 500)) == whole[:500]


def test_extended_and_matrix_systems_spread_their_changes_and_audit_clean():
    plan = plan_levels(SIX, (5, 2, 8, 6, 1, 4), levels=3, masters=2, changes_per_master=1)
    added = extend(SIX, LevelArray(plan.tmk, plan.roles), plan.keys, plan.cylinders, changes={"AA": 10, "AB": 10})
    keys = {**plan.keys, **{keyset.symbol: keyset.bitting for keyset in added.keysets}}
    assert audit(keys, {**plan.cylinders, **added.cylinders}).clean
    mine = [keyset.bitting for keyset in added.keysets if keyset.parent == "AA"]
    assert min(apart(a, b) for a, b in combinations(mine, 2)) >= 2

    doors = [f"{hall}{n}" for hall, n in product("NSB", range(12))]
    opens = {"owner": set(doors), **{hall: {d for d in doors if d[0] == hall} for hall in "NSB"}}
    opens |= {f"holder of {door}": {door} for door in doors}
    found = key_hierarchy(SIX, (5, 2, 8, 6, 1, 4), AccessMatrix.of(opens, doors))
    assert isinstance(found, AccessPlan) and audit(found.keys, found.cylinders).clean
    hall = [keyset.bitting for keyset in found.keysets if keyset.parent == "AA"]
    assert len(hall) == 12 and min(apart(a, b) for a, b in combinations(hall, 2)) >= 2
