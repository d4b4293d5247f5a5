"""A selective master, held against every key tried in every cylinder and every bitting counted one by one."""

from itertools import pairwise, product
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.keying import BittingSpec, Demand, LevelArray, next_bittings, plan_levels, plan_system
from app.keying.selective import selective_masters

TWO_STEP = BittingSpec(chambers=5, depths=8, macs=7, step=2)
ONE_STEP = BittingSpec(chambers=4, depths=6, first_depth=1, macs=3, step=1)


def _opens(key, *cylinder):
    return all(cut in depths for cut, depths in zip(key, zip(*cylinder, strict=True), strict=True))


def _whole_array(spec, tmk, roles):
    """Every bitting of all chambers that progress, one by one."""
    columns = [
        [top] if role == "-" else [d for d in spec.all_depths if d != top and (d - top) % spec.step == 0]
        for top, role in zip(tmk, roles, strict=True)
    ]
    return [cuts for cuts in product(*columns) if all(abs(a - b) <= spec.macs for a, b in pairwise(cuts))]


@settings(max_examples=12, deadline=None)
@given(
    st.sampled_from([(TWO_STEP, (1, 4, 3, 6, 5)), (ONE_STEP, (2, 4, 3, 5))]), st.integers(2, 3), st.integers(0, 9**6)
)
def test_it_opens_what_it_is_given_and_nothing_else_and_no_key_opens_more(which, levels, turn):
    (spec, tmk), rng = which, Random(turn)
    demand = Demand(levels=levels, masters=2 if levels > 2 else 1, changes_per_master=5, selective=True)
    for planned in plan_system(spec, tmk, demand).plans:
        one = planned.selective
        counts = {"levels": levels, "changes_per_master": 5, "masters": demand.masters}
        plan = plan_levels(one.withheld_from(spec), tmk, roles=planned.roles, **counts)
        selective = one.cuts(tmk)
        assert spec.allows(selective) and selective not in plan.keys.values()
        chosen = set(rng.sample(sorted(plan.cylinders), rng.randint(1, len(plan.cylinders))))
        array = LevelArray(tmk, planned.roles, withheld=(one.chamber, one.depth)).under(spec, "S", selective)
        keys = plan.keys.values()
        below = next_bittings(array, min(2, array.usable - len(plan.cylinders)), {*keys}, beside=keys)
        for name, operators in plan.cylinders.items():
            pinned = [plan.keys[key] for key in operators] + [selective] * (name in chosen)
            assert _opens(selective, *pinned) == (name in chosen)
            assert {key for key, cuts in plan.keys.items() if _opens(cuts, *pinned)} == set(operators)
        for own in below:  # a change right under it, which the top master and it operate
            assert {key for key, cuts in plan.keys.items() if _opens(cuts, own, selective, tmk)} == {
                plan.keysets[0].symbol
            }


@pytest.mark.parametrize(
    ("spec", "tmk", "roles"),
    [
        (TWO_STEP, (1, 4, 3, 6, 5), "CCCMM"),
        (TWO_STEP, (1, 4, 3, 6, 5), "CC-MM"),
        (ONE_STEP, (2, 4, 3, 5), "CCMM"),
    ],
)
def test_what_it_costs_is_counted_one_by_one(spec, tmk, roles):
    every = _whole_array(spec, tmk, roles)
    found = selective_masters(spec, tmk, roles)
    assert found
    for one in found:
        assert one.before == len(every)
        assert one.after == sum(cuts[one.chamber - 1] != one.depth for cuts in every)
    assert [one.after for one in found] == sorted((one.after for one in found), reverse=True)
    if "-" in roles:  # a chamber that the plan holds carries it for nothing
        assert (roles[found[0].chamber - 1], found[0].cost_percent) == ("-", 0)


def test_it_takes_a_quarter_of_four_depths_and_a_fifth_of_five():
    """P: 20 to 25 % of the system's capacity. ANSI/BHMA A156.28-2018, text extract."""
    four = selective_masters(BittingSpec(chambers=6, depths=10, macs=9, step=2), (4, 1, 7, 2, 5, 0), "CCCCMM")
    five = selective_masters(BittingSpec(chambers=6, depths=6, macs=5, step=1), (4, 1, 3, 2, 5, 0), "CCCCMM")
    assert {one.cost_percent for one in four} == {25}
    assert {one.cost_percent for one in five} == {20}


def test_a_depth_that_a_key_has_is_not_taken():
    spec, tmk = BittingSpec(chambers=3, depths=6, macs=5, step=2), (0, 2, 4)
    taken = [(2, 0, 0), (4, 4, 2)]
    assert selective_masters(spec, tmk, "CCC", taken) == ()
    assert {(one.chamber, one.depth) for one in selective_masters(spec, tmk, "CCC", taken[:1])} == {
        (1, 4),
        (2, 4),
        (3, 2),
    }
