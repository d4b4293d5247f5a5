import math
from enum import StrEnum
from typing import Any

import pytest

from app.errors import BitternError, Problem, Problems
from app.validation import Reader, quoted, read_list, read_text, read_typed_whole, read_whole, read_word, short_name


class Shade(StrEnum):
    LIGHT = "light"
    DARK = "dark"


def faults(read: Reader) -> dict[str, str]:
    with pytest.raises(Problems) as refused:
        read.done()
    return {problem.field: problem.message for problem in refused.value.problems}


def key(given: object) -> str:
    read = Reader(given)
    name = read.text("name", 5)
    read.done()
    return name


def test_eleven_planted_faults_are_all_told_by_their_paths() -> None:
    read = Reader(
        {
            "name": "",
            "long": "x" * 6,
            "line": "a\nb",
            "count": True,
            "day": "2026-02-30",
            "sure": "yes",
            "shade": "gray",
            "keys": [{"name": "AA"}, {"name": "AB", "color": "red"}, {}],
            "each": {"light": 1, "dark": 99, "dim": 1},
            "further": 1,
        }
    )
    read.text("name"), read.text("long", 5), read.text("line")
    read.whole("count", 1, 9), read.day("day"), read.flag("sure"), read.word("shade", Shade)
    read.many("keys", key), read.by_name("each", lambda one: read_whole(one, 0, 9), lambda one: read_word(one, Shade))
    read.value("gone", read_list)
    assert faults(read) == {
        "further": "'further' is not known here. Known: name, long, line, count, day, sure, shade, keys, each, gone.",
        "name": "Enter text here, at most 200 characters on one line.",
        "long": "At most 5 characters fit here; this has 6.",
        "line": "This text holds a character that cannot be printed. Remove it.",
        "count": "Enter a whole number from 1 to 9, not true.",
        "day": "Enter a day as 2026-03-02, between the years 1970 and 2199.",
        "sure": "Enter true or false, not 'yes'.",
        "shade": "'gray' is not one of light, dark.",
        "keys[2].color": "'color' is not known here. Known: name.",
        "keys[3].name": "This field is missing. Enter text here, at most 5 characters on one line.",
        "each.dark": "Enter a whole number from 0 to 9, not '99'.",
        "each.dim": "'dim' is not one of light, dark.",
        "gone": "This field is missing. Give a list here.",
    }


def test_what_is_good_comes_out_and_null_is_missing() -> None:
    read = Reader({"name": " AA ", "count": None, "keys": [{"name": "AB"}], "shade": "dark"})
    assert read.text("name") == "AA"
    assert read.whole("count", 1, 9, 4) == 4
    assert read.optional("count", lambda one: read_whole(one, 1, 9)) is None
    assert read.many("keys", key) == ("AB",)
    assert read.many("none", key) == ()
    assert read.word("shade", Shade) is Shade.DARK
    read.done()


def test_a_refused_entry_keeps_its_place() -> None:
    read = Reader({"keys": [{"name": "AA"}, 3, {"name": "AB"}]})
    assert read.many("keys", key) == ("AA", None, "AB")
    assert faults(read) == {"keys[2]": "Give an object with named values here, not '3'."}


def test_a_list_says_at_most_two_hundred_problems() -> None:
    read = Reader({"keys": [0] * 900})
    read.many("keys", key)
    told = faults(read)
    assert len(told) == 201
    assert told["keys[201]"].startswith("More than 200 problems")


def test_the_hint_ends_what_is_missing_not_known_or_no_object() -> None:
    read = Reader({"nmae": 1}, "spec", "See --example.")
    read.text("name", 9)
    told = faults(read)
    assert list(told) == ["spec.nmae", "spec.name"]
    assert all(sentence.endswith(" See --example.") for sentence in told.values())
    assert faults(Reader([], "spec", "See --example.")) == {
        "spec": "Give an object with named values here, not a list. See --example."
    }


def test_names_that_cannot_be_shown_are_told_of_their_object() -> None:
    for name in ("\ud800", "x" * 1_000):
        read = Reader({"each": {name: 1}, name: 1})
        read.by_name("each", lambda one: read_whole(one, 0, 9), lambda one: read_text(one, 9))
        assert list(faults(read)) == [short_name(name), "each"]


def test_a_name_that_stands_twice_but_for_spaces_is_refused() -> None:
    read = Reader({"each": {"AA": 1, " AA ": 2}})
    read.by_name("each", lambda one: read_whole(one, 0, 9))
    assert faults(read) == {"each. AA ": "This name stands here twice."}


def test_several_problems_of_a_part_are_all_kept_in_place() -> None:
    def refuse(_: object) -> None:
        raise Problems([Problem("", "It is bad."), Problem("[2]", "So is this."), Problem("cents", "And this.")])

    read = Reader({"part": 1})
    assert read.value("part", refuse) is None
    assert faults(read) == {"part": "It is bad.", "part[2]": "So is this.", "part.cents": "And this."}


@pytest.mark.parametrize(
    "value", [None, True, -1, 1.5, math.nan, 10**400, "x" * 9_999, "\ud800", [], [[]], {}, {"a": 1}, object()]
)
def test_nothing_is_more_than_a_refusal_in_a_short_sentence(value: Any) -> None:
    refused = 0
    for read in (
        lambda one: read_whole(one, 1, 9),
        lambda one: read_typed_whole(one, 1, 9),
        read_text,
        lambda one: read_word(one, Shade),
        lambda one: read_list(one, 0),
        key,
    ):
        try:
            read(value)
        except BitternError as error:
            refused += 1
            assert len(error.message) < 120
            assert error.message.isprintable()
    assert refused >= 5


def test_what_was_typed_is_quoted_as_text_that_can_be_shown() -> None:
    assert quoted("a\nb") == "'a?b'"
    assert quoted(10**400) == "a very large number"
    assert read_typed_whole(" 7 ", 1, 9) == 7
