"""The owner's forms about users."""

from __future__ import annotations

from wtforms import BooleanField, RadioField
from wtforms.validators import InputRequired

from app.ledger.tables import Role
from app.web.forms_base import PageForm, SavedForm, text
from app.web.login.forms import first_password, same_password

ROLES = {
    Role.COUNTER.value: "Counter: quotes, jobs, doors and customers; never a bitting",
    Role.BENCH.value: "Bench: the same, and pins and cuts",
    Role.OWNER.value: "Owner: everything, prices and users too",
}


class AddUserForm(PageForm):
    """Somebody new."""

    name = text("Name", 80, hint="They log in with it.", needed="Enter a name.", render_kw={"autocomplete": "off"})
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
