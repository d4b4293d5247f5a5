from collections import Counter
from itertools import combinations, count, pairwise, product
from random import Random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.keying import (
    AccessMatrix,
    AccessPlan,
    BittingSpec,
    KeyingError,
    MatrixSolution,
    audit,
    key_matrix,
    plan_levels,
)
from app.keying.local_search import Mending
from app.keying.matrix_problem import operating
from app.keying.rules import BittingRules
from app.keying.solving import Outcome, solve_matrix
from tests.keying.oracle import crowded, operates

SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2)
TMK = (5, 2, 8, 6, 1, 4)
TIGHT = BittingSpec(chambers=3, depths=2, macs=9, step=1)
STIFF = BittingSpec(chambers=3, depths=2, macs=0, step=1)


def serves(matrix, bittings):
    """Whether every key operates exactly the cylinders that list it."""
    return all(
        operates(bitting, [bittings[k] for k in group.keys]) == (key in group.keys)
        for key, bitting in enumerate(bittings)
        for group in matrix.cylinders
    )


@st.composite
def matrices(draw, holders, doors):
    names = [f"d{n}" for n in range(draw(st.integers(1, doors)))]
    opens = {f"h{n}": set(draw(st.sets(st.sampled_from(names)))) for n in range(draw(st.integers(1, holders)))}
    for door in names:
        if not any(door in opened for opened in opens.values()):
            opens["h0"].add(door)
    return AccessMatrix.of(opens, names)


def possible(spec, matrix, fixed=None):
    every = list(product(spec.all_depths, repeat=spec.chambers))
    allowed = [
        [fixed[key]] if fixed and key in fixed else [b for b in every if spec.within_macs(b)]
        for key in range(len(matrix.keys))
    ]
    return any(serves(matrix, picks) for picks in product(*allowed))


@settings(deadline=None, max_examples=30)
@given(st.sampled_from([TIGHT, STIFF]), matrices(4, 4), st.integers(0, 1000))
def test_a_tight_matrix_is_solved_or_proven_impossible_as_trying_everything_says(spec, matrix, turn):
    found = solve_matrix(spec, (0, 0, 0), matrix, Random(turn), seconds=30)
    assert found.outcome is (Outcome.SOLVED if possible(spec, matrix) else Outcome.IMPOSSIBLE)
    if found.outcome is Outcome.SOLVED:
        assert serves(matrix, found.bittings)
        assert found.unwanted == ()


def test_what_is_impossible_is_told_with_the_least_rows_and_columns():
    # Of five keys that differ, a spec that holds two bittings has room for no three.
    opens = {f"h{n}": {f"d{n}"} for n in range(5)}
    opens["h0"].add("store")
    opens["h1"].add("store")
    matrix = AccessMatrix.of(opens, [*(f"d{n}" for n in range(5)), "store"])
    found = solve_matrix(STIFF, (0, 0, 0), matrix, Random(1), seconds=30)
    assert found.outcome is Outcome.IMPOSSIBLE
    assert found.smallest
    assert found.clash is not None
    keys, cylinders = found.clash.keys, found.clash.cylinders
    assert len(keys) == 3

    def clashing(keys, cylinders):
        part = [[k in matrix.cylinders[n].keys for n in cylinders] for k in keys]
        return not any(
            all(
                not any(row[c] for row in part)
                or operates(picks[k], [picks[j] for j, row in enumerate(part) if row[c]]) == part[k][c]
                for k in range(len(keys))
                for c in range(len(cylinders))
            )
            for picks in product([(0, 0, 0), (1, 1, 1)], repeat=len(keys))
        )

    assert clashing(keys, cylinders)
    assert not any(clashing(fewer, cylinders) for fewer in combinations(keys, len(keys) - 1))
    assert not any(clashing(keys, fewer) for fewer in combinations(cylinders, len(cylinders) - 1))
    assert "cannot be had together" in found.clash.sentence


def test_a_crossing_matrix_is_keyed_as_it_says():
    rng = Random(11)
    doors = [f"d{n}" for n in range(14)]
    opens = {f"h{n}": {door for door in doors if rng.random() < 0.2} | {doors[n]} for n in range(12)}
    opens["all"] = set(doors)
    plan = key_matrix(SPEC, TMK, AccessMatrix.of(opens, doors), Random(3), seconds=30)
    assert isinstance(plan, AccessPlan)
    assert not audit(plan.keys, plan.cylinders).unintended
    assert all(SPEC.within_macs(bitting) for bitting in plan.keys.values())
    assert plan.holders["all"] == "AA"
    for door, cylinder in plan.doors.items():
        lock = [plan.keys[s] for s in plan.cylinders[cylinder]]
        assert {h for h, s in plan.holders.items() if operates(plan.keys[s], lock)} == {
            h for h, opened in opens.items() if door in opened
        }
    assert any(name.startswith("X") for name in plan.cylinders)


def test_fixed_keys_stay_and_new_ones_fit_beside_them():
    plan = plan_levels(SPEC, TMK, levels=2, changes_per_master=6)
    old = list(plan.keys.items())
    opens = {symbol: {f"door {symbol}"} for symbol, _ in old[1:]}
    opens["AA"] = {f"door {symbol}" for symbol, _ in old[1:]} | {"new", "store"}
    opens["new key"] = {"new", "store"}
    opens["1AA"].add("store")
    matrix = AccessMatrix.of(opens, sorted(opens["AA"]))
    number = {key.holders[0]: n for n, key in enumerate(matrix.keys)}
    fixed = {number[symbol]: bitting for symbol, bitting in old}
    found = solve_matrix(SPEC, TMK, matrix, Random(2), fixed=fixed, seconds=30)
    assert found.outcome is Outcome.SOLVED
    assert all(found.bittings[n] == bitting for n, bitting in fixed.items())
    assert serves(matrix, found.bittings)


def test_fixed_keys_that_already_clash_are_impossible():
    opens = {"a": {"1", "3"}, "b": {"1"}, "c": {"2"}}
    matrix = AccessMatrix.of(opens, ["1", "2", "3"])
    found = solve_matrix(
        TIGHT, (0, 0, 0), matrix, Random(2), fixed={0: (0, 0, 0), 1: (1, 1, 1), 2: (0, 1, 1)}, seconds=30
    )
    assert found.outcome is Outcome.IMPOSSIBLE
    assert found.clash is not None
    assert sorted(found.clash.keys) == [0, 1, 2]
    assert found.clash.cylinders == (0,)


def test_bittings_to_avoid_are_not_given_out():
    matrix = AccessMatrix.of({"a": {"1"}, "b": {"2"}}, ["1", "2"])
    every = set(product(range(2), repeat=3))
    avoid = every - {(0, 1, 0), (1, 1, 1)}
    found = solve_matrix(TIGHT, (0, 0, 0), matrix, Random(2), avoid=avoid, seconds=30)
    assert found.outcome is Outcome.SOLVED
    assert set(found.bittings) == {(0, 1, 0), (1, 1, 1)}


def test_what_is_not_found_in_time_says_so_with_the_best_so_far():
    rng = Random(4)
    doors = [f"d{n}" for n in range(40)]
    opens = {f"h{n}": {door for door in doors if rng.random() < 0.3} for n in range(40)}
    opens["h0"] = set(doors)
    told, looks = [], count()
    found = key_matrix(
        SPEC,
        TMK,
        AccessMatrix.of(opens, doors),
        Random(3),
        seconds=60,
        on_progress=lambda left, share: told.append((left, share)),
        clock=lambda: next(looks) / 10,
    )
    assert isinstance(found, MatrixSolution)
    assert found.outcome is Outcome.NOT_IN_TIME
    assert found.bittings is not None
    matrix = AccessMatrix.of(opens, doors)
    plain = [
        (key, cylinder)
        for key, bitting in enumerate(found.bittings)
        for cylinder, group in enumerate(matrix.cylinders)
        if key not in group.keys and operates(bitting, [found.bittings[k] for k in group.keys])
    ]
    assert list(found.unwanted) == plain
    assert told
    assert all(left >= len(plain) and 0 <= share <= 1 for left, share in told)
    assert "bittings" not in repr(found)


@settings(deadline=None, max_examples=25)
@given(matrices(6, 6), st.integers(0, 1000))
def test_mending_keeps_count_of_what_it_changes(matrix, turn):
    rng = Random(turn)
    listed = np.zeros((len(matrix.keys), len(matrix.cylinders)), dtype=bool)
    for cylinder, group in enumerate(matrix.cylinders):
        listed[list(group.keys), cylinder] = True
    choices = [[(0, 1, 2)] * 3] * len(matrix.keys)
    mending = Mending(
        choices,
        listed,
        ~listed,
        lambda b: all(abs(x - y) <= 1 for x, y in pairwise(b)),
        [(1, 1, 1)] * len(matrix.keys),
        rng,
    )
    for _ in range(15):
        mending.mend()
        bittings = [tuple(row) for row in mending.bittings.tolist()]
        assert mending.violations == sum(
            operates(bitting, [bittings[k] for k in group.keys])
            for key, bitting in enumerate(bittings)
            for group in matrix.cylinders
            if key not in group.keys
        )
        assert all(abs(a - b) <= 1 for row in bittings for a, b in pairwise(row))


@pytest.mark.parametrize(
    ("values", "field"),
    [({"seconds": 0}, "seconds"), ({"seconds": float("nan")}, "seconds"), ({"fixed": {9: (1, 1, 1)}}, "fixed")],
)
def test_what_cannot_be_searched_is_refused(values, field):
    matrix = AccessMatrix.of({"a": {"1"}}, ["1"])
    with pytest.raises(KeyingError) as refused:
        solve_matrix(TIGHT, (0, 0, 0), matrix, Random(1), **values)
    assert refused.value.field == field


def solver(spec, tmk, turn):
    """The search as a command runs it on a changed matrix: from the beginning, with the same seed."""
    return lambda matrix, seconds: (
        solve_matrix(spec, tmk, matrix, Random(turn), seconds=seconds).outcome is Outcome.SOLVED
    )


@settings(deadline=None, max_examples=12)
@given(st.sampled_from([TIGHT, STIFF]), matrices(5, 4), st.integers(0, 1000))
def test_what_is_impossible_tells_the_fewest_entries_to_change(spec, matrix, turn):
    tmk = (0, 0, 0)
    found = solve_matrix(spec, tmk, matrix, Random(turn), seconds=30, solves=solver(spec, tmk, turn))
    if found.outcome is Outcome.SOLVED:
        assert found.relax == found.conflict == ()
        return
    assert found.outcome is Outcome.IMPOSSIBLE
    entries = [entry for change in found.relax for entry in change.entries(matrix)]
    opens = {
        holder: {d for n in key.doors for d in matrix.cylinders[n].doors}
        for key in matrix.keys
        for holder in key.holders
    }
    doors = [door for group in matrix.cylinders for door in group.doors]

    def solved_with(changed):
        new = {holder: opened ^ {d for h, d in changed if h == holder} for holder, opened in opens.items()}
        there = [door for door in doors if any(door in opened for opened in new.values())]
        return solver(spec, tmk, turn)(AccessMatrix.of(new, there), 30)

    assert solved_with(entries)
    for change in found.relax:
        for holder, door in change.entries(matrix):
            assert change.allow == (door not in opens[holder])
    every = [(holder, door) for holder in opens for door in doors]
    assert not any(solved_with([one]) for one in every if len(entries) > 1)


@settings(deadline=None, max_examples=30)
@given(st.sampled_from([TIGHT, STIFF]), matrices(4, 4), st.integers(0, 1000))
def test_the_pairs_that_clash_are_enough_and_none_can_be_left_out(spec, matrix, turn):
    found = solve_matrix(spec, (0, 0, 0), matrix, Random(turn), seconds=30)
    if found.outcome is Outcome.SOLVED:
        return
    every = [b for b in product(spec.all_depths, repeat=3) if spec.within_macs(b)]

    def clashing(pairs):
        pinned = {c: [k for k, d in pairs if d == c and k in matrix.cylinders[c].keys] for _, c in pairs}
        keys = sorted({k for k, _ in pairs})
        return not any(
            all(
                k in pinned[c] or not operates(picks[keys.index(k)], [picks[keys.index(j)] for j in pinned[c]])
                for k, c in pairs
            )
            for picks in product(every, repeat=len(keys))
        )

    assert clashing(found.conflict)
    assert not any(clashing([p for p in found.conflict if p != one]) for one in found.conflict)
    assert {k for k, _ in found.conflict} == set(found.clash.keys)
    assert {c for _, c in found.conflict} == set(found.clash.cylinders)


@pytest.mark.parametrize("seconds", [1.0, 5.0])
@pytest.mark.parametrize("tick", [0.003, 0.02])
def test_a_search_ends_within_a_second_of_its_limit_by_a_clock_that_runs_on_each_look(seconds, tick):
    # Too many keys for so few bittings: all of it is gone through, proof, clash, changes nearby and their trials.
    now = [0.0]

    def clock():
        now[0] += tick
        return now[0]

    opens = {f"h{n}": {f"d{n}", f"d{n * 7 % 30}"} for n in range(30)}
    matrix = AccessMatrix.of(opens, [f"d{n}" for n in range(30)])
    spec = BittingSpec(chambers=3, depths=3, macs=2, step=1)

    def solves(matrix, seconds):
        return (
            solve_matrix(spec, (0, 0, 0), matrix, Random(1), seconds=seconds, clock=clock).outcome is Outcome.SOLVED
        )

    found = solve_matrix(spec, (0, 0, 0), matrix, Random(1), seconds=seconds, solves=solves, clock=clock)
    assert found.outcome is not Outcome.SOLVED
    assert now[0] <= seconds + 1


def test_keys_of_a_search_obey_the_rules():
    rules = BittingRules(least_depths=3, most_equal_neighbors=1, least_span=2, no_stairs=True, no_uncut=True)
    spec = BittingSpec(chambers=4, depths=4, macs=3, step=1, rules=rules)
    opens = {f"h{n}": {f"d{n}", f"d{(n + 1) % 9}"} for n in range(9)}
    matrix = AccessMatrix.of(opens, [f"d{n}" for n in range(9)])
    found = solve_matrix(spec, (0, 2, 0, 3), matrix, Random(1), seconds=30)
    assert found.outcome is Outcome.SOLVED
    assert serves(matrix, found.bittings)
    for cuts in found.bittings:
        assert len(set(cuts)) >= 3
        assert all(a != b for a, b in pairwise(cuts))
        assert max(cuts) >= 2


def test_rules_that_leave_nothing_of_the_masters_parity_are_named():
    spec = BittingSpec(chambers=3, depths=3, macs=2, step=2, rules=BittingRules(least_depths=3))
    with pytest.raises(KeyingError, match="loosen") as refused:
        solve_matrix(spec, (0, 0, 0), AccessMatrix.of({"a": {"1"}}, ["1"]), Random(1))
    assert refused.value.field == "rules"


def plainly_possible(spec, matrix):
    """Try all bittings, key after key; a cylinder only ever opens to more, so what is wrong stays wrong."""
    every = [b for b in product(spec.all_depths, repeat=spec.chambers) if spec.within_macs(b)]
    picks = []

    def is_wrong():
        return any(
            key not in group.keys and operates(picks[key], [picks[k] for k in group.keys if k < len(picks)])
            for group in matrix.cylinders
            if group.keys[0] < len(picks)
            for key in range(len(picks))
        )

    def search():
        if len(picks) == len(matrix.keys):
            return True
        for bitting in every:
            picks.append(bitting)
            if not is_wrong() and search():
                return True
            picks.pop()
        return False

    return search()


def test_drawn_matrices_are_solved_or_proven_impossible_as_a_plain_search_says():
    rng, outcomes, agreed = Random(15), Counter(), 0
    for turn in range(60):
        spec = BittingSpec(chambers=3, depths=2, macs=rng.choice([0, 1]), step=1)
        doors = [f"d{n}" for n in range(rng.randint(3, 6))]
        share = rng.choice([0.2, 0.4])
        opens = {f"h{n}": {door for door in doors if rng.random() < share} for n in range(rng.randint(3, 7))}
        opened = [door for door in doors if any(door in those for those in opens.values())]
        matrix = AccessMatrix.of(opens, opened)
        found = solve_matrix(spec, (0, 0, 0), matrix, Random(turn), seconds=60)
        outcomes[found.outcome] += 1
        agreed += found.outcome is (Outcome.SOLVED if plainly_possible(spec, matrix) else Outcome.IMPOSSIBLE)
        if found.outcome is Outcome.SOLVED:
            assert serves(matrix, found.bittings)
    print(f"{outcomes[Outcome.NOT_IN_TIME] / outcomes.total():.1%} of the drawn matrices were not found in time.")
    assert agreed == 60
    assert min(outcomes[Outcome.SOLVED], outcomes[Outcome.IMPOSSIBLE]) > 10


@pytest.mark.parametrize("turn", range(6))
def test_where_any_parity_will_do_impossible_is_proven_for_all_of_them(turn):
    # Of depths 0, 1, 2 an odd chamber has one only: a master drawn odd holds nothing that an even one may.
    rng = Random(turn)
    doors = ["1", "2", "3"]
    opens = {f"h{n}": {door for door in doors if rng.random() < 0.5} | {doors[n % 3]} for n in range(5)}
    spec = BittingSpec(chambers=3, depths=3, macs=rng.choice([1, 2]), step=2)
    matrix = AccessMatrix.of(opens, doors)
    found = solve_matrix(spec, (1, 1, 1), matrix, Random(turn), any_parity=True, seconds=30)
    patterns = [
        [b for b in product(*columns) if spec.within_macs(b)]
        for columns in product([(0, 2), (1,)], repeat=spec.chambers)
    ]
    can = any(serves(matrix, picks) for those in patterns for picks in product(those, repeat=len(matrix.keys)))
    assert found.outcome is (Outcome.SOLVED if can else Outcome.IMPOSSIBLE)
    if can:
        assert serves(matrix, found.bittings)
        assert len({tuple(cut % 2 for cut in cuts) for cuts in found.bittings}) == 1


def test_a_crowded_matrix_that_has_an_answer_is_solved():
    spec = BittingSpec(chambers=6, depths=10, macs=9, step=2, rules=BittingRules(least_depths=2))
    matrix = AccessMatrix.of(*crowded(spec, 120, Random(1)))
    assert 0.15 < matrix.listed.mean() < 0.3
    found = solve_matrix(spec, (4, 2, 8, 6, 0, 2), matrix, Random(1), seconds=60)
    assert found.outcome is Outcome.SOLVED
    assert np.array_equal(operating(np.array(found.bittings), matrix.listed), matrix.listed)
    assert all(spec.allows(cuts) for cuts in found.bittings)


def test_the_same_seed_gives_the_same_bittings():
    spec = BittingSpec(chambers=6, depths=10, macs=7, step=2)
    opens = {f"h{n}": {f"d{n}", f"d{n * 7 % 30}", f"d{n * n % 30}"} for n in range(30)}
    matrix = AccessMatrix.of(opens, [f"d{n}" for n in range(30)])
    one, same, other = (solve_matrix(spec, TMK, matrix, Random(seed), seconds=60) for seed in (5, 5, 6))
    assert one.outcome is Outcome.SOLVED
    assert one.bittings == same.bittings
    assert one.bittings != other.bittings
