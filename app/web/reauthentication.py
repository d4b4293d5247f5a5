"""Ask for the PIN or the password before a request goes on, and keep what the request brought.

A locked screen and a look at bittings ask in the same way: a page with one box, which sends what was sent before
once more, sealed, so that nothing that was typed is lost or shown, with a script or without.
"""

from flask import render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_login import current_user
from flask_wtf.csrf import generate_csrf
from werkzeug.datastructures import ImmutableMultiDict

from app.errors import BitternError
from app.ledger.people.sessions import prove, unlock
from app.ledger.store.work import carried, carry
from app.web.logins import hold_on
from app.web.security import csrf
from app.web.services import current_work

_SECRET, _KEPT = "secret-again", "kept-meanwhile"
_LOCKED = 423


def ask_again(*, is_lock: bool) -> ResponseReturnValue | None:
    """None once this request has brought what unlocks (`is_lock`), or the right password; else the page that asks."""
    if request.headers.get("HX-Request"):
        return "", 204, {"HX-Trigger": "bittern:locked"} if is_lock else {"HX-Refresh": "true"}
    refusal = ""
    if request.method == "POST" and _SECRET in request.form:
        refusal = try_secret(is_lock=is_lock)
        if not refusal:
            _go_on()
            return None
    return asking_page(is_lock=is_lock, refusal=refusal)


def try_secret(*, is_lock: bool) -> str:
    """Unlock by what this request brought, or take it for the password: "" where it is right, else why not."""
    csrf.protect()
    secret = request.form.get(_SECRET, "")
    try:
        if is_lock:
            unlock(current_work(), current_user.login_id, secret)
            current_user.is_locked = False
        else:
            hold_on(prove(current_work(), current_user.login_id, secret), current_user.id)
    except BitternError as error:
        return error.message
    return ""


def asking_page(*, is_lock: bool, refusal: str = "") -> ResponseReturnValue:
    """The page with the box; a POST stands by, sealed, until the right secret comes with it."""
    wanted = request.full_path.rstrip("?")
    is_asking = request.endpoint in ("login.unlock", "login.prove")
    is_post = request.method == "POST"
    page = render_template(
        "people/reauthentication.html",
        is_lock=is_lock,
        action=wanted if is_post else url_for("login.unlock" if is_lock else "login.prove", next=wanted),
        kept=_keep() if is_post and not is_asking else "",
        had_files=any(file.filename for file in request.files.values()),
        **_box(is_lock, refusal),
    )
    return page, _LOCKED


def box(refusal: str = "") -> ResponseReturnValue:
    """The box that unlocks, alone, for the script that covers a page; 200, lest the browser call it a fault."""
    return render_template("people/_reauthentication.html", **_box(True, refusal))


def _box(is_lock: bool, refusal: str) -> dict[str, str]:
    label = "PIN" if is_lock and current_user.has_pin else "Password"
    return {"label": label, "refusal": refusal, "secret": _SECRET, "kept_as": _KEPT}


def _keep() -> str:
    """What was sent, sealed for this person and this address: the source of the page shows none of it."""
    if _KEPT in request.form:
        return request.form[_KEPT]
    sent = [pair for pair in request.form.items(multi=True) if pair[0] not in ("csrf_token", _SECRET)]
    return carry(current_work(), sent, f"kept for {request.path}")


def _go_on() -> None:
    """Put what was kept in the place of what asked for the secret, and let the view have it."""
    pairs = carried(current_work(), request.form.get(_KEPT, ""), f"kept for {request.path}")
    sent = [(str(name), str(value)) for name, value in pairs]
    request.form = ImmutableMultiDict([*sent, ("csrf_token", generate_csrf())])
