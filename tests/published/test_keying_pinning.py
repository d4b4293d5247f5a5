"""Pins and cross-keying against published examples.

Status words: P, the value is printed in the source; D, derived by us from printed inputs.
"""

from itertools import product
from random import Random

import pytest

from app.errors import BitternError
from app.keying import BittingSpec, audit, cross_cost, pin, read_bitting, shearing_depths
from app.keying.additions import AddedCylinder, add_cylinders
from app.keying.pinning import pin_cuts


def test_one_chamber_two_keys():
    """P: hubpages.com/education/master-keying, 15 January 2014: cuts 3 and 6."""
    pins = pin_cuts([3, 6])
    assert (pins.bottom, pins.masters) == (3, (3,))


def test_one_chamber_three_keys():
    """P, the same page: cuts 3, 6 and 9."""
    pins = pin_cuts([3, 6, 9])
    assert (pins.bottom, pins.masters) == (3, (3, 3))


def test_incidental_keys_of_two_chambers():
    """P: lockpicking101.com/viewtopic.php?p=272479: bottoms 1 and 1, masters 3 and 3."""
    assert {pin_cuts([1, 4])} == {pin_cuts([4, 1])}
    assert sorted(product(*shearing_depths([(1, 1), (4, 4)]))) == [(1, 1), (1, 4), (4, 1), (4, 4)]


SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2)
# P: ALOA Keynotes, February 2022, p. 36.
KEYS = {
    symbol: read_bitting(SPEC, text, symbol)
    for symbol, text in {"AA": "345621", "1AA": "365621", "2AA": "343621", "3AA": "345421"}.items()
}


@pytest.mark.parametrize(
    ("change", "bottoms", "masters", "build_ups"),
    [
        ("742836", (5, 2, 2, 6, 1, 4), (2, 2, 6, 2, 2, 2), (12, 12, 2, 6, 14, 12)),
        ("304052", (3, 0, 4, 0, 1, 2), (2, 2, 4, 6, 4, 2), (14, 14, 2, 8, 12, 14)),
    ],
)
def test_whole_stacks_of_a_small_format_core(change, bottoms, masters, build_ups):
    """P: pinning chart in a lock maker's technical manual, section 3 p. 19, manualarchiveguide.com manual 3603228."""
    spec = BittingSpec(chambers=6, depths=10, macs=9, step=2, stack_total=23, control_offset=10)
    cuts = {name: read_bitting(spec, text, name) for name, text in {"TMK": "528614", "change": change}.items()}
    chambers = pin(spec, cuts, read_bitting(spec, "960478", "control")).chambers
    assert tuple(pins.bottom for pins in chambers) == bottoms
    assert tuple(pins.masters for pins in chambers) == tuple((master,) for master in masters)
    assert tuple(pins.buildup for pins in chambers) == build_ups
    assert tuple(pins.top for pins in chambers) == (4, 7, 13, 9, 6, 5)


def test_every_core_of_six_depths_balances():
    """P: the same manual p. 20, page=59: A4, depths 0 to 5, one-step: build-up control + 6 - plug total, stack 14;
    all 216 combinations of two cuts and a control. The offset in inches printed there, .21, is a slip for .126 (D).
    """
    spec = BittingSpec(chambers=3, depths=6, macs=5, step=1, stack_total=14, control_offset=6)
    for one, other, control in product(range(6), repeat=3):
        keys = {"TMK": (one,) * 3, "change": (other,) * 3}
        pins = pin(spec, keys, (control,) * 3).chambers[0]
        plug = pins.bottom + sum(pins.masters)
        assert (pins.bottom, plug) == (min(one, other), max(one, other))
        assert pins.buildup == control + 6 - plug
        assert plug + pins.buildup + pins.top == 14


def test_each_change_differs_from_its_master_in_one_chamber():
    """P, the same page: chambers 2, 3 and 4."""
    differing = [
        [chamber for chamber, (a, b) in enumerate(zip(KEYS["AA"], KEYS[change], strict=True), 1) if a != b]
        for change in ("1AA", "2AA", "3AA")
    ]
    assert differing == [[2], [3], [4]]


def test_the_pins_of_a_cross_keyed_cylinder():
    """Masters ". 2 . 2 . ." P, the same page; bottoms 345421 D."""
    pins = pin(SPEC, {symbol: KEYS[symbol] for symbol in ("1AA", "3AA")})
    assert [chamber.masters for chamber in pins.chambers] == [(), (2,), (), (2,), (), ()]
    assert [chamber.bottom for chamber in pins.chambers] == [3, 4, 5, 4, 2, 1]


def test_the_interchange_on_a_cross_keyed_cylinder_is_found():
    """P, the same page: AA operates X2X too. That one combination belongs to nobody is D."""
    found = audit(KEYS, {"X2X": ["1AA", "3AA"]})
    assert found.unintended == (("X2X", "AA"),)
    assert found.phantoms == {"X2X": 1}
    opening = sorted(product(*shearing_depths([KEYS["1AA"], KEYS["3AA"]])))
    assert ["".join(map(str, cuts)) for cuts in opening] == ["345421", "345621", "365421", "365621"]


def test_an_incidental_master_key_is_cut_to_a_line_that_nobody_planned():
    """P (paraphrase): lockreference.com/using-tmk-registers: where a cylinder is pinned to master and change."""
    found = audit(KEYS, {"1AA": ["AA", "1AA"], "X2X": ["1AA", "3AA"], "3AA": ["3AA"]})
    assert found.phantoms == {"1AA": 0, "X2X": 1, "3AA": 0}
    two_apart = {"AA": KEYS["AA"], "4AA": read_bitting(SPEC, "363621", "4AA")}
    assert audit(two_apart, {"4AA": ["AA", "4AA"]}).phantoms == {"4AA": 2}


def test_a_cylinder_that_shuts_its_master_out_and_lets_several_changes_in_is_refused():
    """P (paraphrase), the same page: cross-keyed and not master-keyed at once is the cause of interchange: warn."""
    changes = {change: [change, "AA"] for change in ("1AA", "2AA", "3AA")}
    with pytest.raises(BitternError, match="list AA too"):
        add_cylinders(SPEC, KEYS, changes, [AddedCylinder("X2X", ("1AA", "3AA"))], Random(1))
    assert add_cylinders(SPEC, KEYS, changes, [AddedCylinder("X2X", ("1AA", "3AA", "AA"))], Random(1)) == {}


@pytest.mark.parametrize(("other", "controlled"), [("AA2", True), ("AB1", False)])
def test_cross_keying_is_controlled_under_the_same_higher_keys(other, controlled):
    """P: ANSI/BHMA A156.28-2018, text extract: AA1 + AA2 is controlled, AA1 + AB1 is not."""
    keys = {"AA1": (1, 3, 3), "AA2": (1, 5, 5), "AB1": (3, 3, 3)}
    above = {"AA1": ("AA", "A"), "AA2": ("AA", "A"), "AB1": ("AB", "A")}
    assert cross_cost(keys, {"AA1": ["AA1"]}, "AA1", [other], above=above).controlled is controlled
