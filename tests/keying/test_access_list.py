"""A list of people with their doors and what they also open, read into the table of who opens what, and written."""

import pytest

from app.keying import listed_rows, read_access_list, read_matrix, write_access_list

LIST = "person\tdoors\talso opens\nOwner\tall\t\nHead\t101; 102\t\nAnn\t101\t201\nBo\t102, 201\t\n"
TABLE = [
    ["", "101", "102", "201"],
    ["Owner", "x", "x", "x"],
    ["Head", "x", "x", ""],
    ["Ann", "x", "", "x"],
    ["Bo", "", "x", "x"],
]


@pytest.mark.parametrize(
    "text", [LIST, 'Owner, all\nHead: 101; 102\n\nAnn, "101; 201"\nBo;102,201', LIST.replace("all", "ALL")]
)
def test_a_list_is_the_table_that_it_says(text: str) -> None:
    assert read_access_list(listed_rows(text)) == (TABLE, ())


def test_what_is_written_reads_into_the_same_table() -> None:
    matrix, problems = read_matrix(TABLE)
    assert matrix is not None and not problems
    text = "\n".join(", ".join(row) for row in write_access_list(matrix))
    again, _ = read_matrix(read_access_list(listed_rows(text))[0])
    assert again == matrix


@pytest.mark.parametrize(
    ("text", "field", "words"),
    [
        ("Ann, 101\n; 102", "row 2", "Begin the row with the person's name."),
        ("Ann, 101\nAnn, 102", "row 2", "Ann stands twice"),
        ("Ann, 101\nANN, 102", "row 2", "ANN stands twice"),
        ("Ann, 10a; 102\nBo, 10A", "row 2", "10A is 10a further up: write a door in one way."),
        ("Ann, " + "W" * 61, "row 1", "too long: at most 60"),
        ("Ann\nBo", "people", "Write a row a person"),
        ("", "people", "Write a row a person"),
        ("Ann, all", "people", "Write a row a person"),
    ],
)
def test_what_makes_no_sense_is_told_by_row(text: str, field: str, words: str) -> None:
    table, problems = read_access_list(listed_rows(text))
    assert table == [] and problems[0].field == field and words in problems[0].message


def test_a_list_larger_than_any_table_is_refused() -> None:
    rows = [(n, [f"P{n}", f"D{n}"]) for n in range(1, 2_300)]
    assert "more than 5,000,000" in read_access_list(rows)[1][0].message


def test_rows_of_a_spreadsheet_that_are_empty_are_passed_over() -> None:
    assert read_access_list(listed_rows("person,doors\n,,\nAnn, 101\n;"))[0] == [["", "101"], ["Ann", "x"]]
