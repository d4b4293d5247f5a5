"""Long files read in a thread of this process, so that the page can say how far they are."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from flask import Flask, current_app

from app.errors import BitternError, Problem, Problems
from app.ledger.catalog.catalog_import import CataloguePlan, Progress

State = Literal["running", "planned", "loaded", "refused", "broken"]
_MOST_KEPT = 20


@dataclass(slots=True)
class Run:
    """How far one file is. `plan` is there once it was read; `problems` when it was refused."""

    maker_id: int
    user_id: int | None
    name: str
    purpose: str
    state: State = "running"
    doing: str = "beginning"
    done: int = 0
    total: int = 0
    plan: CataloguePlan | None = None
    problems: tuple[Problem, ...] = ()
    thread: threading.Thread | None = field(default=None, repr=False)

    @property
    def percent(self) -> int | None:
        """How much of the present step is done; None where nobody knows how much there is."""
        return min(100, self.done * 100 // self.total) if self.total else None

    def tell(self, doing: str, done: int, total: int) -> None:
        """What the work calls as it goes on."""
        self.doing, self.done, self.total = doing, done, total


class Runs:
    """The runs of this process by the token of their file; the oldest are forgotten."""

    def __init__(self) -> None:
        self._runs: dict[str, Run] = {}
        self._lock = threading.Lock()

    def find(self, token: str) -> Run | None:
        """The run of a file; None when this process knows of none."""
        return self._runs.get(token)

    def start(self, token: str, run: Run, work: Callable[[Progress], CataloguePlan], app: Flask) -> bool:
        """Begin, unless the same file is being worked on already; whether it began."""
        with self._lock:
            before = self._runs.get(token)
            if before is not None and before.state == "running":
                return False
            self._runs.pop(token, None)
            self._runs[token] = run
            finished = [name for name, each in self._runs.items() if each.state != "running"]
            for name in finished[: max(0, len(self._runs) - _MOST_KEPT)]:
                del self._runs[name]
        run.thread = threading.Thread(target=_go, args=(run, work, app), daemon=True)
        run.thread.start()
        return True


def _go(run: Run, work: Callable[[Progress], CataloguePlan], app: Flask) -> None:
    try:
        plan = work(run.tell)
    except Problems as error:
        run.problems, run.state = error.problems, "refused"
    except BitternError as error:
        run.problems, run.state = (Problem(error.field, error.message),), "refused"
    except Exception:
        # The page must go on to answer, whatever happened to one file.
        app.logger.exception("a file of maker %s could not be worked on", run.maker_id)
        run.state = "broken"
    else:
        run.plan, run.problems = plan, plan.problems
        run.state = "refused" if plan.problems else "planned" if run.purpose == "plan" else "loaded"


def runs() -> Runs:
    """This process's runs."""
    held: Runs = current_app.extensions.setdefault("runs", Runs())
    return held
