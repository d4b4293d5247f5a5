"""Key bitting arrays, MACS and parity against published examples.

Status words: P, the value is printed in the source; D, derived by us from printed inputs.
"""

from itertools import product

import pytest

from app.keying import (
    BittingSpec,
    KeyingError,
    LevelArray,
    extend,
    find_masters,
    progress,
    read_bitting,
    rotate,
    write_bitting,
)
from app.keying.spec import parity_pattern


def test_a_one_chamber_progression_and_its_one_macs_violation():
    """P: lockpicking101.com/viewtopic.php?f=50&t=66014; the MACS of 7 is D."""
    spec = BittingSpec(chambers=5, depths=10, macs=7, step=2)
    tmk = read_bitting(spec, "11111", "tmk")
    made = progress(spec, tmk, held=[2, 3, 4, 5])
    assert made.theoretical == 4
    assert [write_bitting(spec, bitting) for bitting in made] == ["31111", "51111", "71111"]
    wide = BittingSpec(chambers=5, depths=10, macs=8, step=2)
    assert [write_bitting(wide, bitting) for bitting in progress(wide, tmk, held=[2, 3, 4, 5])][-1] == "91111"


def test_a_two_step_column_is_all_odd_or_all_even():
    """P: ALOA Keynotes, July/August 2017: never mixed; mixing is allowed in one-step."""
    two, one = (BittingSpec(chambers=3, depths=10, macs=9, step=step) for step in (2, 1))
    for column in progress(two, (5, 2, 8)).columns:
        assert len({depth % 2 for depth in column}) == 1
    with pytest.raises(KeyingError, match="parity"):
        progress(two, (5, 2, 8), [(3, 4), (0,), (6,)])
    assert progress(one, (5, 2, 8), [(3, 4), (0,), (6,)]).theoretical == 2


def test_the_order_of_progression_says_which_chamber_turns_first():
    """P (paraphrase): the same issue, page=47: the order in which chambers are progressed to make changes."""
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=2)
    made = [write_bitting(spec, bitting) for bitting in progress(spec, (5, 2, 8), order=[2, 3, 1])]
    assert made[:5] == ["100", "140", "160", "180", "102"]


def test_forbidden_bittings_are_never_issued():
    """P (paraphrase): ALOA Keynotes, July/August 2017: a bitting that breaks MACS is forbidden."""
    spec = BittingSpec(chambers=6, depths=10, macs=4, step=2)
    made = progress(spec, (5, 4, 6, 6, 3, 4))
    listed = list(made)
    assert len(listed) == made.usable < made.theoretical
    assert all(spec.within_macs(bitting) for bitting in listed)


def test_a_master_of_six_cuts_has_one_of_64_parity_patterns():
    """P: a lock maker's technical manual, section 3 p. 17, manualarchiveguide.com manual 3603228 page=56: to be kept
    as a register of top masters.
    """
    assert len({parity_pattern(bitting) for bitting in product(range(2), repeat=6)}) == 64
    assert parity_pattern((4, 0, 5, 9, 0, 4)) == "EEOOEE"


def test_rotating_constants():
    """P: ALOA Keynotes, rotating constants (issue date not visible): 15 ways × 16 = 240 before MACS.

    Six chambers, four held and two progressed, two-step. Every key matches the master in at least one cut
    (P, LIST, paraphrased at metrolock.com/?p=2053). At eight rekeys a unit that is 30 units (D).
    """
    spec = BittingSpec(chambers=6, depths=10, macs=9, step=2)
    tmk = (4, 0, 5, 9, 0, 4)
    found = rotate(spec, tmk, constants=4)
    assert len(found.places) == 15
    assert all(turn.theoretical == 16 for turn in found.turns)
    assert found.usable == len(list(found)) == 240
    assert found.usable // 8 == 30
    assert all(sum(a == b for a, b in zip(bitting, tmk, strict=True)) == 4 for bitting in found)


def test_the_master_of_a_list_is_found():
    """P: lockpicking101.com/viewtopic.php?p=422886, 20 October 2013: 405904, the only answer.

    Total position progression, two-step, one system; parity per column E E O O E E. The MACS of 9 is D.
    """
    spec = BittingSpec(chambers=6, depths=10, macs=9, step=2)
    changes = ["269766", "241140", "843326", "687366", "241588", "221562", "041348"]
    found = find_masters(spec, [read_bitting(spec, text, "changes") for text in changes])
    assert [write_bitting(spec, tmk) for tmk in found.candidates] == ["405904"]
    assert found.count == 1
    assert parity_pattern(found.candidates[0]) == "EEOOEE"


def test_a_system_without_its_array_or_list_is_not_extended():
    """P: ALOA technical standard, item 11, Keynotes, September 2014, p. 12: key it single or anew.

    Without the array alone `search_extension` goes on, which proves what the array would have assured.
    """
    spec = BittingSpec(chambers=3, depths=10, macs=9, step=2)
    array = LevelArray((5, 2, 8), "CCC")
    for known, listed in [(None, {"AA": (5, 2, 8)}), (array, {})]:
        with pytest.raises(KeyingError, match="SKD"):
            extend(spec, known, listed, {}, changes={"AA": 1})


def test_masters_of_one_key_section_are_told_apart_by_their_parity_patterns():
    """P (paraphrase): lockreference.com/using-tmk-registers: new master against old ones of one key section."""
    old = {"first": (4, 0, 5, 9, 0, 4), "second": (2, 2, 1, 1, 2, 2), "third": (1, 1, 1, 1, 1, 1)}
    new = (4, 0, 5, 9, 0, 4)
    assert [name for name, tmk in old.items() if tmk == new] == ["first"]
    assert [name for name, tmk in old.items() if parity_pattern(tmk) == parity_pattern(new)] == ["first", "second"]


def test_systems_of_one_step_cannot_be_told_apart_by_parity():
    """P: the same manual p. 20, page=59: between two A4 systems on one keyway interchange cannot be ruled out."""
    spec = BittingSpec(chambers=3, depths=6, macs=5, step=1)
    one, other = progress(spec, (2, 2, 2)), progress(spec, (3, 3, 3))
    assert parity_pattern((2, 2, 2)) != parity_pattern((3, 3, 3))
    assert set(one) & set(other)
    two = BittingSpec(chambers=3, depths=10, macs=9, step=2)
    assert not set(progress(two, (2, 2, 2))) & set(progress(two, (3, 3, 3)))
