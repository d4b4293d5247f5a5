"""Who is a master, and under whom the others hang: worked out by hand from what design.md says of levels."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.keying import AccessMatrix
from app.keying.tiers import Tiers

DOORS = "123456789"


def tree(opens):
    """Holder → the holder above, None directly under the top; the masters; the top."""
    doors = sorted(set().union(*opens.values()))
    matrix = AccessMatrix.of({who: set(opened) for who, opened in opens.items()}, doors)
    names = [key.holders[0] for key in matrix.keys]
    tiers = Tiers.of(matrix)
    above = {
        name: None if parent is None else names[parent] for name, parent in zip(names, tiers.parents, strict=True)
    }
    top = None if tiers.top is None else names[tiers.top]
    crossed = [
        door
        for group, one in zip(matrix.cylinders, tiers.operators, strict=True)
        if one.crossed
        for door in group.doors
    ]
    return above, {names[number] for number in tiers.masters}, top, crossed, tiers.levels


@pytest.mark.parametrize(
    ("opens", "above", "top", "crossed", "levels"),
    [
        # An owner over two heads, and one who opens a colleague's door besides his own: still a change, still levels.
        (
            {"owner": "123456", "head": "123", "other": "456", "a": "1", "b": "12", "c": "3"}
            | {"d": "4", "e": "5", "f": "6"},
            {"owner": None, "head": "owner", "other": "owner", "a": "head", "b": "head", "c": "head"}
            | {"d": "other", "e": "other", "f": "other"},
            "owner",
            ["1"],
            3,
        ),
        # The same across departments: he stays under the master over the door that is his alone.
        (
            {"owner": "123456", "head": "123", "other": "456", "a": "1", "b": "2", "c": "3"}
            | {"d": "41", "e": "5", "f": "6"},
            {"owner": None, "head": "owner", "other": "owner", "a": "head", "b": "head", "c": "head"}
            | {"d": "other", "e": "other", "f": "other"},
            "owner",
            ["1"],
            3,
        ),
        # Who opens all doors of one other key is no master.
        ({"a": "12", "b": "1"}, {"a": None, "b": None}, None, ["1"], 2),
        # Masters of which neither stands over the other cross at their store; nobody stands over both.
        (
            {"head": "125", "other": "345", "a": "1", "b": "2", "c": "3", "d": "4"},
            {"head": None, "other": None, "a": "head", "b": "head", "c": "other", "d": "other"},
            None,
            ["5"],
            3,
        ),
        # One key for a door that no master opens, beside a single master: it stands in his array, that door apart.
        (
            {"head": "12", "a": "1", "b": "2", "c": "3"},
            {"head": None, "a": "head", "b": "head", "c": "head"},
            "head",
            [],
            2,
        ),
        # None of the doors of g is his alone: he goes under who stands over most of them.
        (
            {"owner": "123456", "head": "123", "other": "456", "a": "1", "b": "27", "c": "3"}
            | {"d": "4", "e": "5", "f": "68", "g": "26"},
            {"owner": None, "head": "owner", "other": "owner", "a": "head", "b": "head", "c": "head"}
            | {"d": "other", "e": "other", "f": "other", "g": "owner"},
            "owner",
            ["2", "6"],
            3,
        ),
    ],
)
def test_levels_as_worked_out_by_hand(opens, above, top, crossed, levels):
    found = tree(opens)
    assert found[0] == above
    assert found[2:] == (top, crossed, levels)


def test_levels_end_where_symbols_end():
    """Nine nested masters: those too deep for a symbol hang beside the master above them."""
    opens = {f"m{n}": DOORS[: n + 1] for n in range(1, 9)} | {door: door for door in DOORS}
    above, masters, top, _, levels = tree(opens)
    assert levels == 7
    assert top == "m8"
    assert masters == {f"m{n}" for n in range(1, 9)}
    assert above["m7"] == "m8"
    assert above["m3"] == above["m2"] == above["m1"] == "m4"


@given(st.lists(st.sets(st.sampled_from(DOORS[:6]), min_size=1), min_size=1, max_size=9))
def test_masters_and_crossed_doors_are_what_the_words_say(rows):
    opens = {f"h{n}": opened for n, opened in enumerate(rows)}
    keys = {frozenset(opened) for opened in rows}
    masters = {key for key in keys if sum(other < key for other in keys) >= 2}
    above, found, _, crossed, _ = tree(opens)
    assert {frozenset(opens[name]) for name in found} == masters
    expected = []
    for door in sorted(set().union(*rows)):
        here = [key for key in keys if door in key]
        apart = any(
            not one <= other and not other <= one for one in masters for other in masters if door in one & other
        )
        if sum(key not in masters for key in here) > 1 or apart:
            expected.append(door)
    assert sorted(crossed) == expected
    for name, master in above.items():
        key = frozenset(opens[name])
        over = [one for one in masters if one > key]
        if key in masters:
            assert (master is None) == (not over)
            assert not over or len(opens[master]) == min(map(len, over))
            continue
        own = [door for door in key if not any(door in other for other in keys - masters - {key})]
        near = {one for one in masters for door in own if door in one}
        assert not near or frozenset(opens[master]) in near
