from dataclasses import replace
from itertools import combinations, product
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.keying import (
    ALL_ENTER,
    BittingRules,
    BittingSpec,
    KeyingError,
    Sections,
    losing,
    lost_key,
    plan_levels,
)
from app.keying.new_key import FoundKey
from app.keying.replacing import Replacing, key_anew
from app.keying.spec import parity_pattern
from app.keying.time_limit import TimeLimit
from tests.keying.oracle import obeys_macs, operates

RULES = BittingRules(least_depths=3, most_equal_neighbors=2, least_span=3, no_stairs=True, no_uncut=True)
SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2, rules=RULES)
PLAN = plan_levels(SPEC, (5, 2, 8, 6, 1, 4), levels=3, masters=3, changes_per_master=5)


def goes_in(sections, key, cylinder):
    return cylinder not in sections.plugs or sections.plugs[cylinder] in sections.entered[key]


def may_be_alike(sections, key, other):
    """Whether no keyway is entered by both keys."""
    return bool(sections.entered) and not set(sections.entered[key]) & set(sections.entered[other])


def lose(keys, cylinders, symbol, copies=None, spec=SPEC, seconds=20.0, sections=ALL_ENTER):
    """The plan, held against every key and cylinder by plain enumeration where there is one."""
    found = lost_key(spec, keys, cylinders, symbol, Random(1), copies, seconds, sections=sections)
    turned = [
        c
        for c, meant in cylinders.items()
        if goes_in(sections, symbol, c) and operates(keys[symbol], [keys[k] for k in meant])
    ]
    assert list(found.exposed) == turned
    assert set(found.new) == set(found.replace)
    if not found.proven:
        assert found.replace == found.repin == () and found.reasons
        return found
    after = {**keys, **found.new}
    for cylinder, meant in cylinders.items():
        pinned = [after[key] for key in meant]
        assert not (goes_in(sections, symbol, cylinder) and operates(keys[symbol], pinned)), cylinder
        turning = {key for key in keys if goes_in(sections, key, cylinder) and operates(after[key], pinned)}
        assert turning == set(meant), cylinder
    alike = {key for key in keys if keys[key] == keys[symbol] and not may_be_alike(sections, key, symbol)}
    assert alike <= set(found.replace)
    for key, cuts in found.new.items():
        same = {other for other in keys if cuts in (keys[other], after[other])} - {key}
        assert cuts != keys[key] and all(may_be_alike(sections, key, other) for other in same)
    for cuts in found.new.values():
        assert obeys_macs(spec, cuts) and spec.rules.first_broken(cuts, spec.first_depth) is None
    assert list(found.repin) == [c for c, meant in cylinders.items() if not set(meant).isdisjoint(found.new)]
    assert found.keys_to_cut == sum((copies or {}).get(key, 1) for key in found.replace)
    return found


def test_a_lost_change_exposes_its_own_cylinder_and_costs_one_keyset():
    lost = lose(PLAN.keys, PLAN.cylinders, "AB3", {"AB3": 7})
    assert lost.exposed == lost.repin == lost.replace == ("AB3",)
    assert (lost.keys_to_cut, lost.proven, lost.reasons) == (7, True, ())
    assert parity_pattern(lost.new["AB3"]) == parity_pattern(PLAN.tmk)


def test_a_lost_master_exposes_all_below_it_and_cannot_be_shut_out_by_a_new_master_alone():
    lost = lose(PLAN.keys, PLAN.cylinders, "AB")
    below = tuple(f"AB{n}" for n in range(1, 6))
    assert lost.proven and lost.exposed == lost.repin == below
    # The changes carry its cuts where masters progress, the grand carries the rest: the changes go too.
    assert set(lost.replace) == {"AB", *below}
    [why] = lost.reasons
    assert why.startswith("A new bitting for AB alone does not shut the lost key out")
    # A branch that is moved stays as it was within itself: no cylinder gets wider.
    after = {**PLAN.keys, **lost.new}
    for name in below:
        widths = [
            [len({keys[key][n] for key in PLAN.cylinders[name]}) for n in range(6)] for keys in (PLAN.keys, after)
        ]
        assert widths[0] == widths[1]


def test_a_lost_grand_exposes_everything_and_gets_one_new_bitting():
    """In a chamber of the masters no key that stays has its cut, so that a new grand is pinned beside them."""
    lost = lose(PLAN.keys, PLAN.cylinders, "A")
    assert lost.exposed == lost.repin == tuple(PLAN.cylinders)
    assert lost.proven and lost.replace == ("A",)


@pytest.mark.parametrize("symbol", ["GGM", "A", "BA", "BA2"])
def test_every_key_of_four_levels_has_a_plan(symbol):
    plan = plan_levels(SPEC, (4, 1, 7, 2, 5, 0), levels=4, grands=2, masters=2, changes_per_master=4)
    lost = lose(plan.keys, plan.cylinders, symbol)
    assert lost.proven
    assert lost.repin == lost.exposed == tuple(c for c, meant in plan.cylinders.items() if symbol in meant)


def test_a_key_that_opens_unmeant_doors_exposes_them_too():
    spec = BittingSpec(chambers=3, depths=6, macs=5)
    keys = {"AA": (3, 4, 5), "1AA": (3, 5, 5), "3AA": (3, 4, 3)}
    lost = lose(keys, {"X1X": ["1AA", "3AA"], "1AA": ["1AA"]}, "AA", spec=spec)
    assert lost.exposed == ("X1X",)
    assert lost.proven and {*lost.replace} > {"AA"}  # a new AA alone leaves X1X open to the lost one


TINY = {
    "two depths": BittingSpec(chambers=3, depths=2, macs=1),
    "three depths": BittingSpec(chambers=3, depths=3, macs=2),
    "a narrow MACS": BittingSpec(chambers=3, depths=3, macs=1),
    "a rule": BittingSpec(chambers=3, depths=3, macs=2, rules=BittingRules(most_equal_neighbors=1)),
}


@st.composite
def losses(draw):
    spec = TINY[draw(st.sampled_from(sorted(TINY)))]
    bitting = st.tuples(*[st.integers(0, spec.last_depth)] * 3)
    keys = {f"K{n}": draw(bitting) for n in range(draw(st.integers(1, 4 if spec.depths == 2 else 3)))}
    lists = draw(st.lists(st.lists(st.sampled_from(sorted(keys)), min_size=1, max_size=3, unique=True), max_size=4))
    copies = {key: draw(st.integers(1, 3)) for key in keys}
    return spec, keys, {f"C{n}": meant for n, meant in enumerate(lists)}, copies, draw(st.sampled_from(sorted(keys)))


def least_by_trying_all(spec, keys, cylinders, copies, lost, sections=ALL_ENTER):
    """The cost in cylinders and keys of the smallest plan there is, None where there is none."""

    def turns(key, cuts, cylinder, pinned):
        return goes_in(sections, key, cylinder) and operates(cuts, pinned)

    exposed = {c for c, meant in cylinders.items() if turns(lost, keys[lost], c, [keys[k] for k in meant])}
    gone = {k for k in keys if keys[k] == keys[lost] and not may_be_alike(sections, k, lost)}
    fit = [
        cuts
        for cuts in product(spec.all_depths, repeat=3)
        if obeys_macs(spec, cuts) and spec.rules.first_broken(cuts, 0) is None
    ]
    free = {
        key: [cuts for cuts in fit if all(keys[k] != cuts or may_be_alike(sections, key, k) for k in keys)]
        for key in keys
    }

    def is_clean(after):
        for cylinder, meant in cylinders.items():
            pinned = [after[key] for key in meant]
            others = (k for k in keys if k not in meant)
            if turns(lost, keys[lost], cylinder, pinned) or any(turns(k, after[k], cylinder, pinned) for k in others):
                return False
        return True

    def cost(replaced):
        repin = {c for c, meant in cylinders.items() if replaced & set(meant)} | exposed
        return len(repin), sum(copies[k] for k in replaced)

    some = [{*gone, *more} for n in range(len(keys) + 1) for more in combinations(sorted(keys.keys() - gone), n)]
    for replaced in sorted(some, key=cost):
        names = sorted(replaced)
        for cuts in product(*(free[name] for name in names)):
            new = dict(zip(names, cuts, strict=True))
            is_told_apart = all(
                new[one] != new[other] or may_be_alike(sections, one, other) for one, other in combinations(names, 2)
            )
            if is_told_apart and is_clean({**keys, **new}):
                return cost(replaced)
    return None


@settings(deadline=None, max_examples=80)
@given(losses())
def test_no_plan_is_smaller_than_the_one_found(loss):
    spec, keys, cylinders, copies, lost = loss
    found = lose(keys, cylinders, lost, copies, spec)
    least = least_by_trying_all(spec, keys, cylinders, copies, lost)
    assert least == ((len(found.repin), found.keys_to_cut) if found.proven else None)


@st.composite
def losses_across(draw):
    """The same on two or three keyways: what each key enters, and cylinders whose keys enter them."""
    spec, keys, lists, copies, lost = draw(losses())
    keyways = ["Q1", "Q2", "Q3"][: draw(st.integers(2, 3))]
    entered = {key: draw(st.sets(st.sampled_from(keyways), min_size=1, max_size=len(keyways))) for key in keys}
    plugs = {name: draw(st.sampled_from(keyways)) for name in lists}
    cylinders = {name: [key for key in meant if plugs[name] in entered[key]] for name, meant in lists.items()}
    return (
        spec,
        keys,
        {name: meant for name, meant in cylinders.items() if meant},
        copies,
        lost,
        Sections(plugs, entered),
    )


@settings(deadline=None, max_examples=80)
@given(losses_across())
def test_no_plan_across_keyways_is_smaller_than_the_one_found(loss):
    spec, keys, cylinders, copies, lost, sections = loss
    found = lose(keys, cylinders, lost, copies, spec, sections=sections)
    least = least_by_trying_all(spec, keys, cylinders, copies, lost, sections)
    assert least == ((len(found.repin), found.keys_to_cut) if found.proven else None)


@st.composite
def systems(draw):
    """A planned system of two to four levels with some doors crossed, and a key of it that is lost."""
    spec = replace(SPEC, chambers=draw(st.sampled_from([5, 6])), rules=draw(st.sampled_from([RULES, BittingRules()])))
    tmk = draw(st.sampled_from([(5, 2, 8, 6, 1, 4), (4, 1, 7, 2, 5, 0), (3, 6, 1, 8, 5, 2)]))[: spec.chambers]
    levels = draw(st.integers(2, 4))
    plan = plan_levels(
        spec,
        tmk,
        levels=levels,
        grands=draw(st.integers(1, 2)) if levels == 4 else 1,
        masters=draw(st.integers(1, 2)) if levels > 2 else 1,
        changes_per_master=draw(st.integers(2, 6)),
    )
    cylinders = {name: list(meant) for name, meant in plan.cylinders.items()}
    names = sorted(cylinders)
    for _ in range(draw(st.integers(0, 2))):
        door, key = draw(st.sampled_from(names)), draw(st.sampled_from(names))
        crossed = {**cylinders, door: [*cylinders[door], key]}
        stacks = {c: [plan.keys[k] for k in meant] for c, meant in crossed.items()}
        if key not in cylinders[door] and all(
            {k for k, cuts in plan.keys.items() if operates(cuts, stacks[c])} == set(crossed[c]) for c in crossed
        ):
            cylinders = crossed
    return spec, plan.keys, cylinders, draw(st.sampled_from(sorted(plan.keys)))


@settings(deadline=None, max_examples=40)
@given(systems())
def test_a_planned_system_has_a_plan_that_is_clean(system):
    spec, keys, cylinders, lost = system
    assert lose(keys, cylinders, lost, spec=spec).proven


@settings(deadline=None, max_examples=60)
@given(losses_across(), st.sets(st.integers(0, 3)))
def test_a_plan_carried_out_in_steps_is_clean_across_keyways_with_old_keys_and_pins_about(loss, places):
    spec, keys, cylinders, _, lost, sections = loss
    kept = {key for place, key in enumerate(keys) if place in places}
    found = lost_key(spec, keys, cylinders, lost, Random(1), keeping=lambda new: kept & new, sections=sections)
    kept &= {*found.new}
    gone = {key for key in keys if keys[key] == keys[lost] and not may_be_alike(sections, key, lost)}
    for cylinder, meant in cylinders.items():
        old, new = ([cuts[key] for key in meant] for cuts in (keys, {**keys, **found.new}))
        within = {key for key in keys if goes_in(sections, key, cylinder)}
        assert {key for key in {*found.new} & within if operates(found.new[key], old)} <= kept & {*meant}
        if new != old:
            turning = {key for key in {*found.new} & within if operates(keys[key], new)}
            assert turning <= (kept & {*meant}) - gone


def twins(plan):
    """A plan's keys under its top on one keyway, and cut alike as T… on another: neither's enter the other's."""
    keys = {**plan.keys, **{f"T{symbol}": cuts for symbol, cuts in plan.keys.items() if symbol != "A"}}
    cylinders = {name: list(meant) for name, meant in plan.cylinders.items()}
    for name, meant in plan.cylinders.items():
        cylinders[f"T{name}"] = [key if key == "A" else f"T{key}" for key in meant]
    entered = {key: {"Q3" if key.startswith("T") else "Q1"} for key in keys} | {"A": {"Q1", "Q3"}}
    return keys, cylinders, Sections({name: "Q3" if name.startswith("T") else "Q1" for name in cylinders}, entered)


@pytest.mark.parametrize("lost", ["A", "AB", "TAB", "AB3", "TAB3"])
def test_a_lost_key_of_a_system_on_two_keyways_has_a_plan_and_the_other_keyways_keys_stay(lost):
    keys, cylinders, sections = twins(PLAN)
    found = lose(keys, cylinders, lost, sections=sections)
    assert found.proven and found.repin == tuple(name for name, meant in cylinders.items() if lost in meant)
    assert lost == "A" or {key[0] for key in found.replace} == {lost[0]}


def test_a_system_is_keyed_anew_by_an_array_for_each_keyway_under_one_top(monkeypatch):
    """One array has room for nine masters with five changes, and there are five on either keyway."""
    spec = BittingSpec(chambers=4, depths=4, macs=3)
    keys, cylinders, sections = twins(plan_levels(spec, (2, 3, 1, 2), levels=3, masters=5, changes_per_master=5))
    monkeypatch.setattr(losing, "find_new_key", lambda *_: FoundKey(None, False, None))
    for search in ("move_branch", "replace_keys"):
        monkeypatch.setattr(losing, search, lambda *_, **__: Replacing(None, False))
    monkeypatch.setattr(losing, "key_anew", lambda *task, by_levels: key_anew(*task, by_levels=True))
    found = lose(keys, cylinders, "A", spec=spec, sections=sections)
    assert found.proven and {*found.replace} == {*keys}
    both = Sections(sections.plugs, {key: {"Q1", "Q3"} for key in keys})
    assert not lost_key(spec, keys, cylinders, "A", Random(1), seconds=2.0, sections=both).proven


def test_the_same_seed_gives_the_same_bittings():
    one, other, third = (lost_key(SPEC, PLAN.keys, PLAN.cylinders, "AB3", Random(seed)) for seed in (1, 1, 2))
    assert one.new == other.new != third.new


def test_an_unknown_key_is_refused():
    with pytest.raises(KeyingError) as refused:
        lost_key(SPEC, PLAN.keys, PLAN.cylinders, "ZZ", Random(1))
    assert refused.value.field == "lost"


# What the lost key L is cut to stands chamber by chamber in the keys that stay: P, Q and R have one cut of it each.
WIDE = BittingSpec(chambers=3, depths=10, macs=9)
CUTS = {"L": (0, 0, 0), "P": (0, 1, 1), "Q": (1, 0, 1), "R": (1, 1, 0)}


def test_the_key_of_fewest_copies_goes_where_a_new_key_alone_would_not_do():
    lost = lose(CUTS, {"C1": list(CUTS)}, "L", {"L": 2, "P": 5, "Q": 1, "R": 3}, WIDE)
    assert (lost.symbol, lost.exposed, lost.replace, lost.repin) == ("L", ("C1",), ("L", "Q"), ("C1",))
    assert (lost.keys_to_cut, lost.proven) == (3, True)


def test_a_cylinder_more_weighs_more_than_any_number_of_keys():
    far = CUTS | {"S": (7, 7, 7), "T": (8, 8, 8)}
    cylinders = {"C1": list(CUTS), "C2": ["Q", "S"], "C3": ["P", "T"]}
    lost = lose(far, cylinders, "L", {"P": 1, "Q": 1, "R": 50}, WIDE)
    assert (lost.replace, lost.repin, lost.keys_to_cut) == (("L", "R"), ("C1",), 51)


def test_of_as_many_keys_the_plan_with_fewer_keysets_is_taken():
    keys = CUTS | {"Q2": (2, 0, 2), "R2": (2, 2, 0), "R3": (3, 3, 0)}
    lost = lose(keys, {"C1": list(keys)}, "L", {"P": 2}, WIDE)  # P has two copies, Q and Q2 one each
    assert (lost.replace, lost.keys_to_cut) == (("L", "P"), 3)


def test_keys_cut_like_the_lost_one_are_lost_with_it():
    lost = lose(CUTS | {"TWIN": (0, 0, 0)}, {"C1": ["L", "TWIN"], "C2": ["P"]}, "L", spec=WIDE)
    assert (lost.exposed, lost.replace, lost.keys_to_cut) == (("C1",), ("L", "TWIN"), 2)


def test_a_key_that_opens_nothing_is_replaced_alone():
    lost = lose(CUTS, {"C1": ["P"]}, "L", {"L": 4}, WIDE)
    assert (lost.exposed, lost.replace, lost.repin, lost.keys_to_cut, lost.proven) == ((), ("L",), (), 4, True)


def test_where_no_bitting_is_left_the_reasons_say_what_was_tried():
    """With two depths in three chambers there are eight bittings, and each is a key's here."""
    spec = BittingSpec(chambers=3, depths=2, macs=1)
    keys = {f"K{n}": cuts for n, cuts in enumerate(product((0, 1), repeat=3))}
    lost = lose(keys, {"C1": ["K0"]}, "K0", spec=spec)
    assert not lost.proven and lost.exposed == ("C1",)
    assert lost.reasons == (
        "A new bitting for K0 alone, all other keys staying: there is none.",
        "New bittings for K0, K1, K2, K3, K4, K5 and 2 more, all other keys staying: there are no such bittings.",
        "Other cuts for the whole branch of a master, and the whole system keyed anew: none found.",
    )


def test_keys_that_stay_and_turn_what_they_must_not_get_new_bittings_too():
    """K1 and K2 have one bitting, and the cylinder lists K1 alone: a new K0 by itself would leave that as it is."""
    keys = {"K0": (0, 0, 0), "K1": (1, 0, 0), "K2": (1, 0, 0)}
    lost = lose(keys, {"C0": ["K0"], "C1": ["K1"]}, "K0", spec=TINY["a narrow MACS"])
    assert lost.proven and {*lost.replace} == {"K0", "K2"}


def test_nothing_is_keyed_anew_once_the_time_is_up(monkeypatch):
    now = [0.0]

    def searched(*_, **__):
        now[0] += 30.0
        return Replacing(None, False)

    monkeypatch.setattr(losing, "TimeLimit", lambda seconds: TimeLimit(seconds, lambda: now[0]))
    monkeypatch.setattr(losing, "move_branch", lambda *_, **__: Replacing(None, False))
    monkeypatch.setattr(losing, "replace_keys", searched)
    monkeypatch.setattr(losing, "key_anew", lambda *_, **__: pytest.fail("the time was up"))
    assert not lose(PLAN.keys, PLAN.cylinders, "AB").proven


def test_where_the_time_is_up_nothing_is_claimed():
    lost = lose(PLAN.keys, PLAN.cylinders, "AB", seconds=1e-6)
    assert not lost.proven and lost.replace == () and len(lost.exposed) == 5


def test_another_top_master_is_looked_for_before_all_that_takes_longer(monkeypatch):
    """Each key anew, under a top of the same parity, with old keys still about: 21 keys are found in a few draws."""
    spec = BittingSpec(chambers=6, depths=10, macs=7, step=2)
    plan = plan_levels(spec, (4, 1, 7, 2, 5, 0), levels=2, masters=1, changes_per_master=20)
    for name in ("move_branch", "replace_keys"):
        monkeypatch.setattr(losing, name, lambda *_, **__: pytest.fail("a search that may take all the time"))
    lost = lost_key(
        *(spec, plan.keys, plan.cylinders, "AA", Random(2)),
        seconds=600,
        branch=[*plan.keys],
        keeping=lambda replaced: {"AA"} & replaced,
    )
    assert lost.proven and {*lost.replace} == {*plan.keys}
    assert not {*lost.new.values()} & {*plan.keys.values()}
