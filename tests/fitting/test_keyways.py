import pytest

from app.errors import BitternError
from app.fitting import CylinderAttributes, KeyBlank, MakerFile, can_take_key, find_blanks
from app.fitting.keyways import KeywayFamily, MakerKeyway, find_keyways


@pytest.fixture(scope="session")
def blanks(makers: tuple[MakerFile, ...]) -> tuple[KeyBlank, ...]:
    return tuple(blank for maker in makers for blank in maker.blanks)


def test_a_blank_is_found_by_its_own_number_and_by_another_makers(blanks: tuple[KeyBlank, ...]) -> None:
    assert [blank.number for blank in find_blanks(blanks, "pk 91")] == ["PK-91", "AK5-12"]
    assert [blank.number for blank in find_blanks(blanks, "AK5-12")] == ["AK5-12", "PK-91"]
    assert find_blanks(blanks, "no such") == find_blanks(blanks, "-") == ()


def test_the_same_keyway_takes_the_key(blanks: tuple[KeyBlank, ...]) -> None:
    cylinder = CylinderAttributes("rim", chambers=6, keyway="AQ1", maker="Ardent Brass")
    assert can_take_key(cylinder, "AK6-12", 6, blanks).takes


def test_another_makers_blank_takes_it_by_cross_reference(blanks: tuple[KeyBlank, ...]) -> None:
    cylinder = CylinderAttributes("rim", chambers=5, keyway="AQ1", maker="Ardent Brass")
    answer = can_take_key(cylinder, "PK-91", 5, blanks)
    assert answer.takes
    assert "Ardent Brass AK5-12" in answer.reasons[0]


def test_another_keyway_does_not(blanks: tuple[KeyBlank, ...]) -> None:
    answer = can_take_key(CylinderAttributes("rim", chambers=6, keyway="AQ3"), "AK6-12", 6, blanks)
    assert not answer.takes
    assert answer.reasons == ("This key enters AQ1, AQ2, not keyway AQ3.",)


def test_a_five_cut_key_in_six_chambers(blanks: tuple[KeyBlank, ...]) -> None:
    six = CylinderAttributes("rim", chambers=6, drilled=6, keyway="AQ1")
    answer = can_take_key(six, "AK5-12", 5, blanks)
    assert not answer.takes
    assert "five cuts and the cylinder six chambers" in answer.reasons[1]
    five = CylinderAttributes("rim", chambers=5, drilled=6, keyway="AQ1")
    assert "uses the first five" in can_take_key(five, "AK6-12", 6, blanks).reasons[1]


def test_what_is_not_known_is_asked(blanks: tuple[KeyBlank, ...]) -> None:
    with pytest.raises(BitternError, match="keyway first"):
        can_take_key(CylinderAttributes("rim"), "AK6-12", 6, blanks)
    with pytest.raises(BitternError, match="key blank 'ZZ9'"):
        can_take_key(CylinderAttributes("rim", keyway="AQ1"), "ZZ9", 6, blanks)


def test_more_cuts_than_the_blank_has_room_for_are_counted_again(blanks: tuple[KeyBlank, ...]) -> None:
    cylinder = CylinderAttributes("mortise", chambers=6, keyway="AQ1", maker="Ardent Brass")
    with pytest.raises(BitternError, match="PK-91 has room for five cuts") as refused:
        can_take_key(cylinder, "PK-91", 6, blanks)
    assert refused.value.field == "cuts"


def test_a_blank_that_another_makers_table_alone_knows_is_tried_first() -> None:
    only = (KeyBlank("Pell & Rowe", "PK-91", ("PR-P", "AQ1"), 5),)
    cylinder = CylinderAttributes("rim", chambers=5, keyway="AQ1", maker="Ardent Brass")
    answer = can_take_key(cylinder, "PK-91", 5, only)
    assert answer.takes
    assert answer.reasons[0] == (
        "By Pell & Rowe's table the key's blank PK-91 enters a keyway AQ1: try it in one of Ardent Brass first."
    )


def test_a_keyway_is_found_with_its_family_and_what_enters_it() -> None:
    keyways = (
        MakerKeyway("One", "Q1", "Q", "six"),
        MakerKeyway("One", "Q2", "Q", "six"),
        MakerKeyway("Two", "Q-1", "Q", "five"),
        MakerKeyway("Two", "Q9", "other", "five"),
    )
    other = KeyBlank("Two", "T-1", ("Q1", "Q2"), 5)
    single, both = KeyBlank("One", "K-1", ("Q1",), 6), KeyBlank("One", "K-2", ("Q1", "Q2"), 6)
    blanks = (other, single, both)
    one, two = find_keyways(keyways, blanks, " q-1")
    assert one == KeywayFamily(keyways[0], ("Q2",), (single, both, other), (both, other))
    assert two == KeywayFamily(keyways[2], (), (), ())
    assert find_keyways(keyways, blanks, "-") == ()


def test_a_keyway_that_is_alone_in_its_family_has_no_blank_of_all() -> None:
    alone, blank = MakerKeyway("One", "Q1", "Q", "six"), KeyBlank("One", "K-1", ("Q1",), 6)
    assert find_keyways((alone,), (blank,), "Q1") == (KeywayFamily(alone, (), (blank,), ()),)


def test_as_many_cuts_as_chambers_need_no_more_words(blanks: tuple[KeyBlank, ...]) -> None:
    for maker in ("Ardent Brass", ""):
        cylinder = CylinderAttributes("rim", chambers=6, keyway="AQ1", maker=maker)
        assert can_take_key(cylinder, "AK6-12", 6, blanks).reasons == (
            "The key's blank (Ardent Brass AK6-12) enters keyway AQ1.",
            "Check that both bitting specs agree before promising it.",
        )


def test_the_longest_of_the_blanks_with_a_number_says_how_many_cuts_there_is_room_for() -> None:
    two = (KeyBlank("One", "XK-1", ("Q1",), 5), KeyBlank("Two", "XK-1", ("Q1",), 6))
    cylinder = CylinderAttributes("rim", chambers=6, keyway="Q1")
    assert can_take_key(cylinder, "XK-1", 6, two).takes
    with pytest.raises(BitternError, match="has room for six cuts"):
        can_take_key(cylinder, "XK-1", 7, two)


def test_a_blank_that_has_its_number_with_another_maker_too_is_found_once() -> None:
    blank = KeyBlank("One", "XK-1", ("Q1",), 5, (("Two", "XK1"),))
    assert find_blanks((blank,), "xk 1") == (blank,)
