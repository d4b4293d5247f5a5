"""What was typed into a page whose save could not be taken: it waits for its person, and stands in the page again.

A save comes to nothing where the login had ended, where the page is of an earlier login, and where somebody else
saved the same record first. What it brought waits in this process's memory, without secrets and files, under a token
in the address of the page that has its form. That page shows it in its boxes; nothing is saved until somebody
presses again.
"""

import secrets
import threading
from collections import OrderedDict
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from urllib.parse import parse_qsl, urlencode, urlsplit

from flask import Flask, Response, current_app, g, render_template, request, session
from flask.globals import request_ctx
from flask_login import current_user
from werkzeug.datastructures import ImmutableMultiDict
from werkzeug.exceptions import RequestEntityTooLarge

from app.ledger.importing.imports import is_sealed
from app.web.form_filling import Pairs, filled
from app.web.services import the_time

_NAME = "unsaved"  # in an address
_KEPT = timedelta(hours=12)
_MOST = 64  # pages of all people
_MOST_LETTERS = 1_000_000  # of one page, whose person may have lost the login long ago
_MOST_OF_NOBODY = 256 * 1024  # bytes of a page whose login nothing tells of any more
SECRET_BOXES = {
    "password",
    "again",
    "current",
    "pin",
    "passphrase",
    "secret",
    "bitting",
    "bittings",
    "tmk",
    "control",
    "cuts",
    "measured",
    "fit_cuts",
    "zero",
}
_MACHINES = frozenset({"token", "version", "shown", "known", "seen", "seal", "sealed", "keep", "kept", "gone"})
_HEAD = '<div id="flashes" role="status">'
_waiting = threading.Lock()


@dataclass(frozen=True, slots=True)
class UnsavedText:
    """What was sent to `action`, in order, but no secret. user_id: whose login had sent it; None where unknown.

    page: the path of the page that has its form: no other shows it, since other roles may see that.
    """

    user_id: int | None
    page: str
    action: str
    pairs: Pairs
    why: str
    is_stale: bool  # somebody else saved the record meanwhile
    has_gaps: bool  # secrets or files, which are not kept
    since: datetime
    labels: Mapping[str, str]  # of boxes, by name, where the request said by which form it edits


def is_shown(name: str) -> bool:
    """Whether a box of this name holds what a person typed, and no secret.

    >>> is_shown("lines-0-remark"), is_shown("csrf_token"), is_shown("job_version")
    (True, False, False)
    """
    return (SECRET_BOXES | _MACHINES).isdisjoint(_words(name))


def _words(name: str) -> list[str]:
    return name.lower().replace("-", "_").split("_")


def _is_secret(name: str) -> bool:
    """Whether a box of this request holds a secret: one of a row (cuts-7), or a pasted table that waits sealed."""
    is_table = name == "pasted" and is_sealed(request.form.get("kind", ""))
    return is_table or not SECRET_BOXES.isdisjoint(name.split("-"))


def page_before() -> str:
    """The page of the house that the request came from, as a path with its query; "" for anywhere else."""
    parts = urlsplit(request.referrer or "")
    return f"{parts.path}?{parts.query}".rstrip("?") if parts.netloc == request.host else ""


def page_of_form() -> str:
    """The page that has the form of this request: the one before it or, where that shows none, its own address."""
    adapter = request_ctx.url_adapter
    places = (page_before(), request.full_path.rstrip("?"))
    takes = (place for place in places if place and adapter and adapter.test(place.partition("?")[0], "GET"))
    return _without_token(next(takes, "/"))


def _without_token(place: str) -> str:
    path, _, query = place.partition("?")
    rest = urlencode([pair for pair in parse_qsl(query, keep_blank_values=True) if pair[0] != _NAME])
    return f"{path}?{rest}" if rest else path


def keep_unsaved(why: str, *, is_stale: bool = False) -> str:
    """Keep what this request brought: the address of the page that shows it again; "" where it brought nothing.

    why: a sentence that says what came in between.
    """
    user_id = str(session.get("_user_id", ""))
    origin = request.headers.get("Origin")
    if origin is not None and urlsplit(origin).netloc != request.host:
        return ""  # no page of ours sent this
    if not user_id:
        request.max_content_length = min(_MOST_OF_NOBODY, current_app.config["MAX_CONTENT_LENGTH"])
    pairs: list[tuple[str, str]] = []
    has_gaps = False
    with suppress(RequestEntityTooLarge):
        sent = [pair for pair in request.form.items(multi=True) if pair[0] != "csrf_token"]
        pairs = [pair for pair in sent if not _is_secret(pair[0])]
        dropped = (text for name, text in sent if _is_secret(name))
        has_gaps = any(dropped) or any(file.filename for file in request.files.values())
    if (not pairs and not has_gaps) or sum(len(name) + len(text) for name, text in pairs) > _MOST_LETTERS:
        return ""
    whose = int(user_id) if user_id.isdecimal() else None
    place = page_of_form()
    labels = {field.name: field.label.text for field in g.get("form") or ()}
    page = place.partition("?")[0]
    entry = UnsavedText(whose, page, request.path, pairs, why, is_stale, has_gaps, the_time(), labels)
    token = secrets.token_urlsafe(18)
    with _waiting:
        kept = _kept()
        kept[token] = entry
        while len(kept) > _MOST or entry.since - next(iter(kept.values())).since > _KEPT:
            kept.popitem(last=False)
    return f"{place}{'&' if '?' in place else '?'}{_NAME}={token}"


def _kept() -> "OrderedDict[str, UnsavedText]":
    kept: OrderedDict[str, UnsavedText] = current_app.extensions.setdefault("unsaved text", OrderedDict())
    return kept


def clean_unsaved(clean: Callable[[str], str]) -> None:
    """Let `clean` go over every text that waits: somebody's personal data was deleted."""
    with _waiting:
        kept = _kept()
        for token, entry in kept.items():
            kept[token] = replace(entry, pairs=[(name, clean(text)) for name, text in entry.pairs])


def unsaved_text() -> UnsavedText | None:
    """What waits for this request's page to show it again; None where nothing does, or somebody else's."""
    if request.method != "GET" or not current_user.is_authenticated:
        return None
    found = _kept().get(request.args.get(_NAME, ""))
    if found is None or found.page != request.path or found.user_id not in (None, current_user.id):
        return None
    return found if the_time() - found.since <= _KEPT else None


def take_unsaved_text() -> ImmutableMultiDict[str, str] | None:
    """What waits for this page, as a form that was sent, for a page that builds its boxes from that by itself."""
    unsaved = unsaved_text()
    g.has_unsaved_text = unsaved is not None
    return ImmutableMultiDict(unsaved.pairs) if unsaved else None


def show_unsaved_text(app: Flask) -> None:
    """Let every page put into its boxes what waits for it."""
    app.after_request(_put_in)


def _put_in(response: Response) -> Response:
    if _NAME not in request.args or request.method != "GET" or not current_user.is_authenticated:
        return response
    if response.status_code != 200 or response.mimetype != "text/html" or response.direct_passthrough:
        return response
    unsaved, page = unsaved_text(), response.get_data(as_text=True)
    left: Pairs = ()
    stood: Pairs = ()
    if unsaved is not None and not g.get("has_unsaved_text"):  # the page's own view may have taken it
        page, left, stood = filled(page, request.path, unsaved.action, unsaved.pairs)
    labels = unsaved.labels if unsaved else {}
    shown = {
        "left": _by_label(left, labels),
        "stood": _by_label(stood, labels) if unsaved and unsaved.is_stale else [],
    }
    said = render_template("errors/_unsaved_text.html", unsaved=unsaved, **shown)
    response.set_data(page.replace(_HEAD, _HEAD + said, 1))
    return response


def _by_label(pairs: Pairs, labels: Mapping[str, str]) -> list[tuple[str, str]]:
    pairs = [pair for pair in pairs if pair[1] and is_shown(pair[0])]
    return [(labels.get(name) or name.replace("_", " ").replace("-", " ").capitalize(), text) for name, text in pairs]
