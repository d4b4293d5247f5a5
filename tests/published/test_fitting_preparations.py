"""Door preparations and standards against published pages (status P), and facts of common practice."""

from fractions import Fraction

import pytest

from app.fitting import BoreQuestion, ask_about_mortise_door, door_preparation, fit_bore, trade_fact


def test_the_160_preparation() -> None:
    """P. ALOA/LIST glossary, asavage.dyndns.org/Locksmithing/ALOA/Glossary_01.php."""
    found = door_preparation("160")
    assert (found.cross_bore, found.backset, found.edge_bore) == (Fraction(17, 8), Fraction(19, 8), 1)
    assert found.edge_mortise == "1 x 2-1/4"
    assert found.status == "P"


def test_the_86_preparation_wants_a_door_of_an_inch_and_three_quarters() -> None:
    """P. hmfexpress.com/techtips-mortise-locks."""
    found = door_preparation("86")
    assert (found.edge_mortise, found.door_least, found.status) == ("1-1/4 x 8", Fraction(7, 4), "P")
    assert "lock center 3/8 in below the strike's" in found.text
    assert ask_about_mortise_door(Fraction(7, 4), "wood", None) == ()
    (thin,) = ask_about_mortise_door(Fraction(11, 8), "wood", None)
    assert "1-3/8 in thick" in thin and "wants 1-3/4 in at least" in thin


def test_the_161_preparation() -> None:
    """D, from two deadbolt sheets."""
    found = door_preparation("161")
    assert (found.cross_bore, found.backset, found.edge_bore) == (Fraction(17, 8), Fraction(11, 4), 1)
    assert (found.edge_mortise, found.status) == ("1-1/8 x 2-1/4", "D")


@pytest.mark.parametrize(
    ("number", "words"),
    [
        ("A156.5", ("cylinders and input devices", "three grades")),  # P. BHMA page, buildershardware.com
        ("A156.28", ("master keying systems",)),  # P. same page
        ("A156.115", ("steel doors",)),  # P. buildershardware.com; mydoc123 p-434245
        ("A156.115W", ("wood doors",)),  # P. same
        ("A156.2", ("Grade 1", "1,000,000 cycles")),  # P. Keynotes Dec 2025, p.37
        ("A156.13", ("beveled edge", "center line of the door's thickness")),  # P. ANSI/BHMA A156.13-2017, 2.3
        ("NFPA 80", ("up to 1 in", "both door and lock")),  # P. idighardware.com, 2017-2022
    ],
)
def test_standards(number: str, words: tuple[str, ...]) -> None:
    found = door_preparation(number)
    assert all(word in found.text for word in words)
    assert found.status == "P"


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("mortise_diameter", Fraction(37, 32)),
        ("mortise_threads_per_inch", Fraction(32)),
        ("deadbolt_backset_short", Fraction(19, 8)),
        ("deadbolt_backset_long", Fraction(11, 4)),
        ("deadbolt_backset_narrow", Fraction(2)),
        ("deadbolt_bore_least", Fraction(15, 8)),
        ("deadbolt_bore_most", Fraction(17, 8)),
    ],
)
def test_facts_of_common_practice(name: str, value: Fraction) -> None:
    """Common practice, no source."""
    fact = trade_fact(name)
    assert fact.value == value
    assert fact.source == "common practice, no source"


def test_a_four_inch_stile_and_a_two_inch_backset_are_centered() -> None:
    """Common practice, no source."""
    backsets = tuple(trade_fact(f"deadbolt_backset_{which}").value for which in ("narrow", "short", "long"))
    fit = fit_bore(BoreQuestion(Fraction(4), backsets, trade_fact("deadbolt_bore_most").value))
    assert (fit.chosen, fit.offset_from_center) == (2, 0)
