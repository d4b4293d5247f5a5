from collections import defaultdict
from itertools import product
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
    MatrixSolution,
    audit,
    draw_master,
    key_matrix,
    usable,
)
from app.keying.spec import parity_pattern
from tests.keying.oracle import operates

SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2)
TMK = (5, 2, 8, 6, 1, 4)
RULES = BittingRules(least_depths=3, most_equal_neighbors=2, least_span=3, no_stairs=True, no_uncut=True)


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


def keyed(opens, doors, spec=SPEC, tmk=TMK, seconds=20.0):
    plan = key_matrix(spec, tmk, AccessMatrix.of(opens, doors), Random(1), seconds=seconds)
    assert isinstance(plan, AccessPlan)
    return plan


@settings(deadline=None, max_examples=40)
@given(matrices(holders=8, doors=8), st.integers(0, 10**6))
def test_a_drawn_matrix_is_keyed_as_it_says(given_matrix, turn):
    opens, doors = given_matrix
    plan = keyed(opens, doors, tmk=draw_master(SPEC, Random(turn)))
    assert opened_by(plan) == opens
    assert len(set(plan.keys.values())) == len(plan.keys)
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
    plan = keyed(opens, doors)
    assert plan.levels == 4
    assert plan.top_issued
    assert [keyset.symbol for keyset in plan.keysets] == (
        ["GGM", "A", "AA", "AA1", "AA2", "AB", "AB1", "AB2", "B", "BA", "BA1", "BA2", "BB", "BB1", "BB2"]
    )
    assert plan.doors["0 hall"] == "A"
    assert plan.cylinders["A"] == ("A", "GGM")
    assert plan.cylinders["BB2"] == ("BB2", "BB", "B", "GGM")
    assert plan.holders["warden 1"] == "B"
    assert plan.exceptions == ()


def test_a_thousand_doors_are_keyed_as_their_matrix_says():
    opens, doors = campus(4, 10, 25)
    spec = BittingSpec(chambers=7, depths=10, macs=9, step=2)
    plan = keyed(opens, doors, spec, (5, 2, 8, 6, 1, 4, 3))
    assert len(plan.doors) == 1004
    assert not audit(plan.keys, plan.cylinders).unintended
    for door, symbol in plan.doors.items():
        assert {h for h, s in plan.holders.items() if s in plan.cylinders[symbol]} == {
            h for h, opened in opens.items() if door in opened
        }


def test_doors_without_a_common_master_get_no_master_pins():
    plan = keyed({"a": {"1"}, "b": {"2"}, "c": set()}, ["1", "2"])
    assert not plan.top_issued
    assert plan.cylinders == {"1AA": ("1AA",), "2AA": ("2AA",)}
    assert plan.holders == {"a": "1AA", "b": "2AA", "c": None}


def test_a_door_that_no_master_opens_is_its_own_keys_alone():
    plan = keyed({"head": {"1", "2"}, "a": {"1"}, "b": {"2"}, "c": {"3"}}, ["1", "2", "3"])
    assert plan.cylinders == {"1AA": ("1AA", "AA"), "2AA": ("2AA", "AA"), "3AA(NMK)": ("3AA",)}


def test_seven_levels_are_keyed():
    doors = [str(n) for n in range(8)]
    opens = {f"m{n}": set(doors[: n + 1]) for n in range(2, 8)} | {door: {door} for door in doors}
    spec = BittingSpec(chambers=7, depths=10, macs=9, step=2)
    plan = keyed(opens, doors, spec, (5, 2, 8, 6, 1, 4, 3))
    assert plan.levels == 7
    assert plan.holders["m7"] == "GGGGGM"
    assert plan.holders["0"] == "AAAAA1"
    assert opened_by(plan) == opens
    assert plan.crossed == ()


def test_nobody_opening_anything_is_refused():
    with pytest.raises(KeyingError):
        key_matrix(SPEC, TMK, AccessMatrix.of({"a": set()}, []), Random(1))


def harbor(heads=3, rooms=20):
    """An owner, heads of a floor each with its rooms, and whoever sits there: who opens what, and all doors."""
    doors = [f"{floor}.{room:02}" for floor in range(1, heads + 1) for room in range(1, rooms + 1)]
    opens = {"owner": set(doors)}
    for floor in range(1, heads + 1):
        opens[f"head {floor}"] = {door for door in doors if door.startswith(f"{floor}.")}
    return opens | {door: {door} for door in doors}, doors


def test_one_more_door_for_one_person_leaves_the_levels_standing():
    """J15: owner, three heads, 60 doors; one also opens a colleague's door. One door is crossed, controlled (N10)."""
    opens, doors = harbor()
    opens["1.04"].add("1.05")
    plan = keyed(opens, doors)
    assert plan.levels == 3
    assert plan.roles.count("C") + plan.roles.count("M") == 6
    assert [plan.holders[who] for who in ("owner", "head 1", "head 3", "1.04", "1.05", "3.20")] == (
        ["A", "AA", "AC", "AA4", "AA5", "AC20"]
    )
    assert plan.crossed == ("1.05",)
    assert plan.doors["1.05"] == "XAA5"
    (exception,) = plan.exceptions
    assert exception.operators == ("AA5", "AA", "A", "AA4")
    assert exception.also == ("AA4",)
    assert exception.controlled
    assert exception.would_enter == ()
    # AA5 differs from AA in each chamber of changes, AA from A in each of masters: two depths in all six, 2 ** 6. Two
    # changes that differ in two chambers shear at three depths there: 64 × 3 / 2 × 3 / 2.
    assert (exception.before, exception.after) == (64, 144)
    assert opened_by(plan) == opens


def test_crossing_departments_would_let_a_head_in_so_that_key_is_cut_outside_its_array():
    """J15's awkward turn. By total position progression AC2's cuts carry the head's, AC, into the door of AA1."""
    opens, doors = harbor()
    opens["3.02"].add("1.01")
    plan = keyed(opens, doors)
    (exception,) = plan.exceptions
    assert (exception.cylinder, exception.also, exception.crossed) == ("XAA1", ("AC2",), True)
    assert not exception.controlled
    assert exception.would_enter == ("AC",)
    assert plan.levels == 3
    assert plan.crossed == ("1.01",)
    assert opened_by(plan) == opens
    # By plain levels the head would: his key's cuts are the lower master's and the top's.
    top, head = plan.keys["A"], plan.keys["AC"]
    held = [n for n, role in enumerate(plan.roles) if role == "M"]
    change = tuple(head[n] if n in held else plan.keys["AC1"][n] for n in range(6))
    assert operates(head, [plan.keys["AA1"], plan.keys["AA"], top, change])


def test_a_store_of_two_departments_is_crossed_by_itself_and_reserves_stay():
    """J15: a store for everybody of two floors and their heads; ten more changes a floor fit afterwards."""
    opens, doors = harbor()
    for who, opened in opens.items():
        if who in ("owner", "head 1", "head 2") or who[:2] in ("1.", "2."):
            opened.add("store")
    opens |= {f"{floor}.r{n}": {f"{floor}.r{n}"} for floor in (1, 2, 3) for n in range(10)}
    for floor in (1, 2, 3):
        reserve = {f"{floor}.r{n}" for n in range(10)}
        opens[f"head {floor}"] |= reserve
        opens["owner"] |= reserve
        doors += sorted(reserve)
    plan = keyed(opens, [*doors, "store"])
    assert plan.crossed == ("store",)
    (exception,) = plan.exceptions
    assert plan.doors["store"] == f"X{exception.operators[0]}"
    assert len(exception.operators) == 43
    assert not exception.controlled
    assert opened_by(plan) == opens


def test_two_shared_doors_of_the_same_first_key_are_told_apart():
    """Three people and a door for each two of them, one for all three, none of their own."""
    opens = {"a": {"ab", "ac", "abc"}, "b": {"ab", "bc", "abc"}, "c": {"ac", "bc", "abc"}}
    plan = keyed(opens, ["ab", "ac", "bc", "abc"])
    assert opened_by(plan) == opens
    names = [plan.doors[door] for door in ("ab", "ac", "bc", "abc")]
    assert len({*names}) == 4 and sum(" (" in name for name in names) == 1
    for name in names:
        assert name.split(" ")[0] == f"X{plan.cylinders[name][0]}"


def test_rules_hold_for_every_key_issued_whether_in_its_array_or_outside():
    spec = BittingSpec(chambers=6, depths=10, macs=7, step=2, rules=RULES)
    opens, doors = harbor()
    opens["1.04"].add("1.05")
    opens["3.02"].add("1.01")
    plan = keyed(opens, doors, spec)
    assert all(spec.allows(bitting) for bitting in plan.keys.values())
    assert opened_by(plan) == opens


def test_the_same_seed_gives_the_same_bittings():
    opens, doors = harbor(rooms=6)
    opens["3.02"].add("1.01")
    matrix = AccessMatrix.of(opens, doors)
    one, same, other = (key_matrix(SPEC, None, matrix, Random(seed)) for seed in (4, 4, 5))
    assert one == same != other


def test_the_fullest_masters_get_the_bittings_with_room():
    # Under a narrow MACS masters differ in how many changes they hold; found by trying systems at random.
    spec = BittingSpec(chambers=4, depths=6, macs=2, step=1)
    opens, doors = {"all": set()}, []
    for wing, rooms in enumerate([1, 1, 5, 8, 7]):
        opens[f"wing {wing}"] = {f"{wing}-{room}" for room in range(rooms)} | {f"{wing}"}
        opens |= {f"room {wing}-{room}": {f"{wing}-{room}"} for room in range(rooms)}
        doors += sorted(opens[f"wing {wing}"])
        opens["all"] |= opens[f"wing {wing}"]
    plan = keyed(opens, doors, spec, (1, 1, 2, 1))
    assert opened_by(plan) == opens


def test_what_levels_do_not_hold_is_searched_for_side_by_side():
    """Two halls of six rooms each under a head: a MACS of 1 leaves too few in progression, not too few in all."""
    spec = BittingSpec(chambers=4, depths=4, macs=1, step=1)
    doors = [f"{hall}{room}" for hall in "ab" for room in range(6)]
    opens = {"head": set(doors), **{hall: {door for door in doors if door[0] == hall} for hall in "ab"}}
    opens.update({f"room {door}": {door} for door in doors})
    plan = keyed(opens, doors, spec, (1, 1, 1, 1))
    assert opened_by(plan) == opens
    assert plan.holders["head"] == "A"
    assert plan.holders["room b0"] == "AB1"


@st.composite
def tight_cases(draw):
    """A spec of few bittings and a matrix that it may or may not hold."""
    depths = draw(st.integers(2, 4))
    rules = BittingRules(
        least_depths=draw(st.sampled_from([None, 2])),
        no_stairs=draw(st.booleans()),
        no_uncut=draw(st.just(depths > 2)),
    )
    spec = BittingSpec(
        chambers=3,
        depths=depths,
        macs=draw(st.integers(1, depths)),
        step=draw(st.integers(1, 2)),
        rules=draw(st.sampled_from([BittingRules(), rules])),
    )
    return spec, *draw(matrices(holders=4, doors=4))


def can_be_keyed(spec, matrix):
    """Whether a plain search finds bittings, all of one parity pattern with step 2."""
    patterns = defaultdict(list)
    for bitting in product(spec.all_depths, repeat=spec.chambers):
        if spec.allows(bitting):
            patterns[parity_pattern(bitting) if spec.step == 2 else ""].append(bitting)

    def search(chosen, bittings):
        for group in matrix.cylinders:
            lock = [chosen[key] for key in group.keys if key < len(chosen)]
            if any(lock and key not in group.keys and operates(cut, lock) for key, cut in enumerate(chosen)):
                return False
        return len(chosen) == len(matrix.keys) or any(search([*chosen, cut], bittings) for cut in bittings)

    return any(search([], bittings) for bittings in patterns.values())


@settings(deadline=None, max_examples=25)
@given(tight_cases(), st.integers(0, 1000))
def test_a_tight_case_is_solved_or_proven_as_a_plain_search_says(case, seed):
    spec, opens, doors = case
    matrix = AccessMatrix.of(opens, doors)
    assume(matrix.keys and usable(spec))
    found = key_matrix(spec, None, matrix, Random(seed), seconds=20, relax=False)
    if isinstance(found, AccessPlan):
        assert opened_by(found) == opens
        assert all(spec.allows(bitting) for bitting in found.keys.values())
        assert spec.step == 1 or len(set(map(parity_pattern, found.keys.values()))) == 1
    else:
        assert found.outcome == "impossible"
        assert not can_be_keyed(spec, matrix)


def test_what_no_bittings_hold_is_proven():
    """Five who differ in a spec of two bittings: impossible, whatever the levels."""
    spec = BittingSpec(chambers=3, depths=2, macs=0)
    opens = {f"h{n}": {f"d{n}"} for n in range(5)}
    found = key_matrix(spec, None, AccessMatrix.of(opens, [f"d{n}" for n in range(5)]), Random(1), seconds=20)
    assert isinstance(found, MatrixSolution)
    assert found.outcome == "impossible"
    assert len({key for key, _ in found.conflict}) == 3
    assert found.relax


@pytest.mark.parametrize("tick", [0.01, 0.02])
def test_keying_a_matrix_ends_within_a_second_of_its_limit_by_a_clock_that_runs_on_each_look(tick):
    """Levels, the search beside them and what to change: each look at the clock costs a tick."""
    rng = Random(4)
    doors = [f"d{n}" for n in range(24)]
    opens = {f"h{n}": {door for door in doors if rng.random() < 0.4} | {doors[n]} for n in range(24)}
    now = [0.0]

    def clock():
        now[0] += tick
        return now[0]

    matrix = AccessMatrix.of(opens, doors)
    spec = BittingSpec(chambers=4, depths=4, macs=3)
    found = key_matrix(spec, None, matrix, Random(1), seconds=3, clock=clock)
    assert isinstance(found, MatrixSolution)
    assert now[0] < 4


def test_a_key_crossed_in_would_not_turn_the_door_unlisted():
    """Amy opens her door and one of the other wing: its cylinder, pinned without her key, has to keep her out."""
    opens = {"keeper": "a1 a2 a3 b1 b2", "head of A": "a1 a2 a3", "head of B": "b1 b2", "Ann": "a1", "Abe": "a2 a1"}
    opens |= {"Amy": "a3 b1", "Bea": "b1", "Bob": "b2"}
    matrix = AccessMatrix.of({who: set(doors.split()) for who, doors in opens.items()}, opens["keeper"].split())
    for seed in range(12):
        rng = Random(seed)
        plan = key_matrix(SPEC, draw_master(SPEC, rng), matrix, rng)
        assert isinstance(plan, AccessPlan) and len(plan.exceptions) == 2
        for one in plan.exceptions:
            for key in one.also:
                others = [plan.keys[other] for other in one.operators if other != key]
                shears = zip(plan.keys[key], zip(*others, strict=True), strict=True)
                assert not all(cut in depths for cut, depths in shears), (seed, one)
