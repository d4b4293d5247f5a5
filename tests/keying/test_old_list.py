"""Another shop's list: every good row taken, every bad one asked or aside for its own reason, each in just one."""

from collections import Counter
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.keying import BittingSpec, SentRow, SymbolLevel, read_old_list, read_symbol, write_bitting
from tests.keying.oracle import obeys_macs

SPEC = BittingSpec(chambers=6, depths=10, macs=7)
WIDE = BittingSpec(chambers=6, depths=10, macs=9)
HEX = BittingSpec(chambers=5, depths=16, macs=15)


def read(*rows, spec=WIDE, **how):
    """Rows of symbol, level and bitting; where no bitting is given, one that no other row has."""
    sent = [
        SentRow(number, said[0], said[2] if len(said) > 2 else f"{number:06d}", said[1] if len(said) > 1 else "")
        for number, said in enumerate(rows, start=1)
    ]
    return read_old_list(spec, sent, **how)


def taken(found):
    return {one.key.symbol: one.key.own for one in found.taken}


@pytest.mark.parametrize(
    "cell",
    [
        "275038",
        "2 7 5 0 3 8",
        "2-7-5-0-3-8",
        "2.7.5.0.3.8",
        "275-038",
        "27 50 38",
        "2/7/5/0/3/8",
        " 2–7–5–0–3–8 ",
        275038,
    ],
)
def test_blanks_hyphens_and_dots_between_the_cuts_are_read(cell):
    [one] = read(["1AA", "", cell], spec=SPEC).taken
    assert one.cuts == (2, 7, 5, 0, 3, 8)


def test_depths_over_nine_stand_as_letters_or_by_themselves():
    assert [one.cuts for one in read(["1AA", "", "2a70f"], ["2AA", "", "02 10 07 00 14"], spec=HEX).taken] == [
        (2, 10, 7, 0, 15),
        (2, 10, 7, 0, 14),
    ]


def test_cuts_written_tip_to_bow_are_turned_around():
    [one] = read(["1AA", "", "830572"], spec=SPEC, is_tip_first=True).taken
    assert one.cuts == (2, 7, 5, 0, 3, 8)


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        ("75038", "5 of 6 cuts: was a leading zero lost?"),
        ("7 5 0 3 8", "5 of 6 cuts: which is missing?"),
        ("275038.0", "A spreadsheet made a number or a day of the cuts."),
        (75038.0, "A spreadsheet made a number"),
        ("2.75038E+05", "A spreadsheet made a number"),
        ("1950-02-07 00:00:00", "A spreadsheet made a number or a day"),
        ("2/7/1950", "A spreadsheet made a number or a day"),
        ("7-Feb", "A spreadsheet made a number or a day"),
        ("27?038", "A sign among the cuts cannot be read."),
        ("", "No bitting stands here."),
        (None, "No bitting stands here."),
        ("unknown", "No bitting stands here."),
    ],
)
def test_cuts_that_are_not_all_there_are_asked_and_not_filled_up(cell, words):
    found = read(["1AA", "", cell], spec=SPEC)
    assert not found.taken and not found.aside
    assert found.asked[0].question.startswith(words) and found.asked[0].asks == "bitting"


def test_the_zero_that_was_lost_is_offered_and_not_put_back():
    assert [one.zero for one in read(["1AA", "", "75038"], ["2AA", "", "5038"], ["3AA", "", "7 5038"]).asked] == [
        "075038",
        "",
        "",
    ]
    from_one = BittingSpec(chambers=6, depths=9, first_depth=1, macs=9)
    assert read(["1AA", "", "75138"], spec=from_one).asked[0].zero == ""


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        ("2750381", "7 cuts, and a key on this spec has 6."),
        ("2750A8", "Chamber 5: depths of this spec run from 0 to 9."),
        ("09 10 07 05 03 08", "Chamber 2: depths"),
        ("290381", "Chambers 2 and 3 differ by more than the MACS"),
    ],
)
def test_what_breaks_the_spec_stands_aside_without_a_cut_in_its_reason(cell, words):
    found = read(["1AA", "", cell], spec=SPEC)
    assert not found.taken and not found.asked
    assert found.aside[0].reason.startswith(words) and found.aside[0].could_matter


def test_the_first_of_doubles_is_taken():
    found = read(
        ["AA", "", "123456"],
        ["AA1", "", "222222"],
        ["aa 1", "", "333333"],
        ["AA2", "", "222222"],
        ["AA-1", "", "222222"],
        ["AA02", "", "444444"],
    )
    assert taken(found) == {"AA": "AA", "AA1": "AA1", "AA2": "AA02"}
    assert [(one.row, one.could_matter) for one in found.aside] == [(3, True), (4, True), (5, False)]
    assert [one.reason for one in found.aside] == [
        "aa 1 is AA1, as row 2 is, with other cuts: one must be another key.",
        "The same bitting as row 2, AA1: one must be another.",
        "The same again as row 2.",
    ]


def test_names_of_the_shops_own_get_the_next_free_symbols_of_their_level():
    found = read(
        ["GMK"], ["MK1"], ["101", "change"], [102, "change"], ["MK2"], ["201", "change"], ["CTR"], ["", "SKD"]
    )
    assert taken(found) == {
        "A": "GMK", "AA": "MK1", "AA1": "101", "AA2": "102", "AB": "MK2", "AB1": "201", "CTR": "CTR", "SKD1": "",
    }  # fmt: skip
    placed = {one.key.own: one.key.parent for one in found.taken if one.key.is_placed}
    assert placed == {"101": "AA", "102": "AA", "201": "AB"}  # by the order of rows, which somebody has to confirm
    assert found.missing == () and found.roots == ("A",)


@pytest.mark.parametrize(
    ("names", "symbols"),
    [
        (["TMK", "101"], ["AA", "1AA"]),
        (["MK", "101"], ["AA", "1AA"]),
        (["TMK", "MK1", "101"], ["A", "AA", "AA1"]),
        (["TMK", "GMK", "MK1", "101"], ["GGM", "A", "AA", "AA1"]),
        (["GGMK", "GMK", "MK1", "101"], ["GGM", "A", "AA", "AA1"]),
        (["Grand master", "101"], ["A", "A1"]),
        (["A", "AA", "AA1", "101"], ["A", "AA", "AA1", "AA2"]),
        (["GGGM", "A", "AA", "AAA", "AAA1"], ["GGGM", "A", "AA", "AAA", "AAA1"]),
        (["M", "MA", "MK", "MK1"], ["M", "MA", "MK", "MK1"]),
        (["AX", "AQ", "AQ12", "A2A3"], ["AX", "AQ", "AQ12", "A2A3"]),
    ],
)
def test_a_list_shows_how_many_levels_it_has(names, symbols):
    found = read(*([name, "change" if name.isdecimal() else ""] for name in names))
    assert [one.key.symbol for one in found.taken] == symbols


def test_what_the_list_lacks_over_its_keys_is_named():
    assert read(["1AA"], ["2AA"]).missing == ("AA",)
    assert read(["101", "change"], ["102", "change"]).missing == ("AA",)
    assert read(["A"], ["AA"], ["AA1"], ["AB3"]).missing == ("AB",)
    assert read(["AA"], ["AA1"], ["AB"], ["AB1"]).missing == ("A",)


def test_two_systems_in_one_list_are_seen():
    grands = read(["A"], ["AA"], ["AA1"], ["B"], ["BA"], ["BA1"], ["SKD1"])
    assert grands.roots == ("A", "B") and [one.row for one in grands.only_under("B").taken] == [4, 5, 6, 7]
    joined = grands.under_one_top()
    assert joined.roots == joined.missing == ("GGM",)
    assert {one.key.parent for one in joined.taken if one.key.level is SymbolLevel.GRAND} == {"GGM"}
    assert read(["AA"], ["1AA"], ["AB"], ["1AB"]).roots == ("AA", "AB")
    second = read(["TMK"], ["1AA"], ["Top master"])
    assert second.asked[0].question == "A second top master, beside AA: do two systems stand in this list?"


def test_what_nobody_can_tell_is_asked():
    found = read(
        ["101"], ["Red key", "rouge"], [""], ["AA", "change"], ["W" * 61], ["SKD1", "change"], ["AA1", "SKD"]
    )
    assert [one.row for one in found.asked] == [1, 2, 3, 4, 5, 7]
    assert [one.question for one in found.asked[:4]] == [
        "What level is 101? Nothing says so.",
        "What level is 'rouge'?",
        "Neither symbol nor level.",
        "AA is the symbol of a master, and the list calls it change.",
    ]
    both = read(["101", "", "75038"]).asked
    assert len(both) == 1 and "What level" in both[0].question and "5 of 6 cuts" in both[0].question


def test_rows_that_are_no_key_stand_aside_and_keep_nothing_back():
    found = read(
        ["A"], ["", "", ""], ["Symbol", "Level", "Bitting"], ["X1X", "", ""], ["X2X", "", "123456"], ["XAA3"]
    )
    assert [(one.row, one.could_matter) for one in found.aside] == [(2, False), (3, False), (4, False), (5, True)]
    assert taken(found) == {"A": "A", "AA3": "XAA3"}


def test_a_list_of_names_that_only_look_like_symbols_can_be_said_to_be_so():
    rows = [["A101", "change"], ["A102", "change"]]
    assert read(*rows).missing == ("A",)
    assert taken(read(*rows, has_own_names=True)) == {"1AA": "A101", "2AA": "A102"}


FAULTS = ("short", "zero", "number", "depth", "macs", "same symbol", "same bitting", "again", "empty", "heading")


@st.composite
def faulty_lists(draw):
    """A good list of three levels, faults planted in it: (spec, rows, the good rows' numbers, fault by row)."""
    rng = Random(draw(st.integers(0, 10**9)))
    spec = BittingSpec(
        chambers=draw(st.integers(4, 7)), depths=draw(st.integers(6, 10)), macs=draw(st.integers(3, 4))
    )
    is_own = draw(st.booleans())
    named = [("GMK" if is_own else "A", "GMK")]
    for master in range(1, draw(st.integers(1, 3)) + 1):
        named.append((f"MK{master}" if is_own else f"A{'ABC'[master - 1]}", "master"))
        for change in range(1, draw(st.integers(1, 6)) + 1):
            named.append((f"{master}0{change}" if is_own else f"A{'ABC'[master - 1]}{change}", "change"))
    seen: set[tuple[int, ...]] = set()
    good = []
    for symbol, level in named:
        cuts = None
        while cuts is None or cuts in seen or cuts[0] == 0 or not obeys_macs(spec, cuts):
            cuts = tuple(rng.randrange(spec.depths) for _ in range(spec.chambers))
        seen.add(cuts)
        good.append((symbol, rng.choice(["", " ", "-", "."]).join(map(str, cuts)), level, cuts))
    rows, expected = [(symbol, text, level) for symbol, text, level, _ in good], {}
    faults = []
    for at in range(draw(st.integers(0, 8))):
        kind = draw(st.sampled_from(FAULTS))
        symbol, text, level, cuts = rng.choice(good)
        plain, fresh = "".join(map(str, cuts)), f"AC9{at}"  # a symbol of its own
        other = plain[:-1] + str((cuts[-1] + 1) % spec.depths)
        while tuple(map(int, other)) in seen or not obeys_macs(spec, tuple(map(int, other))):
            cuts = tuple(rng.randrange(spec.depths) for _ in range(spec.chambers))
            other = "".join(map(str, cuts))
        faults.append(
            (
                kind,
                {
                    "short": (fresh, " ".join(plain[:-1]), "change"),
                    "zero": (fresh, plain[1:], "change"),
                    "number": (fresh, f"{plain}.0", "change"),
                    "depth": (fresh, plain[:-1] + "F", "change"),
                    "macs": (fresh, "0" + str(spec.depths - 1) + plain[2:], "change"),
                    "same symbol": (f" {symbol.lower()}", other, level),
                    "same bitting": (fresh, plain, "change"),
                    "again": (symbol, text, level),
                    "empty": ("", "", ""),
                    "heading": ("Symbol", "Bitting", "Level"),
                }[kind],
            )
        )
    for kind, row in faults:  # a later row than what it doubles
        rows.append(row)
        expected[len(rows)] = kind
    return spec, rows, [cuts for *_, cuts in good], expected


ASKED = {"short", "zero", "number"}
REASONS = {
    "depth": "depths of this spec",
    "macs": "MACS",
    "same symbol": "with other cuts",
    "same bitting": "The same bitting as row",
    "again": "The same again as row",
    "empty": "The row is empty.",
    "heading": "The headings stand here again.",
}


@given(faulty_lists())
def test_every_good_row_is_taken_and_every_bad_one_told(drawn):
    spec, rows, good, faults = drawn
    found = read_old_list(spec, [SentRow(n, *row) for n, row in enumerate(rows, start=1)])
    assert [one.cuts for one in found.taken] == good
    assert [one.key.own for one in found.taken] == [row[0] for row in rows[: len(good)]]
    told = Counter(one.row for part in (found.taken, found.aside, found.asked) for one in part)
    assert told == Counter(range(1, len(rows) + 1))
    assert {one.row for one in found.asked} == {row for row, kind in faults.items() if kind in ASKED}
    for one in found.aside:
        assert REASONS[faults[one.row]] in one.reason
        assert one.could_matter == (faults[one.row] not in ("again", "empty", "heading"))
    symbols = [one.key.symbol for one in found.taken]
    assert len({*symbols}) == len(symbols)
    levels = {"GMK": "grand master", "master": "master", "change": "change"}
    for one, row in zip(found.taken, rows, strict=False):
        standard = read_symbol(one.key.symbol)
        assert (standard.level.value, one.key.level.value) == (levels[row[2]],) * 2
        assert write_bitting(spec, one.cuts)


def test_a_deep_list_that_contradicts_itself_asks_and_names_the_top_that_it_lacks():
    found = read(["GGGM", "change"], ["A"], ["AA"], ["AAA"], ["AAA1"])
    assert [one.row for one in found.asked] == [1] and found.missing == ("GGGM",)
    assert [one.key.level.value for one in found.taken] == ["great grand master", "grand master", "master", "change"]


def test_what_stands_in_parentheses_behind_a_change_names_the_selective_master():
    """AA1(ENG); ENG. (ANSI/BHMA A156.28-2018, text extract)"""
    found = read(["A"], ["AA"], ["AA1(ENG)"], ["AA2(NMK)"], ["AB"], ["AB1"], ["eng"])
    assert not found.asked and not found.aside and found.levels == 3 and found.roots == ("A",)
    [selective] = [one.key for one in found.taken if one.key.symbol == "ENG"]
    assert (selective.own, selective.level, selective.parent) == ("eng", SymbolLevel.SELECTIVE, "A")
    # Where no symbol speaks of it, the list's level says so or the row asks; a second one asks.
    assert [one.question for one in read(["A"], ["AA"], ["AA1"], ["ENG"]).asked] == [
        "What level is ENG? Nothing says so."
    ]
    said = read(["A"], ["AA"], ["AA1"], ["Engineers", "selective master"], ["ELEC", "Selective"])
    assert taken(said)["ENGINEERS"] == "Engineers"
    assert [one.question for one in said.asked] == [
        "A second selective master, beside ENGINEERS: a system has at most one."
    ]
    alone = read(["AA1(ENG)"], ["ENG"])
    assert [one.reason for one in alone.aside] == [
        "The list has no top master, under which a selective master stands."
    ]
