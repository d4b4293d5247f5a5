from __future__ import annotations

from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.keying import BittingSpec, KeyingError, audit, choose_bittings, cross_cost, plan_levels, progression_under
from tests.keying.oracle import operates

SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2)
PLAN = plan_levels(SPEC, (5, 2, 8, 6, 1, 4), levels=3, masters=3, changes_per_master=40)


def test_the_cost_is_what_the_cylinder_lets_in_before_and_after():
    cost = cross_cost(PLAN.keys, PLAN.cylinders, "AA1", ["AB7", "AC9"])
    keys = PLAN.keys

    def opening(symbols):
        return sum(1 for _ in product(*[{keys[s][i] for s in symbols} for i in range(6)]))

    assert cost.before == opening(["AA1", "AA", "A"])
    assert cost.after == opening(["AA1", "AA", "A", "AB7", "AC9"])
    assert cost.extra == cost.after - cost.before
    lock = [keys[s] for s in ("AA1", "AA", "A", "AB7", "AC9")]
    assert cost.unintended == tuple(
        s for s, b in keys.items() if operates(b, lock) and s not in ("AA1", "AA", "A", "AB7", "AC9")
    )
    assert [way.opens for way in cost.alternatives] == [1, 40, 120]


def test_unknown_cylinders_and_keys_are_refused():
    with pytest.raises(KeyingError) as refused:
        cross_cost(PLAN.keys, PLAN.cylinders, "ZZ", [])
    assert refused.value.field == "cylinder"
    with pytest.raises(KeyingError) as refused:
        cross_cost(PLAN.keys, PLAN.cylinders, "AA1", ["ZZ"])
    assert refused.value.field == "cylinders.AA1"


def test_bittings_are_found_that_keep_stores_free_of_interchange():
    spec, tmk, roles = SPEC, PLAN.tmk, PLAN.roles
    masters = {symbol: PLAN.keys[symbol] for symbol in ("AA", "AB", "AC")}
    candidates = {
        f"{name}{n}": list(progression_under(spec, tmk, roles, "C", bitting))
        for name, bitting in masters.items()
        for n in range(1, 9)
    }
    cylinders = {change: ["A", change[:2], change] for change in candidates}
    cylinders |= {f"X{n}X": ["A", *masters, f"AA{n}", f"AB{n}", f"AC{n}"] for n in range(1, 5)}
    keys = {"A": tmk, **masters}
    found = choose_bittings(keys, candidates, cylinders)
    assert found.bittings is not None
    assert set(found.bittings) == set(candidates)
    assert not audit({**keys, **found.bittings}, cylinders).unintended
    assert len(set(found.bittings.values())) == len(candidates)


@st.composite
def searches(draw):
    depths = draw(st.integers(2, 3))
    every = list(product(range(depths), repeat=3))
    fixed = {f"F{n}": draw(st.sampled_from(every)) for n in range(draw(st.integers(0, 2)))}
    candidates = {
        f"O{n}": draw(st.lists(st.sampled_from(every), min_size=1, max_size=5, unique=True))
        for n in range(draw(st.integers(1, 3)))
    }
    symbols = [*fixed, *candidates]
    lists = draw(st.lists(st.lists(st.sampled_from(symbols), min_size=1, max_size=3, unique=True), max_size=4))
    return fixed, candidates, {f"C{n}": meant for n, meant in enumerate(lists)}


@settings(deadline=None)
@given(searches())
def test_the_search_finds_a_choice_exactly_when_there_is_one(search):
    fixed, candidates, cylinders = search

    def clean(chosen):
        every = [*fixed.values(), *chosen.values()]
        return (
            len(set(chosen.values())) == len(chosen)
            and not set(chosen.values()) & set(fixed.values())
            and len(every) == len(fixed) + len(chosen)
            and not audit({**fixed, **chosen}, cylinders).unintended
        )

    possible = any(clean(dict(zip(candidates, picks, strict=True))) for picks in product(*candidates.values()))
    found = choose_bittings(fixed, candidates, cylinders)
    assert found.exhausted
    assert (found.bittings is not None) == possible
    if found.bittings is not None:
        assert clean(found.bittings)
        assert all(bitting in candidates[symbol] for symbol, bitting in found.bittings.items())


def test_a_search_that_runs_out_of_tries_does_not_claim_that_none_exist():
    every = list(product(range(3), repeat=3))
    found = choose_bittings({}, {f"O{n}": every for n in range(5)}, {"C": ["O0", "O1", "O2"]}, tries=2)
    assert found.bittings is None
    assert not found.exhausted


def test_a_choice_does_not_show_its_bittings():
    found = choose_bittings({}, {"O": [(1, 2, 3)]}, {"C": ["O"]})
    assert found.bittings == {"O": (1, 2, 3)}
    assert "1, 2, 3" not in repr(found)
