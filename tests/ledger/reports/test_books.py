import pytest

from app.errors import BitternError
from app.ledger.reports.books import BOOKS, amounts_to, book_amount


@pytest.mark.parametrize("book", BOOKS, ids=[book.name for book in BOOKS])
def test_each_column_is_documented_and_named_once(book):
    assert book.what and all(column.name and column.what for column in book.columns)
    assert len({column.name for column in book.columns}) == len(book.columns)


def test_amounts_read_as_numbers_and_add_up():
    assert amounts_to(116_709, 99_500, 9000, 8209) == ["995.00", "90.00", "82.09", "1167.09"]
    assert (book_amount(-5000), book_amount(0)) == ("-50.00", "0.00")


def test_rows_that_do_not_add_up_are_refused():
    with pytest.raises(BitternError, match="add up"):
        amounts_to(116_709, 99_500, 9000, 8210)
    with pytest.raises(BitternError, match="add up"):
        amounts_to(1, 108_500, 8209)
