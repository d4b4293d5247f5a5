"""A quote's table against a spreadsheet: its formulas are written by openpyxl and worked out by the `formulas`
library (P: the engine's own results; ROUND takes halves away from zero, as spreadsheet programs document it)."""

import random
from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from functools import cache
from pathlib import Path
from typing import Any

import formulas
import numpy as np
import pytest
from openpyxl import Workbook, load_workbook

from app.pricing import PricedLine, PriceKind, TaxRule, total

CHANCE = random.Random(1913)
DAY = date(2026, 3, 2)
ROWS = 25
# Whole cents times whole percents: a spreadsheet's binary numbers hold each tie exactly, so it rounds as it says.
NET = "=ROUND(A{row}*B{row}*(100-C{row})*(100-D{row})/10000,0)"
TAX = "=ROUND(E{row}*F{row}/100,0)"


def table() -> list[tuple[int, int, int, int, Decimal]]:
    """Quantity, cents each, two discounts in percent, rate; every fourth price ends so that ties are met."""
    rates = [Decimal(quarter) / 4 for quarter in range(41)]
    return [
        (CHANCE.randint(1, 60), CHANCE.choice((50, 25_050, CHANCE.randint(1, 99_999))), *two, CHANCE.choice(rates))
        for two in ((CHANCE.choice((0, 1, 5, 50)), CHANCE.choice((0, 3, 25))) for _ in range(ROWS))
    ]


@cache
def compiled(formula: str) -> Any:
    return formulas.Parser().ast(formula)[1].compile()


def worked_out(sheet: Any, cell: str, known: Mapping[str, float]) -> float:
    """The value of a cell's formula with the cells it names, as the engine gives it."""
    function = compiled(sheet[cell].value)
    values = []
    for name in function.inputs:
        first, _, last = name.replace("$", "").partition(":")
        column, start, end = first[0], int(first[1:]), int(last[1:]) if last else int(first[1:])
        found = [known[f"{column}{row}"] for row in range(start, end + 1)]
        values.append(np.array([[one] for one in found]) if last else found[0])
    return float(np.asarray(function(*values)).ravel()[0])


@pytest.mark.parametrize("attempt", range(4))
def test_a_spreadsheet_comes_to_the_same_cent(tmp_path: Path, attempt: int) -> None:
    rows = table()
    book = Workbook()
    for number, row in enumerate(rows, start=1):
        book.active.append([*row[:4], NET.format(row=number), float(row[4]), TAX.format(row=number)])
    book.active.append([None, None, None, None, f"=SUM(E1:E{ROWS})", None, f"=SUM(G1:G{ROWS})"])
    book.save(tmp_path / "quote.xlsx")
    sheet = load_workbook(tmp_path / "quote.xlsx").active

    known: dict[str, float] = {}
    for number in range(1, ROWS + 1):
        for column in "ABCDF":
            known[f"{column}{number}"] = sheet[f"{column}{number}"].value
        for column in "EG":
            known[f"{column}{number}"] = worked_out(sheet, f"{column}{number}", known)
    net, taxes = (worked_out(sheet, f"{column}{ROWS + 1}", known) for column in "EG")

    sums = [
        total(
            [PricedLine("Cylinder", quantity, unit, PriceKind.GOODS, (Decimal(one), Decimal(two)))],
            TaxRule("Saltmarsh", rate, True, True, DAY),
            None,
            DAY,
        )
        for quantity, unit, one, two, rate in rows
    ]
    for number, priced in enumerate(sums, start=1):
        assert (priced.subtotal_cents, priced.tax_cents) == (known[f"E{number}"], known[f"G{number}"]), rows[
            number - 1
        ]
    assert (sum(one.subtotal_cents for one in sums), sum(one.tax_cents for one in sums)) == (net, taxes)


def test_the_engine_takes_halves_away_from_zero() -> None:
    assert [float(compiled("=ROUND(A1,0)")(value)) for value in (0.5, 1.5, 2.5, -2.5)] == [1, 2, 3, -3]
