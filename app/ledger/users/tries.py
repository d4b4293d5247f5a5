"""A secret asked for at an open login: each try is counted before it is compared, and too many end the login."""

from __future__ import annotations

__all__ = ["TRIES", "LoginRefused", "check_own_password", "end_where", "try_secret"]

from collections.abc import Callable

import sqlalchemy as sa

from app.ledger.engine import transaction
from app.ledger.errors import LedgerError
from app.ledger.events.actions import record
from app.ledger.users.models import Login, User
from app.ledger.users.passwords import matches
from app.ledger.work import Work

TRIES = 5  # wrong PINs or passwords in a row before the login ends


class LoginRefused(LedgerError):
    """No login; the sentence is the same for an unknown name and a wrong password."""


def try_secret(work: Work, login_id: int, is_right: Callable[[User], bool], word: str, field: str = "secret") -> None:
    """Count the try before the secret is compared, so that tries at the same time all count.

    Raises LoginRefused on `field`; the fifth wrong try in a row ends the login. Who calls forgets the wrong ones.
    """
    with transaction(work.session):
        login = work.session.get_one(Login, login_id, with_for_update=True)
        login.wrong += 1
        wrong, user = login.wrong, work.session.get_one(User, login.user_id)
    if wrong <= TRIES and is_right(user):
        return
    with transaction(work.session):
        record(work, "login failed", f"user {user.id}", f"Wrong {word} at the screen of {user.name}")
        if wrong >= TRIES and end_where(work, Login.id == login_id):
            record(work, "login ended", f"user {user.id}", f"{TRIES} wrong tries ended a login of {user.name}")
    left = max(TRIES - wrong, 0)
    if not left:
        raise LoginRefused(field, "Too many wrong tries: this login has ended. Log in again.")
    raise LoginRefused(
        field, f"This is not your {word}. {left} {'try' if left == 1 else 'tries'} left, then the login ends."
    )


def check_own_password(work: Work, password: str, login_id: int | None, field: str = "current") -> None:
    """Hold what was typed against the acting person's own password; LoginRefused on `field`.

    login_id: the login at whose screen it was typed, where wrong ones count; None where there is no screen.
    """
    if login_id is None:
        if not matches(work.session.get_one(User, work.actor.user_id).password_hash, password):
            raise LoginRefused(field, "This is not your password.")
        return
    try_secret(work, login_id, lambda user: matches(user.password_hash, password), "password", field)
    with transaction(work.session):
        work.session.execute(sa.update(Login).where(Login.id == login_id).values(wrong=0))


def end_where(work: Work, which: sa.ColumnElement[bool]) -> bool:
    """End the open logins of which this holds, in the caller's transaction; whether there was any."""
    done = work.session.execute(sa.update(Login).where(which, Login.ended_at.is_(None)).values(ended_at=work.now))
    return bool(getattr(done, "rowcount", 0))
