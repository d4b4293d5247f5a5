"""The fast walk over a worksheet gives what openpyxl's own gives, and ends on a damaged one."""

from __future__ import annotations

import io
import zipfile
from datetime import date, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook
from openpyxl.styles import Font

from app.errors import BitternError
from app.fitting.sheet_values import sheet_values
from app.fitting.workbook import sheet_rows

CELLS = st.one_of(
    st.none(),
    st.text(st.characters(min_codepoint=32, max_codepoint=0x2FFF, exclude_characters="\x7f"), min_size=1, max_size=8),
    st.integers(-(10**12), 10**12),
    st.floats(allow_nan=False, allow_infinity=False, width=32),
    st.booleans(),
    st.datetimes(datetime(1950, 1, 1), datetime(2090, 1, 1)).map(lambda moment: moment.replace(microsecond=0)),
    st.dates(date(1950, 1, 1), date(2090, 1, 1)),
    st.times().map(lambda moment: moment.replace(microsecond=0)),
    st.timedeltas(timedelta(0), timedelta(days=400)).map(lambda span: timedelta(seconds=span.seconds)),
)


def saved(book: Workbook) -> bytes:
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def both(content: bytes) -> tuple[list[list[object]], list[list[object]]]:
    """Our rows and openpyxl's, without the empty cells at their ends."""
    found = []
    for own in (True, False):
        book = load_workbook(io.BytesIO(content), read_only=True, data_only=True)
        sheet = book.worksheets[0]
        sheet.reset_dimensions()
        rows = [list(row) for row in (sheet_values(book, sheet) if own else sheet.iter_rows(values_only=True))]
        for row in rows:
            while row and row[-1] is None:
                row.pop()
        found.append(rows)
    return found[0], found[1]


@settings(max_examples=40, deadline=None)
@given(st.lists(st.lists(CELLS, max_size=5), max_size=6), st.booleans())
def test_any_sheet_reads_as_openpyxl_reads_it(rows: list[list[object]], write_only: bool) -> None:
    book = Workbook(write_only=write_only)
    sheet = book.create_sheet("s", 0)
    for row in rows:
        sheet.append(row)
    ours, theirs = both(saved(book))
    assert ours == theirs


def with_sheet(inside: str) -> bytes:
    """A workbook whose first sheet has this XML between its sheetData tags."""
    book = Workbook()
    book.active["A1"] = "kept"
    made, out = io.BytesIO(saved(book)), io.BytesIO()
    with zipfile.ZipFile(made) as source, zipfile.ZipFile(out, "w") as target:
        for entry in source.infolist():
            content = source.read(entry)
            if entry.filename == "xl/worksheets/sheet1.xml":
                start, end = content.index(b"<sheetData>") + 11, content.index(b"</sheetData>")
                content = content[:start] + inside.encode() + content[end:]
            target.writestr(entry, content)
    return out.getvalue()


@pytest.mark.parametrize(
    "inside",
    [
        '<row r="2"><c r="B2"><v>14.8</v></c></row><row><c><v>1</v></c><c><v>2</v></c></row>',
        '<row r="1"><c r="A1"><f>1+1</f><v>2</v></c><c r="B1"><f>1/0</f></c><c r="C1" t="e"><v>#DIV/0!</v></c></row>',
        '<row r="1"><c r="A1" t="inlineStr"><is><r><t>two </t></r><r><t>runs</t></r>'
        '<rPh sb="0" eb="1"><t>no</t></rPh></is></c></row>',
        '<row r="1"><c r="A1" t="str"><f>A2</f><v>said</v></c><c r="C1" t="b"><v>1</v></c><c r="D1" s="0"/></row>',
        '<row r="1"><c r="A1" t="d"><v>2026-01-31</v></c><c r="B1"><v>1E3</v></c><c r="C1"><v>-0.5</v></c></row>',
        "",
    ],
)
def test_the_formats_corners_read_as_openpyxl_reads_them(inside: str) -> None:
    ours, theirs = both(with_sheet(inside))
    assert ours == theirs


@pytest.mark.parametrize(
    "inside",
    [
        '<row r="1"><c r="A1"><v>two</v></c></row>',
        '<row r="1"><c r="ZZZZZ1"><v>1</v></c></row>',
        '<row r="99999999999"><c><v>1</v></c></row>',
        '<row r="x"><c><v>1</v></c></row>',
        '<row r="1"><c r="11"><v>1</v></c></row>',
        '<row r="1"><c t="s"><v>999</v></c></row>',
        '<row r="1"><c s="x"><v>1</v></c></row>',
        '<row r="1"><c>',
    ],
)
def test_a_damaged_sheet_is_refused(inside: str) -> None:
    with pytest.raises(BitternError, match="no XLSX workbook that can be read"):
        list(sheet_rows(with_sheet(inside)))


def test_formats_alone_make_no_sheet_wider() -> None:
    book = Workbook()
    book.active["A1"] = "only"
    book.active["XFD1"].font = Font(bold=True)
    assert list(sheet_rows(saved(book))) == [["only"]]
