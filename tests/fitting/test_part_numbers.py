from dataclasses import replace
from fractions import Fraction
from functools import cache

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.commands.parts import DEMO_MAKERS
from app.errors import BitternError
from app.fitting import (
    CylinderAttributes,
    MakerFile,
    PartNumberError,
    Pattern,
    combinations,
    compose_any,
    decode_any,
    likeliest_refusal,
    load_makers,
    words,
)
from app.fitting.composing import compose
from app.fitting.nearest import completed_number
from app.fitting.part_numbers import clean_number
from app.fitting.patterns import pattern_from_json


@cache
def every_legal() -> tuple[tuple[Pattern, str, CylinderAttributes], ...]:
    patterns = [pattern for maker in load_makers(DEMO_MAKERS) for pattern in maker.patterns]
    return tuple((pattern, number, made) for pattern in patterns for number, made in combinations(pattern))


def any_legal(data: st.DataObject) -> tuple[Pattern, str, CylinderAttributes]:
    # By index: drawing from thousands of nested dataclasses makes hypothesis spend its time on hashing them.
    return every_legal()[data.draw(st.integers(0, len(every_legal()) - 1))]


def refused(patterns: tuple[Pattern, ...], number: object) -> PartNumberError:
    with pytest.raises(PartNumberError) as refusal:
        decode_any(patterns, number)
    return refusal.value


def test_a_number_is_read_piece_by_piece(ardent: MakerFile) -> None:
    (reading,) = decode_any(ardent.patterns, "A20M-Q3-56H.BB+Z")
    assert [(piece.segment, piece.text) for piece in reading.pieces] == [
        ("maker's mark", "A"),
        ("length", "20"),
        ("type", "M"),
        ("keyway", "Q3"),
        ("chambers", "56"),
        ("cam or tailpiece", "H"),
        ("finish", "BB"),
        ("keying", "Z"),
    ]
    assert words(reading.attributes) == (
        "mortise cylinder 1-1/4 in, five pin drilled six, keyway AQ3, hooked cam, 605 bright brass, zero-bitted"
    )
    assert reading.attributes.maker == "Ardent Brass"
    assert reading.warnings == ()


def test_a_missing_segment_means_what_the_pattern_says(ardent: MakerFile) -> None:
    assert decode_any(ardent.patterns, "A18M-Q1-66.SC")[0].attributes.cam == "standard"
    rim = decode_any(ardent.patterns, "A18R-Q1-66.SC")[0].attributes
    assert (rim.cam, rim.tailpiece) == (None, "flat")


@pytest.mark.parametrize("typed", ["a18m-q1-66.sc", " A18M Q1 66 SC ", "A18MQ166SC", "A.18M.Q1-66-SC"])
def test_capitals_dashes_and_separators_are_not_needed(ardent: MakerFile, typed: str) -> None:
    (reading,) = decode_any(ardent.patterns, typed)
    assert reading.part_number == "A18M-Q1-66.SC"


def test_a_number_without_the_makers_separators_says_how_it_was_read(ardent: MakerFile) -> None:
    (reading,) = decode_any(ardent.patterns, "A18MQ166SC")
    assert reading.warnings == ("Read as A18M-Q1-66.SC, the way the maker writes it.",)


@pytest.mark.parametrize(
    ("number", "segment", "piece", "nearest"),
    [
        ("A18M-Q9-66.SC", "keyway", "Q9", "A18M-Q1-66.SC"),
        ("A18M-Q1-66.XX", "finish", "XX", "A18M-Q1-66.BB"),
        ("A18M-Q1-66.SC.SC", "keying", "SC", None),
        ("A18M-Q1", "chambers", "", None),
        ("A99M-Q1-66.SC", "length", "99M", "A16M-Q1-66.SC"),
        ("Z18M-Q1-66.SC", "maker's mark", "Z18M", "A18M-Q1-66.SC"),
    ],
)
def test_what_fails_is_named_with_the_nearest_number(
    ardent: MakerFile, number: str, segment: str, piece: str, nearest: str | None
) -> None:
    error = refused(ardent.patterns, number)
    assert (error.field, error.segment, error.piece) == ("part_number", segment, piece)
    assert error.nearest is not None
    assert nearest is None or error.nearest == nearest
    assert decode_any(ardent.patterns, error.nearest)


@pytest.mark.parametrize(
    ("number", "nearest"),
    [
        ("A18M-Q1-66.XX", "A18M-Q1-66.BB"),
        ("33.118.P26", "31.118.P26"),
        ("Z18M-Q1-66.SC", None),  # one edit away, but the mark is another maker's
        ("18M-Q?-66", None),  # worn: three edits from Pell & Rowe's, whose numbers begin otherwise
        ("A40/22X", None),
    ],
)
def test_among_all_makers_no_number_is_read_as_another_makers(
    makers: tuple[MakerFile, ...], number: str, nearest: str | None
) -> None:
    refusal = likeliest_refusal([refused(maker.patterns, number) for maker in makers], number)
    assert refusal.nearest == nearest
    assert nearest is not None or refusal.message == f"No maker on record has a part number like '{number}'."


def test_a_number_that_goes_on_is_likelier_than_one_with_a_slip(makers: tuple[MakerFile, ...]) -> None:
    refusals = [refused(maker.patterns, "31.1") for maker in makers]
    assert likeliest_refusal(refusals, "31.1").is_beginning
    assert likeliest_refusal(refusals, "31.1").maker == "Pell & Rowe"


def test_what_is_left_over_is_named(pell: MakerFile) -> None:
    error = refused(pell.patterns, "32.118.P26X")
    assert (error.segment, error.piece, error.nearest) == ("", "X", "32.118.P26")


def test_what_was_expected_is_listed(pell: MakerFile) -> None:
    error = refused(pell.patterns, "31.199.P26")
    assert error.expected == ("118", "114", "138")
    assert error.message == (
        "'199' was not understood as length in '31.199.P26'; expected one of 118, 114, 138 after '.'. "
        "The nearest legal number is 31.118.P26."
    )


def test_a_number_that_the_rules_forbid_gets_the_reason(ardent: MakerFile) -> None:
    error = refused(ardent.patterns, "A18M-Q5-56.SC")
    assert "keyways AQ5 and AQ6 come with six chambers only" in error.message
    assert error.nearest == "A18M-Q5-66.SC"
    assert error.segment == "chambers"  # of the two that do not go together, the one that comes last


def codes(name: str, *texts: str, attribute: str = "") -> dict[str, object]:
    given = [{"code": text, "sets": {attribute: text} if attribute else {}, "words": text} for text in texts]
    return {"name": name, "kind": "codes", "codes": given}


def mortise(*segments: dict[str, object], rules: tuple[dict[str, object], ...] = ()) -> Pattern:
    """A house's own pattern: M, then the segments."""
    first = {"name": "type", "kind": "text", "text": "M", "sets": {"type": "mortise"}}
    return pattern_from_json({"name": "own", "segments": [first, *segments], "rules": list(rules)})


def test_of_two_patterns_the_shorter_number_is_what_a_beginning_goes_on_to() -> None:
    long, short = (
        mortise(codes("keyway", "QQQ", attribute="keyway")),
        mortise(codes("finish", "9", attribute="finish")),
    )
    assert refused((long, short), "M").nearest == refused((short, long), "M").nearest == "M9"


def test_of_two_rules_that_a_number_breaks_the_first_is_told() -> None:
    rules = tuple(
        {"kind": "forbid", "when": {"keyway": ["Q"], name: ["1"]}, "reason": f"{name} 1 is not made in Q."}
        for name in ("cam", "finish")
    )
    keyway = codes("keyway", "Q", attribute="keyway")
    cam, finish = (
        {**codes(name, "1", attribute=name), "missing": [{"sets": {}, "words": "left out"}]}
        for name in ("cam", "finish")
    )
    # The 1 of MQ1 is tried as the cam first, then as the finish after no cam.
    assert "cam 1 is not made in Q." in refused((mortise(keyway, cam, finish, rules=rules),), "MQ1").message


def test_fifty_readings_are_enough_of_a_number() -> None:
    keyways, cams = (
        {**codes(name, "Q", attribute=name), "missing": [{"sets": {name: f"K{n}"}, "words": "out"} for n in range(8)]}
        for name in ("keyway", "cam")
    )
    pattern = mortise(keyways, cams)  # 64 ways to leave out both
    assert len(decode_any((pattern,), "M")) == 50


@pytest.mark.parametrize(("count", "shown"), [(16, "K16"), (17, "…")])
def test_sixteen_values_are_listed_and_no_more(count: int, shown: str) -> None:
    texts = [f"K{number}" for number in range(1, count + 1)]
    with pytest.raises(BitternError) as refusal:
        compose(mortise(codes("keyway", *texts, attribute="keyway")), CylinderAttributes("mortise"))
    listed = refusal.value.message.removeprefix("Say the keyway: ").removesuffix(".").split(", ")
    assert listed == [*texts[:16], *((shown,) if count > 16 else ())] and listed[-1] == shown


def test_two_writings_of_one_meaning_are_one_combination() -> None:
    twice = [{"code": code, "sets": {"keyway": "K"}, "words": "keyway K"} for code in ("Q", "X")]
    made = list(combinations(mortise({"name": "keyway", "kind": "codes", "codes": twice})))
    assert [number for number, _ in made] == ["MQ"]


def test_a_whole_number_goes_on_to_nothing(pell: MakerFile) -> None:
    assert completed_number(pell.patterns[0], "32.118.P26") is None
    going_on = completed_number(pell.patterns[0], "32.118.P2")
    assert going_on is not None and going_on.part_number == "32.118.P26"


@pytest.mark.parametrize("bad", [None, "", "  ", 5, True, [], "A" * 10_000, "Ä18M", "A\x0018", 10**30])
def test_what_is_no_number_at_all_is_refused(ardent: MakerFile, bad: object) -> None:
    with pytest.raises(BitternError) as refusal:
        decode_any(ardent.patterns, bad)
    assert refusal.value.field == "part_number"
    assert len(refusal.value.message) < 300


def two_ways() -> Pattern:
    """A house's own pattern whose pieces run together: 'M11' is length 1 cam 1, or length 11."""
    return pattern_from_json(
        {
            "name": "run together",
            "segments": [
                {"name": "type", "kind": "text", "text": "M", "sets": {"type": "mortise"}},
                {
                    "name": "length",
                    "kind": "codes",
                    "codes": [
                        {"code": "1", "sets": {"length": "1"}, "words": "1 in"},
                        {"code": "11", "sets": {"length": "1-1/8"}, "words": "1-1/8 in"},
                    ],
                },
                {
                    "name": "cam",
                    "kind": "codes",
                    "codes": [{"code": "1", "sets": {"cam": "long"}, "words": "long cam"}],
                    "missing": [{"sets": {"cam": "standard"}, "words": "standard cam"}],
                },
            ],
        }
    )


def test_all_legal_readings_are_given_when_two_fit() -> None:
    readings = decode_any((two_ways(),), "M11")
    assert [(str(r.attributes.length), r.attributes.cam) for r in readings] == [("1", "long"), ("9/8", "standard")]


def test_the_same_number_with_two_makers_gives_both(ardent: MakerFile) -> None:
    copy = replace(ardent.patterns[0], maker="Another house")
    readings = decode_any((ardent.patterns[0], copy), "A18M-Q1-66.SC")
    assert [reading.attributes.maker for reading in readings] == ["Ardent Brass", "Another house"]


def test_round_trip_of_every_number_of_the_small_maker(pell: MakerFile) -> None:
    (pattern,) = pell.patterns
    numbers = [number for number, _ in combinations(pattern)]
    assert len(numbers) == len(set(numbers)) == 52
    for number, attributes in combinations(pattern):
        (reading,) = decode_any((pattern,), number)
        assert (reading.part_number, reading.attributes, reading.warnings) == (number, attributes, ())
        assert compose(pattern, attributes) == number


@settings(max_examples=300, deadline=None)
@given(st.data())
def test_round_trip_of_any_legal_combination_of_every_maker(data: st.DataObject) -> None:
    pattern, number, attributes = any_legal(data)
    assert compose(pattern, attributes) == number
    assert [reading.attributes for reading in decode_any((pattern,), number)] == [attributes]
    typed = "".join(letter for letter in number if letter.isalnum()).lower()
    assert decode_any((pattern,), typed)[0].attributes == attributes


@settings(max_examples=100, deadline=None)
@given(st.data())
def test_a_mistyped_number_gets_a_legal_one_no_farther_than_its_origin(data: st.DataObject) -> None:
    pattern, number, _ = any_legal(data)
    place = data.draw(st.integers(0, len(number) - 1))
    letter = data.draw(st.sampled_from("ABQZ0189"))
    mistyped = number[:place] + letter + number[place + 1 :]
    try:
        readings = decode_any((pattern,), mistyped)
    except PartNumberError as error:
        assert error.nearest is not None and len(error.nearest) - len(number) in (-1, 0, 1)
        differing = sum(one != other for one, other in zip(error.nearest, mistyped, strict=False))
        assert len(error.nearest) != len(mistyped) or differing <= 1
        assert decode_any((pattern,), error.nearest)
    else:
        assert readings


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=70))
def test_any_text_ends_in_a_reading_or_a_named_error(text: str) -> None:
    patterns = {id(pattern): pattern for pattern, _, _ in every_legal()}
    try:
        assert decode_any(tuple(patterns.values()), text)
    except BitternError as refusal:
        assert refusal.field == "part_number"


ASKED = CylinderAttributes("mortise", Fraction(9, 8), 6, None, "AQ1", None, None, "626")


def test_compose_takes_what_a_missing_segment_means(ardent: MakerFile) -> None:
    assert compose(ardent.patterns[0], ASKED) == "A18M-Q1-66.SC"
    assert compose(ardent.patterns[0], replace(ASKED, cam="hooked", keying="zero-bitted")) == "A18M-Q1-66H.SC+Z"


@pytest.mark.parametrize(
    ("change", "field", "says"),
    [
        ({"keyway": None}, "keyway", "Say the keyway: AQ1, AQ2"),
        ({"length": Fraction(17, 16)}, "length", "mortise cylinders come 1, 1-1/8"),
        ({"length": Fraction(3)}, "length", "has no length '3'; it has 1, 1-1/16"),
        ({"type": "rim", "cam": "long"}, "cam", "a rim cylinder has a flat tailpiece"),
        ({"type": "sfic"}, "type", "has no type 'sfic'; it has mortise, rim, bored"),
        ({"keyway": "AQ5", "chambers": 5}, "keyway", "six chambers only"),
        ({"finish": "630"}, "finish", "has no finish '630'"),
        ({"maker": "Northlight"}, "maker", "of Northlight, not Ardent Brass"),
    ],
)
def test_compose_refuses_with_the_reason(ardent: MakerFile, change: dict[str, object], field: str, says: str) -> None:
    with pytest.raises(BitternError) as refusal:
        compose(ardent.patterns[0], replace(ASKED, **change))
    assert refusal.value.field == field
    assert says in refusal.value.message


def test_compose_picks_the_makers_pattern_that_has_the_type(makers: tuple[MakerFile, ...]) -> None:
    north = next(maker for maker in makers if maker.code == "NOR")
    core = CylinderAttributes("lfic", chambers=6, keyway="NV1", finish="626")
    assert compose_any(north.patterns, core) == "NLC6:V1:626"
    with pytest.raises(BitternError, match="has no keyway 'NH1'"):
        compose_any(north.patterns, replace(core, keyway="NH1"))
    with pytest.raises(BitternError, match="no part-number pattern"):
        compose_any((), core)


@pytest.mark.parametrize(
    ("number", "segment", "piece", "nearest"),
    [
        ("A18", "type", "", "A18M-Q1-56.BB"),  # by edits alone AD-Q1-56.BB would be nearer
        ("A18M-Q", "keyway", "Q", "A18M-Q1-56.BB"),
        ("a18mq166", "finish", "", "A18M-Q1-66.BB"),
        ("A18M-Q5", "chambers", "", "A18M-Q5-66.BB"),  # the rules leave AQ5 no five chambers
    ],
)
def test_a_number_half_typed_is_told_what_comes_next(
    ardent: MakerFile, number: str, segment: str, piece: str, nearest: str
) -> None:
    error = refused(ardent.patterns, number)
    assert error.is_beginning
    assert (error.segment, error.piece, error.nearest) == (segment, piece, nearest)
    assert "is the beginning of a number" in error.message


def test_what_no_number_begins_with_is_no_beginning(ardent: MakerFile) -> None:
    assert not refused(ardent.patterns, "A18X").is_beginning
    assert not refused(ardent.patterns, "A18M-Q1-66.SCX").is_beginning
    assert not refused(ardent.patterns, "-").is_beginning


@settings(max_examples=40, deadline=None)
@given(data=st.data())
def test_any_beginning_is_completed_to_a_number_that_begins_so(data: st.DataObject) -> None:
    pattern, number, _ = any_legal(data)
    begun = number[: data.draw(st.integers(1, len(number) - 1))]
    try:
        decode_any((pattern,), begun)
    except PartNumberError as error:
        assert error.is_beginning and error.nearest is not None
        bare = str.maketrans("", "", "-./_ :+")
        assert error.nearest.translate(bare).startswith(begun.translate(bare))
        assert decode_any((pattern,), error.nearest)


def test_a_number_laid_out(pell: MakerFile) -> None:
    laid = decode_any(pell.patterns, "32.118.P26")[0]
    assert [(row, p.start, p.end, p.text, p.segment) for row, p in enumerate(laid.pieces)] == [
        (0, 0, 2, "32", "type"),
        (1, 3, 6, "118", "length"),
        (2, 7, 8, "P", "keyway"),
        (3, 8, 10, "26", "finish"),
        (4, 10, 10, "", "cam"),
    ]
    assert laid.pieces[4].text == "" and laid.pieces[4].words == "flat tailpiece"
    assert laid.words.startswith("rim cylinder 1-1/8 in")


def test_every_piece_stands_where_it_says(makers: tuple[MakerFile, ...]) -> None:
    for pattern in (pattern for maker in makers[1:] for pattern in maker.patterns):
        for number, _ in combinations(pattern):
            laid = decode_any((pattern,), number)[0]
            assert all(number[piece.start : piece.end] == piece.text for piece in laid.pieces)
            assert [piece.start for piece in laid.pieces] == sorted(piece.start for piece in laid.pieces)


@pytest.mark.parametrize("typed", ["A18M\x07", "A18\x00M", "A18M\u0416"])
def test_a_number_with_a_sign_that_no_paper_prints_is_refused(typed: str) -> None:
    with pytest.raises(BitternError, match="plain letters, digits and separators only"):
        clean_number(typed)


def test_a_number_segment_has_its_least_and_its_most_and_no_other(makers: tuple[MakerFile, ...]) -> None:
    (length,) = [each for each in makers[0].patterns[0].segments if each.kind == "number"]
    assert (length.least, length.most, length.unit) == (16, 32, Fraction(1, 16))
    assert [choice.text for choice in length.choices if choice.text] == [f"{n:02d}" for n in range(16, 33)]
    assert {choice.text: choice.words for choice in length.choices}["18"] == "length 1-1/8 in"
