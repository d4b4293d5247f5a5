"""One's own login: where it is open, and the PIN that unlocks the screen."""

from urllib.parse import quote

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue
from flask_login import current_user

from app.ledger.people.login_rules import Proof
from app.ledger.people.own_secrets import drop_pin, set_pin
from app.ledger.people.second_factor import drop_factor, new_secret, set_factor
from app.ledger.people.sessions import Limits, end_by_number, list_open
from app.ledger.store.work import carried, carry
from app.ledger.tables import Role
from app.web.access import proven, roles
from app.web.forms_base import flash_and_redirect, typed
from app.web.logins import begin_login
from app.web.people.forms import FactorForm, PinForm
from app.web.services import current_work, request_session, the_config, the_time
from app.web.templating import house_name

_FACTOR = "second factor"

blueprint = Blueprint("mine", __name__, url_prefix="/my-login")


@blueprint.get("")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """Where one is logged in, whether there is a PIN, and the way to a new password."""
    logins = list_open(request_session(), the_time(), Limits.of(the_config()), current_user.id)
    return render_template("people/own_login.html", logins=logins)


@blueprint.route("/pin", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def pin() -> ResponseReturnValue:
    """Set the PIN that unlocks the screen."""
    form = PinForm()
    if form.run(lambda: set_pin(current_work(), typed(form.current), typed(form.pin), current_user.login_id)):
        return flash_and_redirect("Your PIN unlocks your screen from now on.", "mine.index")
    return render_template("people/pin.html", form=form), form.status


@blueprint.post("/pin/drop")
@roles(Role.COUNTER, Role.BENCH)
@proven(Proof.LOGINS)
def no_pin() -> ResponseReturnValue:
    """Remove the PIN; the password unlocks the screen again."""
    drop_pin(current_work())
    return flash_and_redirect("You have no PIN any more; your password unlocks your screen.", "mine.index")


@blueprint.route("/second-factor", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def second_factor() -> ResponseReturnValue:
    """Show a new secret, and keep it once a code made from it was typed."""
    work, form = current_work(), FactorForm()
    secret = carried(work, typed(form.secret), _FACTOR) if form.is_submitted() else new_secret()
    if done := form.run(
        lambda: set_factor(work, typed(form.current), secret, typed(form.code), current_user.login_id)
    ):
        begin_login(done.value)
        return flash_and_redirect(
            "Your login asks for a code from your phone from now on. Your other logins have ended.", "mine.index"
        )
    form.secret.data = carry(work, secret, _FACTOR)
    label = quote(f"{house_name()}:{current_user.name}")
    address = f"otpauth://totp/{label}?secret={secret}&issuer={quote(house_name())}"
    groups = [secret[start : start + 4] for start in range(0, len(secret), 4)]
    page = render_template("people/second_factor.html", form=form, groups=groups, address=address)
    return page, form.status


@blueprint.post("/second-factor/drop")
@roles(Role.COUNTER, Role.BENCH)
@proven(Proof.LOGINS)
def no_second_factor() -> ResponseReturnValue:
    """Remove one's own second factor."""
    begin_login(drop_factor(current_work(), current_user.id))
    return flash_and_redirect("Your login asks for no code any more. Your other logins have ended.", "mine.index")


@blueprint.post("/<int:number>/end")
@roles(Role.COUNTER, Role.BENCH)
@proven(Proof.LOGINS)
def end(number: int) -> ResponseReturnValue:
    """End one of one's own logins."""
    end_by_number(current_work(), number)
    return flash_and_redirect("That login has ended.", "mine.index")
