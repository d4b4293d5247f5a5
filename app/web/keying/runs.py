"""Searches that take their time: each in a thread of its own, looked at from a page until it ends.

What a search finds stays in this process's memory, for the person who asked, until it is sealed or forgotten.
"""

from __future__ import annotations

import secrets
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from time import monotonic
from typing import TypeAlias, TypeVar

from flask import Flask, abort, current_app, make_response
from werkzeug.wrappers import Response

from app.errors import BitternError
from app.keying import AccessPlan, BittingChoice, ExtensionSearch, MatrixSolution, Progress
from app.ledger.keysystems.crosskeying import ReadyCross
from app.ledger.keysystems.extending import ReadyExtension
from app.ledger.keysystems.planning import ReadyMatrix
from app.web.services import current_work

MOST_KEPT = 12
MOST_AT_ONCE = 2
Asked: TypeAlias = ReadyMatrix | ReadyCross | ReadyExtension
Ready = TypeVar("Ready", ReadyMatrix, ReadyCross, ReadyExtension)
Found: TypeAlias = AccessPlan | MatrixSolution | BittingChoice | ExtensionSearch
Search: TypeAlias = Callable[[Progress], Found]


@dataclass(slots=True, eq=False)
class SearchRun:
    """One search: whose it is, how far it has come, and what it found or why it was refused."""

    token: str
    user_id: int | None
    ready: Asked = field(repr=False)
    seconds: int
    unwanted: int | None = None  # what the best so far still lacks: operations to shut out, or keysets without a cut
    found: Found | None = field(default=None, repr=False)
    refusal: str = ""
    ended: threading.Event = field(default_factory=threading.Event)
    started: float = field(default_factory=monotonic)

    @property
    def percent(self) -> int:
        """The share of the time that has gone, in whole percent; by the clock, since not every search tells it."""
        return min(int((monotonic() - self.started) * 100 / self.seconds), 100)


def _runs(app: Flask) -> dict[str, SearchRun]:
    runs: dict[str, SearchRun] = app.extensions.setdefault("keying runs", {})
    return runs


def start_run(user_id: int | None, ready: Asked, seconds: int, search: Search, wait: float = 2.0) -> SearchRun:
    """Start a search and give it `wait` seconds to end at once; BitternError while too many are under way."""
    runs = _runs(current_app)
    if sum(not run.ended.is_set() for run in runs.values()) >= MOST_AT_ONCE:
        raise BitternError("file", "Two searches are under way already; wait until one has ended.")
    run = SearchRun(secrets.token_urlsafe(12), user_id, ready, seconds)
    over = [token for token, kept in runs.items() if kept.ended.is_set()]
    for token in over[: max(0, len(runs) + 1 - MOST_KEPT)]:
        del runs[token]
    runs[run.token] = run
    broke = current_app.logger.exception
    threading.Thread(target=_search, args=(run, search, broke), daemon=True).start()
    run.ended.wait(wait)
    return run


def _search(run: SearchRun, search: Search, broke: Callable[[str], None]) -> None:
    def on_progress(unwanted: int, _share: float) -> None:
        run.unwanted = unwanted

    try:
        run.found = search(on_progress)
    except BitternError as error:
        run.refusal = error.message
    except Exception:
        broke("a search for bittings broke off")
        run.refusal = "The search broke off. Nothing was saved; ask for less, and tell the owner."
    finally:
        run.ended.set()


def own_run(token: str, kind: type[Ready]) -> tuple[SearchRun, Ready]:
    """The acting person's own search with this token, and what it is for; 404 when it is another's, or forgotten."""
    run = _runs(current_app).get(token)
    if run is None or run.user_id != current_work().actor.user_id or not isinstance(run.ready, kind):
        abort(404, "This search is no longer kept: results stay until the house is restarted. Start it again.")
    return run, run.ready


def answer_of(run: SearchRun, page: str) -> Response:
    """A search's page, which asks again by itself, without a script, until the search has ended."""
    answer = make_response(page)
    if not run.ended.is_set():
        answer.headers["Refresh"] = "2"
    return answer
