"""The table among the rows of a file: head, columns, and what is no row; figures worked out by hand."""

import io

import pytest
from openpyxl import Workbook

from app.errors import BitternError
from app.spreadsheets import (
    DAY_FIRST,
    MONTH_FIRST,
    PASTED,
    CellLook,
    SentSheet,
    WantedColumn,
    cell_code,
    cell_day,
    cell_money,
    cell_whole,
    day_order,
    find_table,
    guess_columns,
    money_style,
    open_sheet,
)

KNOWN = ("part number", "description", "list price", "net price", "name", "phone")


def headings(*rows: list[str], merged: tuple[str, ...] = ()) -> list[str]:
    return [column.heading for column in find_table(SentSheet(rows, merged), KNOWN).columns]


def test_titles_and_a_head_in_two_rows_are_no_rows() -> None:
    rows = (
        ["Northlight list 2027"],
        [],
        ["", "", "Price", "", "Stock"],
        ["Part no", "Description", "List", "Net", ""],
        ["A18M", "Cylinder, satin", "$1,234.50", "12.00", "y"],
        ["Subtotal", "", "$1,234.50", "", ""],
        ["Part no", "Description", "List", "Net", ""],
        ["B20", "Rim", "7.00", "5.00", "n"],
    )
    table = find_table(SentSheet(rows), KNOWN)
    assert [column.heading for column in table.columns] == [
        "Part no",
        "Description",
        "Price List",
        "Price Net",
        "Stock",
    ]
    assert [number for number, _ in table.rows] == [5, 8] and table.titles == ("Northlight list 2027",)
    assert [one.row for one in table.aside] == [6, 7]


@pytest.mark.parametrize(
    ("rows", "found"),
    [
        ((["Part", "List"], ["number", "price"], ["A1", "1.00"], ["A2", "2.00"]), ["Part number", "List price"]),
        ((["Name", "Phone"], ["Ann", "Reed"], ["Bo", "Moor"]), ["Name", "Phone"]),  # names are no second head
        ((["Ann", "555-0100"], ["Bo", "555-0101"]), ["", ""]),  # no head at all
        ((["Firm", "Fax"], ["Quay", "555-0100"], ["Pell", "555-0101"]), ["Firm", "Fax"]),  # words nobody hoped for
    ],
)
def test_where_a_head_is_and_where_none(rows: tuple[list[str], ...], found: list[str]) -> None:
    assert headings(*rows) == found


def test_somebody_may_say_where_the_head_is() -> None:
    sheet = SentSheet((["Name", "Phone"], ["Firm", "Line"], ["Quay", "555-0100"]))
    assert find_table(sheet, KNOWN).head == 1
    said = find_table(sheet, KNOWN, 2)
    assert [column.heading for column in said.columns] == ["Firm", "Line"] and said.titles == ("Name Phone",)
    assert find_table(sheet, KNOWN, 0).rows[0] == (1, ["Name", "Phone"])


def test_merged_cells_speak_for_each_of_their_rows_and_a_merged_title_is_set_aside() -> None:
    book = Workbook()
    sheet = book.active
    for row in (
        ["Category", "Part number", "List price"],
        ["Mortise", "A1", 1.5],
        [None, "A2", 1234.5],
        ["Rim cylinders", None, None],
        ["Rim", "A3", 14.0],
    ):
        sheet.append(row)
    sheet.merge_cells("A2:A3")
    sheet.merge_cells("A4:C4")
    out = io.BytesIO()
    book.save(out)
    table = find_table(open_sheet("list.xlsx", out.getvalue()), KNOWN)
    assert table.rows == [(2, ["Mortise", "A1", "1.5"]), (3, ["Mortise", "A2", "1234.5"]), (5, ["Rim", "A3", "14"])]
    assert [one.row for one in table.aside] == [4] and table.notes == (
        "A2:A3 is merged: its value is taken for each of its rows.",
    )


def test_a_customer_whose_name_begins_like_a_total_stays() -> None:
    rows = (["Name", "Phone", "City"], ["Total Security", "555-0100", ""], ["Total", "", "2"])
    table = find_table(SentSheet(rows), KNOWN)
    assert [cells[0] for _, cells in table.rows] == ["Total Security"] and table.aside[0].row == 3


@pytest.mark.parametrize(
    ("content", "encoding"),
    [
        ("name;city\nCafé “Quay”;Saltmarsh\n".encode("cp1252"), "Windows-1252"),
        ("name;city\nCafé “Quay”;Saltmarsh\n".encode("utf-16-le"), "UTF-16"),
        ("name;city\nCafé “Quay”;Saltmarsh\n".encode("utf-16"), "UTF-16"),
        ("name;city\nCafé “Quay”;Saltmarsh\n".encode(), ""),
    ],
)
def test_an_encoding_that_is_certain_is_read_and_told(content: bytes, encoding: str) -> None:
    sheet = open_sheet("list.csv", content)
    assert [list(row) for row in sheet.rows] == [["name", "city"], ["Café “Quay”", "Saltmarsh"]]
    assert sheet.encoding == encoding


def test_an_encoding_that_is_not_certain_is_refused() -> None:
    with pytest.raises(BitternError, match="not in UTF-8"):
        list(open_sheet("list.csv", "name\nдоска объявлений\n".encode("koi8-r")).rows)


def test_a_paste_keeps_the_numbers_of_its_rows() -> None:
    table = find_table(open_sheet(PASTED, b"name\tphone\n\nAnn\t555-0100\n"), KNOWN)
    assert table.rows == [(3, ["Ann", "555-0100"])]


def test_columns_are_guessed_by_heading_and_by_look_once_each() -> None:
    rows = (["E-Mail adress", "Tel. no", "Net price", ""], ["a@b.example", "555 010-0101", "1.00", "2027-01-31"])
    wanted = [
        WantedColumn("email", ("e mail address",), CellLook.MAIL),
        WantedColumn("phone", ("tel no",), CellLook.PHONE),
        WantedColumn("list price", ("price",), CellLook.MONEY),
        WantedColumn("expires", (), CellLook.DAY),
    ]
    guesses = guess_columns(find_table(SentSheet(rows), ["tel no", "net price"]), wanted)
    assert {name: guess.place for name, guess in guesses.items()} == {
        "email": 0, "phone": 1, "list price": 2, "expires": 3,
    }  # fmt: skip
    assert [name for name, guess in guesses.items() if guess.is_sure] == ["phone"]


@pytest.mark.parametrize(
    ("text", "decimal", "cents"),
    [
        ("$1,234.50", "", 123450),
        ("1.234,50", "", 123450),
        ("1 234,50 €", "", 123450),
        ("2,90", "", 290),
        ("1,234", "", 123400),
        ("1.234", ",", 123400),
        ("12", ",", 1200),
        ("14.799999999999999", "", 1480),  # what a spreadsheet made of 14.8
    ],
)
def test_money_as_it_is_written(text: str, decimal: str, cents: int) -> None:
    assert cell_money(text, "list", decimal) == cents


@pytest.mark.parametrize(
    "text",
    ["(12.00)", "1,234.50-", "-3", "1.234", "12.345", "1.10E+05", "2026-03-04 00:00:00", "4-Mar", "call", "1,2,3"],
)
def test_money_that_is_not_certain_is_refused(text: str) -> None:
    with pytest.raises(BitternError, match="list"):
        cell_money(text, "list", money_style([text]))


def test_a_column_settles_what_one_amount_leaves_open() -> None:
    assert [money_style(cells) for cells in (["1.234", "2,90"], ["1,234", "2.90"], ["1.234", "1,234"])] == [
        ",",
        ".",
        "",
    ]


def test_days_of_a_column_settle_which_number_is_the_month() -> None:
    assert day_order(["03/04/2026", "13/04/2026"]) == DAY_FIRST
    assert day_order(["03/04/2026", "03/14/2026"]) == MONTH_FIRST
    assert day_order(["03/04/2026", "4 Mar 2026"]) is None and day_order(["2026-03-04", "03/03/2026"]) == ""
    days = ["03/04/2026", "2026-03-04 00:00:00", "March 4, 2026", "4-Mar-26", "20260304", "03/14/26"]
    assert [str(cell_day(one, "day", MONTH_FIRST)) for one in days] == [*["2026-03-04"] * 5, "2026-03-14"]
    for text in ("03/04/2026", "31 Feb 2026", "soon", "46085"):
        with pytest.raises(BitternError, match="2026-01-31"):
            cell_day(text, "day")


def test_codes_and_counts_that_a_spreadsheet_changed() -> None:
    assert (cell_code("1042.0", "code"), cell_code("1E5", "code"), cell_whole("1,200", "count")) == (
        "1042",
        "1E5",
        1200,
    )
    assert cell_code("KW1-12", "code") == "KW1-12"
    for text in ("2026-03-04", "4-Mar", "Mar-04", "1.10E+05"):
        with pytest.raises(BitternError, match="Format the column"):
            cell_code(text, "code")
    with pytest.raises(BitternError, match="whole number"):
        cell_whole("2.5", "count")
