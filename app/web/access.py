"""Who may open which page. Every view states its rule; a page without one stays shut."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar
from urllib.parse import urlsplit

from flask import Flask, abort, current_app, flash, redirect, request, session, url_for
from flask.typing import ResponseReturnValue
from flask_login import LoginManager, current_user

from app.ledger.people.login_rules import Proof
from app.ledger.people.users import has_users
from app.ledger.store.events import clock_is_back
from app.ledger.tables import Role
from app.web.logins import load
from app.web.reauthentication import ask_again
from app.web.services import request_session, the_config, the_time
from app.web.unsaved_text import keep_unsaved

MOST_WITHOUT_LOGIN = 64 * 1024  # bytes
_SAVING_NOTHING = ("static", "login.lock", "login.first_start")
View = TypeVar("View", bound=Callable[..., Any])


@dataclass(frozen=True, slots=True)
class Rule:
    """Who may use a view: everybody, or people with one of the roles (the owner always may)."""

    is_public: bool = False
    roles: frozenset[Role] = frozenset()

    def allows(self, role: Role | None) -> bool:
        """Whether a person with `role` (None: not logged in) may."""
        return self.is_public or (role is not None and (role is Role.OWNER or role in self.roles))


def roles(*allowed: Role) -> Callable[[View], View]:
    """Let the owner and people with one of the roles use a view.

    Goes below the route: `@blueprint.get("/bench")`, then `@roles(Role.BENCH)`, then the view.
    """
    return _marked("bittern_rule", Rule(roles=frozenset(allowed)))


def owner_only(view: View) -> View:
    """Leave a view to the owner alone."""
    return _marked("bittern_rule", Rule())(view)


def public(view: View) -> View:
    """Let everybody use a view, logged in or not."""
    return _marked("bittern_rule", Rule(is_public=True))(view)


def proven(proof: Proof) -> Callable[[View], View]:
    """Ask for the password once more before a view, where the house's rules want that; goes below `@roles`."""
    return _marked("bittern_proof", proof)


def usable_while_locked(view: View) -> View:
    """Leave a view open while the screen is locked: it unlocks, or ends the login."""
    return _marked("bittern_unlocked", True)(view)


def _marked(name: str, value: object) -> Callable[[View], View]:
    """Let a view carry what is asked before it is called."""

    def mark(view: View) -> View:
        setattr(view, name, value)
        return view

    return mark


def rule_of(app: Flask, endpoint: str) -> Rule | None:
    """The rule of an endpoint; None for a view that states none, which nobody can open."""
    if endpoint == "static":
        return Rule(is_public=True)
    rule: Rule | None = getattr(app.view_functions.get(endpoint), "bittern_rule", None)
    return rule


def proof_of(app: Flask, endpoint: str) -> Proof | None:
    """What an endpoint shows that may ask for the password once more; None for all others."""
    return getattr(app.view_functions.get(endpoint), "bittern_proof", None)


def may(endpoint: str) -> bool:
    """Whether there is such a page and the person logged in may open it; for navigation and buttons."""
    return endpoint in pages_open_to_me()


def pages_open_to_me() -> frozenset[str]:
    """The endpoints that the person logged in, or whoever is not, may open: gone through once for each role."""
    role = current_user.role if current_user.is_authenticated else None
    open_to: dict[Role | None, frozenset[str]] = current_app.extensions.setdefault("open to", {})
    if role not in open_to:
        rules = {endpoint: rule_of(current_app, endpoint) for endpoint in current_app.view_functions}
        open_to[role] = frozenset(name for name, rule in rules.items() if rule is not None and rule.allows(role))
    return open_to[role]


def guard(app: Flask) -> None:
    """Ask for a login, and hold every request against its view's rule."""
    manager = LoginManager(app)
    # A login is bound to its row, to the password and the role by their stamp, and to time; not to an address,
    # which changes under a phone's feet.
    manager.session_protection = None
    manager.user_loader(load)
    app.before_request(_hold)
    app.before_request(_check_clock)


def _hold() -> ResponseReturnValue | None:
    if request.endpoint is None or request.endpoint == "static":
        return None
    if not _is_started() and request.endpoint != "login.first_start":
        return redirect(url_for("login.first_start"))
    rule = rule_of(current_app, request.endpoint)
    if rule is None:
        abort(403)
    if rule.is_public:
        # Whoever has not logged in sends a few boxes at most, and is not to keep the house busy with more.
        request.max_content_length = min(MOST_WITHOUT_LOGIN, current_app.config["MAX_CONTENT_LENGTH"])
        return None
    me = current_user._get_current_object()
    if not me.is_authenticated:
        return _ask_for_login()
    if me.is_locked and not hasattr(current_app.view_functions[request.endpoint], "bittern_unlocked"):
        answer = ask_again(is_lock=True)
        if answer is not None:
            return answer
    if not rule.allows(me.role):
        # By names of ours alone: what was asked for may hold anything, and a log is no place for it.
        current_app.logger.warning("refused: %s of user %s", request.endpoint, me.id)
        abort(403)
    if request.endpoint != "mine.second_factor" and _lacks_factor(request.endpoint):
        return _ask_for_factor()
    proof = proof_of(current_app, request.endpoint)
    return ask_again(is_lock=False) if proof is not None and me.has_to_prove(proof) else None


def _lacks_factor(endpoint: str) -> bool:
    """Whether the house wants a second factor of everybody in this role, and the person has none yet."""
    is_wanted = current_user.role in the_config().second_factor and not current_user.has_factor
    return is_wanted and not hasattr(current_app.view_functions[endpoint], "bittern_unlocked")


def _ask_for_factor() -> ResponseReturnValue:
    place = url_for("mine.second_factor")
    if request.headers.get("HX-Request"):
        return "", 204, {"HX-Redirect": place}
    flash("This house asks everybody in your role for a second factor: set it up, then go on.")
    return redirect(place, 303)


def _is_started() -> bool:
    # An owner who may log in is always left, so one look that finds somebody holds for good.
    if not current_app.extensions.get("started"):
        current_app.extensions["started"] = has_users(request_session())
    return bool(current_app.extensions["started"])


def _ask_for_login() -> ResponseReturnValue:
    had_session = "_user_id" in session
    wanted, said = request.full_path.rstrip("?"), "Your login has ended. Log in to go on." if had_session else ""
    if request.method not in ("GET", "HEAD"):
        wanted = keep_unsaved("Your login had ended before it was sent.")
        said = "Your login had ended, so nothing was saved. Log in: "
        said += "what you typed is still here." if wanted else "then go back to what you typed and save again."
    elif "HX-Current-URL" in request.headers:  # a piece of the page that is looked at
        wanted = urlsplit(request.headers["HX-Current-URL"])._replace(scheme="", netloc="").geturl()
    session.clear()
    if said:
        flash(said)
    place = url_for("login.log_in", next=wanted if wanted not in ("", "/") else None)
    if request.headers.get("HX-Request"):
        return "", 204, {"HX-Redirect": place}
    return redirect(place, 303)


def _check_clock() -> None:
    """Refuse whatever would write while the clock stands before what is on record: papers would be dated wrongly."""
    if request.method in ("GET", "HEAD", "OPTIONS") or request.endpoint in (None, *_SAVING_NOTHING):
        return
    trouble = clock_is_back(request_session(), the_time())
    if trouble is not None:
        raise trouble
