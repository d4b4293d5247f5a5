"""A paper as an e-mail: its page, whatever the paper is; sent through the house's server, or saved as a file."""

import secrets
from collections.abc import Callable
from dataclasses import dataclass
from email.message import EmailMessage
from email.utils import make_msgid
from typing import Any

from flask import flash, redirect, render_template, request
from flask.typing import ResponseReturnValue
from wtforms import TextAreaField
from wtforms.validators import Length

from app.documents import MailText, PrintingBusy, read_recipients
from app.errors import BitternError
from app.ledger.quoting.mailing import MailServer, Sent
from app.validation import length_limit
from app.web.errors import RETRY_PRINTING
from app.web.files import EML, send
from app.web.forms_base import PageForm, attach, text, typed
from app.web.services import the_config


class MailForm(PageForm):
    """The e-mail as it goes out. `token`: one press of Send, one message."""

    to = text("To", 600, hint="Several addresses are parted by commas.")
    subject = text("Subject", 200)
    body = TextAreaField("Text", [Length(max=8000, message=length_limit(8000))], render_kw={"rows": 12})
    token = text("Page", 64, needed="Load the page again.")


@dataclass(frozen=True, slots=True)
class MailedPaper:
    """What is mailed: its name in a sentence, the file that it is saved as, and the page to go on to.

    usual: the address and the words that stand in the boxes at first. message: what goes to these addresses with
    these words. send: has the server take it, for the token of one press.
    """

    name: str
    file: str
    back: str
    usual: Callable[[], tuple[str, MailText]]
    message: Callable[[tuple[str, ...], MailText], EmailMessage]
    send: Callable[[EmailMessage, MailServer, str], Sent]


def mail_page(paper: MailedPaper, template: str, **shown: Any) -> ResponseReturnValue:
    """Write the e-mail of a paper; `press` says whether it is saved as a file or sent."""
    form, server = MailForm(), mail_server()
    if not form.is_submitted():
        address, words = paper.usual()
        form.to.data, form.subject.data, form.body.data = address, words.subject, words.body
        form.token.data = secrets.token_hex(16)
    status, headers = form.status, {}
    if form.validate_on_submit():
        try:
            return _go(paper, form, server)
        except BitternError as error:
            attach(form, error)
            if isinstance(error, PrintingBusy):
                status, headers = 503, RETRY_PRINTING
    return render_template(template, form=form, server=server, **shown), status, headers


def _go(paper: MailedPaper, form: MailForm, server: MailServer | None) -> ResponseReturnValue:
    words = MailText(typed(form.subject), typed(form.body))
    message = paper.message(read_recipients(typed(form.to)), words)
    if request.form.get("press") != "send" or server is None:
        # Mail programs that know this header open the file ready to be sent, not as one received.
        message["X-Unsent"] = "1"
        return send(message.as_bytes(), paper.file, EML)
    sender = message["From"].addresses[0]
    message["Message-ID"] = make_msgid(domain=sender.domain)  # one without is often taken for junk
    done = paper.send(message, server, typed(form.token))
    if done.to:
        flash(f"{paper.name} is sent to {', '.join(done.to)}.")
    if done.refused:
        flash(f"The mail server refuses {', '.join(done.refused)}: nothing went there.", "caution")
    elif not done.to:
        flash("This e-mail was sent already; it was not sent twice.", "caution")
    return redirect(paper.back, 303)


def mail_server() -> MailServer | None:
    """The house's mail server; None where the environment names none."""
    config = the_config()
    if not config.smtp_host:
        return None
    return MailServer(
        config.smtp_host, config.smtp_port, config.smtp_user, config.smtp_password or "", config.smtp_security
    )
