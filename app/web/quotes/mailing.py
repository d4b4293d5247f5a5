"""A quote as an e-mail: written out, saved as a file, or sent where the house has a mail server."""

from __future__ import annotations

import secrets
from email.utils import make_msgid

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from wtforms import TextAreaField
from wtforms.validators import Length

from app.documents import MailText, PrintingBusy, mail_text, quote_message, read_recipients
from app.errors import BitternError
from app.ledger.catalog.quote_rules import quote_rules
from app.ledger.quoting.mailing import MailServer, send_quote
from app.ledger.tables import Role
from app.validation import length_limit
from app.web.access import roles
from app.web.errors import RETRY_PRINTING
from app.web.files import EML, send
from app.web.forms_base import PageForm, attach, text, typed
from app.web.quotes.page import REVISION, QuoteView, blueprint, quote_view
from app.web.services import current_work, the_config


class MailForm(PageForm):
    """The e-mail as it goes out. `token`: one press of Send, one message."""

    to = text("To", 600, hint="Several addresses are parted by commas.")
    subject = text("Subject", 200)
    body = TextAreaField("Text", [Length(max=8000, message=length_limit(8000))], render_kw={"rows": 12})
    token = text("Page", 64, needed="Load the page again.")


@blueprint.route(f"{REVISION}/mail", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def mail(number: int, revision: int) -> ResponseReturnValue:
    """Write the e-mail of a quote; `press` says whether it is saved as a file or sent."""
    work, form = current_work(), MailForm()
    view = quote_view(work, number, revision)
    server = _server()
    if not form.is_submitted():
        rules = quote_rules(work.session)
        words = mail_text(view.snapshot, rules.mail_subject, rules.mail_text, work.actor.name)
        form.to.data, form.subject.data, form.body.data = view.job.customer.email, words.subject, words.body
        form.token.data = secrets.token_hex(16)
    status, headers = form.status, {}
    if form.is_submitted() and form.validate():
        try:
            return _go(view, form, server)
        except BitternError as error:
            attach(form, error)
            if isinstance(error, PrintingBusy):
                status, headers = 503, RETRY_PRINTING
    return render_template("quotes/mail.html", view=view, form=form, server=server), status, headers


def _go(view: QuoteView, form: MailForm, server: MailServer | None) -> ResponseReturnValue:
    work, config = current_work(), the_config()
    words = MailText(typed(form.subject), typed(form.body))
    sender = config.mail_from or view.snapshot.house.email
    to = read_recipients(typed(form.to))
    message = quote_message(view.snapshot, to, words, sender, work.now)
    number, revision = view.job.number, view.revision.revision
    if request.form.get("press") == "send" and server is not None:
        message["Message-ID"] = make_msgid(domain=sender.rpartition("@")[2])  # one without is often taken for junk
        done = send_quote(work, view.revision.id, message, server, typed(form.token))
        if done.to:
            flash(f"Quote {number}-{revision} is sent to {', '.join(done.to)}.")
        if done.refused:
            flash(f"The mail server refuses {', '.join(done.refused)}: nothing went there.", "caution")
        elif not done.to:
            flash("This e-mail was sent already; it was not sent twice.", "caution")
        return redirect(url_for("quotes.show", number=number, revision=revision), 303)
    # Mail programs that know this header open the file ready to be sent, not as one received.
    message["X-Unsent"] = "1"
    return send(message.as_bytes(), f"quote-{number}-{revision}.eml", EML)


def _server() -> MailServer | None:
    """The house's mail server; None where the environment names none."""
    config = the_config()
    if not config.smtp_host:
        return None
    return MailServer(
        config.smtp_host, config.smtp_port, config.smtp_user, config.smtp_password or "", config.smtp_security
    )
