"""The pages for what went wrong: each says calmly what happened and what to do."""

import secrets
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from flask import Flask, current_app, g, render_template, request
from flask.typing import ResponseReturnValue
from flask_login import current_user
from flask_wtf.csrf import CSRFError
from werkzeug.exceptions import HTTPException
from wtforms import BooleanField, Field, Form, HiddenField, PasswordField, SelectField

from app.documents import PrintingBusy
from app.errors import BitternError
from app.ledger.keysystems.auditing import StoppedByAudit
from app.ledger.keysystems.system_queries import get_system
from app.ledger.sites.door_history import newest_change
from app.ledger.store import DBAPIError
from app.ledger.store.errors import LedgerBusy, LedgerStopped, NotAllowed, NotFound, Stale, VaultError, trouble_of
from app.ledger.store.events import events_of
from app.ledger.tables import Role
from app.web.forms_base import record_id
from app.web.services import request_session, the_config
from app.web.unsaved_text import is_shown, keep_unsaved, page_of_form

Answer = tuple[str, int]


@dataclass(frozen=True, slots=True)
class _Page:
    title: str
    what: str
    do: str


_PAGES: Mapping[int, _Page] = {
    400: _Page("This could not be read", "The request was not complete.", "Go back, load the page again and retry."),
    403: _Page(
        "Not open to you",
        "Your role does not permit this page.",
        "If your work needs it, ask the owner to change your role under Settings.",
    ),
    404: _Page(
        "Not found",
        "There is no page at this address.",
        "Check the address, or start from one of the words at the head of the page.",
    ),
    405: _Page("Not done that way", "This address does not take that kind of request.", "Go back and use the page."),
    413: _Page(
        "Too large",
        "What was sent is larger than this house takes at once. Nothing was saved.",
        "Send a smaller file, a photo at half its width for example, or fewer rows at a time.",
    ),
    500: _Page(
        "Something broke here",
        "The page could not be made. What was saved before is safe; this step was undone.",
        "Try once more. If it happens again, give the owner the reference below.",
    ),
    503: _Page(
        "The ledger is busy",
        "Another save kept the ledger for too long. Nothing of this one was saved, and nothing was lost.",
        "Go back and save again.",
    ),
}
_CSRF = _Page(
    "Load the page again",
    "This form belongs to an earlier login, or was not sent from one of our pages. Nothing was saved.",
    "Go back, load the page again and save once more.",
)
_PRINTING = _Page(
    "Printing is busy",
    "Other papers are being made, and as many as may wait are waiting. Nothing was lost.",
    "Wait a few seconds, then load this page again: the paper is made then.",
)
RETRY_PRINTING = {"Retry-After": "10"}
_MOST_FINDINGS = 40


def about(subject: str, form: Form | None = None) -> None:
    """Say which record this request edits ("user 3") and by which form.

    A stale save can then tell who changed the record, and show what was typed under the form's own labels.
    """
    g.subject, g.form = subject, form


def answer_errors(app: Flask) -> None:
    """Register the pages."""
    for kind, answer in _ANSWERS.items():
        app.register_error_handler(kind, answer)


def _page(status: int, page: _Page, *, what: str = "", reference: str = "", put_in: str = "") -> Answer:
    shown = {"status": status, "page": page, "what": what or page.what, "reference": reference, "put_in": put_in}
    try:
        return render_template("errors/error.html", **shown), status
    except Exception:  # the layout asks the ledger who is logged in; where that fails too, the words stand alone
        current_app.logger.exception("the page for answer %s could not be laid out", status)
        return render_template("errors/bare.html", **shown), status


def _http(error: HTTPException) -> Answer | HTTPException:
    status = error.code or 500
    if status < 400:
        return error
    known = _PAGES.get(status) or _Page("This could not be done", error.description or "", "Go back and try again.")
    # Only sentences of our own are shown: abort(404, "There is no job 12 …").
    own = error.description if error.description and error.description != type(error).description else ""
    if status == 413:
        return _page(status, known, what=_too_large())
    return _page(status, known, what=own if status in (400, 403, 404) else "")


def _of_earlier_login() -> ResponseReturnValue:
    """The page of a former login is not taken at its word: what it brought is shown once more, by a page of now."""
    put_in = keep_unsaved("The page was of an earlier login.") if current_user.is_authenticated else ""
    answer = _page(400, _CSRF, put_in=put_in)
    return (*answer, {"HX-Redirect": put_in}) if put_in and request.headers.get("HX-Request") else answer


def _too_large() -> str:
    sent, most = request.content_length or 0, request.max_content_length or the_config().upload_bytes
    if sent <= most:
        return ""  # it was not its length
    says = f"What was sent has {-(-sent // 2**20)} MB; this house takes {most // 2**20} MB at once."
    return f"{says} Nothing was saved." if most >= 2**20 else ""


def _findings(error: StoppedByAudit) -> Answer:
    """Every finding with its remedy, and the systems whose pages mend them; no cut is in any of it."""
    systems = [get_system(request_session(), system_id) for system_id in error.system_ids]
    return render_template("errors/findings.html", error=error, systems=systems, most=_MOST_FINDINGS), 400


def _stopped(error: LedgerStopped) -> ResponseReturnValue:
    current_app.logger.error("%s: %s", error.title, error.message)
    request_session().rollback()
    return *_page(503, _Page(error.title, error.message, error.mend)), {"Retry-After": "60"}


def _database(error: DBAPIError) -> ResponseReturnValue:
    trouble = trouble_of(error)
    request_session().rollback()
    if isinstance(trouble, LedgerStopped):
        return _stopped(trouble)
    return _ANSWERS[LedgerBusy](trouble) if isinstance(trouble, LedgerBusy) else _broken(error)


def _vault(error: VaultError) -> Answer:
    current_app.logger.error("a sealed record did not open: %s", error.message)
    page = _Page("A sealed record does not open", error.message, "Tell the owner. Do not key from memory meanwhile.")
    return _page(500, page)


def _stale(error: Stale) -> Answer:
    # The change is told by what anybody may see; a site's is also that of one of its doors.
    session, subject = request_session(), g.get("subject", "")
    site_id = record_id(subject.removeprefix("site "))
    newest = newest_change(session, site_id, Role.COUNTER) if site_id else None
    if newest is None:
        newest = next(iter(events_of(session, subject, Role.COUNTER, limit=1)), None)
    page = render_template(
        "errors/stale.html",
        change=newest,
        message=error.message,
        typed=_typed(),
        again=page_of_form(),
        put_in=keep_unsaved("Somebody else saved it first.", is_stale=True),
    )
    return page, 409


def _typed() -> list[tuple[str, str]]:
    """What was sent, by label, without secrets and without what only the machine reads."""
    form: Form | None = g.get("form")
    if form is None:
        pairs = [(name.replace("_", " ").replace("-", " ").capitalize(), value) for name, value in _sent()]
    else:
        shown = [field for field in form if not isinstance(field, (HiddenField, PasswordField))]
        pairs = [(field.label.text, _in_words(field)) for field in shown]
    return [(label, value) for label, value in pairs if value]


def _sent() -> list[tuple[str, str]]:
    return [(name, value) for name, value in request.form.items(multi=True) if is_shown(name)]


def _in_words(field: Field) -> str:
    if isinstance(field, BooleanField):
        return "yes" if field.data else "no"
    if isinstance(field, SelectField):  # one of several choices too
        return ", ".join(str(option.label.text) for option in field if option.checked)
    raw = getattr(field, "raw_data", None)
    return ", ".join(str(value) for value in raw) if raw else str(field.data or "")


def _broken(error: Exception) -> Answer:
    reference = secrets.token_hex(4)
    current_app.logger.exception("reference %s: %s %s", reference, request.method, request.endpoint)
    return _page(500, _PAGES[500], reference=reference)


_ANSWERS: dict[type[Exception], Callable[[Any], ResponseReturnValue]] = {
    HTTPException: _http,
    CSRFError: lambda error: _of_earlier_login(),
    BitternError: lambda error: _page(
        400, _Page("This could not be done", error.message, "Go back, change it and try again. Nothing was saved.")
    ),
    StoppedByAudit: _findings,
    NotFound: lambda error: _page(404, _PAGES[404], what=error.message),
    NotAllowed: lambda error: _page(403, _PAGES[403], what=error.message),
    LedgerBusy: lambda error: (*_page(503, _PAGES[503]), {"Retry-After": "5"}),
    PrintingBusy: lambda error: (*_page(503, _PRINTING), RETRY_PRINTING),
    LedgerStopped: _stopped,
    DBAPIError: _database,
    Stale: _stale,
    VaultError: _vault,
    Exception: _broken,
}
