"""When the last good backup was, how to make one and put it back, and one to save elsewhere now."""

from flask import Blueprint, Response, render_template, send_file
from flask.typing import ResponseReturnValue
from wtforms import PasswordField
from wtforms.validators import EqualTo, InputRequired

from app.errors import BitternError
from app.ledger.care.backups import make_backup, recent_backups
from app.ledger.care.place import database_file, scratch
from app.ledger.care.sealing import Secret, passphrase_secret
from app.ledger.people.login_rules import Proof
from app.ledger.store.errors import BackupError
from app.web.access import owner_only, proven
from app.web.forms_base import PageForm, attach, typed
from app.web.services import current_work, request_session, the_config, the_ledger, the_time


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


blueprint = Blueprint("backups", __name__, url_prefix="/house/backups")


@blueprint.get("")
@owner_only
def index() -> ResponseReturnValue:
    """The page."""
    return _page(SealForm()), 200


@blueprint.post("/download")
@owner_only
@proven(Proof.COPIES)
def download() -> ResponseReturnValue:
    """A sealed backup of this moment, sent to the browser; nothing of it stays here but the word on record."""
    form = SealForm()
    if not form.validate_on_submit():
        return _page(form), 422
    try:
        secret = passphrase_secret(typed(form.passphrase))
        request_session().rollback()  # the copy reads past this request, which must hold nothing meanwhile
        return _sealed(secret)
    except BitternError as error:
        attach(form, error)
    return _page(form), 422


def _sealed(secret: Secret) -> Response:
    config = the_config()
    with scratch(config) as folder:
        made = make_backup(config, the_ledger(), current_work().actor, folder, secret, now=the_time())
        # Opened before the folder goes: the open file lasts until it is sent.
        return send_file(
            made.path.open("rb"),
            mimetype="application/octet-stream",
            as_attachment=True,
            download_name=made.path.name,
            max_age=0,
        )


def _page(form: SealForm) -> str:
    config = the_config()
    try:
        database_file(config)
        elsewhere = ""
    except BackupError as error:
        elsewhere = error.message
    made = recent_backups(request_session())
    return render_template(
        "care/backups.html",
        made=made,
        last=next(iter(made), None),
        elsewhere=elsewhere,  # why the records are backed up by other means; "" where they are not
        key_place=config.vault_key_place,
        form=form,
    )
