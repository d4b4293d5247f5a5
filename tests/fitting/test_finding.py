from dataclasses import replace
from fractions import Fraction

import pytest

from app.errors import BitternError
from app.fitting import (
    CatalogItem,
    CylinderAttributes,
    KeyBlank,
    MakerFile,
    can_take_key,
    face_change,
    find,
    find_by_blank,
    find_same_fit,
)
from app.fitting.finding import LONGEST_QUERY


@pytest.fixture(scope="session")
def items(makers: tuple[MakerFile, ...]) -> tuple[CatalogItem, ...]:
    return tuple(item for maker in makers for item in maker.items)


def numbers(matches: object) -> list[str]:
    return [match.item.part_number for match in matches]  # type: ignore[attr-defined]


def test_free_text_finds_the_exact_one_first_and_says_what_would_differ(items: tuple[CatalogItem, ...]) -> None:
    found = find(items, "1-1/4 rim satin chrome, six pin")
    assert numbers(found)[0] == "A20R-Q1-66.SC"
    assert (found[0].distance, found[0].differs) == (0, ())
    others = {match.item.part_number: match.differs for match in found}
    assert others["32.114.P26"] == ("chambers 5 instead of 6",)
    assert others["A18R-Q1-66.SC"] == ("length 1-1/8 instead of 1-1/4",)
    assert {match.item.attributes.type for match in found if match.item.attributes} == {"rim"}


def test_stocked_stands_before_not_stocked_where_as_near(items: tuple[CatalogItem, ...]) -> None:
    found = find(items, CylinderAttributes("mortise", Fraction(9, 8), 6, None, None, None, None, "626"))
    exact = [match.item.stocked for match in found if match.distance == 0]
    assert True in exact and False in exact
    assert exact == sorted(exact, reverse=True)
    distances = [match.distance for match in found]
    assert distances == sorted(distances)


def test_a_part_number_or_its_beginning(items: tuple[CatalogItem, ...]) -> None:
    assert numbers(find(items, "a18m q1 66 sc"))[0] == "A18M-Q1-66.SC"
    assert set(numbers(find(items, "A18M-Q1-66"))) >= {"A18M-Q1-66.SC", "A18M-Q1-66.BB", "A18M-Q1-66L.SC"}


def test_hardware_is_found_by_its_words(items: tuple[CatalogItem, ...]) -> None:
    assert "A-TIDE-6" in numbers(find(items, "night latch"))
    assert numbers(find(items, "two-stop cam core housings")) == ["NM-2"]


def test_a_maker_that_is_asked_for_comes_first(items: tuple[CatalogItem, ...]) -> None:
    found = find(items, CylinderAttributes("rim", Fraction(9, 8), maker="Pell & Rowe"))
    assert found[0].item.maker == "Pell & Rowe"
    assert found[-1].differs[-1] == "maker Ardent Brass instead of Pell & Rowe"


def test_what_has_nothing_in_common_is_not_found(items: tuple[CatalogItem, ...]) -> None:
    assert find(items, "umbrella stand") == find(items, "") == find(items, CylinderAttributes("")) == ()
    assert find([], "rim") == ()
    with pytest.raises(BitternError):
        find(items, "x" * 10_000)


def test_at_most_as_many_as_asked_for(items: tuple[CatalogItem, ...]) -> None:
    assert len(find(items, "mortise", limit=3)) == 3


def test_an_old_cylinder_is_sold_again_from_another_maker(makers: tuple[MakerFile, ...], pell: MakerFile) -> None:
    items = [item for maker in makers if maker is not pell for item in maker.items]
    old = next(item.attributes for item in pell.items if item.part_number == "31.118.P26")
    assert old is not None
    best = find_same_fit(items, old)[0]
    assert best.item.maker == "Ardent Brass" and best.item.attributes is not None
    assert "keyway AQ1 instead of PR-P" in best.differs
    assert best.differs[-1] == "maker Ardent Brass instead of Pell & Rowe"
    assert face_change(old, best.item.attributes).question
    assert can_take_key(best.item.attributes, "PK-91", 5, [b for m in makers for b in m.blanks]).takes


def test_a_key_leads_to_its_blanks_and_cylinders(makers: tuple[MakerFile, ...]) -> None:
    items = [item for maker in makers for item in maker.items]
    blanks = [blank for maker in makers for blank in maker.blanks]
    found = find_by_blank(items, blanks, "AK5-12")
    assert {item.part_number for item in found[:2]} == {"AK5-12", "PK-91"}
    cylinders = [item.attributes for item in found[2:]]
    assert cylinders
    assert all(each and each.chambers == 5 and each.keyway in ("AQ1", "AQ2", "PR-P") for each in cylinders)


def test_a_key_that_nobody_lists_says_so(items: tuple[CatalogItem, ...]) -> None:
    with pytest.raises(BitternError, match="key blank 'ZZ 9'"):
        find_by_blank(items, (), "ZZ 9")


def test_a_same_fit_that_comes_without_pins_says_so(makers: tuple[MakerFile, ...]) -> None:
    items = [item for maker in makers for item in maker.items]
    old = next(item.attributes for item in items if item.part_number == "A18M-Q1-66.SC")
    said = {match.item.part_number: match.differs for match in find_same_fit(items, old, 40)}
    assert said["A18M-Q1-66.SC"] == ()
    assert said["A18M-Q1-66.SC+Z"] == ("comes zero-bitted",)


def test_a_key_finds_something_of_each_maker_and_type_first(makers: tuple[MakerFile, ...]) -> None:
    items = [item for maker in makers for item in maker.items]
    blanks = [blank for maker in makers for blank in maker.blanks]
    found = [item for item in find_by_blank(items, blanks, "PK-91") if item.attributes is not None]
    kinds = {(item.maker, item.attributes.type) for item in found if item.attributes and item.stocked}
    first = found[: len(kinds)]
    assert {(item.maker, item.attributes.type) for item in first if item.attributes} == kinds
    shelf = [item.stocked for item in found]
    assert shelf == sorted(shelf, reverse=True)


def test_the_maker_that_is_said_comes_first_and_zero_bitted_ones_last(makers: tuple[MakerFile, ...]) -> None:
    items = [item for maker in makers for item in maker.items]
    found = find(items, "ardent mortise 1-1/8 26D six pin AQ1")
    assert found[0].item.part_number == "A18M-Q1-66.SC" and found[0].differs == ()
    zero = next(match for match in found if match.item.part_number == "A18M-Q1-66.SC+Z")
    assert zero.differs == ("comes zero-bitted",)
    other = next(match for match in found if match.item.maker == "Pell & Rowe")
    assert "maker Pell & Rowe instead of Ardent Brass" in other.differs
    assert find(items, "1-1/8 mortise 26D zero bitted")[0].item.part_number.endswith("+Z")
    assert find(items, "pell ring")[0].item.maker == "Pell & Rowe"
    assert all(match.item.maker == "Ardent Brass" for match in find(items, "ardent")[:5])


@pytest.mark.parametrize(
    ("query", "differs"),
    [
        ("Pell & Rowe rim", "maker Ardent Brass instead of Pell & Rowe"),
        ("rim satin chrome", "finish 605 instead of 626 or 652"),
    ],
)
def test_one_of_two_wishes_may_be_unmet(items: tuple[CatalogItem, ...], query: str, differs: str) -> None:
    found = find(items, query, 200)
    assert {match.item.attributes.type for match in found if match.item.attributes} == {"rim"}
    assert (differs,) in {match.differs for match in found}


def test_of_two_blanks_the_longer_one_says_which_cylinders_a_key_may_be_for(items: tuple[CatalogItem, ...]) -> None:
    def blank(maker: str, chambers: int) -> KeyBlank:
        return KeyBlank(maker, "XK-1", ("AQ1",), chambers)

    for blanks in ((blank("One", 5), blank("Two", 6)), (blank("One", 6), blank("Two", 5))):
        found = [item.attributes for item in find_by_blank(items, blanks, "XK-1")]
        assert {each.chambers for each in found if each} == {5, 6}
    short = [item.attributes for item in find_by_blank(items, (blank("One", 5),), "XK-1")]
    assert {each.chambers for each in short if each} == {5}


def test_a_search_of_just_the_longest_is_read(items: tuple[CatalogItem, ...]) -> None:
    assert find(items, "rim".ljust(LONGEST_QUERY, " "))
    with pytest.raises(BitternError) as refused:
        find(items, "x" * (LONGEST_QUERY + 1))
    assert (refused.value.field, refused.value.message) == ("query", "Search with at most 200 characters.")


def test_of_those_as_near_the_stocked_one_stands_first_then_the_cheaper_then_by_number() -> None:
    def cylinder(number: str, cents: int, *, stocked: bool = True) -> CatalogItem:
        return CatalogItem(number, "One", "cylinder", "", 0, cents, stocked, CylinderAttributes("rim"))

    shelf = [
        cylinder("A", 900, stocked=False),
        cylinder("D", 500),
        cylinder("B", 700),
        cylinder("C", 500),
        cylinder("E", 100, stocked=False),
    ]
    assert numbers(find(shelf, CylinderAttributes("rim"))) == ["C", "D", "B", "E", "A"]


def test_a_same_fit_without_a_keyway_said_differs_in_none() -> None:
    offered = CylinderAttributes("rim", keyway="AQ1", keying="zero-bitted")
    item = CatalogItem("A", "ONE", "cylinder", "", 0, 1, True, offered)
    said = {
        old: find_same_fit([item], CylinderAttributes("rim", maker="One", **dict([old])))[0].differs  # type: ignore[arg-type]
        for old in (("keyway", None), ("keyway", "AQ2"), ("keying", "zero-bitted"))
    }
    assert said == {
        ("keyway", None): ("comes zero-bitted",),
        ("keyway", "AQ2"): ("keyway AQ1 instead of AQ2", "comes zero-bitted"),
        ("keying", "zero-bitted"): (),
    }


def test_the_same_fit_has_the_same_keyway_first_then_the_same_finish_then_what_is_stocked() -> None:
    old = CylinderAttributes("mortise", Fraction(9, 8), 6, keyway="AQ1", finish="626")

    def item(number: str, *, stocked: bool = False, **other: object) -> CatalogItem:
        offered = replace(old, **other)  # type: ignore[arg-type]
        return CatalogItem(number, "One", "cylinder", "", 0, 1, stocked, offered)

    shelf = [
        item("OTHER KEYWAY", stocked=True, keyway="AQ2"),
        item("OTHER FINISH", stocked=True, finish="605"),
        item("OTHER LENGTH AND PINS", length=Fraction(5, 4), chambers=5),
        item("SAME, NOT STOCKED"),
        item("SAME", stocked=True),
    ]
    assert numbers(find_same_fit(shelf, old)) == [
        *("SAME", "SAME, NOT STOCKED", "OTHER LENGTH AND PINS", "OTHER FINISH", "OTHER KEYWAY")
    ]


def test_a_number_of_another_makers_is_no_blank_of_the_key() -> None:
    blanks = (KeyBlank("One", "XK-1", ("Q1",), 5),)
    own, other = (CatalogItem("XK-1", maker, "key_blank", "", 0, 1, True) for maker in ("One", "Two"))
    assert find_by_blank([other, own], blanks, "XK-1") == (own,)
