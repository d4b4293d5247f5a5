"""Finish numbers against published tables. Status P: the number is printed in the source that was read.

Source T: finish table, calibredoorclosers.com/ahf.php. B: BHMA Hardware Highlight A156.18-2020,
buildershardware.com. L: hardware finish codes, lockreference.com. Q: tacticalstarsandstripes.com.
M: maglocks.com. The text of ANSI/BHMA A156.18 itself was not read.
"""

import pytest

from app.fitting import all_finishes, finish, finishes_named

# (number, US code, finish, base, sources), status P each
PRINTED = [
    ("605", "US3", "bright brass", "brass", "T, B, L"),
    ("606", "US4", "satin brass", "brass", "T"),
    ("611", "US9", "bright bronze", "bronze", "T"),
    ("612", "US10", "satin bronze", "bronze", "T"),
    ("613", "US10B", "oil-rubbed bronze", "bronze", "T"),
    ("618", "US14", "bright nickel", "brass or bronze", "T"),
    ("619", "US15", "satin nickel", "brass or bronze", "T"),
    ("622", "US19", "flat black", "brass or bronze", "T"),
    ("625", "US26", "bright chromium", "brass or bronze", "T"),
    ("626", "US26D", "satin chromium", "brass or bronze", "T, Q"),
    ("628", "US28", "satin aluminum, anodized", "aluminum", "T"),
    ("629", "US32", "bright stainless", "stainless steel", "T, M, L"),
    ("630", "US32D", "satin stainless", "stainless steel", "T, M"),
    ("631", "US19", "flat black coated", "steel", "T"),
    ("632", "US3", "bright brass plated", "steel", "T, L"),
    ("652", "US26D", "satin chromium plated", "steel", "Q, M"),
    ("600", "USP", "primed for paint", "steel", "T"),
]


@pytest.mark.parametrize(("number", "us_code", "name", "base", "sources"), PRINTED)
def test_number_us_code_finish_and_base(number: str, us_code: str, name: str, base: str, sources: str) -> None:
    assert sources
    found = finish(number)
    assert (found.us_code, found.name, found.base) == (us_code, name, base)


def test_nothing_stands_in_the_table_that_was_not_read() -> None:
    assert {each.code for each in all_finishes()} == {row[0] for row in PRINTED}


@pytest.mark.parametrize(
    ("us_code", "numbers"), [("US3", {"605", "632"}), ("US26D", {"626", "652"}), ("US19", {"622", "631"})]
)
def test_one_us_code_stands_for_several_numbers(us_code: str, numbers: set[str]) -> None:
    """Rule, P in L and M: the base metal decides, so a US code does not give one number."""
    assert {each.code for each in finishes_named(us_code)} == numbers


def test_the_stainless_us_code_names_its_base_itself() -> None:
    """P in L and M: US32 and US32D name the base themselves."""
    for code in ("US32", "US32D"):
        assert [each.base for each in finishes_named(code)] == ["stainless steel"]
