"""One rule against formulas: guarded text runs nowhere and comes back exactly; workbooks keep texts and bytes."""

import io

import openpyxl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.spreadsheets import (
    guarded,
    guarded_book_bytes,
    table_bytes,
    table_rows,
    unguarded,
)
from app.spreadsheets.workbook import sheet_rows
from app.spreadsheets.writing import FORMULA_STARTS, csv_bytes

SIGNS = st.text(alphabet="=+-@'\t\r\nab,;\"", max_size=6)


@given(SIGNS)
def test_a_guarded_text_starts_no_formula_and_comes_back(text: str) -> None:
    assert not guarded(text).startswith(FORMULA_STARTS)
    assert unguarded(guarded(text)) == text


@given(st.lists(st.lists(SIGNS, min_size=2, max_size=2), min_size=1, max_size=4))
def test_a_table_of_texts_comes_back_out_of_csv(rows: list[list[str]]) -> None:
    written = csv_bytes([["a", "b", "c"], *([*row, "."] for row in rows)])
    read = [[unguarded(cell) for cell in row][:2] for row in table_rows("t.csv", written)][1:]
    assert read == rows


@pytest.mark.parametrize("text", ["two\r\nlines", " spaced ", "\x0b", "=1", "1.50", "007", "yes", "#N/A", "", "\t=1"])
def test_a_text_comes_back_out_of_a_workbook(text: str) -> None:
    rows = list(sheet_rows(table_bytes("xlsx", "One", [[text, "end"]])))
    assert [unguarded(rows[0][0]), rows[0][1]] == [text, "end"]


def test_the_same_rows_give_the_same_bytes_and_no_formula() -> None:
    sheets = [("One", [["a", guarded("=1+1")]]), ("Two", [["b"]])]
    content = guarded_book_bytes(sheets)
    assert content == guarded_book_bytes(sheets)
    book = openpyxl.load_workbook(io.BytesIO(content))
    assert book.sheetnames == ["One", "Two"] and book["One"]["B1"].data_type in ("s", "inlineStr")
