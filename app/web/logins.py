"""The login of this request: found by its cookie, begun, and ended."""

import threading

from flask import current_app, request, session
from flask_login import UserMixin, login_user, logout_user

from app.errors import BitternError
from app.ledger.people.login_rules import Proof
from app.ledger.people.sessions import SEEN_EVERY, HeldLogin, Limits, begin, end, find, see
from app.ledger.store import SQLAlchemyError
from app.ledger.store.work import Actor
from app.ledger.tables import User
from app.web.services import house_work, request_session, the_config, the_ledger, the_time

_seeing = threading.Lock()
_TOKEN = "login"  # noqa: S105 - a name


class LoggedIn(UserMixin):  # type: ignore[misc]  # the library has no types
    """The person logged in, as pages and use cases know them; no database row, so it outlives a rollback."""

    def __init__(self, held: HeldLogin) -> None:
        self.id = held.user_id
        self.name = held.name
        self.role = held.role
        self.actor = Actor(held.user_id, held.name, held.role)
        self.has_pin = held.has_pin
        self.has_factor = held.has_factor
        self.login_id = held.login_id
        self.rules = held.rules
        self.house_name = held.house_name
        self.is_locked = held.is_locked
        self._proven_at = held.proven_at

    def has_to_prove(self, proof: Proof) -> bool:
        """Whether the house wants the password once more before it shows this."""
        since = the_time() - self._proven_at
        # A proof from the future is a clock that went back: ask again.
        is_fresh = 0 <= since.total_seconds() <= self.rules.proof_lasts.total_seconds()
        return self.rules.wants(proof, self.role) and not is_fresh


def load(user_id: str) -> LoggedIn | None:
    """The person whose login this request's cookie stands for; None when it has ended."""
    held = find(request_session(), _token(), the_time(), Limits.of(the_config()))
    if held is None or str(held.user_id) != user_id:
        return None
    if held.is_due:
        _see(held.login_id)
    return LoggedIn(held)


def begin_login(user: User) -> None:
    """Begin a login of `user` on this browser; whatever its session held before is dropped, a former login ends."""
    token = begin(house_work(), user, request.remote_addr or "", _token())
    _hold(token, user.id)


def hold_on(token: str, user_id: int) -> None:
    """Let this browser's cookie stand for the same login by new words; what else it held stays."""
    session[_TOKEN], session["_user_id"] = token, str(user_id)


def end_login() -> None:
    """End this browser's login, so that a copy of its cookie opens nothing either."""
    end(house_work(), _token())
    logout_user()
    session.clear()


def _hold(token: str, user_id: int) -> None:
    session.clear()
    held = find(request_session(), token, the_time(), Limits.of(the_config()))
    if held is None:  # the user was switched off this very moment
        return
    login_user(LoggedIn(held))
    hold_on(token, user_id)


def _token() -> str:
    token = session.get(_TOKEN)
    return token if isinstance(token, str) else ""


def _see(login_id: int) -> None:
    """A page is not to wait or fail because its being seen cannot be written just now: it is read all the same.

    One request at a time tries; where the ledger would not take it, none tries again for a minute.
    """
    now = the_time()
    if now < current_app.extensions.get("see_again", now) or not _seeing.acquire(blocking=False):
        return
    try:
        with the_ledger().sessions() as apart:
            see(apart, login_id, now)
    except (BitternError, SQLAlchemyError):
        current_app.extensions["see_again"] = now + SEEN_EVERY
        current_app.logger.warning("a login's last use could not be written")
    finally:
        _seeing.release()
