"""The forms at the door: log in, one's own password, PIN and second factor."""

from wtforms import HiddenField, PasswordField
from wtforms.validators import EqualTo, InputRequired, ValidationError

from app.errors import BitternError
from app.ledger.people.own_secrets import LEAST_PIN, MOST_PIN
from app.ledger.people.passwords import LEAST, check_new_password
from app.ledger.tables import House, User
from app.web.forms_base import PageForm, text, typed

PASSWORD_HINT = f"At least {LEAST} characters; a few words in a row are easy to keep."


def own_password(needed: str = "Enter your password.", label: str = "Your password") -> PasswordField:
    """A box for the password that one has."""
    return PasswordField(label, [InputRequired(needed)], render_kw={"autocomplete": "current-password"})


def first_password(label: str, needed: str = "Enter a password.", more: str = "") -> PasswordField:
    """A box for a password that does not exist yet."""
    hint, attributes = f"{PASSWORD_HINT}{more}", {"autocomplete": "new-password"}
    return PasswordField(label, [InputRequired(needed), _check_new], description=hint, render_kw=attributes)


def _check_new(form: PageForm, field: PasswordField) -> None:
    """What is wrong with a password by itself, told with what else is wrong on the page."""
    name = next((typed(form[box]) for box in ("owner_name", "name") if box in form), "")
    house = [typed(form["house_name"])] if "house_name" in form else []
    try:
        check_new_password(typed(field), name, house)
    except BitternError as error:
        raise ValidationError(error.message) from error


def same_password(label: str) -> PasswordField:
    """The box for typing the form's `password` once more."""
    checks = [EqualTo("password", "The two passwords differ; type both again.")]
    return PasswordField(label, checks, render_kw={"autocomplete": "new-password"})


_CODE = {"autocomplete": "one-time-code", "inputmode": "numeric"}
_PIN = {"autocomplete": "off", "inputmode": "numeric"}


class LoginForm(PageForm):
    """Name and password."""

    name = text("Name", User.name, needed="Enter your name.", render_kw={"autocomplete": "username"})
    password = own_password(label="Password")


class CodeLoginForm(LoginForm):
    """The same where somebody has a second factor."""

    code = text("Code", 12, hint="From your phone, if you set up a second factor.", render_kw=_CODE)


class FactorForm(PageForm):
    """A second factor for oneself."""

    secret = HiddenField()  # sealed for this person and this day
    current = own_password()
    code = text(
        "Code of now",
        12,
        hint="The six digits that the phone shows once it has the key.",
        needed="Enter the code.",
        render_kw=_CODE,
    )


class FirstStartForm(PageForm):
    """What an empty house asks first."""

    house_name = text(
        "Name of the house", House.name, hint="Stands at the head of every paper.", needed="Enter the name."
    )
    owner_name = text(
        "Your name",
        User.name,
        hint="You log in with it. You are the owner: you may do everything.",
        needed="Enter your name.",
        render_kw={"autocomplete": "username"},
    )
    password = first_password("Password")
    again = same_password("Password again")


class OwnPasswordForm(PageForm):
    """A new password for oneself."""

    current = own_password("Enter your current password.", "Current password")
    password = first_password("New password", needed="Enter a new password.")
    again = same_password("New password again")


class PinForm(PageForm):
    """A PIN for one's own screen."""

    current = own_password()
    pin = PasswordField(
        "New PIN",
        [InputRequired("Enter a PIN.")],
        description=f"{LEAST_PIN} to {MOST_PIN} digits. It unlocks your screen, and logs nobody in.",
        render_kw=_PIN,
    )
    again = PasswordField(
        "New PIN again",
        [EqualTo("pin", "The two PINs differ; type both again.")],
        render_kw=_PIN,
    )
