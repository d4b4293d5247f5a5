from __future__ import annotations

from fractions import Fraction

import pytest

from app.errors import BitternError
from app.fitting import CatalogueItem, CylinderAttributes, Maker, find


@pytest.fixture(scope="session")
def items(makers: tuple[Maker, ...]) -> tuple[CatalogueItem, ...]:
    return tuple(item for maker in makers for item in maker.items)


def numbers(matches: object) -> list[str]:
    return [match.item.part_number for match in matches]  # type: ignore[attr-defined]


def test_free_text_finds_the_exact_one_first_and_says_what_would_differ(items: tuple[CatalogueItem, ...]) -> None:
    found = find(items, "1-1/4 rim satin chrome, six pin")
    assert numbers(found)[0] == "A20R-Q1-66.SC"
    assert (found[0].distance, found[0].differs) == (0, ())
    others = {match.item.part_number: match.differs for match in found}
    assert others["32.114.P26"] == ("chambers 5 instead of 6",)
    assert others["A18R-Q1-66.SC"] == ("length 1-1/8 instead of 1-1/4",)
    assert {match.item.attributes.type for match in found if match.item.attributes} == {"rim"}


def test_stocked_stands_before_not_stocked_where_as_near(items: tuple[CatalogueItem, ...]) -> None:
    found = find(items, CylinderAttributes("mortise", Fraction(9, 8), 6, None, None, None, None, "626"))
    exact = [match.item.stocked for match in found if match.distance == 0]
    assert True in exact and False in exact
    assert exact == sorted(exact, reverse=True)
    distances = [match.distance for match in found]
    assert distances == sorted(distances)


def test_a_part_number_or_its_beginning(items: tuple[CatalogueItem, ...]) -> None:
    assert numbers(find(items, "a18m q1 66 sc"))[0] == "A18M-Q1-66.SC"
    assert set(numbers(find(items, "A18M-Q1-66"))) >= {"A18M-Q1-66.SC", "A18M-Q1-66.BB", "A18M-Q1-66L.SC"}


def test_hardware_is_found_by_its_words(items: tuple[CatalogueItem, ...]) -> None:
    assert "A-TIDE-6" in numbers(find(items, "night latch"))
    assert numbers(find(items, "two-stop cam core housings")) == ["NM-2"]


def test_a_maker_that_is_asked_for_comes_first(items: tuple[CatalogueItem, ...]) -> None:
    found = find(items, CylinderAttributes("rim", Fraction(9, 8), maker="Pell & Rowe"))
    assert found[0].item.maker == "Pell & Rowe"
    assert found[-1].differs[-1] == "maker Ardent Brass instead of Pell & Rowe"


def test_what_has_nothing_in_common_is_not_found(items: tuple[CatalogueItem, ...]) -> None:
    assert find(items, "umbrella stand") == find(items, "") == find(items, CylinderAttributes("")) == ()
    assert find([], "rim") == ()
    with pytest.raises(BitternError):
        find(items, "x" * 10_000)


def test_at_most_as_many_as_asked_for(items: tuple[CatalogueItem, ...]) -> None:
    assert len(find(items, "mortise", limit=3)) == 3
