"""Worn part numbers: held against a plain oracle over every legal number of the demo's makers."""

import random
import re

import pytest

from app.commands.parts import DEMO_MAKERS
from app.errors import BitternError
from app.fitting import MakerFile, combinations, complete, decode_any, load_makers

MAKERS = [maker for maker in load_makers(DEMO_MAKERS) if maker.patterns]


def legal(maker: MakerFile) -> dict[str, object]:
    """Every number that the maker's patterns allow or its catalog has."""
    return {number: None for pattern in maker.patterns for number, _ in combinations(pattern)} | {
        item.part_number: item for item in maker.items
    }


def worn(number: str, chance: random.Random) -> str:
    """A piece of a number in which some characters cannot be read."""
    start = chance.randrange(0, max(1, len(number) - 4))
    end = chance.randrange(min(start + 4, len(number)), len(number) + 1)
    return "".join("?" if chance.random() < 0.2 else letter for letter in number[start:end])


@pytest.mark.parametrize("maker", MAKERS, ids=lambda maker: maker.code)
def test_all_numbers_are_found_that_a_worn_one_is_a_part_of_and_no_other(maker: MakerFile) -> None:
    chance = random.Random(4)
    numbers = legal(maker)
    tried = 0
    for number in chance.sample(sorted(numbers), 25):
        typed = worn(number, chance)
        if len(re.sub(r"[^A-Z0-9]", "", typed)) < 2:
            continue
        pattern = re.compile("".join("." if letter == "?" else re.escape(letter) for letter in typed))
        found = complete(maker.patterns, maker.items, typed)
        assert {one.part_number for one in found} == {each for each in numbers if pattern.search(each)}, typed
        listed = [one.item is not None for one in found]
        assert listed == sorted(listed, reverse=True)  # the catalog first
        tried += 1
    assert tried > 15


def test_what_is_found_says_what_it_is() -> None:
    ardent = next(maker for maker in MAKERS if maker.code == "ARD")
    found = complete(ardent.patterns, ardent.items, "18m-q?-66")
    assert {one.attributes.keyway for one in found if one.attributes} == {f"AQ{n}" for n in range(1, 7)}
    assert all(one.part_number.startswith("A18M-Q") for one in found)
    for one in found:
        assert one.attributes in [each.attributes for each in decode_any(ardent.patterns, one.part_number)]


def test_separators_may_be_left_out() -> None:
    ardent = next(maker for maker in MAKERS if maker.code == "ARD")
    assert complete(ardent.patterns, ardent.items, "18MQ?66") == complete(ardent.patterns, ardent.items, "18M-Q?-66")


@pytest.mark.parametrize(
    ("typed", "told"),
    [("??", "at least 2 characters"), ("A?", "at least 2 characters"), ("", "Enter a part number"), ("é18", "plain")],
)
def test_too_little_to_go_by_is_refused(typed: str, told: str) -> None:
    with pytest.raises(BitternError, match=told) as refused:
        complete(MAKERS[0].patterns, MAKERS[0].items, typed)
    assert refused.value.field == "part_number"


def test_what_no_number_holds_gives_none() -> None:
    assert complete(MAKERS[0].patterns, MAKERS[0].items, "ZZZZZ99") == []
