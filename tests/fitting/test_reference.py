import pytest

from app.errors import BitternError
from app.fitting import door_preparation, door_preparations, trade_fact
from app.fitting.reference import reference_folder, reference_rows


@pytest.mark.parametrize("path", sorted(reference_folder().glob("*.csv")), ids=lambda path: path.stem)
def test_every_row_of_every_table_names_its_source(path) -> None:
    rows = reference_rows(path.stem)
    assert rows
    for row in rows:
        assert row["source"].strip()
        assert None not in row and None not in row.values()


def test_a_table_or_row_that_is_not_there_says_so() -> None:
    with pytest.raises(BitternError, match="restore the folder"):
        reference_rows("no_such_table")
    with pytest.raises(BitternError):
        trade_fact("no such fact")
    with pytest.raises(BitternError, match="not in the table of door preparations"):
        door_preparation("no such number")


def test_measures_are_none_where_the_source_gives_none() -> None:
    assert [each.number for each in door_preparations() if each.cross_bore is not None] == ["160", "161"]
