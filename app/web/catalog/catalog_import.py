"""The owner loads a maker's catalog: sent, read in the background, shown, then saved."""

import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

from flask import Blueprint, Flask, abort, current_app, redirect, render_template, url_for
from flask.typing import ResponseReturnValue

from app.errors import BitternError, Problem, Problems
from app.ledger.care.opening import Ledger
from app.ledger.catalog.catalog_import import CatalogPlan, Progress, load_catalog, plan_catalog
from app.ledger.catalog.maker_queries import get_maker
from app.ledger.store.work import Work
from app.web.access import owner_only
from app.web.forms_base import FilePage
from app.web.query_args import wants_fragment
from app.web.services import current_work, request_session, the_ledger
from app.web.staged_uploads import StagedUpload, find_upload, stage_upload

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
    plan: CatalogPlan | None = None
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

    def start(self, token: str, run: Run, work: Callable[[Progress], CatalogPlan], app: Flask) -> bool:
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


def _go(run: Run, work: Callable[[Progress], CatalogPlan], app: Flask) -> None:
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


blueprint = Blueprint("catalog", __name__, url_prefix="/makers")


def _purpose(maker_id: int) -> str:
    return f"catalog {maker_id}"


@blueprint.route("/<int:maker_id>/catalogue/import", methods=["GET", "POST"])
@owner_only
def send_file(maker_id: int) -> ResponseReturnValue:
    """Take a catalog file and begin to read it."""
    work, form = current_work(), FilePage()
    maker = get_maker(work.session, maker_id)
    if done := form.run(lambda: stage_upload(work, _purpose(maker_id), form.file.data)):
        _start("plan", maker_id, work, done.value)
        return redirect(url_for("catalog.progress", maker_id=maker_id, token=done.value.token), 303)
    return render_template("catalog/import_catalog.html", form=form, maker=maker), form.status


@blueprint.get("/<int:maker_id>/catalogue/import/<token>")
@owner_only
def progress(maker_id: int, token: str) -> ResponseReturnValue:
    """How far the file is, what it would change, or what is wrong with it."""
    run = runs().find(token)
    if run is None or run.maker_id != maker_id or run.user_id != current_work().actor.user_id:
        abort(404, "This file is not known any more; send it again. Nothing of it was saved unless its page said so.")
    template = "catalog/_catalog_run.html" if wants_fragment() else "catalog/catalog_run.html"
    return render_template(template, run=run, token=token, maker=get_maker(request_session(), maker_id))


@blueprint.post("/<int:maker_id>/catalogue/import/<token>")
@owner_only
def put_on_record(maker_id: int, token: str) -> ResponseReturnValue:
    """Begin to put a catalog that was shown on record."""
    work = current_work()
    waiting = find_upload(work, _purpose(maker_id), token)
    get_maker(work.session, maker_id)
    before = runs().find(token)
    if before is None or before.state != "loaded":
        _start("load", maker_id, work, waiting, before.plan if before and before.state == "planned" else None)
    return redirect(url_for("catalog.progress", maker_id=maker_id, token=token), 303)


def _start(purpose: str, maker_id: int, work: Work, waiting: StagedUpload, shown: CatalogPlan | None = None) -> None:
    app: Flask = current_app._get_current_object()  # type: ignore[attr-defined]  # the thread outlives the request
    run = Run(maker_id, work.actor.user_id, waiting.name, purpose)
    runs().start(waiting.token, run, _task(purpose, maker_id, work, waiting, the_ledger(), shown), app)


def _task(
    purpose: str, maker_id: int, work: Work, waiting: StagedUpload, ledger: Ledger, shown: CatalogPlan | None
) -> Callable[[Progress], CatalogPlan]:
    """The work of the thread, in a session of its own and in the name of who sent the file."""

    def task(tell: Progress) -> CatalogPlan:
        with ledger.work(work.actor, work.now) as own:
            if purpose == "load":
                return load_catalog(own, maker_id, waiting.name, waiting.content, tell, shown)
            return plan_catalog(own.session, maker_id, waiting.name, waiting.content, tell)

    return task
