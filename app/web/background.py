"""What takes longer than a page may: done in a thread, told as it goes on, asked for under a token."""

import threading
from collections.abc import Callable, Collection
from dataclasses import dataclass, field
from typing import Any, Literal

from flask import Flask, abort, current_app

from app.errors import BitternError, Problem, Problems
from app.ledger.store.work import Work
from app.web.services import the_ledger

State = Literal["running", "finished", "refused", "broken"]
Tell = Callable[[str, int, int], None]
"""What the work calls as it goes on: what it does, how much of that is done, and how much there is (0: unknown)."""
_MOST_KEPT = 20


@dataclass(slots=True)
class Run:
    """How far something is. `outcome` is there once it is finished; `problems` where it was refused."""

    purpose: str
    user_id: int | None
    name: str
    state: State = "running"
    doing: str = "beginning"
    done: int = 0
    total: int = 0
    outcome: Any = None
    problems: tuple[Problem, ...] = ()
    thread: threading.Thread | None = field(default=None, repr=False)

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

    def start(self, token: str, run: Run, deed: Callable[[], Any], app: Flask) -> None:
        """Begin, unless the same is being worked on already."""
        with self._lock:
            before = self._runs.get(token)
            if before is not None and before.state == "running":
                return
            self._runs.pop(token, None)
            self._runs[token] = run
            over = [name for name, each in self._runs.items() if each.state != "running"]
            for name in over[: max(0, len(self._runs) - _MOST_KEPT)]:
                del self._runs[name]
        run.thread = threading.Thread(target=_go, args=(run, deed, app), daemon=True)
        run.thread.start()


def _go(run: Run, deed: Callable[[], Any], app: Flask) -> None:
    try:
        run.outcome = deed()
    except Problems as error:
        run.problems, run.state = error.problems, "refused"
    except BitternError as error:
        run.problems, run.state = (Problem(error.field, error.message),), "refused"
    except Exception:
        # The page must go on to answer, whatever happened to one file.
        app.logger.exception("%s could not be worked on", run.purpose)
        run.state = "broken"
    else:
        run.state = "finished"


def start_run(token: str, purpose: str, name: str, work: Work, deed: Callable[[Work, Tell], Any]) -> None:
    """Begin what `deed` does, in a session of its own and in the name of who asked. `name`: of the file."""
    app: Flask = current_app._get_current_object()  # type: ignore[attr-defined]  # the thread outlives the request
    ledger, actor, now = the_ledger(), work.actor, work.now
    run = Run(purpose, actor.user_id, name)

    def own_work() -> Any:
        with ledger.work(actor, now) as own:
            return deed(own, run.tell)

    _runs().start(token, run, own_work, app)


def known_run(token: str) -> Run | None:
    """The run of a token; None when this process knows of none."""
    return _runs().find(token)


def find_run(token: str, purposes: Collection[str], work: Work) -> Run:
    """The run of a token for one of these purposes, for whoever began it; 404 where this process knows of none."""
    run = _runs().find(token)
    if run is None or run.purpose not in purposes or run.user_id != work.actor.user_id:
        abort(404, "This file is not known any more; send it again. Nothing of it was saved unless its page said so.")
    return run


def _runs() -> Runs:
    held: Runs = current_app.extensions.setdefault("background runs", Runs())
    return held
