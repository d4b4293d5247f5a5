"""Spreadsheets carry the schedule's rows as text: no formula, no bitting, the same bytes each time."""

import csv
import io
from collections.abc import Callable
from dataclasses import replace
from datetime import date, datetime, timezone
from decimal import Decimal
from fractions import Fraction
from types import SimpleNamespace

import openpyxl
import pytest

from app.documents import FactoryOrder, PaperTable, day_list, factory_order_table, schedule_table
from app.documents.schedule import SCHEDULE_HEADINGS
from app.ledger.bench.bench_sheet import BenchWork
from app.ledger.jobs.papers import Schedule
from app.ledger.reports.promises import MakerFigures, PromiseGroup

FORMULAS = ["=cmd|'/c calc'!A0", "+1+1", "-2+3", "@SUM(A1)", '=HYPERLINK("http://x.example")', "\t=1", "\r=1"]


def read_csv(given: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(given.decode("utf-8-sig"), newline="")))


def test_the_schedule_as_csv_has_every_cylinder(schedule: Callable[..., Schedule]) -> None:
    given = schedule(12)
    heading, *rows = read_csv(schedule_table(given).csv())
    assert tuple(heading) == SCHEDULE_HEADINGS
    assert [row[0] for row in rows] == [row.opening_number for row in given.rows]
    assert rows[8][7:9] == ["XAA9", "AA9, AC7, AC8, AA, A"]
    assert rows[4][11] == "Fire-rated door: field drilling is limited by the label and the local code."


def test_the_schedule_as_xlsx_has_both_tables(schedule: Callable[..., Schedule]) -> None:
    given = schedule(12)
    book = openpyxl.load_workbook(io.BytesIO(schedule_table(given).xlsx()))
    assert book.sheetnames == ["By door", "By keyset"]
    doors, keysets = (list(sheet.values) for sheet in book)
    assert [row[0] for row in doors[1:]] == [row.opening_number for row in given.rows]
    assert [(row[0], row[3], row[4]) for row in keysets[1:]] == [
        (k.symbol, k.cylinders, k.keys) for k in given.keysets
    ]


@pytest.mark.parametrize("formula", FORMULAS)
def test_a_formula_is_text_in_both(formula: str, schedule: Callable[..., Schedule]) -> None:
    given = schedule(1)
    hostile = replace(given, rows=(replace(given.rows[0], location=formula, remarks=formula),))
    row = read_csv(schedule_table(hostile).csv())[1]
    assert row[1] == row[10] and row[1].startswith("'")
    cell = openpyxl.load_workbook(io.BytesIO(schedule_table(hostile).xlsx()))["By door"]["B2"]
    assert cell.data_type == "s"
    assert cell.value == formula.replace("\r", "\n")
    assert cell.quotePrefix


def test_figures_of_a_report_are_numbers_in_its_file() -> None:
    """5 of 7 promises kept are 71 percent; goods charged at 100.00 that cost 126.00 lost 26 percent."""
    group = PromiseGroup("PEL", "Pell & Rowe", 5, 2, 0, Fraction(5, 2), 4)
    for name, row, figures in (
        ("promises", group, [7, 5, 71, 2, 2.5, 4, 0]),
        ("makers", MakerFigures(group, 7, 30, 10_000, 12_600, 0), [7, 30, 100, 126, -26, 0, 7, 5, 71, 2, 2.5, 4, 0]),
    ):
        book = openpyxl.load_workbook(io.BytesIO(day_list(name, "Figures", [row]).xlsx(date(2031, 3, 4))))
        assert list(book.worksheets[0].values)[1] == ("Pell & Rowe", *figures)


def test_odd_text_does_not_stop_a_spreadsheet() -> None:
    rows = [("nul\x00 \ud800 \U0001f511 قفل", 10**30), ("W" * 100_000, -1), ("", 0)]
    table = PaperTable("odd", date(2031, 3, 4), (("One", ("a", "b"), rows),))
    book = openpyxl.load_workbook(io.BytesIO(table.xlsx()))
    assert book["One"]["A2"].value.startswith("nul\ufffd \ufffd")
    assert len(book["One"]["A3"].value) == 32_767
    assert read_csv(table.csv())[2][0] == "W" * 100_000


def test_no_bitting_is_in_either(schedule: Callable[..., Schedule], bench: Callable[..., BenchWork]) -> None:
    cells = [str(cell) for row in read_csv(schedule_table(schedule()).csv()) for cell in row]
    book = openpyxl.load_workbook(io.BytesIO(schedule_table(schedule()).xlsx()))
    cells += [str(cell) for sheet in book for row in sheet.values for cell in row]
    for key in bench().systems[0].keys:
        assert not any(key.bitting in cell for cell in cells)


def test_the_same_rows_give_the_same_bytes(
    schedule: Callable[..., Schedule], monkeypatch: pytest.MonkeyPatch
) -> None:
    first = schedule_table(schedule(3)).xlsx()
    monkeypatch.setattr("time.time", lambda: 2_000_000_000.0)
    later = SimpleNamespace(now=lambda tz: datetime(2040, 1, 1, tzinfo=tz))
    monkeypatch.setattr("openpyxl.writer.excel.datetime", SimpleNamespace(datetime=later, timezone=timezone))
    assert schedule_table(schedule(3)).xlsx() == first


def test_the_factory_order_as_xlsx(order: Callable[..., FactoryOrder]) -> None:
    book = openpyxl.load_workbook(io.BytesIO(factory_order_table(order()).xlsx()))
    lines, instructions = (list(sheet.values) for sheet in book)
    assert sum(row[1] for row in lines[1:]) == 60
    assert ("Key system", "College GMK, new") in instructions


def test_the_factory_order_as_xlsx_says_of_the_system_what_the_paper_says(order: Callable[..., FactoryOrder]) -> None:
    given = order()
    for changed, words in (({"is_new_system": False}, "College GMK, extended"), ({"system_name": ""}, "none")):
        book = openpyxl.load_workbook(
            io.BytesIO(factory_order_table(replace(given, work=replace(given.work, **changed))).xlsx())
        )
        assert ("Key system", words) in list(book["Instructions"].values)


def test_money_in_a_csv_has_both_decimals() -> None:
    table = PaperTable("Order", date(2026, 3, 2), (("Order", ("Line", "Amount"), [(1, Decimal(1520) / 100)]),))
    assert table.csv().decode("utf-8-sig") == "Line,Amount\r\n1,15.20\r\n"
