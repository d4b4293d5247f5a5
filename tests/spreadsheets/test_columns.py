"""Rows by named columns: each with its number in the file, each problem with its row and column."""

import pytest

from app.errors import BitternError, Problem
from app.spreadsheets import Column, head_problems, read_rows, table_rows


def short(text: str, field: str) -> str:
    if len(text) > 5:
        raise BitternError(field, "Too long.")
    return text


COLUMNS = [Column("code", short), Column("price", lambda text, field: int(text)), Column("tier", short, "")]


def read_table(text: str):
    try:
        return read_rows(list(table_rows("table.csv", text.encode())), COLUMNS)
    except BitternError as error:
        return [], [Problem(error.field, error.message)]


def told(text: str) -> dict[str, str]:
    return {problem.field: problem.message for problem in read_table(text)[1]}


def test_rows_keep_their_number_in_the_file_and_lose_their_formula_guard() -> None:
    rows, problems = read_table("Price; code\n\n3;'=1\n;\n4; B ")
    assert problems == []
    assert rows == [
        (3, {"code": "=1", "price": 3, "tier": ""}),
        (5, {"code": "B", "price": 4, "tier": ""}),
    ]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("", {"file": "The table is empty."}),
        ("code,tier,tier,size", {"row 1": "The column 'tier' stands twice."}),
        ('code,price\n"A,1', {"file": "Row 2 cannot be read: look for a quotation mark that is not closed."}),
        (
            "code,price\nABCDEF,x\n,\n,7,8\n",
            {
                "row 2, code": "Too long.",
                "row 2, price": "'x' cannot be read here.",
                "row 4, code": "This cell may not be empty.",
                "row 4": "There are 3 cells, but 2 columns.",
            },
        ),
    ],
)
def test_everything_wrong_is_told_by_row_and_column(text: str, found: dict[str, str]) -> None:
    assert told(text) == found


def test_a_head_is_told_what_it_lacks_has_twice_or_should_not_have() -> None:
    problems = head_problems(["code", "tier", "tier", "size"], ["code", "price", "tier"], ["code", "price"], "row 7")
    assert [problem.message for problem in problems] == [
        "There is no column 'price'.",
        "The column 'size' is not one of code, price, tier.",
        "The column 'tier' stands twice.",
    ]
    assert {problem.field for problem in problems} == {"row 7"}


def test_a_table_of_too_many_rows_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("app.spreadsheets.table_file.MOST_NAMED_ROWS", 2)
    assert read_rows([["code"], ["A"], ["B"]], COLUMNS)[1][0].message == "At most 2 rows fit in one table."
