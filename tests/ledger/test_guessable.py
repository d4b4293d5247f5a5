"""Passwords of twelve characters and more that everybody's list begins with are refused; words in a row are not."""

from __future__ import annotations

import pytest

from app.ledger.errors import LedgerError
from app.ledger.users.guessable import is_guessable
from app.ledger.users.passwords import check_new_password

# Made by the patterns that lists of common passwords are known for (from memory), none copied from one.
FIRST_TRIED = [
    "123456789012",
    "qwertyuiop12",
    "QWERTY123456",
    "password1234",
    "Password2026!",
    "P@ssw0rd1234",
    "passwordpassword",
    "1q2w3e4r5t6y",
    "1qaz2wsx3edc",
    "qazwsxedcrfv",
    "zxcvbnm12345",
    "asdfghjkl123",
    "abcdefghijkl",
    "letmein12345",
    "iloveyou1234",
    "welcome123!!",
    "adminadmin12",
    "administrator",
    "sunshine2026",
    "princess1234",
    "987654321098",
    "bittern12345",
    "locksmith2026",
    "ilovethebench",
    "MyPassword!!!",
    "changeme2026",
]
GOOD = [
    "a heron in the reeds",
    "reed bed at low water",
    "low water at the quay",
    "tide-counter-1",
    "tide-bench-12",
    "tide-owner-12",
    "correct marmot stapler",
    "Pfannkuchen mit Speck",
    "vXq8-tRm2-pLw9",
    "съешь ещё этих булок",
    "春眠不覚暁処処聞啼鳥夜来",
    "the key is under a heron",
]


@pytest.mark.parametrize("password", FIRST_TRIED)
def test_what_is_tried_first_is_refused(password: str) -> None:
    assert len(password) >= 12
    with pytest.raises(LedgerError) as refused:
        check_new_password(password, "Ada Marsh")
    assert password not in refused.value.message


@pytest.mark.parametrize("password", GOOD)
def test_words_that_do_not_belong_together_are_not(password: str) -> None:
    check_new_password(password, "Ada Marsh")


def test_a_run_stays_a_run_however_often_it_is_repeated() -> None:
    assert is_guessable("abc" * 60) and is_guessable("qwer" * 50)
