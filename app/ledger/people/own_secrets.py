"""The secrets asked for at an open login, PIN and password: each try is counted before it is compared.

Too many end the login. PIN and password are counted apart, and each is forgiven by itself alone: else whoever saw the
PIN typed could guess at the password for as long as they like, with the PIN in between.
"""

from collections.abc import Callable
from enum import StrEnum
from itertools import pairwise

import sqlalchemy as sa

from app.ledger.people.passwords import hash_password, matches
from app.ledger.store.engine import get_row, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.vault import Vault
from app.ledger.store.work import Work
from app.ledger.tables import Login, LoginAttempt, User

LEAST_PIN, MOST_PIN = 4, 12
TRIES = 5  # wrong PINs in a row, or wrong passwords, before the login ends
_AT_A_SCREEN = "at a locked screen"  # in place of an address, of which the tries to log in are counted


class LoginSecret(StrEnum):
    """What is asked for at an open login."""

    PIN = "PIN"
    PASSWORD = "password"  # noqa: S105 - a word


class LoginRefused(LedgerError):
    """No login; the sentence is the same for an unknown name and a wrong password."""


def try_secret(
    work: Work, login_id: int, is_right: Callable[[User], bool], secret: LoginSecret, field: str = "secret"
) -> None:
    """Count the try before the secret is compared, so that tries at the same time all count.

    Raises LoginRefused on `field`; the fifth wrong try in a row ends the login. Who calls forgives the wrong ones.
    """
    with transaction(work.session):
        login = work.session.get_one(Login, login_id, with_for_update=True)
        wrong, user = _count(work, login, secret), work.session.get_one(User, login.user_id)
    if wrong <= TRIES and is_right(user):
        return
    with transaction(work.session):
        record(work, "login failed", f"user {user.id}", f"Wrong {secret} at the screen of {user.name}")
        if wrong >= TRIES and end_where(work, Login.id == login_id):
            record(work, "login ended", f"user {user.id}", f"{TRIES} wrong tries ended a login of {user.name}")
    left = max(TRIES - wrong, 0)
    if not left:
        raise LoginRefused(field, "Too many wrong tries: this login has ended. Log in again.")
    raise LoginRefused(
        field, f"This is not your {secret}. {left} {'try' if left == 1 else 'tries'} left, then the login ends."
    )


def forgive(work: Work, login: Login, secret: LoginSecret) -> None:
    """Forget the wrong tries at a secret that was right now, in the caller's transaction; not those at the other."""
    if secret is LoginSecret.PASSWORD:
        login.wrong = 0
    else:
        work.session.execute(sa.delete(LoginAttempt).where(LoginAttempt.name_key == _pin_key(work, login)))


def _count(work: Work, login: Login, secret: LoginSecret) -> int:
    """How many tries in a row, with this one, in the caller's transaction."""
    if secret is LoginSecret.PASSWORD:
        login.wrong += 1
        return login.wrong
    key = _pin_key(work, login)
    work.session.add(LoginAttempt(name_key=key, address=_AT_A_SCREEN, at=work.now, succeeded=False))
    work.session.flush()
    tries = sa.select(sa.func.count()).select_from(LoginAttempt).where(LoginAttempt.name_key == key)
    return work.session.scalar(tries) or 0


def _pin_key(work: Work, login: Login) -> str:
    """Under what the PINs of a login stand among the tries: like no name that a person can have or type."""
    return work.vault.fingerprint(f"login {login.id}", "PIN tries").hex()


def check_own_password(work: Work, password: str, login_id: int | None) -> None:
    """Hold what was typed against the acting person's own password; LoginRefused on "current".

    login_id: the login at whose screen it was typed, where wrong ones count; None where there is no screen.
    """
    if login_id is None:
        if not matches(work.session.get_one(User, work.actor.user_id).password_hash, password):
            raise LoginRefused("current", "This is not your password.")
        return
    try_secret(work, login_id, lambda user: matches(user.password_hash, password), LoginSecret.PASSWORD, "current")
    with transaction(work.session):
        forgive(work, work.session.get_one(Login, login_id), LoginSecret.PASSWORD)


def end_where(work: Work, which: sa.ColumnElement[bool]) -> bool:
    """End the open logins of which this holds, in the caller's transaction; whether there was any."""
    done = work.session.execute(sa.update(Login).where(which, Login.ended_at.is_(None)).values(ended_at=work.now))
    return bool(getattr(done, "rowcount", 0))


def set_pin(work: Work, password: str, pin: str, login_id: int | None = None) -> User:
    """Give the acting person a PIN; `password` is their own and must be right (`check_own_password`).

    Raises LedgerError on field "pin", LoginRefused on field "current".
    """
    user = get_row(work.session, User, work.actor.user_id or 0, "user")
    check_own_password(work, password, login_id)
    _check_pin(pin)
    return _save_pin(work, hash_password(_pepper(work.vault, user.id, pin)), "set a PIN for the screen")


def drop_pin(work: Work) -> User:
    """Remove the acting person's PIN: their password unlocks the screen again."""
    return _save_pin(work, "", "took the screen's PIN away")


def pin_matches(vault: Vault, user: User, pin: str) -> bool:
    """Whether this is the person's PIN; False where they have none."""
    if not user.pin_hash or not (pin.isascii() and pin.isdigit() and len(pin) <= MOST_PIN):
        return False
    return matches(user.pin_hash, _pepper(vault, user.id, pin))


def _save_pin(work: Work, pin_hash: str, words: str) -> User:
    with transaction(work.session):
        user = get_row(work.session, User, work.actor.user_id or 0, "user")
        user.pin_hash = pin_hash
        record(work, "screen PIN changed", f"user {user.id}", f"{user.name} {words}")
        return user


def _check_pin(pin: str) -> None:
    if not (pin.isascii() and pin.isdigit() and LEAST_PIN <= len(pin) <= MOST_PIN):
        raise LedgerError("pin", f"Use {LEAST_PIN} to {MOST_PIN} digits.")
    steps = {(int(after) - int(before)) % 10 for before, after in pairwise(pin)}
    if steps in ({0}, {1}, {9}):
        raise LedgerError("pin", "This is one of the first that anybody tries; choose other digits.")


def _pepper(vault: Vault, user_id: int, pin: str) -> str:
    """A few digits are tried through in no time, so what is hashed cannot be made without the sealing key."""
    return vault.fingerprint(pin, f"screen of user {user_id}").hex()
