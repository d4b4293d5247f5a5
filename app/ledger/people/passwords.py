"""Passwords: what is accepted, what is guessed first, how they are hashed, how one is compared.

Two judges of what is guessed, since each lets pass what the other finds: our own list of runs and of a locksmith's
words, and zxcvbn, which knows words spelled backwards, passwords that were stolen elsewhere, and the names that it is
told.
"""

import re
import threading
import unicodedata
from collections.abc import Iterable
from itertools import pairwise

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerifyMismatchError
from zxcvbn import zxcvbn

from app.ledger.store.errors import LedgerError

# Rows of a keyboard, the alphabet and the digits, and the columns that fingers walk down.
_RUNS = (
    "abcdefghijklmnopqrstuvwxyz",
    "01234567890",
    "qwertyuiop",
    "asdfghjkl",
    "zxcvbnm",
    "1q2w3e4r5t6y7u8i9o0p",
    "1qaz2wsx3edc4rfv5tgb6yhn7ujm",
    "qazwsxedcrfvtgbyhnujm",
)
# What the commonest passwords are put together from, and this house's own words (from memory).
_COMMON = """
    password passwort passw pass word secret letmein welcome admin administrator login access system iloveyou love
    monkey dragon sunshine princess football baseball shadow superman master hello computer internet default
    changeme temp guest user test owner counter bench bittern bitting cylinder locksmith hardware key keys lock
    summer winter spring autumn monday friday january december the my and for you me is this a i
"""
_WORDS = sorted(_COMMON.split(), key=len, reverse=True)
_LETTERS = str.maketrans("013457@$!", "oieastasi")
_LEAST_RUN = 3
_LEAST_REST = 4  # characters that are neither run nor common word
_LEAST_SCORE = 3  # of zxcvbn's 0 to 4: a hundred million guesses and more
_MOST_JUDGED = 72  # characters: zxcvbn refuses more, since its time grows with the square
_turn = threading.Lock()  # zxcvbn keeps the names that it was told in a table of the whole process


def is_guessable(password: str) -> bool:
    """Whether next to nothing is left of a password without runs, common words, years and repeats.

    >>> [is_guessable(one) for one in ("qwertyuiop123", "P@ssw0rd!2026!", "letmeinletmein", "Welcome1Welcome2")]
    [True, True, True, True]
    >>> is_guessable("a heron in the reeds"), is_guessable("wiz 88 marmot")
    (False, False)
    """
    plain = password.casefold()
    return any(len(_rest(text)) < _LEAST_REST for text in (plain, plain.translate(_LETTERS)))


def is_soon_guessed(password: str, names: Iterable[str]) -> bool:
    """Whether zxcvbn would guess it within a hundred million tries, told these names; it reads 72 characters.

    >>> is_soon_guessed("drowssap1234", ()), is_soon_guessed("Saltmarsh2026!", ["3 Fenwick Quay, Saltmarsh"])
    (True, True)
    >>> is_soon_guessed("a heron in the reeds", ["Heron & Reed Hardware"])
    False
    """
    with _turn:
        score: int = zxcvbn(password[:_MOST_JUDGED], sorted(_words_of(names)))["score"]
    return score < _LEAST_SCORE


def _words_of(names: Iterable[str]) -> set[str]:
    """Each word of the names, and each two neighbors written as one word."""
    words: set[str] = set()
    for name in names:
        parts = re.findall(r"\w+", name.casefold())
        words.update(part for part in (*parts, *map("".join, pairwise(parts))) if len(part) >= _LEAST_RUN)
    return words


def _rest(text: str) -> str:
    """The different letters that stay when what anybody would guess is taken out."""
    for run in _RUNS:
        for way in (run, run[::-1]):
            text = _without_run(text, way)
    for word in _WORDS:
        # A short word counts only by itself: the letter a in heron is no article.
        text = re.sub(rf"(?<![a-z]){word}(?![a-z])" if len(word) < 4 else word, " ", text)
    return "".join(sorted(set(re.sub(r"[\W\d_]", "", text))))


def _without_run(text: str, run: str) -> str:
    kept, place = "", 0
    while place < len(text):
        length = 1
        while place + length < len(text) + 1 and text[place : place + length] in run:
            length += 1
        length -= 1
        if length >= _LEAST_RUN:
            kept, place = kept + " ", place + length
        else:
            kept, place = kept + text[place], place + 1
    return kept


LEAST, MOST = 12, 200

# Argon2id as RFC 9106 section 4 recommends where memory is scarce: 3 passes over 64 MiB, 4 lanes.
_HASHER = PasswordHasher(time_cost=3, memory_cost=64 * 1024, parallelism=4, hash_len=32, salt_len=16)
# Compared against where there is no such user, so that an unknown name takes as long as a wrong password.
_NOBODY = "$argon2id$v=19$m=65536,t=3,p=4$AAAAAAAAAAAAAAAAAAAAAA$AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"
_LEAST_LETTERS = 5


def _plain(password: str) -> str:
    return unicodedata.normalize("NFKC", password)


def check_new_password(password: str, name: str, house_names: Iterable[str] = ()) -> None:
    """Refuse a password that is too short, too long, or easily guessed; the sentence never repeats it.

    `name` is whose password it is to be; `house_names` are the house's name, its address and its people, which
    those who know the house would try.
    """
    field = "password"
    plain = _plain(password)
    if len(plain) < LEAST:
        raise LedgerError(field, f"Use at least {LEAST} characters; a few words in a row are easy to keep.")
    if len(plain) > MOST:
        raise LedgerError(field, f"Use at most {MOST} characters.")
    if not plain.isprintable():
        raise LedgerError(field, "Use letters, digits, signs and spaces only.")
    if len(set(plain.casefold())) < _LEAST_LETTERS:
        raise LedgerError(field, "This repeats the same few characters; use words that do not belong together.")
    if is_guessable(plain):
        raise LedgerError(field, "This is among the first that anybody tries; use words that do not belong together.")
    if len(name) >= 3 and name.casefold() in plain.casefold():
        raise LedgerError(field, "Leave the person's own name out of the password.")
    if is_soon_guessed(plain, (name, *house_names)):
        raise LedgerError(
            field,
            "This is soon guessed: common passwords, and names of the house, its people and its town with some "
            "digits, are tried first. Use four words that do not belong together.",
        )


def hash_password(password: str) -> str:
    """The Argon2id hash of a password, about 100 characters, with its salt and parameters in it."""
    return _HASHER.hash(_plain(password))


def matches(password_hash: str | None, password: str) -> bool:
    """Whether the password belongs to the hash; None (nobody) takes as long and is always False."""
    if len(password) > MOST or not password.isprintable():
        password_hash, password = None, ""
    try:
        _HASHER.verify(password_hash or _NOBODY, _plain(password))
    except (VerifyMismatchError, InvalidHashError):
        return False
    return password_hash is not None


def is_outdated(password_hash: str) -> bool:
    """Whether the hash was made with other parameters than those in force."""
    return _HASHER.check_needs_rehash(password_hash)
