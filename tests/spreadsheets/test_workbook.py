"""What a workbook's cells read as: by a table of expected texts, and beside openpyxl, which reads its own way."""

import io
import zipfile
from datetime import date, datetime, time, timedelta
from decimal import Decimal

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook
from openpyxl.styles import Font
from openpyxl.utils.datetime import CALENDAR_MAC_1904

from app.errors import BitternError
from app.spreadsheets.workbook import book_sheets, sheet_rows, sheet_with_merged

CELLS = st.one_of(
    st.none(),
    st.text(
        st.characters(min_codepoint=32, max_codepoint=0x2FFF, exclude_characters="\x7f="), min_size=1, max_size=8
    ),
    st.integers(-(10**12), 10**12),
    st.floats(allow_nan=False, allow_infinity=False, width=32),
    st.booleans(),
    st.datetimes(datetime(1950, 1, 1), datetime(2090, 1, 1)).map(lambda moment: moment.replace(microsecond=0)),
    st.dates(date(1950, 1, 1), date(2090, 1, 1)),
    st.times().map(lambda moment: moment.replace(microsecond=0)),
)


def saved(book: Workbook) -> bytes:
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def one_row(*values: object, **settings: object) -> bytes:
    book = Workbook()
    for name, value in settings.items():
        setattr(book, name, value)
    book.active.append(values)
    return saved(book)


def with_sheet(inside: str) -> bytes:
    """A workbook whose first sheet has this XML between its sheetData tags."""
    made, out = io.BytesIO(one_row("kept")), io.BytesIO()
    with zipfile.ZipFile(made) as source, zipfile.ZipFile(out, "w") as target:
        for entry in source.infolist():
            content = source.read(entry)
            if entry.filename == "xl/worksheets/sheet1.xml":
                start, end = content.index(b"<sheetData>") + 11, content.index(b"</sheetData>")
                content = content[:start] + inside.encode() + content[end:]
            target.writestr(entry, content)
    return out.getvalue()


def expected(value: object) -> str:
    """A value of openpyxl's as the text that it is to read as."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{Decimal(repr(float(value))).normalize():f}"
    if isinstance(value, datetime):
        return value.date().isoformat() if value.time() == time() else value.isoformat()
    return str(value)


def theirs(content: bytes) -> list[list[str]]:
    """The first sheet's rows by openpyxl, without the empty cells at their ends."""
    book = load_workbook(io.BytesIO(content), read_only=True, data_only=True)
    sheet = book.worksheets[0]
    sheet.reset_dimensions()
    rows = [[expected(value) for value in row] for row in sheet.iter_rows(values_only=True)]
    for row in rows:
        while row and not row[-1]:
            row.pop()
    while rows and not rows[-1]:
        rows.pop()
    return rows


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (101, "101"),
        (102.0, "102"),
        (14.8, "14.8"),
        (-0.5, "-0.5"),
        (1e20, "100000000000000000000"),
        (1e-7, "0.0000001"),
        (123456789012345, "123456789012345"),
        (True, "yes"),
        (False, "no"),
        ("007", "007"),
        ("1.50", "1.50"),
        (" spaced ", " spaced "),
        (" ", " "),
        ("two\nlines", "two\nlines"),
        ("Küche ½″", "Küche ½″"),
        (date(2026, 1, 31), "2026-01-31"),
        (datetime(2026, 1, 31), "2026-01-31"),
        (datetime(2026, 1, 31, 8, 30), "2026-01-31T08:30:00"),
        (time(8, 30), "08:30:00"),
        (timedelta(hours=30), "1 day, 6:00:00"),
        ("#N/A", "#N/A"),
        ("#DIV/0!", "#DIV/0!"),
        ("_x005F_x000D_", "_x000D_"),
        ("=1+1", ""),  # nothing is saved with it
    ],
)
def test_a_cell_reads_as_what_was_saved(value: object, text: str) -> None:
    assert list(sheet_rows(one_row(value, "end"))) == [[text, "end"]]


@pytest.mark.parametrize(
    ("inside", "rows"),
    [
        (  # a cell and a row without their places; empty rows and cells before
            '<row r="2"><c r="C2"><v>14.8</v></c></row><row><c r="B3"><v>1</v></c><c><v>2</v></c></row>',
            [[], ["", "", "14.8"], ["", "1", "2"]],
        ),
        (  # a formula's saved value, none, and errors
            '<row r="1"><c r="A1"><f>1+1</f><v>2</v></c><c r="B1"><f>1/0</f></c>'
            '<c r="C1" t="e"><f>1/0</f><v>#DIV/0!</v></c><c r="D1" s="0" t=\'e\'><v>#SPILL!</v></c></row>',
            [["2", "", "#DIV/0!", "#SPILL!"]],
        ),
        (  # rich text, with how it is spoken left out
            '<row r="1"><c r="A1" t="inlineStr"><is><r><t>two </t></r><r><t>runs</t></r>'
            '<rPh sb="0" eb="1"><t>no</t></rPh></is></c></row>',
            [["two runs"]],
        ),
        (
            '<row r="1"><c r="A1" t="str"><f>A2</f><v>said</v></c><c r="C1" t="b"><v>1</v></c>'
            '<c r="D1" s="0"/></row>',
            [["said", "", "yes"]],
        ),
        (
            '<row r="1"><c r="A1" t="d"><v>2026-01-31</v></c><c r="B1"><v>1E3</v></c><c r="C1"><v>-0.5</v></c></row>',
            [["2026-01-31", "1000", "-0.5"]],
        ),
        ("", []),
    ],
)
def test_the_formats_corners_read_as_openpyxl_reads_them(inside: str, rows: list[list[str]]) -> None:
    content = with_sheet(inside)
    assert list(sheet_rows(content)) == rows == theirs(content)


@settings(max_examples=25, deadline=None)
@given(st.lists(st.lists(CELLS, max_size=5), max_size=6), st.booleans())
def test_any_sheet_reads_as_openpyxl_reads_it(rows: list[list[object]], write_only: bool) -> None:
    book = Workbook(write_only=write_only)
    sheet = book.create_sheet("s", 0)
    for row in rows:
        sheet.append(row)
    content = saved(book)
    assert list(sheet_rows(content)) == theirs(content)


def test_days_count_from_1904_where_the_workbook_says_so() -> None:
    content = one_row(date(2026, 1, 31), datetime(2026, 1, 31, 8, 30), epoch=CALENDAR_MAC_1904)
    assert list(sheet_rows(content)) == [["2026-01-31", "2026-01-31T08:30:00"]] == theirs(content)


def test_every_sheet_is_read_in_order_hidden_ones_too_and_a_chart_is_none() -> None:
    book = Workbook()
    book.active.title = "first"
    book.active.append(["a"])
    book.create_chartsheet("picture")
    hidden = book.create_sheet("hidden")
    hidden.sheet_state = "hidden"
    hidden.append(["b"])
    book.create_sheet("empty")
    content = saved(book)
    assert [(name, list(rows)) for name, rows in book_sheets(content, 10)] == [
        ("first", [["a"]]),
        ("hidden", [["b"]]),
        ("empty", []),
    ]
    assert list(sheet_rows(content)) == [["a"]]


def test_merged_cells_are_named_and_give_their_value_once() -> None:
    book = Workbook()
    book.active.append(["head", None])
    book.active["B2"] = "both"
    book.active.merge_cells("B2:AB3")
    content = saved(book)
    assert sheet_with_merged(content)[0] == ("B2:AB3",)
    assert list(sheet_rows(content)) == [["head"], ["", "both"]]
    assert sheet_with_merged(one_row("plain"))[0] == ()


def test_formats_alone_make_no_sheet_wider() -> None:
    book = Workbook()
    book.active["A1"] = "only"
    book.active["XFD1"].font = Font(bold=True)
    assert list(sheet_rows(saved(book))) == [["only"]]


@pytest.mark.parametrize(
    "inside",
    [
        '<row r="1"><c r="ZZZZZ1"><v>1</v></c></row>',
        '<row r="9999999"><c r="A9999999"><v>1</v></c></row>',
        '<row r="x"><c><v>1</v></c></row>',
        '<row r="1"><c r="11"><v>1</v></c></row>',
        '<row r="1"><c t="s"><v>999</v></c></row>',
        '<row r="1"><c>',
    ],
)
def test_a_damaged_sheet_is_refused(inside: str) -> None:
    with pytest.raises(BitternError, match="no XLSX workbook that can be read"):
        list(sheet_rows(with_sheet(inside)))
