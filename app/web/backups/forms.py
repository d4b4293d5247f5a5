"""The form that seals a backup to take away."""

from __future__ import annotations

from wtforms import PasswordField
from wtforms.validators import EqualTo, InputRequired

from app.web.forms_base import PageForm


class SealForm(PageForm):
    """A passphrase for one backup, typed twice."""

    passphrase = PasswordField(
        "Passphrase",
        [InputRequired("Enter a passphrase.")],
        description="At least 12 characters. Without it the file opens for nobody, you included: write it down.",
        render_kw={"autocomplete": "new-password"},
    )
    again = PasswordField(
        "Passphrase again",
        [EqualTo("passphrase", "The two passphrases differ; type both again.")],
        render_kw={"autocomplete": "new-password"},
    )
