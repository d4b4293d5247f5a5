"""A learned pattern settled by hand: every step is held against the numbers that it reads afterwards."""

from itertools import product

import pytest

from app.errors import BitternError
from app.fitting import (
    LearnedPattern,
    ListedNumber,
    decode_any,
    join_segments,
    learn_pattern,
    pattern_from_json,
    split_segment,
    tell_attribute,
)

TYPES = {"M": "mortise cylinder", "R": "rim cylinder"}
KEYWAYS = {"K1": "TQ one", "K2": "TQ two", "L7": "TQ seven"}
FINISHES = {"05": "bright brass", "26": "satin chromium", "13": "oil-rubbed bronze"}
ROWS = [
    ListedNumber(f"T{kind}-{keyway}{finish}", f"{FINISHES[finish]}, {TYPES[kind]}, {KEYWAYS[keyway]}")
    for kind, keyway, finish in product(TYPES, KEYWAYS, FINISHES)
]
NUMBERS = [row.number for row in ROWS]


@pytest.fixture(scope="module")
def learned() -> LearnedPattern:
    lesson = learn_pattern(ROWS)
    assert lesson.unread == ()
    return lesson.pattern


def test_it_goes_to_json_and_back(learned: LearnedPattern) -> None:
    assert LearnedPattern.from_json(learned.to_json()) == learned
    with pytest.raises(BitternError, match="share") as refused:
        LearnedPattern.from_json({**learned.to_json(), "segments": [{"name": "a", "codes": {}, "sure": 2}]})
    assert refused.value.field == "segments[1].sure"


def test_a_piece_is_told_what_it_means(learned: LearnedPattern) -> None:
    assert [segment.attribute for segment in learned.segments] == ["type", None, "finish"]
    told = tell_attribute(learned, 1, "keyway")
    assert told.segments[1].sets == {code: {"keyway": words} for code, words in KEYWAYS.items()}
    pattern = pattern_from_json(told.as_maker_file("cylinders"))
    assert decode_any((pattern,), "TR-L726")[0].attributes.keyway == "TQ seven"
    # No two pieces can mean the same: the one that did before means nothing now.
    moved = tell_attribute(told, 2, "keyway")
    assert [segment.attribute for segment in moved.segments] == ["type", None, "keyway"]
    with pytest.raises(BitternError, match="Choose one of"):
        tell_attribute(learned, 1, "color")


def test_a_piece_is_cut_in_two_and_put_together_again(learned: LearnedPattern) -> None:
    cut = split_segment(learned, 1, 1, NUMBERS)
    assert [dict(segment.codes) for segment in cut.segments[1:3]] == [
        {"K": "TQ one", "L": "TQ seven"},
        {"1": "", "2": "", "7": ""},
    ]
    assert cut.segments[1].times == {"K": 12, "L": 6}
    assert all(cut.read(number) for number in NUMBERS)
    joined = join_segments(cut, 1, NUMBERS)
    assert set(joined.segments[1].codes) == set(KEYWAYS)
    assert all(joined.read(number) for number in NUMBERS)
    assert joined.read("TR-K713") is None
    with pytest.raises(BitternError, match="cannot be cut"):
        split_segment(learned, 0, 1, NUMBERS)
