"""The PIN that unlocks a person's screen: what is accepted, and how it is kept."""

from __future__ import annotations

from itertools import pairwise

from app.ledger.people.passwords import hash_password, matches
from app.ledger.people.tries import check_own_password
from app.ledger.people.users import get_user
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.vault import Vault
from app.ledger.store.work import Work
from app.ledger.tables import User

LEAST_PIN, MOST_PIN = 4, 12


def set_pin(work: Work, password: str, pin: str, login_id: int | None = None) -> User:
    """Give the acting person a PIN; `password` is their own and must be right (`check_own_password`).

    Raises LedgerError on field "pin", LoginRefused on field "current".
    """
    user = get_user(work.session, work.actor.user_id or 0)
    check_own_password(work, password, login_id)
    _check_pin(pin)
    return _save(work, _hash(work.vault, user.id, pin), "set a PIN for the screen")


def drop_pin(work: Work) -> User:
    """Remove the acting person's PIN: their password unlocks the screen again."""
    return _save(work, "", "took the screen's PIN away")


def pin_matches(vault: Vault, user: User, pin: str) -> bool:
    """Whether this is the person's PIN; False where they have none."""
    if not user.pin_hash or not (pin.isascii() and pin.isdigit() and len(pin) <= MOST_PIN):
        return False
    return matches(user.pin_hash, _pepper(vault, user.id, pin))


def _save(work: Work, pin_hash: str, words: str) -> User:
    with transaction(work.session):
        user = get_user(work.session, work.actor.user_id or 0)
        user.pin_hash = pin_hash
        record(work, "screen PIN changed", f"user {user.id}", f"{user.name} {words}")
        return user


def _check_pin(pin: str) -> None:
    if not (pin.isascii() and pin.isdigit() and LEAST_PIN <= len(pin) <= MOST_PIN):
        raise LedgerError("pin", f"Use {LEAST_PIN} to {MOST_PIN} digits.")
    steps = {(int(after) - int(before)) % 10 for before, after in pairwise(pin)}
    if steps in ({0}, {1}, {9}):
        raise LedgerError("pin", "This is one of the first that anybody tries; choose other digits.")


def _hash(vault: Vault, user_id: int, pin: str) -> str:
    return hash_password(_pepper(vault, user_id, pin))


def _pepper(vault: Vault, user_id: int, pin: str) -> str:
    """A few digits are tried through in no time, so what is hashed cannot be made without the sealing key."""
    return vault.fingerprint(pin, f"screen of user {user_id}").hex()
