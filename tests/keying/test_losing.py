from itertools import combinations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.keying import BittingSpec, KeyingError, LostKey, lost_key, plan_levels
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


def test_an_unknown_key_is_refused():
    with pytest.raises(KeyingError) as refused:
        lost_key(PLAN.keys, PLAN.cylinders, "ZZ")
    assert refused.value.field == "symbol"


# What the lost key L is cut to stands chamber by chamber in the keys that stay: P, Q and R have one cut of it each.
CUTS = {"L": (0, 0, 0), "P": (0, 1, 1), "Q": (1, 0, 1), "R": (1, 1, 0)}


def test_the_key_of_fewest_copies_goes_where_a_new_key_alone_would_not_do():
    lost = lost_key(CUTS, {"C1": list(CUTS)}, "L", {"L": 2, "P": 5, "Q": 1, "R": 3})
    assert (lost.symbol, lost.exposed, lost.replace, lost.repin) == ("L", ("C1",), ("L", "Q"), ("C1",))
    assert (lost.keys_to_cut, lost.proven) == (3, True)


def test_a_cylinder_more_weighs_more_than_any_number_of_keys():
    cylinders = {"C1": list(CUTS), "C2": ["Q"], "C3": ["P"]}
    lost = lost_key(CUTS, cylinders, "L", {"P": 1, "Q": 1, "R": 50})
    assert (lost.replace, lost.repin, lost.keys_to_cut) == (("L", "R"), ("C1",), 51)
    everywhere = cylinders | {"C4": ["R"]}
    lost = lost_key(CUTS, everywhere, "L", {"P": 3, "R": 2})
    assert (lost.replace, lost.repin, lost.keys_to_cut) == (("L", "Q"), ("C1", "C2"), 2)


def test_of_as_many_keys_the_plan_with_fewer_keysets_is_taken():
    keys = CUTS | {"Q2": (2, 0, 2), "R2": (2, 2, 0), "R3": (3, 3, 0)}
    lost = lost_key(keys, {"C1": list(keys)}, "L", {"P": 2})  # P has two copies, Q and Q2 one each
    assert (lost.replace, lost.keys_to_cut) == (("L", "P"), 3)


def test_a_key_to_cut_weighs_more_than_any_number_of_keysets():
    keys = {"L": (0, 0, 0), "P": (0, 1, 1), "R": (1, 1, 0)} | {f"Q{n}": (1, 0, 1) for n in range(8)}
    none_cut_yet = dict.fromkeys((f"Q{n}" for n in range(8)), 0)
    lost = lost_key(keys, {"C1": list(keys)}, "L", {"R": 99, **none_cut_yet})
    assert (lost.replace, lost.keys_to_cut) == (("L", *none_cut_yet), 1)
    lost = lost_key(
        CUTS | {"Q2": (2, 0, 2)}, {"C1": [*CUTS, "Q2"]}, "L", {"P": 3, "R": 99}
    )  # Q and Q2: one copy each
    assert (lost.replace, lost.keys_to_cut) == (("L", "Q", "Q2"), 3)


def test_keys_cut_like_the_lost_one_are_lost_with_it():
    keys = CUTS | {"TWIN": (0, 0, 0)}
    lost = lost_key(keys, {"C1": ["L"], "C2": ["TWIN"]}, "L")
    assert (lost.exposed, lost.replace, lost.keys_to_cut) == (("C1", "C2"), ("L", "TWIN"), 2)


def test_a_key_that_opens_nothing_is_replaced_alone():
    lost = lost_key(CUTS, {"C1": ["P"]}, "L")
    assert lost == LostKey("L", (), ("L",), (), 1, True)
    assert lost_key(CUTS, {"C1": ["P"]}, "L", {"L": 4}).keys_to_cut == 4


def test_where_the_time_is_up_every_key_of_the_exposed_goes_and_nothing_is_claimed():
    keys = CUTS | {"S": (9, 9, 9)}
    lost = lost_key(keys, {"C1": list(CUTS), "C2": ["S"]}, "L", {"P": 5}, seconds=0.0)
    assert (lost.replace, lost.repin, lost.keys_to_cut) == (tuple(CUTS), ("C1",), 8)
    assert not lost.proven
