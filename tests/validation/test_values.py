from dataclasses import dataclass

import pytest

from app.errors import BitternError, Problems
from app.validation import check_length, check_lengths, fault_of_length, length_limit, read_whole


@dataclass
class Form:
    name: str
    phone: str
    notes: str = ""


def test_every_text_that_is_too_long_is_told_at_once() -> None:
    check_lengths(Form("x" * 9, "1" * 4), {"name": 9, "phone": 4, "notes": 0})
    with pytest.raises(Problems) as refused:
        check_lengths(Form("x" * 1_200, "12345", "y"), {"name": 1_000, "phone": 4, "notes": 1})
    assert [(one.field, one.message) for one in refused.value.problems] == [
        ("name", "At most 1,000 characters fit here; this has 1,200."),
        ("phone", "At most 4 characters fit here; this has 5."),
    ]


def test_the_limit_itself_fits() -> None:
    assert fault_of_length("abc", 3) == ""
    check_length("abc", 3)
    with pytest.raises(BitternError, match=r"^note: At most 3 characters fit here; this has 4\.$"):
        check_length("abcd", 3, "note")
    assert length_limit(8000) == "At most 8,000 characters fit here."


def test_a_whole_number_may_be_the_least_and_the_most_and_nothing_beyond() -> None:
    assert [read_whole(number, 2, 4) for number in (2, 3, 4)] == [2, 3, 4]
    for wrong in (1, 5, True, 3.0, "3", None):
        with pytest.raises(BitternError, match="Enter a whole number from 2 to 4"):
            read_whole(wrong, 2, 4)
