"""Which key enters which keyway, against a plain oracle over drawn families; what contradicts itself, by row."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.fitting import Entering, KeyBlank, MakerFile, MakerKeyway, family_faults
from app.keying import Sections, audit
from tests.keying.oracle import bittings_of, operates, small_specs

MAKERS = {"Q": "One", "R": "Two"}
NAMES = [f"{family}{number}" for family in MAKERS for number in (1, 2, 3)]
KEYWAYS = [MakerKeyway(MAKERS[name[0]], name, name[0], "six") for name in NAMES]


@st.composite
def families(draw):
    """Blanks of two makers that enter keyways of both, some of them said to be one another's number, one-sidedly."""
    makers = st.sampled_from(["One", "Two"])
    blanks = []
    for number in range(draw(st.integers(0, 6))):
        entered = tuple(draw(st.lists(st.sampled_from(NAMES), min_size=1, max_size=4, unique=True)))
        crossed = tuple(draw(st.lists(st.tuples(makers, st.integers(0, 6).map(lambda one: f"k-{one}")), max_size=2)))
        blanks.append(KeyBlank(draw(makers), f"K{number}", entered, draw(st.integers(4, 6)), crossed))
    return blanks


def called(blank):
    """All that a blank is called: its own number, and those of other makers."""
    return {(maker, number.upper().replace("-", "")) for maker, number in blank.cross_references} | {
        (blank.maker, blank.number)
    }


def entered_by(blanks, one):
    """What a blank enters: those that share a name with it, and with those, are the same metal."""
    same = [one]
    while more := [b for b in blanks if b not in same and any(called(a) & called(b) for a in same)]:
        same += more
    return {name for each in same for name in each.keyways}


def enters(blanks, keyway, chambers):
    """What a key of a keyway enters, by trying every blank for it."""
    own = MAKERS[keyway[0]]
    fits = [one for one in blanks if one.chambers >= chambers and keyway in entered_by(blanks, one)]
    fits.sort(key=lambda one: (one.maker != own, one.chambers, len(entered_by(blanks, one))))
    return {keyway, *(entered_by(blanks, fits[0]) if fits else ())}


@given(families(), st.sampled_from(NAMES), st.integers(4, 6))
def test_a_key_enters_what_its_blank_enters(blanks, keyway, chambers):
    known = Entering(KEYWAYS, blanks)
    assert known.entered([keyway], chambers) == enters(blanks, keyway, chambers)
    assert known.beside(keyway) == {
        name
        for name in NAMES
        for length in range(1, 13)
        if name in enters(blanks, keyway, length) or keyway in enters(blanks, name, length)
    }
    assert known.beside(keyway) <= known.together(keyway)


@given(families(), st.lists(st.sampled_from(NAMES), min_size=1, max_size=3, unique=True))
def test_the_blank_of_a_master_enters_every_section_under_it(blanks, wanted):
    blank = Entering(KEYWAYS, blanks).blank_for(wanted, 4)
    doing = [one for one in blanks if set(wanted) <= entered_by(blanks, one)]
    assert blank in doing if doing else blank is None


@given(st.data(), families(), small_specs(most_depths=4))
def test_systems_on_unequal_keyways_are_audited_as_trying_every_key_in_every_cylinder_finds(data, blanks, spec):
    known = Entering(KEYWAYS, blanks)
    bittings = data.draw(st.lists(bittings_of(spec), min_size=1, max_size=7))
    keys = {f"K{number}": (cuts, data.draw(st.sampled_from(NAMES))) for number, cuts in enumerate(bittings)}
    found = audit(
        {name: cuts for name, (cuts, _) in keys.items()},
        {f"C of {name}": [name] for name in keys},
        Sections(
            {f"C of {name}": keyway for name, (_, keyway) in keys.items()},
            {name: known.entered([keyway], 4) for name, (_, keyway) in keys.items()},
        ),
    )
    assert found.shut_out == ()
    assert found.unintended == tuple(
        (f"C of {pinned}", key)
        for pinned in keys
        for key in keys
        if key != pinned
        and keys[pinned][1] in enters(blanks, keys[key][1], 4)
        and operates(keys[key][0], [keys[pinned][0]])
    )


def test_the_demo_family_enters_one_way_and_through_a_cross_reference(makers: tuple[MakerFile, ...]) -> None:
    keyways = [one for maker in makers for one in maker.keyways]
    blanks = [one for maker in makers for one in maker.blanks]
    known = Entering(keyways, blanks)
    assert known.entered(["AQ1"], 5) == {"AQ1", "AQ2", "PR-P"}  # cut of AK5-12, which is Pell & Rowe's PK-91
    assert known.entered(["PR-P"], 5) == {"PR-P"}
    assert known.entered(["AQ1"], 6) == {"AQ1", "AQ2"}
    assert known.entered(["AQ1", "AQ3"], 6) == set(known.family("AQ5"))
    assert known.beside("PR-P") == {"PR-P", "AQ1", "AQ2"}
    assert known.blank_for(["AQ1", "NH1"], 6) is None
    assert known.of_number("pk 91") == {"AQ1", "AQ2", "PR-P"}
    assert known.of_number("") == known.of_number("none such") == frozenset()
    assert family_faults(keyways, blanks) == ()


K1 = KeyBlank("One", "K1", ("Q1",), 6, (("Two", "T-1"),))


@pytest.mark.parametrize(
    ("blanks", "where", "says", "is_contradiction"),
    [
        ([KeyBlank("One", "K1", ("Q1", "Q7"), 6)], ("One", 1, "keyways"), "No maker's table has a keyway Q7", False),
        (
            [KeyBlank("One", "K1", ("Q1", "R1"), 6)],
            ("One", 1, "keyways"),
            "R1 is Two's, and no cross reference",
            False,
        ),
        ([K1, KeyBlank("Two", "T2", ("R1",), 6)], ("One", 1, "cross references"), "Two has no key blank T-1", False),
        (
            [K1, KeyBlank("Two", "T1", ("R1", "Q2"), 6, (("One", "K1"),))],
            ("Two", 1, "keyways"),
            "One's own row of this blank, K1, does not enter Q2",
            True,
        ),
        ([K1, KeyBlank("Two", "T1", ("R1",), 5)], ("One", 1, "chambers"), "has room for 5 cuts, not 6", True),
        (
            [K1, KeyBlank("Two", "T1", ("R1",), 6, (("One", "K9"),)), KeyBlank("One", "K9", ("Q1",), 6)],
            ("One", 1, "cross references"),
            "Two's T1 is K9 by its own row, not K1",
            True,
        ),
    ],
)
def test_a_row_that_contradicts_is_told_with_its_mend(blanks, where, says, is_contradiction):
    found = [one for one in family_faults(KEYWAYS, blanks) if (one.maker, one.row, one.column) == where]
    assert len(found) == 1
    assert says in found[0].message
    assert found[0].is_contradiction is is_contradiction
    assert ": add" in found[0].message or ": correct" in found[0].message


def test_a_keyway_without_a_blank_and_one_of_two_makers_are_told():
    keyways = [*KEYWAYS, MakerKeyway("Two", "Q1", "S", "six")]
    found = {(one.maker, one.table, one.row): one.message for one in family_faults(keyways, [K1])}
    assert "No key blank enters Q2" in found["One", "keyways", 2]
    assert "Two has a keyway Q1 too" in found["One", "keyways", 1]
    assert "One has a keyway Q1 too" in found["Two", "keyways", 4]
    assert ("Two", "keyways", 1) not in found  # of a maker of whom no blank is known
