from itertools import islice

import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.keying import KeyingError, SymbolLevel, read_symbol, single_symbol
from app.keying.symbols import make_symbols, master_names, masters_below


def test_masters_leave_out_the_letters_that_mislead():
    names = list(islice(master_names("A"), 66))
    assert names[:9] == ["AA", "AB", "AC", "AD", "AE", "AF", "AG", "AH", "AJ"]
    assert names[21:23] == ["AZ", "A2A"]
    assert names[43:45] == ["A2Z", "A3A"]
    assert not any(letter in name for name in names for letter in "IOQX")


@given(st.integers(2, 4), st.integers(1, 60), st.integers(0, 4), st.integers(1, 3))
def test_symbols_round_trip_with_their_parents(levels, masters, changes, grands):
    symbols = make_symbols(levels, masters, changes, grands if levels == 4 else 1)
    assert len(set(symbols)) == len(symbols)
    made = set(symbols)
    top = {2: SymbolLevel.MASTER, 3: SymbolLevel.GRAND, 4: SymbolLevel.GREAT_GRAND}[levels]
    for symbol in symbols:
        read = read_symbol(symbol)
        assert read.text == symbol
        assert not read.nmk
        assert not read.crossed
        if read.level is not top:
            assert read.parent in made


@pytest.mark.parametrize(
    ("text", "level", "parent", "number", "nmk", "crossed"),
    [
        ("A", SymbolLevel.GRAND, "GGM", None, False, False),
        ("A7", SymbolLevel.CHANGE, "A", 7, False, False),
        ("GGMK", SymbolLevel.GREAT_GRAND, None, None, False, False),
        ("GGM1", SymbolLevel.CHANGE, "GGM", 1, False, False),
        ("A2A14", SymbolLevel.CHANGE, "A2A", 14, False, False),
        ("A22", SymbolLevel.CHANGE, "A", 22, False, False),
        ("12A2B", SymbolLevel.CHANGE, "A2B", 12, False, False),
        ("SKD3", SymbolLevel.SINGLE, None, 3, False, False),
        ("XAA1", SymbolLevel.CHANGE, "AA", 1, False, True),
        ("X1AA", SymbolLevel.CHANGE, "AA", 1, False, True),
        ("X12X", SymbolLevel.CROSS, None, 12, False, True),
        ("aa1 (nmk)", SymbolLevel.CHANGE, "AA", 1, True, False),
        ("XGGM2", SymbolLevel.CHANGE, "GGM", 2, False, True),
    ],
)
def test_a_symbol_reads_to_its_meaning(text, level, parent, number, nmk, crossed):
    read = read_symbol(text)
    assert (read.level, read.parent, read.number, read.nmk, read.crossed) == (level, parent, number, nmk, crossed)


@pytest.mark.parametrize(
    ("text", "level", "parent", "number"),
    [
        ("GGGGGM", SymbolLevel.FOURTH_GRAND, None, None),
        ("GGGGGM1", SymbolLevel.CHANGE, "GGGGGM", 1),
        ("A", SymbolLevel.THIRD_GRAND, "GGGGGM", None),
        ("AA", SymbolLevel.SECOND_GRAND, "A", None),
        ("AAA", SymbolLevel.GREAT_GRAND, "AA", None),
        ("AAA(NMK)", SymbolLevel.GREAT_GRAND, "AA", None),
        ("XAAA1", SymbolLevel.CHANGE, "AAA", 1),
        ("AAA12", SymbolLevel.CHANGE, "AAA", 12),
        ("AAA2B", SymbolLevel.GRAND, "AAA", None),
        ("A2AA2B14", SymbolLevel.CHANGE, "A2AA2B", 14),
        ("ABCDE7", SymbolLevel.CHANGE, "ABCDE", 7),
        ("ABCDE", SymbolLevel.MASTER, "ABCD", None),
        ("A2A14", SymbolLevel.CHANGE, "A2A", 14),
    ],
)
def test_symbols_of_more_than_four_levels_are_read_where_they_are_asked_for(text, level, parent, number):
    """From memory: the standard coding has more levels (N15), the texts that we read say nothing of their form."""
    read = read_symbol(text, levels=7)
    assert (read.text, read.level, read.parent, read.number) == (text, level, parent, number)


@pytest.mark.parametrize(("above", "left_out"), [("GG", "GGM"), ("GGG", "GGGM"), ("SK", "SKD"), ("CT", "CTR")])
def test_no_master_is_named_like_a_top_a_single_or_a_control_key(above, left_out):
    names = list(islice(masters_below(above), 44))
    assert left_out not in names and len(set(names)) == 44
    assert all(read_symbol(name, levels=7).parent == above for name in names)


@pytest.mark.parametrize("text", ["AAAAAA", "GGGGGGM", "AAIA", "AA1A", "XAAA", "GGGM", "1AAA"])
def test_what_is_no_symbol_of_seven_levels_is_refused(text):
    with pytest.raises(KeyingError):
        read_symbol(text, levels=7)


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "AI1",
        "AO",
        "XQ",
        "AA)",
        "AA1(",
        "AA1()",
        "AA1(1)",
        "AA(ENG)",
        "A1A",
        "AA0",
        "AA01",
        "1",
        "AAA",
        "TMK",
        "STAFF",
        "X",
        "XX",
        "X1",
        "GGM1(NMK)(ENG)",
        "XA",
        "1AA1",
        "SKD",
        "SKD0",
    ],
)
def test_what_is_no_symbol_is_refused(text):
    refused_symbol(text)


@pytest.mark.parametrize(
    "text",
    ["AA١", "Á1", None, 5, ["AA"], "A" * 10_000, "AA99999999"],
)
def test_what_is_no_plain_text_is_refused(text):
    refused_symbol(text)


def refused_symbol(text):
    with pytest.raises(KeyingError) as refused:
        read_symbol(text, "keyset")
    assert refused.value.field == "keyset"


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ((1, 1, 1), "levels"),
        ((5, 1, 1), "levels"),
        ((True, 1, 1), "levels"),
        ((3, 0, 1), "masters"),
        ((3, 10**30, 1), "masters"),
        ((3, 1, -1), "changes_per_master"),
        ((3, 1, "2"), "changes_per_master"),
        ((3, 1_000_000, 1_000), "changes_per_master"),
        ((3, 1, 1, 2), "grands"),
        ((4, 1, 1, 23), "grands"),
        ((4, 1, 1, None), "grands"),
    ],
)
def test_counts_out_of_range_are_refused_by_field(values, field):
    with pytest.raises(KeyingError) as refused:
        make_symbols(*values)
    assert refused.value.field == field


def test_single_symbols_read_back():
    assert read_symbol(single_symbol(12)).number == 12


def test_a_system_holds_a_million_symbols_and_not_one_more():
    assert len(make_symbols(2, 1000, 999)) == 1_000_000
    with pytest.raises(KeyingError) as refused:
        make_symbols(2, 1000, 1000)
    assert (refused.value.field, refused.value.message) == (
        "changes_per_master",
        "That is more than 1,000,000 symbols; ask for fewer.",
    )


def test_a_symbol_may_fill_its_length_and_not_pass_it():
    assert read_symbol("AA1".ljust(60)).text == "AA1"
    for text in ("AA1".ljust(61), "AI1", 5):
        with pytest.raises(KeyingError) as refused:
            read_symbol(text)
        assert refused.value.field == "symbol"
