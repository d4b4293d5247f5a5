"""Who may open which page. Every view states its rule; a page without one stays shut."""

from __future__ import annotations

__all__ = ["LoggedIn", "Rule", "begin_login", "end_login", "guard", "may", "public", "roles", "rule_of"]

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

from flask import Flask, abort, current_app, flash, redirect, request, session, url_for
from flask.typing import ResponseReturnValue
from flask_login import LoginManager, UserMixin, current_user, login_user, logout_user

from app.ledger.users.models import Role, User
from app.ledger.users.queries import find_user, has_users
from app.ledger.work import Actor
from app.web.services import request_session, the_config, the_time

View = TypeVar("View", bound=Callable[..., Any])

_SEEN_EVERY = 30  # seconds; the cookie is written again at most this often


@dataclass(frozen=True, slots=True)
class Rule:
    """Who may use a view: everybody, or people with one of the roles (the owner always may)."""

    is_public: bool = False
    roles: frozenset[Role] = frozenset()

    def allows(self, role: Role | None) -> bool:
        """Whether a person with `role` (None: not logged in) may."""
        return self.is_public or (role is not None and (role is Role.OWNER or role in self.roles))


class LoggedIn(UserMixin):  # type: ignore[misc]  # the library has no types
    """The person logged in, as pages and use cases know them; no database row, so it outlives a rollback."""

    def __init__(self, user: User) -> None:
        self.id = user.id
        self.name = user.name
        self.role = user.role
        self.actor = Actor.of(user)


def roles(*allowed: Role) -> Callable[[View], View]:
    """Let people with one of the roles use a view; `@roles()` leaves it to the owner alone.

    Goes below the route: `@blueprint.get("/bench")`, then `@roles(Role.BENCH)`, then the view.
    """
    return _stating(Rule(roles=frozenset(allowed)))


def public(view: View) -> View:
    """Let everybody use a view, logged in or not."""
    return _stating(Rule(is_public=True))(view)


def _stating(rule: Rule) -> Callable[[View], View]:
    def state(view: View) -> View:
        view.bittern_rule = rule  # type: ignore[attr-defined]  # a function carries its rule
        return view

    return state


def rule_of(app: Flask, endpoint: str) -> Rule | None:
    """The rule of an endpoint; None for a view that states none, which nobody can open."""
    if endpoint == "static":
        return Rule(is_public=True)
    rule: Rule | None = getattr(app.view_functions.get(endpoint), "bittern_rule", None)
    return rule


def may(endpoint: str) -> bool:
    """Whether there is such a page and the person logged in may open it; for navigation and buttons."""
    rule = rule_of(current_app, endpoint)
    role = current_user.role if current_user.is_authenticated else None
    return rule is not None and rule.allows(role)


def guard(app: Flask) -> None:
    """Ask for a login, and hold every request against its view's rule."""
    manager = LoginManager(app)
    # Sessions are bound to the password and the role by their stamp, and to time; not to an address, which
    # changes under a phone's feet.
    manager.session_protection = None
    manager.user_loader(_load)
    app.before_request(_hold)


def begin_login(user: User) -> None:
    """Start a fresh session for `user`; whatever the session held before is dropped."""
    session.clear()
    login_user(LoggedIn(user))
    now = the_time().timestamp()
    session.update(stamp=user.session_stamp, began=now, seen=now)


def end_login() -> None:
    """End the session."""
    logout_user()
    session.clear()


def _load(user_id: str) -> LoggedIn | None:
    try:
        number, began, seen = int(user_id), float(session["began"]), float(session["seen"])
    except (KeyError, TypeError, ValueError):  # a cookie of an earlier release
        return None
    user = find_user(request_session(), number)
    if user is None or not user.active or user.session_stamp != session.get("stamp"):
        return None
    now, config = the_time().timestamp(), the_config()
    if now - seen > config.idle_limit.total_seconds() or now - began > config.session_hours * 3600:
        return None
    if now - seen > _SEEN_EVERY:
        session["seen"] = now
    return LoggedIn(user)


def _hold() -> ResponseReturnValue | None:
    if request.endpoint is None or request.endpoint == "static":
        return None
    if not _is_started():
        return None if request.endpoint == "login.first_start" else redirect(url_for("login.first_start"))
    rule = rule_of(current_app, request.endpoint)
    if rule is None:
        abort(403)
    if rule.is_public:
        return None
    if not current_user.is_authenticated:
        return _ask_for_login()
    if not rule.allows(current_user.role):
        abort(403)
    return None


def _is_started() -> bool:
    # Users are never deleted, so one look that finds somebody holds for good.
    if not current_app.extensions.get("started"):
        current_app.extensions["started"] = has_users(request_session())
    return bool(current_app.extensions["started"])


def _ask_for_login() -> ResponseReturnValue:
    had_session = "_user_id" in session
    session.clear()
    if request.method not in ("GET", "HEAD"):
        flash("Your login had ended, so nothing was saved. Log in, then go back to what you typed and save again.")
        place = url_for("login.log_in")
    else:
        if had_session:
            flash("Your login has ended. Log in to go on.")
        wanted = request.full_path.rstrip("?")
        place = url_for("login.log_in", next=wanted if wanted != "/" else None)
    if request.headers.get("HX-Request"):
        return "", 204, {"HX-Redirect": place}
    return redirect(place, 303)
