"""Standard key coding against published tables. Status word P: printed in the source."""

import pytest

from app.keying import KeyingError, SymbolLevel, is_control_symbol, read_operators, read_symbol
from app.keying.symbols import LETTERS, UPPER_LEVELS, make_symbols


def test_two_levels():
    """P: LIST Council levels table, schneiderlocksmith.com knowledge base, article 30: number first."""
    assert make_symbols(2, 1, 2) == ["AA", "1AA", "2AA"]


def test_three_levels():
    """P, the same table: number last."""
    symbols = make_symbols(3, 2, 1)
    assert symbols == ["A", "AA", "AA1", "AB", "AB1"]


def test_four_levels():
    """P, the same table; it prints the great grand as GGMK, others as GGM."""
    symbols = make_symbols(4, 2, 1, grands=2)
    assert symbols[:4] == ["GGM", "A", "AA", "AA1"]
    assert {"A", "B", "AA", "AB"} <= set(symbols)
    assert read_symbol("GGMK") == read_symbol("GGM")


def test_a_cross_keyed_cylinder_without_a_key_of_its_own():
    """P in use: ALOA Keynotes, February 2022."""
    for text in ("X1X", "X2X"):
        read = read_symbol(text)
        assert read.crossed
        assert read.level is SymbolLevel.CROSS
        assert read.parent is None


def test_a_change_that_only_its_own_key_operates():
    """P in use, the same page: 2BB(NMK)."""
    read = read_symbol("2BB(NMK)")
    assert (read.level, read.parent, read.number, read.nmk) == (SymbolLevel.CHANGE, "BB", 2, True)


@pytest.mark.parametrize(
    ("text", "level"), [("AA(NMK)", "master"), ("A(NMK)", "grand master"), ("AA1(NMK)", "change")]
)
def test_not_master_keyed_may_stand_at_any_level(text, level):
    """P: ANSI/BHMA A156.28-2018, text extract: only that key operates."""
    read = read_symbol(text)
    assert (read.text, read.level, read.nmk) == (text, level, True)
    assert read.own_key == text.partition("(")[0]


def test_x_before_a_symbol_is_for_the_cylinder_alone():
    """P: A156.28-2018: XAA3 is operated by AA3, AA1, AA2, AA and A; its own key is AA3. XGGM2 the same directly under
    the great grand: a lock maker's public notes.
    """
    listed = read_operators("AA3, AA1, AA2, AA, A", "operated by")
    assert listed == ("AA3", "AA1", "AA2", "AA", "A")
    read = read_symbol("XAA3")
    assert (read.crossed, read.own_key) == (True, listed[0])
    read = read_symbol("XGGM2")
    assert (read.crossed, read.own_key, read.parent, read.level) == (True, "GGM2", "GGM", SymbolLevel.CHANGE)


def test_a_selective_master_stands_in_parentheses():
    """P: A156.28-2018: AA1(ENG) is operated by ENG too. ENG alone is read by nobody who has not seen the suffix."""
    read = read_symbol("AA1(ENG)")
    assert (read.level, read.parent, read.own_key, read.selective, read.nmk) == ("change", "AA", "AA1", "ENG", False)
    with pytest.raises(KeyingError):
        read_symbol("ENG")


def test_the_control_key_is_ctr():
    """P: a lock maker's technical manual, section 4, manualarchiveguide.com manual 3603228 page=69."""
    assert is_control_symbol("CTR")


def test_letters_of_older_lists_are_read_and_not_made():
    """P: the same page: I and O never; Q better not; X not for a grand: AX and AQ may stand in older lists."""
    assert not set("IOQX") & set(LETTERS)
    assert [read_symbol(text).parent for text in ("AX", "AQ", "AQ12", "7AX", "QA")] == ["A", "A", "AQ", "AX", "Q"]
    for text in ("AI", "AO1", "OA", "X", "XA"):
        with pytest.raises(KeyingError):
            read_symbol(text)


def test_a_range_of_operators():
    """P: the same page: X1X oby AC1 - AC5, AC10, AC, A. That these are six changes and two masters is D."""
    listed = read_operators("AC1 - AC5, AC10, AC, A", "operated by")
    levels = [read_symbol(symbol).level for symbol in listed]
    assert levels.count(SymbolLevel.CHANGE) == 6
    assert listed[-2:] == ("AC", "A")


@pytest.mark.parametrize("levels", [5, 6, 7])
def test_the_coding_has_more_than_four_levels(levels):
    """P: ALOA Keynotes, July/August 2017, page=48, which says nothing of their form: that is from memory."""
    symbol: str | None = "A" * (levels - 2) + "1"
    found = []
    while symbol:
        read = read_symbol(symbol, levels=levels)
        found.append(read.level)
        symbol = read.parent
    assert found == [SymbolLevel.CHANGE, *reversed(UPPER_LEVELS)][:levels]
