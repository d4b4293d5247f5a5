"""What is learned from a price list: held against drawn makers whose every piece is known."""

import random
from collections import Counter
from collections.abc import Callable
from dataclasses import replace
from itertools import product

import pytest

from app.fitting import (
    LearnedPattern,
    ListedNumber,
    MakerFile,
    combinations,
    compose_any,
    decode_any,
    learn_pattern,
    learn_patterns,
    pattern_from_json,
    words,
)
from app.fitting.pattern_check import check_pattern
from tests.fitting.price_lists_drawn import DrawnMaker, DrawnNumber, draw_maker

SORTS = ("run together", "unlike", "optional")


def rows_of(listed: list[DrawnNumber]) -> list[ListedNumber]:
    return [ListedNumber(each.number, each.words) for each in listed]


def is_as_meant(pattern: LearnedPattern, maker: DrawnMaker, drawn: DrawnNumber) -> bool:
    """Whether a number falls into the maker's pieces, each with its own words; fixed characters stand anywhere."""
    reading = pattern.read(drawn.number)
    if reading is None:
        return False
    read = [
        (reading[segment.name], segment.codes[reading[segment.name]])
        for segment in pattern.segments
        if segment.name in reading
    ]
    meant = maker.meant(drawn)
    return len(read) == len(meant) and all(
        core in code and told == said for (code, told), (core, said) in zip(read, meant, strict=True)
    )


@pytest.mark.parametrize("sort", SORTS)
def test_drawn_price_lists_are_learned(sort: str) -> None:
    given = unread = unseen = as_meant = foreign = 0
    by_pieces: Counter[int] = Counter()
    for seed in range(67):  # 201 makers in all
        maker = draw_maker(seed, sort)
        listed = maker.price_list()
        lesson = learn_pattern(rows_of(listed))
        further = maker.unseen(listed)
        given, unread, unseen = given + len(listed), unread + len(lesson.unread), unseen + len(further)
        right = sum(is_as_meant(lesson.pattern, maker, drawn) for drawn in further)
        as_meant += right
        by_pieces[len(maker.pieces)] += len(further) - right
        foreign += sum(lesson.pattern.read(number) is not None for number in maker.foreign())
    print(f"{sort}: {unread} of {given} given unread; {as_meant} of {unseen} unseen as meant; {foreign} foreign read")
    print(f"  not as meant by number of pieces: {dict(sorted(by_pieces.items()))}")
    assert given > 3000
    assert unseen > 900
    assert (unread, foreign) == (0, 0)
    assert as_meant >= 0.95 * unseen


def share_as_meant(makers: list[DrawnMaker], changed: Callable[[DrawnMaker, list[ListedNumber]], object]) -> float:
    """Of the makers' unseen numbers those that are read as meant, after a change to each list in its place; every
    number of a maker's own list has to be read."""
    unseen = as_meant = 0
    for maker in makers:
        listed = maker.price_list()
        rows = rows_of(listed)
        changed(maker, rows)
        lesson = learn_pattern(rows)
        assert not {each.number for each in listed} & {number.upper() for number in lesson.unread}
        further = maker.unseen(listed)
        unseen += len(further)
        as_meant += sum(is_as_meant(lesson.pattern, maker, drawn) for drawn in further)
    assert unseen > 50
    return as_meant / unseen


def some_makers(number: int = 4, **more: bool) -> list[DrawnMaker]:
    return [draw_maker(seed, sort, **more) for sort in SORTS for seed in range(number)]


def with_piece(maker: DrawnMaker, index: int, **changes: object) -> DrawnMaker:
    piece = replace(maker.pieces[index], **changes)  # type: ignore[arg-type]
    return replace(maker, pieces=(*maker.pieces[:index], piece, *maker.pieces[index + 1 :]))


def unchanged(maker: DrawnMaker, rows: list[ListedNumber]) -> None:
    pass


def test_codes_of_unlike_length_may_stand_anywhere() -> None:
    assert share_as_meant(some_makers(unlike_anywhere=True), unchanged) >= 0.95


def test_a_piece_without_words_is_found_between_the_others() -> None:
    assert share_as_meant(some_makers(without_words=True), unchanged) >= 0.9


def test_a_comma_within_a_phrase_is_no_border() -> None:
    makers = []
    for maker in some_makers():
        index = len(maker.pieces) // 2
        codes = {code: f"{said}, as ordered" for code, said in maker.pieces[index].codes.items()}
        first = next(iter(codes))
        makers.append(with_piece(maker, index, codes={**maker.pieces[index].codes, first: codes[first]}))
    assert share_as_meant(makers, unchanged) >= 0.95


def test_two_pieces_may_have_the_same_words() -> None:
    inches = ("1/4 in", "1/2 in", "3/4 in", "1 in", "1-1/8 in", "1-1/4 in", "1-1/2 in", "1-3/4 in", "2 in")
    makers = []
    for maker in some_makers():
        for index in (0, len(maker.pieces) - 1):
            maker = with_piece(maker, index, codes=dict(zip(maker.pieces[index].codes, inches, strict=False)))
        makers.append(maker)
    assert share_as_meant(makers, unchanged) >= 0.95


def test_what_is_always_the_same_is_no_piece() -> None:
    makers = []
    for maker in some_makers():
        code, said = next(iter(maker.pieces[1].codes.items()))
        makers.append(with_piece(maker, 1, codes={code: said}, optional=False, none=""))
    assert share_as_meant(makers, unchanged) >= 0.95


def test_small_letters_doubles_and_rows_without_words_do_no_harm() -> None:
    def spoil(maker: DrawnMaker, rows: list[ListedNumber]) -> None:
        for index in range(0, len(rows), 3):
            rows[index] = replace(rows[index], number=rows[index].number.lower())
            rows.append(rows[index])
        for index in range(1, len(rows), 10):
            rows[index] = replace(rows[index], words="")

    assert share_as_meant(some_makers(), spoil) >= 0.95


@pytest.mark.parametrize("has_own_words", [True, False])
def test_numbers_of_another_maker_are_unread(has_own_words: bool) -> None:
    for maker in some_makers(2):
        listed = maker.price_list()
        other = replace(draw_maker(len(listed) + len(maker.pieces), "unlike"), prefix="ZZ")
        foreign = [
            ListedNumber(drawn.number, drawn.words if has_own_words else listed[index].words)
            for index, drawn in enumerate(other.price_list(max(2, len(listed) // 15)))
        ]
        rows = rows_of(listed)
        for row in foreign:
            rows.insert(len(rows) // 2, row)
        assert set(learn_pattern(rows).unread) == {row.number for row in foreign}


def test_without_words_the_borders_are_guesses() -> None:
    maker = draw_maker(0, "unlike")
    lesson = learn_pattern([ListedNumber(each.number) for each in maker.price_list()])
    assert lesson.unread == ()
    assert len(lesson.pattern.segments) == len(maker.pieces)
    assert all(segment.sure < 0.5 and "No words" in segment.doubts[0] for segment in lesson.pattern.segments)
    assert all(set(segment.codes.values()) == {""} for segment in lesson.pattern.segments)


def test_ambiguous_pieces_are_said_to_be_so() -> None:
    # Left hand always has long cams here: nobody can tell which of the two L and which of the two C is.
    rows = [
        ListedNumber(f"T{pair}{keyway}", f"{said}, keyway {keyway}")
        for pair, said in (("LC", "left hand, keyway spared, long cam"), ("RS", "right hand, keyway cut, short cam"))
        for keyway in ("A1", "B2", "C3", "D4")
    ]
    lesson = learn_pattern(rows)
    assert lesson.unread == ()
    first, *_, last = lesson.pattern.segments
    assert "".join(first.codes) in ("LCRS", "LR", "CS")
    assert last.sure == 1.0
    # One row each: their codes may end anywhere.
    thin = learn_pattern([*rows, ListedNumber("TLCE55", "left hand, keyway spared, long cam, keyway E5")])
    assert thin.pattern.segments[-1].sure < 1
    assert "In one number only: E55." in thin.pattern.segments[-1].doubts


def test_the_decoder_reads_by_what_was_learned() -> None:
    for maker in some_makers(6):
        listed = maker.price_list()
        lesson = learn_pattern(rows_of(listed))
        pattern = pattern_from_json(lesson.pattern.as_maker_file("learned"))
        said = [problem.message for problem in check_pattern(pattern)]
        assert said in ([], ["Nothing in this pattern says the cylinder's type."])
        names = {segment.name for segment in lesson.pattern.segments}
        for each in listed[:10]:
            reading = decode_any((pattern,), each.number)[0]
            pieces = {piece.segment: piece.text for piece in reading.pieces if piece.segment in names and piece.text}
            assert pieces == lesson.pattern.read(each.number)
            composed = compose_any((pattern,), reading.attributes)
            assert decode_any((pattern,), composed)[0].attributes == reading.attributes


def test_every_family_of_a_list_gets_a_pattern_of_its_own(ardent: MakerFile) -> None:
    families = [list(combinations(pattern)) for pattern in ardent.patterns]
    chance = random.Random(5)
    rows = [ListedNumber(number, words(said)) for family in families for number, said in chance.sample(family, 60)]
    rows += [ListedNumber("R-116", "ring 1/16 in"), ListedNumber("H 45", "hinge, 4-1/2 in")]
    lessons = learn_patterns(rows)
    assert len(lessons) == len(families) == 2
    assert set(lessons[-1].unread) == {"R-116", "H 45"}
    finishes = [segment for lesson in lessons for segment in lesson.pattern.segments if segment.attribute == "finish"]
    assert [dict(segment.sets["SC"]) for segment in finishes] == [{"finish": "626"}] * 2
    keyway = next(segment for segment in lessons[0].pattern.segments if segment.attribute == "keyway")
    assert (keyway.before, keyway.codes["Q1"], keyway.sets["Q1"]) == ("-", "keyway AQ1", {"keyway": "AQ1"})


LENGTHS = {"100": "1", "118": "1-1/8", "114": "1-1/4", "112": "1-1/2"}
KEYWAYS = {"A": "A", "B": "B", "C": "C"}
FINISHES = {
    "26D": "satin chrome",
    "3": "bright brass",
    "10B": "oil rubbed bronze",
    "32": "bright stainless",
    "32D": "satin stainless",
    "20": "dark bronze",
}
READ_AS = {"26D": "626", "3": "605", "10B": "613", "32": "629", "32D": "630", "20": "dark bronze"}


@pytest.mark.parametrize("mark", ["", "-"])
@pytest.mark.parametrize(
    "said",
    [
        "Grip mortise cylinder {} in keyway {} {}",
        "MORT CYL {} {} KWY {}",
        'Grip mortise cylinder; {}"; kwy {}; {}',
        "Grip mortise cylinder {} in keyway {}, {}",
        "Grip mortise cylinder / {} in / keyway {} / {}",
    ],
)
def test_words_that_run_on_are_parted_by_what_they_mean(said: str, mark: str) -> None:
    rows = [
        ListedNumber(mark.join(("GR" + one, two, three)), said.format(LENGTHS[one], KEYWAYS[two], FINISHES[three]))
        for one, two, three in product(LENGTHS, KEYWAYS, FINISHES)
    ]
    lesson = learn_pattern(rows)
    assert lesson.unread == ()
    assert all(segment.sure == 1.0 for segment in lesson.pattern.segments)
    assert lesson.pattern.read(mark.join(("GR100", "A", "32"))) == {"length": "100", "keyway": "A", "finish": "32"}
    length, keyway, finish = lesson.pattern.segments
    assert {code: sets["length"] for code, sets in length.sets.items()} == LENGTHS
    assert {code: sets["keyway"] for code, sets in keyway.sets.items()} == KEYWAYS
    # Of a look that the finish table lacks the words stay: dark bronze is no satin bronze.
    assert {code: sets["finish"] for code, sets in finish.sets.items()} == READ_AS


def test_a_finish_that_may_be_several_is_told_by_its_code_or_not_at_all() -> None:
    said = {"26": "chrome", "3": "brass", "Z": "bronze"}
    pieces = {code: f"mortise cylinder, {words}, keyway K" for code, words in said.items()}
    rows = [ListedNumber(f"G{code}-{keyway}", words + keyway) for code, words in pieces.items() for keyway in "ABCD"]
    finish = next(each for each in learn_pattern(rows).pattern.segments if each.attribute == "finish")
    assert {code: sets["finish"] for code, sets in finish.sets.items()} == {"26": "625", "3": "605", "Z": "bronze"}


def test_a_long_list_in_its_order_is_learned_as_one() -> None:
    cams = {"S": "standard cam", "L": "long cam", "C": "clover cam", "R": "ring cam"}
    keyways = [f"{letter}{number}" for letter in "ABCD" for number in range(1, 6)]
    rows = [
        ListedNumber(
            f"GR{one}{two}{three}{four}", f"mortise cylinder, {LENGTHS[one]} in, keyway {two}, {said}, {cam}"
        )
        for one in LENGTHS
        for two in keyways
        for three, cam in cams.items()
        for four, said in FINISHES.items()
        if four != "32"
    ]
    assert len(rows) == 1600
    lesson = learn_pattern(rows)
    assert lesson.unread == ()
    assert [each.attribute for each in lesson.pattern.segments] == ["length", "keyway", "cam", "finish"]


def test_words_may_stand_for_two_codes_of_one_piece() -> None:
    makers = []
    for maker in some_makers():
        index = max(range(len(maker.pieces)), key=lambda index: len(maker.pieces[index].codes))
        first, second, *_ = codes = dict(maker.pieces[index].codes)
        makers.append(with_piece(maker, index, codes={**codes, first: codes[second]}))
    assert share_as_meant(makers, unchanged) >= 0.9
