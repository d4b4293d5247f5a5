"""Standard key coding against published tables. Status word P: printed in the source."""

from app.keying import SymbolLevel, read_symbol
from app.keying.symbols import make_symbols


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
