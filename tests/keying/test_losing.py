from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.keying import BittingSpec, KeyingError, lost_key, plan_levels
from tests.keying.oracle import operates

SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2)
PLAN = plan_levels(SPEC, (5, 2, 8, 6, 1, 4), levels=3, masters=3, changes_per_master=5)


def test_a_lost_change_exposes_its_own_cylinder_and_costs_one_keyset():
    lost = lost_key(PLAN.keys, PLAN.cylinders, "AB3", {"AB3": 7})
    assert lost.exposed == lost.repin == ("AB3",)
    assert lost.replace == ("AB3",)
    assert lost.keys_to_cut == 7
    assert lost.proven


def test_a_lost_master_exposes_all_below_it_and_cannot_be_shut_out_by_a_new_master_alone():
    lost = lost_key(PLAN.keys, PLAN.cylinders, "AB")
    below = tuple(f"AB{n}" for n in range(1, 6))
    assert lost.exposed == lost.repin == below
    # The changes carry its cuts where masters progress, the grand carries the rest: the changes go too.
    assert set(lost.replace) == {"AB", *below}


def test_a_lost_grand_exposes_everything():
    assert lost_key(PLAN.keys, PLAN.cylinders, "A").exposed == tuple(PLAN.cylinders)


def test_a_key_that_opens_unmeant_doors_exposes_them_too():
    keys = {"AA": (3, 4, 5), "1AA": (3, 6, 5), "3AA": (3, 4, 3)}
    lost = lost_key(keys, {"X1X": ["1AA", "3AA"], "1AA": ["1AA"]}, "AA")
    assert lost.exposed == ("X1X",)


@st.composite
def losses(draw):
    bitting = st.tuples(*[st.integers(0, 2)] * 3)
    keys = {f"K{n}": draw(bitting) for n in range(draw(st.integers(1, 5)))}
    lists = draw(st.lists(st.lists(st.sampled_from(sorted(keys)), min_size=1, max_size=3, unique=True), max_size=5))
    copies = {key: draw(st.integers(1, 5)) for key in keys}
    return keys, {f"C{n}": meant for n, meant in enumerate(lists)}, copies, draw(st.sampled_from(sorted(keys)))


@settings(deadline=None, max_examples=60)
@given(losses())
def test_no_plan_is_smaller_than_the_one_found(loss):
    keys, cylinders, copies, lost = loss
    exposed = [c for c, meant in cylinders.items() if operates(keys[lost], [keys[k] for k in meant])]
    found = lost_key(keys, cylinders, lost, copies)
    assert list(found.exposed) == exposed
    if not exposed:
        assert found.repin == ()
        return
    alike = {k for k in keys if keys[k] == keys[lost]}

    def shuts_out(replaced):
        return alike <= replaced and all(
            any(
                all(k in replaced for k in cylinders[c] if keys[k][chamber] == keys[lost][chamber])
                for chamber in range(3)
            )
            for c in exposed
        )

    def cost(replaced):
        repin = [c for c, meant in cylinders.items() if c in exposed or replaced & set(meant)]
        return len(repin), sum(copies[k] for k in replaced)

    every = (set(some) for size in range(len(keys) + 1) for some in combinations(keys, size))
    least = min(cost(some) for some in every if shuts_out(some))
    assert found.proven
    assert shuts_out(set(found.replace))
    assert (len(found.repin), found.keys_to_cut) == cost(set(found.replace)) == least
    for cylinder, chamber in found.blocked.items():
        kept = [keys[k][chamber - 1] for k in cylinders[cylinder] if k not in found.replace]
        assert keys[lost][chamber - 1] not in kept


def test_an_unknown_key_is_refused():
    with pytest.raises(KeyingError) as refused:
        lost_key(PLAN.keys, PLAN.cylinders, "ZZ")
    assert refused.value.field == "symbol"
