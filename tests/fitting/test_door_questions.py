from fractions import Fraction

from app.fitting import DOOR_MATERIALS, ask_about_mortise_door, ask_about_stile


def test_a_stile_that_nobody_described_is_asked_about() -> None:
    assert ask_about_stile("", None) == ("Is the stile wood, steel or aluminum, and is there a glass stop on it?",)
    assert [len(ask_about_stile(material, None)) for material in DOOR_MATERIALS] == [0, 0, 2]


def test_an_aluminum_stile_asks_for_its_depth_and_for_the_glass_stop_until_it_is_measured() -> None:
    depth, stop = ask_about_stile("aluminum", None)
    assert "hollow" in depth and "glass stop" in stop
    assert ask_about_stile("aluminum", Fraction(0)) == (depth,)


def test_a_door_thinner_by_less_than_the_tolerance_is_thick_enough() -> None:
    thin = ask_about_mortise_door(Fraction(7, 4) - Fraction(1, 64), "steel", None)
    assert len(thin) == 1 and "1-47/64 in thick" in thin[0]
    assert ask_about_mortise_door(Fraction(7, 4) - Fraction(1, 128), "steel", None) == ()
    assert len(ask_about_mortise_door(Fraction(1), "aluminum", None)) == 3
