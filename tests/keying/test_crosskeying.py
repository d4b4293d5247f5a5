from itertools import pairwise, product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.keying import (
    BittingChoice,
    BittingSpec,
    KeyingError,
    audit,
    choose_bittings,
    cross_cost,
    plan_levels,
    progression_under,
)
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
    # A keyset of its own comes first; a master that is handed out says how many of the other 119 doors it opens.
    assert [(way.words, len(way.opens)) for way in cost.alternatives] == [
        ("Give this door a keyset of its own, with a key to the holders of AA1 and of AB7, AC9.", 0),
        ("Hand AA1 to the holders of AB7, AC9.", 0),
        ("Hand AA to the holders of AB7, AC9.", 39),
        ("Hand A to the holders of AB7, AC9.", 119),
    ]
    beside = cross_cost(PLAN.keys, PLAN.cylinders, "AA1", ["AB7"], doors={"AA1": ("D2",), "AB7": ("D8", "D9")})
    assert [(way.words, way.opens) for way in beside.alternatives[1:3]] == [
        ("Have what they come for behind a door that AB7 opens: D8, D9.", ()),
        ("Hand AA1 to the holders of AB7.", ("D2",)),
    ]
    crossed = cross_cost(PLAN.keys, {"X1X": ["AA1", "AB7", "AA", "A"]}, "X1X", ["AC9", "AC9"])
    assert [way.words for way in crossed.alternatives[1:]] == [
        f"Hand {symbol} to the holders of AC9." for symbol in ("AA1", "AB7", "AA")
    ]


@pytest.mark.parametrize(("more", "controlled"), [(["AA2"], True), (["AB1"], False), (["AA2", "AB1"], False)])
def test_a_crossing_is_controlled_where_all_its_keys_hang_under_the_same_higher_keys(more, controlled):
    # AA1 + AA2; AA1 + AB1 (ANSI/BHMA A156.28-2018, text extract)
    above = {keyset.symbol: PLAN.cylinders.get(keyset.symbol, ())[1:] for keyset in PLAN.keysets}
    assert cross_cost(PLAN.keys, PLAN.cylinders, "AA1", more, above=above).controlled is controlled


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


@settings(deadline=None)
@given(st.data(), searches())
def test_cylinders_with_fewer_chambers_are_held_against_what_they_see(data, search):
    fixed, candidates, cylinders = search
    unseen = {name: data.draw(st.sampled_from([(), (2,), (0,), (1, 2)])) for name in cylinders}

    def clean(chosen):
        keys = {**fixed, **chosen}
        if len(set(chosen.values())) < len(chosen) or set(chosen.values()) & set(fixed.values()):
            return False
        return not any(
            all(place in unseen[name] or key[place] in {keys[one][place] for one in meant} for place in range(3))
            for name, meant in cylinders.items()
            for symbol, key in keys.items()
            if symbol not in meant
        )

    possible = any(clean(dict(zip(candidates, picks, strict=True))) for picks in product(*candidates.values()))
    found = choose_bittings(fixed, candidates, cylinders, unseen=unseen)
    assert (found.bittings is not None, found.exhausted) == (possible, True)
    assert found.bittings is None or clean(found.bittings)


def test_a_search_that_runs_out_of_tries_does_not_claim_that_none_exist():
    every = list(product(range(3), repeat=3))
    found = choose_bittings({}, {f"O{n}": every for n in range(5)}, {"C": ["O0", "O1", "O2"]}, tries=2)
    assert found.bittings is None
    assert not found.exhausted


def test_a_choice_does_not_show_its_bittings():
    found = choose_bittings({}, {"O": [(1, 2, 3)]}, {"C": ["O"]})
    assert found.bittings == {"O": (1, 2, 3)}
    assert "1, 2, 3" not in repr(found)


def test_fixed_keys_that_clash_already_leave_no_choice():
    keys = {"AA": (1, 1, 1), "1AA": (3, 3, 3), "2AA": (1, 3, 1)}
    for cylinders in ({"1AA": ["AA", "1AA"], "O": ["O"]}, {"O": ["O"], "1AA": ["1AA", "AA"]}):
        found = choose_bittings(keys, {"O": [(5, 5, 5)]}, cylinders)
        assert (found.bittings, found.exhausted) == (None, True)


def test_a_choice_shuts_out_keys_chosen_before_and_after_it():
    # O2 may not turn O1's cylinder, nor a key that is fixed O2's, nor O1 the cylinder that O2 shares with the master.
    keys = {"AA": (1, 1, 1), "F": (3, 1, 5)}
    candidates = {"O1": [(3, 1, 1), (3, 5, 5)], "O2": [(3, 1, 5), (3, 1, 3), (5, 3, 5), (5, 5, 3)]}
    cylinders = {"O1": ["O1", "AA"], "O2": ["O2", "AA"], "F": ["F"]}
    found = choose_bittings(keys, candidates, cylinders)
    assert found.bittings == {"O1": (3, 1, 1), "O2": (5, 3, 5)}
    assert found.exhausted


def test_a_search_goes_back_to_an_earlier_choice_and_forgets_it_wholly():
    # The first choice of O1 is also all that O2 may have: O1 has to move on, and its first bitting is free again.
    found = choose_bittings({}, {"O1": [(1, 1, 1), (2, 2, 2)], "O2": [(1, 1, 1)]}, {"C1": ["O1"], "C2": ["O2"]})
    assert found.bittings == {"O1": (2, 2, 2), "O2": (1, 1, 1)}


def test_a_key_that_lost_its_cuts_again_operates_nothing():
    # O1's first cuts would turn the cylinder of O2 and F, so O2 is chosen and withdrawn before O1 gets its second.
    candidates = {"O1": [(1, 1, 1), (0, 0, 0)], "O2": [(1, 1, 2)]}
    found = choose_bittings({"F": (1, 2, 1)}, candidates, {"C1": ["O1"], "C2": ["O2", "F"]})
    assert found.bittings == {"O1": (0, 0, 0), "O2": (1, 1, 2)}


def test_the_keyset_of_most_cylinders_is_chosen_first():
    candidates = {"O1": [(1, 1, 1), (2, 2, 2)], "O2": [(1, 1, 1), (3, 3, 3)]}
    found = choose_bittings({}, candidates, {"C1": ["O1"], "C2": ["O2"], "C3": ["O2"]})
    assert found.bittings == {"O1": (2, 2, 2), "O2": (1, 1, 1)}


def test_tries_are_counted_to_the_last_one():
    three = [(1, 1, 1), (2, 2, 2), (3, 3, 3)]
    taken = {f"F{n}": bitting for n, bitting in enumerate(three[:2])}
    assert choose_bittings({}, {"O": three}, {"C": ["O"]}, tries=1).bittings == {"O": (1, 1, 1)}
    assert choose_bittings({}, {"O": three}, {"C": ["O"]}, tries=0) == BittingChoice(None, False)
    # Bittings that are taken are no tries.
    assert choose_bittings(taken, {"O": three}, {"C": ["O"]}, tries=1).bittings == {"O": (3, 3, 3)}
    assert choose_bittings(taken, {"O": three[:2]}, {"C": ["O"]}, tries=0) == BittingChoice(None, True)
    # The last try fails and there are no more: that is no running out.
    clash = {"F": (3, 3, 3)}
    assert choose_bittings(clash, {"O": [(1, 1, 3)]}, {"C": ["O", "F"], "D": ["F"]}, tries=1).bittings is not None
    assert choose_bittings({"F": (1, 1, 1)}, {"O": [(1, 1, 1)]}, {"C": ["O"]}, tries=1) == BittingChoice(None, True)


def test_the_time_and_what_still_lacks_a_cut_are_told_on_the_way():
    now = [0.0]
    told = []

    def listen(lacking, share):
        told.append((lacking, share))

    class Slow(list):
        """Candidates each of which takes a tenth of a second to come."""

        def __iter__(self):
            for bitting in list.__iter__(self):
                now[0] += 0.1
                yield bitting

    clash = {"F1": (1, 1, 1), "F2": (2, 2, 2)}
    found = choose_bittings(
        clash,
        {"O1": Slow([(3, 3, cut) for cut in range(3, 8)]), "O2": Slow([(1, 2, 1)] * 6)},
        {"D": ["F1", "F2"], "C1": ["O1"], "C2": ["O2"]},
        seconds=10.0,
        on_progress=listen,
        clock=lambda: now[0],
    )
    assert found == BittingChoice(None, True)
    assert told[0] == (1, pytest.approx(0.03))  # O1 has its cut, O2 still lacks one; not told more than each 0.2 s
    assert all(lacking == 1 for lacking, _ in told) and len(told) >= 10
    gaps = [after - before for (_, before), (_, after) in pairwise(told)]
    assert min(gaps) > 0.02 and max(gaps) < 0.035
    began = now[0]
    stopped = choose_bittings(
        clash,
        {"O": Slow([(1, 2, 1)] * 50)},
        {"D": ["F1", "F2"], "C": ["O"]},
        seconds=1.05,
        clock=lambda: now[0],
    )
    assert stopped == BittingChoice(None, False)
    assert now[0] - began < 1.2
