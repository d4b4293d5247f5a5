"""What takes longer than a page may: done in a thread, told as it goes on, asked for under a token."""

import threading
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import Any, Literal

from flask import Flask, Response, abort, current_app, render_template

from app.errors import BitternError, Problem
from app.ledger.store.work import Progress, Work
from app.web.query_args import wants_fragment
from app.web.services import the_ledger

State = Literal["running", "finished", "refused", "broken"]
_MOST_KEPT = 20
AT_ONCE = 2.0  # seconds; what is done so soon needs no page that tells how far it is


@dataclass(slots=True)
class Run:
    """How far something is. `outcome` is there once it is finished, `error` where it was refused; mark: what it was
    begun with.
    """

    purpose: str
    user_id: int | None
    name: str
    state: State = "running"
    doing: str = "beginning"
    done: int = 0
    total: int = 0
    outcome: Any = None
    error: BitternError | None = None
    mark: Any = None
    thread: threading.Thread | None = field(default=None, repr=False)

    @property
    def problems(self) -> tuple[Problem, ...]:
        """What was refused."""
        return self.error.problems if self.error else ()

    def awaited(self, *, however_long: bool = False) -> bool:
        """Whether it has ended, or does so at once; or is waited for however long it takes."""
        if self.thread is not None:
            self.thread.join(None if however_long else AT_ONCE)
        return self.state != "running"

    def result(self) -> Any:
        """What became of it, once it has ended: the outcome; raises what it was refused with."""
        if self.error is not None:
            raise self.error
        if self.state != "finished":
            raise BitternError("", "This could not be worked on. Nothing was saved. Try it again; tell the owner.")
        return self.outcome

    @property
    def percent(self) -> int | None:
        """How much of the present step is done; None where nobody knows how much there is."""
        return min(100, self.done * 100 // self.total) if self.total else None

    def tell(self, doing: str, done: int, total: int) -> None:
        """Keep how far it is."""
        self.doing, self.done, self.total = doing, done, total


class Runs:
    """The runs of this process by their tokens; the oldest are forgotten."""

    def __init__(self) -> None:
        self._runs: dict[str, Run] = {}
        self._lock = threading.Lock()

    def find(self, token: str) -> Run | None:
        """The run of a token; None when this process knows of none."""
        return self._runs.get(token)

    def start(self, token: str, run: Run, deed: Callable[[], Any], app: Flask, most_kept: int) -> Run:
        """Begin, unless the same is being worked on already; the run that goes on."""
        with self._lock:
            before = self._runs.get(token)
            if before is not None and before.state == "running":
                return before
            self._runs.pop(token, None)
            run.thread = threading.Thread(target=_go, args=(run, deed, app), daemon=True)
            self._runs[token] = run
            over = [name for name, each in self._runs.items() if each.state != "running"]
            alike = [name for name in over if self._runs[name].purpose == run.purpose]
            for name in {*over[: max(0, len(self._runs) - _MOST_KEPT)], *alike[: max(0, len(alike) + 1 - most_kept)]}:
                del self._runs[name]
            run.thread.start()
        return run

    def forget(self, token: str) -> None:
        """Forget a run that has ended."""
        with self._lock:
            if (run := self._runs.get(token)) is not None and run.state != "running":
                del self._runs[token]


def _go(run: Run, deed: Callable[[], Any], app: Flask) -> None:
    try:
        run.outcome = deed()
    except BitternError as error:
        run.error, run.state = error, "refused"
    except Exception:
        # The page must go on to answer, whatever happened to one file.
        app.logger.exception("%s could not be worked on", run.purpose)
        run.state = "broken"
    else:
        run.state = "finished"


def start_run(
    token: str,
    purpose: str,
    name: str,
    work: Work,
    deed: Callable[[Work, Progress], Any],
    mark: Any = None,
    most_kept: int = _MOST_KEPT,
) -> Run:
    """Begin what `deed` does, in a session of its own and in the name of who asked; the run, which is an earlier one
    of this token where that goes on still. `name`: of the file. most_kept: runs of this purpose that are remembered.
    """
    app: Flask = current_app._get_current_object()  # type: ignore[attr-defined]  # the thread outlives the request
    ledger, actor, now = the_ledger(), work.actor, work.now
    run = Run(purpose, actor.user_id, name, mark=mark)

    def own_work() -> Any:
        with ledger.work(actor, now) as own:
            return deed(own, run.tell)

    return _runs().start(token, run, own_work, app, most_kept)


def known_run(token: str) -> Run | None:
    """The run of a token; None when this process knows of none."""
    return _runs().find(token)


def forget_run(token: str) -> None:
    """Forget a run that has ended."""
    _runs().forget(token)


def show_run(
    run: Run,
    fragment: str,
    again: str,
    back: str,
    title: str,
    mend: str = "Send a mended file",
    **shown: Any,
) -> str:
    """The page of a run, or the part of it that tells how far it is. fragment: the template, on `_run.html`, that
    says what came of it; again: its own address; back, mend: where it is tried again, and the words for that.
    """
    template = fragment if wants_fragment() else "run.html"
    told = {"run": run, "again": again, "back": back, "title": title, "mend": mend}
    return render_template(template, fragment=fragment, **told, **shown)


def look_anew() -> Response:
    """Has the page that asks how far it is ask for itself as a whole: there is something else to see."""
    return Response(headers={"HX-Refresh": "true"})


def find_run(token: str, purposes: Collection[str], work: Work) -> Run:
    """The run of a token for one of these purposes, for whoever began it; 404 where this process knows of none."""
    run = _runs().find(token)
    if run is None or run.purpose not in purposes or run.user_id != work.actor.user_id:
        abort(404, "This file is not known any more; send it again. Nothing of it was saved unless its page said so.")
    return run


def _runs() -> Runs:
    held: Runs = current_app.extensions.setdefault("background runs", Runs())
    return held
