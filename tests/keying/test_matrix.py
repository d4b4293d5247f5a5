import pytest

from app.keying import AccessMatrix, read_matrix


def test_a_table_is_read():
    matrix, problems = read_matrix([["", "1", "2"], ["owner", "x", "YES"], ["clerk", None, "1"], ["guest", "", "-"]])
    assert problems == ()
    assert matrix is not None
    assert [key.holders for key in matrix.keys] == [("owner",), ("clerk",)]
    assert [group.keys for group in matrix.cylinders] == [(0,), (0, 1)]
    assert matrix.without_doors == ("guest",)


@pytest.mark.parametrize(
    ("table", "fields"),
    [
        ([], ["file"]),
        ([[""]], ["file"]),
        ([["", "1", "1"], ["a", "x", "x"]], ["row 1, column 3"]),
        ([["", "1", ""], ["a", "x", "x"]], ["row 1, column 3"]),
        ([["", "1"], ["a", "x"], ["a", "x"]], ["row 3, column 1"]),
        ([["", "1"], ["a", "perhaps"], ["", "x"]], ["row 3, column 1", "row 2, column 2"]),
        ([["", "1"], ["a", "x", "x"]], ["row 2"]),
        ([["", "1", "2"], ["a", "x", ""]], ["row 1, column 3"]),
        ([["", "1"], ["", ""], ["a", "?"]], ["row 3, column 2"]),
        ([["", *range(3000)], *[[n] for n in range(3000)]], ["file"]),
        ([["", "1"], ["a" * 10_000, "x"]], ["row 2, column 1"]),
    ],
)
def test_every_problem_of_a_table_names_its_cell(table, fields):
    matrix, problems = read_matrix(table)
    assert matrix is None
    assert [problem.field for problem in problems] == fields


def test_holders_of_the_same_doors_carry_one_key_and_doors_of_the_same_holders_are_alike():
    matrix = AccessMatrix.of({"a": {"1", "2"}, "b": {"1", "2"}, "c": set()}, ["1", "2"])
    assert [key.holders for key in matrix.keys] == [("a", "b")]
    assert [(group.doors, group.keys) for group in matrix.cylinders] == [(("1", "2"), (0,))]
    assert matrix.without_doors == ("c",)
