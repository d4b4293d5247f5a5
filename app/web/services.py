"""What every request may ask for: the settings, the open ledger, the time, and this request's work."""

from collections.abc import Callable
from datetime import UTC, datetime

from flask import Flask, current_app, g
from flask_login import current_user

from app.config import Config
from app.ledger.care.opening import Ledger
from app.ledger.store import Session
from app.ledger.store.errors import NotAllowed
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Role

Clock = Callable[[], datetime]


def keep(app: Flask, config: Config, ledger: Ledger) -> None:
    """Keep the settings, the ledger and the clock with the application; tests set `app.extensions["clock"]`."""
    app.extensions["config"] = config
    app.extensions["ledger"] = ledger
    app.extensions["clock"] = lambda: datetime.now(UTC)
    app.teardown_appcontext(_close_session)


def the_config() -> Config:
    """The settings of this house."""
    config: Config = current_app.extensions["config"]
    return config


def the_ledger() -> Ledger:
    """The open ledger."""
    ledger: Ledger = current_app.extensions["ledger"]
    return ledger


def the_time() -> datetime:
    """The moment, with a time zone, as the application's clock has it."""
    clock: Clock = current_app.extensions["clock"]
    return clock()


def request_session() -> Session:
    """This request's one database session, opened when first asked for and closed when the request ends."""
    if "session" not in g:
        g.session = the_ledger().sessions()
    session: Session = g.session
    return session


def current_work() -> Work:
    """What a use case takes: this request's session, the vault, the person logged in, the time.

    Raises NotAllowed where nobody is logged in.
    """
    if not current_user.is_authenticated:
        raise NotAllowed("Log in first.")
    return Work(request_session(), the_ledger().vault, current_user.actor, the_time())


def house_work() -> Work:
    """Work in the name of the house itself, for what happens before anybody is logged in."""
    return Work(request_session(), the_ledger().vault, Actor(None, "the house", Role.OWNER), the_time())


def _close_session(error: BaseException | None) -> None:
    session: Session | None = g.pop("session", None)
    if session is not None:
        session.close()
