"""Passwords: what is accepted, how they are hashed, how one is compared."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerifyMismatchError

from app.ledger.people.guessable import is_guessable, is_soon_guessed
from app.ledger.store.errors import LedgerError

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
