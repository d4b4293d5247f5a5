"""The owner's pages about users and logins: who may log in, who is, and when they are asked again."""

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue
from wtforms import BooleanField, RadioField
from wtforms.validators import InputRequired

from app.ledger.catalog.first_day import is_first_day
from app.ledger.people import users as actions
from app.ledger.people.login_rules import MOST_MINUTES, LoginRules, Proof, get_rules, set_rules
from app.ledger.people.second_factor import drop_factor
from app.ledger.people.sessions import Limits, end_by_number, list_open
from app.ledger.people.users import get_user, list_users
from app.ledger.store.events import events_of
from app.ledger.tables import Role, User
from app.web.access import owner_only, proven
from app.web.errors import about
from app.web.fields import WholeField
from app.web.forms_base import PageForm, SavedForm, flash_and_redirect, text, typed
from app.web.logins import begin_login
from app.web.people.forms import first_password, same_password
from app.web.services import current_work, request_session, the_config, the_time

ROLES = {
    Role.COUNTER.value: "Counter: quotes, jobs, doors and customers; never a bitting",
    Role.BENCH.value: "Bench: the same, and pins and cuts",
    Role.OWNER.value: "Owner: everything, prices and users too",
}


class AddUserForm(PageForm):
    """Somebody new."""

    name = text(
        "Name", User.name, hint="They log in with it.", needed="Enter a name.", render_kw={"autocomplete": "off"}
    )
    role = RadioField("Role", [InputRequired("Choose a role.")], choices=ROLES)
    password = first_password("First password", more=" They can change it after their first login.")
    again = same_password("First password again")


class UserForm(SavedForm):
    """Role, and whether they may log in."""

    role = RadioField("Role", [InputRequired("Choose a role.")], choices=ROLES)
    active = BooleanField("May log in", description="Nobody is deleted: what they did stays on record.")


class PasswordForm(SavedForm):
    """A new password for somebody."""

    password = first_password("New password")
    again = same_password("New password again")


class LoginRulesForm(SavedForm):
    """When a screen locks, and what asks for the password once more."""

    lock_minutes = WholeField(
        "Screens lock after (minutes)",
        [InputRequired("Enter the minutes, 0 for never.")],
        least=0,
        most=MOST_MINUTES,
        description="Without a key or a press. 0: only when somebody presses Lock.",
    )
    proof_minutes = WholeField(
        "A password given holds for (minutes)",
        [InputRequired("Enter the minutes.")],
        least=1,
        most=MOST_MINUTES,
        description="Logging in counts as giving it.",
    )
    proof_of_list = BooleanField("Ask the owner for the password before a bitting list")
    proof_of_owner = BooleanField("Ask the owner for the password before any other bitting")
    proof_of_bench = BooleanField(
        "Ask the bench for the password before bittings and bench sheets",
        description="The bench looks at bittings all day, so this is off unless the house wants it.",
    )


blueprint = Blueprint("house", __name__, url_prefix="/house")


@blueprint.get("")
@owner_only
def index() -> ResponseReturnValue:
    """Who may log in."""
    return render_template("people/users.html", users=list_users(request_session()))


@blueprint.route("/users/new", methods=["GET", "POST"])
@owner_only
@proven(Proof.LOGINS)
def new_user() -> ResponseReturnValue:
    """Put somebody on record."""
    form = AddUserForm()
    if done := form.run(
        lambda: actions.add_user(current_work(), typed(form.name), Role(form.role.data), typed(form.password))
    ):
        back = "first_day.index" if is_first_day(request_session()) else "house.index"
        return flash_and_redirect(f"{done.value.name} may log in now.", back)
    return render_template("people/new_user.html", form=form), form.status


@blueprint.route("/users/<int:user_id>", methods=["GET", "POST"])
@owner_only
@proven(Proof.LOGINS)
def user(user_id: int) -> ResponseReturnValue:
    """One user: role, whether they may log in, and what happened to them."""
    person = get_user(request_session(), user_id)
    form = UserForm(obj=person)
    about(f"user {user_id}", form)
    work = current_work()
    if done := form.run(
        lambda: actions.change_user(work, user_id, form.version_read, Role(form.role.data), form.active.data)
    ):
        _keep_own_login(done.value.id)
        return flash_and_redirect(f"{done.value.name} is saved.", "house.index")
    events = events_of(request_session(), f"user {user_id}", limit=12)
    return render_template("people/user.html", form=form, person=person, events=events), form.status


@blueprint.route("/users/<int:user_id>/password", methods=["GET", "POST"])
@owner_only
@proven(Proof.LOGINS)
def password(user_id: int) -> ResponseReturnValue:
    """Give somebody a new password."""
    person = get_user(request_session(), user_id)
    form = PasswordForm(obj=person)
    about(f"user {user_id}", form)
    if done := form.run(
        lambda: actions.set_password(current_work(), user_id, form.version_read, typed(form.password))
    ):
        _keep_own_login(done.value.id)
        return flash_and_redirect(
            f"{done.value.name} has a new password; their logins have ended.", "house.user", user_id=user_id
        )
    return render_template("people/password.html", form=form, person=person), form.status


@blueprint.post("/users/<int:user_id>/second-factor/drop")
@owner_only
@proven(Proof.LOGINS)
def no_second_factor(user_id: int) -> ResponseReturnValue:
    """Remove somebody's second factor: their phone was lost."""
    changed = drop_factor(current_work(), user_id)
    _keep_own_login(changed.id)
    return flash_and_redirect(
        f"{changed.name} logs in without a code; their logins have ended.", "house.user", user_id=user_id
    )


@blueprint.route("/logins", methods=["GET", "POST"])
@owner_only
@proven(Proof.LOGINS)
def logins() -> ResponseReturnValue:
    """The rules for logins, and every login that is open."""
    form = LoginRulesForm(obj=get_rules(request_session()))
    about("logins", form)
    if form.run(lambda: set_rules(current_work(), form.into(LoginRules, version=0), form.version_read)):
        return flash_and_redirect("The rules for logins are saved.", "house.logins")
    limits = Limits.of(the_config())
    return render_template(
        "people/login_rules.html",
        form=form,
        logins=list_open(request_session(), the_time(), limits),
        events=events_of(request_session(), "logins", limit=5),
    ), form.status


@blueprint.post("/logins/<int:number>/end")
@owner_only
@proven(Proof.LOGINS)
def end_login(number: int) -> ResponseReturnValue:
    """End somebody's login."""
    return flash_and_redirect(f"A login of {end_by_number(current_work(), number)} has ended.", "house.logins")


def _keep_own_login(user_id: int) -> None:
    """A change to oneself ends one's other sessions, not this one."""
    work = current_work()
    if user_id == work.actor.user_id:
        begin_login(get_user(work.session, user_id))
