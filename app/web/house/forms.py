"""The owner's forms about users."""

from __future__ import annotations

__all__ = ["AddUserForm", "PasswordForm", "UserForm"]

from wtforms import BooleanField, PasswordField, RadioField
from wtforms.validators import EqualTo, InputRequired

from app.ledger.users.models import Role
from app.web.forms_base import PageForm, SavedForm, text
from app.web.login.forms import PASSWORD_HINT

ROLES = {
    Role.COUNTER.value: "Counter: quotes, jobs, doors and customers; never a bitting",
    Role.BENCH.value: "Bench: the same, and pins and cuts",
    Role.OWNER.value: "Owner: everything, prices and users too",
}


class AddUserForm(PageForm):
    """Somebody new."""

    name = text("Name", 80, hint="They log in with it.", needed="Enter a name.", render_kw={"autocomplete": "off"})
    role = RadioField("Role", [InputRequired("Choose a role.")], choices=ROLES)
    password = PasswordField(
        "First password",
        [InputRequired("Enter a password.")],
        description=f"{PASSWORD_HINT} They can change it after their first login.",
        render_kw={"autocomplete": "new-password"},
    )
    again = PasswordField(
        "First password again",
        [EqualTo("password", "The two passwords differ; type both again.")],
        render_kw={"autocomplete": "new-password"},
    )


class UserForm(SavedForm):
    """Role, and whether they may log in."""

    role = RadioField("Role", [InputRequired("Choose a role.")], choices=ROLES)
    active = BooleanField("May log in", description="Nobody is deleted: what they did stays on record.")


class PasswordForm(SavedForm):
    """A new password for somebody."""

    password = PasswordField(
        "New password",
        [InputRequired("Enter a password.")],
        description=PASSWORD_HINT,
        render_kw={"autocomplete": "new-password"},
    )
    again = PasswordField(
        "New password again",
        [EqualTo("password", "The two passwords differ; type both again.")],
        render_kw={"autocomplete": "new-password"},
    )
