"""The pages at the door."""

import ipaddress
from urllib.parse import urlsplit

from flask import Blueprint, abort, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_login import current_user

from app.errors import BitternError
from app.ledger.catalog.first_day import is_first_day
from app.ledger.people.logins import log_in as log_in_user
from app.ledger.people.logins import log_out as log_out_user
from app.ledger.people.second_factor import asks_code
from app.ledger.people.sessions import lock as lock_screen
from app.ledger.people.users import change_own_password, has_users, start_house
from app.ledger.tables import Role
from app.web.access import may, public, roles, usable_while_locked
from app.web.forms_base import attach, flash_and_redirect, typed
from app.web.logins import begin_login, end_login
from app.web.navigation import front_page
from app.web.people.forms import CodeLoginForm, FirstStartForm, LoginForm, OwnPasswordForm
from app.web.reauthentication import asking_page, box, try_secret
from app.web.services import current_work, house_work, request_session, the_config
from app.web.unsaved_text import page_before

blueprint = Blueprint("login", __name__)


@blueprint.get("/")
@roles(Role.COUNTER, Role.BENCH)
def home() -> ResponseReturnValue:
    """Where the person's day starts."""
    place = url_for("first_day.index") if may("first_day.index") and is_first_day(request_session()) else front_page()
    return redirect(place) if place else render_template("people/home.html")


@blueprint.route("/login", methods=["GET", "POST"])
@public
def log_in() -> ResponseReturnValue:
    """Log in, then go to the page that was asked for."""
    if current_user.is_authenticated:
        return redirect(_wanted())
    form = CodeLoginForm() if asks_code(request_session()) else LoginForm()
    if form.validate_on_submit():
        code = typed(form.code) if isinstance(form, CodeLoginForm) else ""
        address = request.remote_addr or ""
        try:
            user = log_in_user(house_work(), typed(form.name), typed(form.password), address, the_config(), code)
        except BitternError as error:
            attach(form, error)
        else:
            begin_login(user)
            return redirect(_wanted(), 303)
    return render_template("people/login.html", form=form), form.status


@blueprint.post("/logout")
@roles(Role.COUNTER, Role.BENCH)
@usable_while_locked
def log_out() -> ResponseReturnValue:
    """End the session."""
    log_out_user(current_work())
    end_login()
    return flash_and_redirect("You are logged out.", "login.log_in")


@blueprint.post("/lock")
@roles(Role.COUNTER, Role.BENCH)
@usable_while_locked
def lock() -> ResponseReturnValue:
    """Lock the screen: the page stays covered, by the script or by the next page, until its person unlocks it."""
    lock_screen(current_work(), current_user.login_id)
    return box() if _is_script() else redirect(_inside(page_before()), 303)


@blueprint.post("/unlock")
@roles(Role.COUNTER, Role.BENCH)
@usable_while_locked
def unlock() -> ResponseReturnValue:
    """Unlock the screen by PIN or password, then go to the page that was asked for."""
    refusal = try_secret(is_lock=True)
    if _is_script():
        return box(refusal) if refusal else ("", 204)
    return asking_page(is_lock=True, refusal=refusal) if refusal else redirect(_wanted(), 303)


@blueprint.get("/lock")
@roles(Role.COUNTER, Role.BENCH)
@usable_while_locked
def pulse() -> ResponseReturnValue:
    """Whether the screen is locked: the box that unlocks it, or nothing. Being asked counts as being used."""
    return box() if current_user.is_locked else ("", 204)


@blueprint.post("/prove")
@roles(Role.COUNTER, Role.BENCH)
def prove() -> ResponseReturnValue:
    """Give the password once more, then go to the page that was asked for."""
    refusal = try_secret(is_lock=False)
    return asking_page(is_lock=False, refusal=refusal) if refusal else redirect(_wanted(), 303)


@blueprint.route("/my-password", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def my_password() -> ResponseReturnValue:
    """Change one's own password."""
    form = OwnPasswordForm()
    if done := form.run(
        lambda: change_own_password(current_work(), typed(form.current), typed(form.password), current_user.login_id)
    ):
        begin_login(done.value)
        return flash_and_redirect("Your password is changed. Your other logins have ended.", "login.home")
    return render_template("people/own_password.html", form=form), form.status


@blueprint.route("/first-start", methods=["GET", "POST"])
@public
def first_start() -> ResponseReturnValue:
    """Ask an empty house for its name and its owner; gone once there is a user."""
    if has_users(request_session()):
        abort(404)
    if not _is_this_machine(request.remote_addr or "") or "X-Forwarded-For" in request.headers:
        return render_template("people/elsewhere.html"), 403
    form = FirstStartForm()
    if done := form.run(
        lambda: start_house(house_work(), typed(form.house_name), typed(form.owner_name), typed(form.password))
    ):
        begin_login(done.value)
        return flash_and_redirect(f"{typed(form.house_name)} is open.", "first_day.index")
    return render_template("people/first_start.html", form=form), form.status


def _is_script() -> bool:
    return request.headers.get("X-Requested-By") == "lock.js"


def _wanted() -> str:
    return _inside(request.args.get("next", ""))


def _inside(wanted: str) -> str:
    """The page asked for before the login, when it is one of ours; else the front page."""
    parts = urlsplit(wanted)
    is_ours = wanted.startswith("/") and not wanted.startswith(("//", "/\\")) and not (parts.scheme or parts.netloc)
    return wanted if is_ours and wanted.isprintable() and "\\" not in wanted else url_for("login.home")


def _is_this_machine(address: str) -> bool:
    """Whoever else is on the network must not become the owner of a house that nobody has started yet."""
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return False
