from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal

import pytest

from app.errors import BitternError
from app.ledger.reports.books import ClosedJob, IssuedQuote, PaymentReceived, book_amount

DAY = date(2026, 3, 2)
QUOTE = IssuedQuote("Q-1042", 2, DAY, "Lantern Row Dental", "Saltmarsh", 99_500, 9000, 8209, 116_709)
JOB = ClosedJob("J-77", "Q-1042/2", DAY, "Lantern Row Dental", 108_500, 8209, 116_709, 60_000)
PAYMENT = PaymentReceived("P-9", "J-77", DAY, "Lantern Row Dental", "check", -5000)


@pytest.mark.parametrize("one", [QUOTE, JOB, PAYMENT])
def test_a_cell_for_each_column_and_each_column_documented(one):
    assert len(one.row()) == len(one.COLUMNS)
    assert all(isinstance(cell, str) for cell in one.row())
    assert all(column.name and column.what for column in one.COLUMNS)
    assert len({column.name for column in one.COLUMNS}) == len(one.COLUMNS)


def test_amounts_read_as_numbers_and_add_up():
    cells = dict(zip([column.name for column in QUOTE.COLUMNS], QUOTE.row(), strict=True))
    whole = Decimal(cells["goods"]) + Decimal(cells["labor"]) + Decimal(cells["tax"])
    assert whole == Decimal(cells["total"]) == Decimal("1167.09")
    assert JOB.row()[-2:] == ("485.00", "0.00")
    assert PAYMENT.row()[-1] == "-50.00"
    assert book_amount(0) == "0.00"


def test_rows_that_do_not_add_up_are_refused():
    with pytest.raises(BitternError, match="add up"):
        replace(QUOTE, tax_cents=8210)
    with pytest.raises(BitternError, match="add up"):
        replace(JOB, total_cents=1)
