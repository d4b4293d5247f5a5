from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.keying import (
    AccessMatrix,
    AccessPlan,
    BittingSpec,
    KeyingError,
    NoBittingsLeft,
    audit,
    draw_master,
    key_matrix,
    read_matrix,
)
from app.keying.access import key_hierarchy
from app.keying.matrix import Clash, nest

SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2)
TMK = (5, 2, 8, 6, 1, 4)


def opened_by(plan):
    """Holder → doors, as the keyed system lets them in: each key tried in each cylinder."""
    opens = {}
    for holder, symbol in plan.holders.items():
        opens[holder] = set()
        for door, cylinder in plan.doors.items():
            lock = [plan.keys[s] for s in plan.cylinders[cylinder]]
            key = plan.keys.get(symbol)
            if key and all(any(k[i] == cut for k in lock) for i, cut in enumerate(key)):
                opens[holder].add(door)
    return opens


@st.composite
def matrices(draw, holders=5, doors=6):
    names = [f"d{n}" for n in range(draw(st.integers(1, doors)))]
    opens = {f"h{n}": set(draw(st.sets(st.sampled_from(names)))) for n in range(draw(st.integers(1, holders)))}
    for door in names:
        if not any(door in opened for opened in opens.values()):
            opens["h0"].add(door)
    return opens, names


@given(matrices())
def test_keys_nest_exactly_when_no_two_overlap(given_matrix):
    opens, doors = given_matrix
    matrix = AccessMatrix.of(opens, doors)
    sets = [key.doors for key in matrix.keys]
    overlapping = any(a & b and a - b and b - a for a in sets for b in sets)
    found = nest(matrix)
    assert isinstance(found, Clash) == overlapping
    if isinstance(found, Clash):
        one, other = (matrix.keys[key].doors for key in found.keys)
        both, only_other, only_one = found.cylinders
        assert both in one & other
        assert {only_other, only_one} <= one ^ other
        assert {only_other in one, only_one in one} == {True, False}
    else:
        for key, parent in enumerate(found):
            larger = [n for n, s in enumerate(sets) if s > sets[key]]
            assert parent == (min(larger, key=lambda n: len(sets[n])) if larger else None)


@settings(deadline=None)
@given(matrices(holders=8, doors=8), st.integers(0, 10**6))
def test_a_nesting_matrix_is_keyed_as_it_says(given_matrix, turn):
    opens, doors = given_matrix
    try:
        plan = key_hierarchy(SPEC, draw_master(SPEC, Random(turn)), AccessMatrix.of(opens, doors))
    except KeyingError as refused:
        assert "at most four levels" in refused.message
        return
    if isinstance(plan, Clash):
        return
    assert opened_by(plan) == opens
    assert not audit(plan.keys, plan.cylinders).unintended
    assert all(SPEC.within_macs(bitting) for bitting in plan.keys.values())


def campus(grands, masters, changes):
    """Opens and doors of a four-level system, a door a change and a common room a grand."""
    opens, doors = {"all": set()}, []
    for g in range(grands):
        hall = {f"{g} hall"}
        doors.append(f"{g} hall")
        for m in range(masters):
            wing = set()
            for c in range(changes):
                door = f"{g}-{m}-{c}"
                doors.append(door)
                wing.add(door)
                opens[f"room {door}"] = {door}
            opens[f"wing {g}-{m}"] = wing
            hall |= wing
        opens[f"warden {g}"] = hall
        opens["all"] |= hall
    return opens, doors


def test_symbols_follow_the_levels():
    opens, doors = campus(2, 2, 2)
    plan = key_hierarchy(SPEC, TMK, AccessMatrix.of(opens, doors))
    assert isinstance(plan, AccessPlan)
    assert plan.levels == 4
    assert plan.top_issued
    assert [keyset.symbol for keyset in plan.keysets] == (
        ["GGM", "A", "AA", "AA1", "AA2", "AB", "AB1", "AB2", "B", "BA", "BA1", "BA2", "BB", "BB1", "BB2"]
    )
    assert plan.doors["0 hall"] == "A"
    assert plan.cylinders["A"] == ("A", "GGM")
    assert plan.cylinders["BB2"] == ("BB2", "BB", "B", "GGM")
    assert plan.holders["warden 1"] == "B"


def test_a_thousand_doors_are_keyed_as_their_matrix_says():
    opens, doors = campus(4, 10, 25)
    spec = BittingSpec(chambers=7, depths=10, macs=9, step=2)
    plan = key_hierarchy(spec, (5, 2, 8, 6, 1, 4, 3), AccessMatrix.of(opens, doors))
    assert isinstance(plan, AccessPlan)
    assert len(plan.doors) == 1004
    found = audit(plan.keys, plan.cylinders)
    assert not found.unintended
    for door, symbol in plan.doors.items():
        assert {h for h, s in plan.holders.items() if s in plan.cylinders[symbol]} == {
            h for h, opened in opens.items() if door in opened
        }


def test_doors_without_a_common_master_get_no_master_pins():
    plan = key_hierarchy(SPEC, TMK, AccessMatrix.of({"a": {"1"}, "b": {"2"}, "c": set()}, ["1", "2"]))
    assert isinstance(plan, AccessPlan)
    assert not plan.top_issued
    assert plan.cylinders == {"1AA": ("1AA",), "2AA": ("2AA",)}
    assert plan.holders == {"a": "1AA", "b": "2AA", "c": None}


def test_what_overlaps_is_told_with_two_keys_and_three_doors():
    matrix = AccessMatrix.of({"a": {"1", "2"}, "b": {"2", "3"}}, ["1", "2", "3"])
    found = key_hierarchy(SPEC, TMK, matrix)
    assert isinstance(found, Clash)
    assert found.keys == (0, 1)
    assert sorted(found.cylinders) == [0, 1, 2]
    assert found.sentence.startswith("a and b both open 2, but each also opens")


def test_a_matrix_too_wide_for_its_spec_says_so():
    opens = {f"h{n}": {f"d{n}"} for n in range(40)} | {"all": {f"d{n}" for n in range(40)}}
    spec = BittingSpec(chambers=3, depths=6, macs=5, step=2)
    with pytest.raises(NoBittingsLeft) as refused:
        key_hierarchy(spec, (1, 1, 2), AccessMatrix.of(opens, [f"d{n}" for n in range(40)]))
    assert refused.value.field == "matrix"


def test_five_levels_are_refused():
    doors = [str(n) for n in range(5)]
    opens = {f"h{n}": set(doors[: n + 1]) for n in range(5)}
    with pytest.raises(KeyingError, match="at most four levels"):
        key_hierarchy(SPEC, TMK, AccessMatrix.of(opens, doors))


def test_nobody_opening_anything_is_refused():
    with pytest.raises(KeyingError):
        key_hierarchy(SPEC, TMK, AccessMatrix.of({"a": set()}, []))


def test_key_matrix_takes_the_levels_where_it_can():
    opens, doors = campus(1, 2, 3)
    plan = key_matrix(SPEC, TMK, AccessMatrix.of(opens, doors), Random(1))
    assert isinstance(plan, AccessPlan)
    assert plan.levels == 3
    assert opened_by(plan) == opens


def test_a_table_is_read():
    matrix, problems = read_matrix([["", "1", "2"], ["owner", "x", "YES"], ["clerk", None, "1"], ["guest", "", "-"]])
    assert problems == ()
    assert matrix is not None
    assert [key.holders for key in matrix.keys] == [("owner",), ("clerk",)]
    assert [group.keys for group in matrix.cylinders] == [(0,), (0, 1)]
    assert matrix.without_doors == ("guest",)


@pytest.mark.parametrize(
    ("table", "fields"),
    [
        ([], ["file"]),
        ([[""]], ["file"]),
        ([["", "1", "1"], ["a", "x", "x"]], ["row 1, column 3"]),
        ([["", "1", ""], ["a", "x", "x"]], ["row 1, column 3"]),
        ([["", "1"], ["a", "x"], ["a", "x"]], ["row 3, column 1"]),
        ([["", "1"], ["a", "perhaps"], ["", "x"]], ["row 3, column 1", "row 2, column 2"]),
        ([["", "1"], ["a", "x", "x"]], ["row 2"]),
        ([["", "1", "2"], ["a", "x", ""]], ["row 1, column 3"]),
        ([["", "1"], ["", ""], ["a", "?"]], ["row 3, column 2"]),
        ([["", *range(3000)], *[[n] for n in range(3000)]], ["file"]),
        ([["", "1"], ["a" * 10_000, "x"]], ["row 2, column 1"]),
    ],
)
def test_every_problem_of_a_table_names_its_cell(table, fields):
    matrix, problems = read_matrix(table)
    assert matrix is None
    assert [problem.field for problem in problems] == fields


def test_the_fullest_masters_get_the_bittings_with_room():
    # Under a narrow MACS masters differ in how many changes they hold; found by trying systems at random.
    spec = BittingSpec(chambers=4, depths=6, macs=2, step=1)
    opens, doors = {"all": set()}, []
    for wing, rooms in enumerate([1, 1, 5, 8, 7]):
        opens[f"wing {wing}"] = {f"{wing}-{room}" for room in range(rooms)} | {f"{wing}"}
        opens |= {f"room {wing}-{room}": {f"{wing}-{room}"} for room in range(rooms)}
        doors += sorted(opens[f"wing {wing}"])
        opens["all"] |= opens[f"wing {wing}"]
    plan = key_hierarchy(spec, (1, 1, 2, 1), AccessMatrix.of(opens, doors))
    assert isinstance(plan, AccessPlan)
    assert opened_by(plan) == opens


def test_what_levels_do_not_hold_is_searched_for_side_by_side():
    """Two halls of six rooms each under a head: a MACS of 1 leaves too few in progression, not too few in all."""
    spec = BittingSpec(chambers=4, depths=4, macs=1, step=1)
    doors = [f"{hall}{room}" for hall in "ab" for room in range(6)]
    opens = {"head": set(doors), **{hall: {door for door in doors if door[0] == hall} for hall in "ab"}}
    opens.update({f"room {door}": {door} for door in doors})
    matrix = AccessMatrix.of(opens, doors)
    tmk = (1, 1, 1, 1)
    with pytest.raises(NoBittingsLeft):
        key_hierarchy(spec, tmk, matrix)
    plan = key_matrix(spec, tmk, matrix, Random(1), seconds=20)
    assert isinstance(plan, AccessPlan)
    for holder, opened in opens.items():
        own = plan.keys[plan.holders[holder]]
        turned = set()
        for door in doors:
            pinned = [plan.keys[symbol] for symbol in plan.cylinders[plan.doors[door]]]
            if all(cut in cuts for cut, cuts in zip(own, zip(*pinned, strict=True), strict=True)):
                turned.add(door)
        assert turned == opened
