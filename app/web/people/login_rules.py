"""The owner's page about logins: which are open, and when they are asked again."""

from __future__ import annotations

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue
from wtforms import BooleanField
from wtforms.validators import InputRequired

from app.ledger.people.login_rules import MOST_MINUTES, LoginRules, Proof, get_rules, set_rules
from app.ledger.people.sessions import Limits, end_by_number, list_open
from app.ledger.store.events import events_of
from app.web.access import owner_only, proven
from app.web.errors import about
from app.web.fields import WholeField
from app.web.forms_base import SavedForm, flash_and_redirect
from app.web.services import current_work, request_session, the_config, the_time


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


blueprint = Blueprint("logins", __name__, url_prefix="/house/logins")


@blueprint.route("", methods=["GET", "POST"])
@owner_only
@proven(Proof.LOGINS)
def index() -> ResponseReturnValue:
    """The rules for logins, and every login that is open."""
    form = LoginRulesForm(obj=get_rules(request_session()))
    about("logins", form)
    if form.run(lambda: set_rules(current_work(), form.into(LoginRules, version=0), form.version_read)):
        return flash_and_redirect("The rules for logins are saved.", "logins.index")
    limits = Limits.of(the_config())
    return render_template(
        "people/login_rules.html",
        form=form,
        logins=list_open(request_session(), the_time(), limits),
        events=events_of(request_session(), "logins", limit=5),
    ), form.status


@blueprint.post("/<int:number>/end")
@owner_only
@proven(Proof.LOGINS)
def end(number: int) -> ResponseReturnValue:
    """End somebody's login."""
    return flash_and_redirect(f"A login of {end_by_number(current_work(), number)} has ended.", "logins.index")
