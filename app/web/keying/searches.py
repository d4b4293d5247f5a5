"""Searches for bittings that take their time: each in a thread of its own, with a page until it ends, and saved.

What a search finds stays in this process's memory, for the person who asked, until it is sealed or forgotten.
"""

import secrets
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from random import Random
from time import monotonic
from typing import Any, TypeAlias, TypeVar

from flask import Flask, abort, current_app, flash, make_response, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from werkzeug.wrappers import Response

from app.errors import BitternError
from app.keying import AccessPlan, BittingChoice, ExtensionSearch, MatrixSolution
from app.ledger.keysystems.crosskeying import ReadyCross, seal_cross_search
from app.ledger.keysystems.extending import ReadyExtension, seal_extension
from app.ledger.keysystems.planning import (
    MatrixSealForm,
    ReadyMatrix,
    changes_of,
    keep_clear,
    people_of,
    say_left_out,
    seal_access,
    uncrossed,
)
from app.ledger.tables import KeySystem, Role
from app.validation import counted
from app.web.access import roles
from app.web.files import send_table
from app.web.forms_base import PageForm, flash_and_redirect, typed
from app.web.keying import blueprint
from app.web.keying.forms import KeyingForm, MatrixSystemPage
from app.web.services import current_work

MOST_KEPT = 12
MOST_AT_ONCE = 2
Asked: TypeAlias = ReadyMatrix | ReadyCross | ReadyExtension
Ready = TypeVar("Ready", ReadyMatrix, ReadyCross, ReadyExtension)


@dataclass(slots=True, eq=False)
class SearchRun:
    """One search: whose it is, how far it has come, and what it found or why it was refused."""

    token: str
    user_id: int | None
    ready: Asked = field(repr=False)
    seconds: int
    unwanted: int | None = None  # what the best so far still lacks: operations to shut out, or keysets without a cut
    found: AccessPlan | MatrixSolution | BittingChoice | ExtensionSearch | None = field(default=None, repr=False)
    refusal: str = ""
    typed_in: Mapping[str, Any] = field(default_factory=dict)  # to fill the page's form with that tells of it
    ended: threading.Event = field(default_factory=threading.Event)
    started: float = field(default_factory=monotonic)

    @property
    def percent(self) -> int:
        """The share of the time that has gone, in whole percent; by the clock, since not every search tells it."""
        return min(int((monotonic() - self.started) * 100 / self.seconds), 100)


def _runs(app: Flask) -> dict[str, SearchRun]:
    runs: dict[str, SearchRun] = app.extensions.setdefault("keying runs", {})
    return runs


def start_run(
    ready: Asked, seconds: int, endpoint: str, wait: float = 2.0, *, typed_in: Mapping[str, Any] | None = None
) -> Response:
    """Start a search and give it `wait` seconds to end at once; on to the page that tells of it.

    BitternError while too many are under way.
    """
    work, runs = current_work(), _runs(current_app)
    if sum(not run.ended.is_set() for run in runs.values()) >= MOST_AT_ONCE:
        raise BitternError("file", "Two searches are under way already; wait until one has ended.")
    run = SearchRun(secrets.token_urlsafe(12), work.actor.user_id, ready, seconds, typed_in=typed_in or {})
    over = [token for token, kept in runs.items() if kept.ended.is_set()]
    for token in over[: max(0, len(runs) + 1 - MOST_KEPT)]:
        del runs[token]
    runs[run.token] = run
    broke = current_app.logger.exception
    threading.Thread(target=_search, args=(run, work.rng, broke), daemon=True).start()
    run.ended.wait(wait)
    return redirect(url_for(endpoint, token=run.token), 303)


def _search(run: SearchRun, rng: Random, broke: Callable[[str], None]) -> None:
    def on_progress(unwanted: int, _share: float) -> None:
        run.unwanted = unwanted

    try:
        run.found = run.ready.search(rng, float(run.seconds), on_progress)
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


def _page(run: SearchRun, template: str, form: PageForm, **more: object) -> ResponseReturnValue:
    """A search's page, which asks again by itself, without a script, until the search has ended."""
    answer = make_response(render_template(template, run=run, ready=run.ready, form=form, **more), form.status)
    if not run.ended.is_set():
        answer.headers["Refresh"] = "2"
    return answer


@blueprint.get("/matrix/<token>")
@roles(Role.BENCH)
def matrix_run(token: str) -> ResponseReturnValue:
    """How far a search has come, or what it found."""
    run, _ = own_run(token, ReadyMatrix)
    return _matrix_page(run, MatrixSystemPage(data=run.typed_in))


def _matrix_page(run: SearchRun, form: MatrixSystemPage) -> ResponseReturnValue:
    plan = run.found if isinstance(run.found, AccessPlan) else None
    solution = run.found if isinstance(run.found, MatrixSolution) else None
    ready = run.ready
    return _page(
        run,
        "keying/matrix_run.html",
        form,
        plan=plan,
        solution=solution,
        changes=changes_of(ready.matrix, solution) if solution and isinstance(ready, ReadyMatrix) else (),
        people_of=people_of,
        crossed=request.form.getlist("cross") or run.typed_in.get("cross", ()),
    )


@blueprint.post("/matrix/<token>/seal")
@roles(Role.BENCH)
def matrix_seal(token: str) -> ResponseReturnValue:
    """Make a system of what was found, its bittings sealed."""
    (run, ready), form = own_run(token, ReadyMatrix), MatrixSystemPage()
    plan = run.found
    if not isinstance(plan, AccessPlan):
        abort(400, "This search has found nothing to save.")
    crossed = tuple(request.form.getlist("cross"))

    def seal() -> KeySystem | Response:
        asked = form.into(MatrixSealForm, customer_id=int(typed(form.customer)), crossed=crossed)
        kept = {name: form[name].data for name in ("customer", "name", "site_name", "reserve")}
        kept["cross"] = list(crossed)
        if asked.customer_id != ready.customer_id:
            clear = keep_clear(current_work(), ready, asked.customer_id)
            if clashing := clear.clashing(plan):
                flash(f"{next(iter(clashing))} would clash with what this customer has, so it is keyed again.")
                return start_run(clear, run.seconds, "keying.matrix_run", typed_in=kept)
        left = uncrossed(plan, crossed)
        if left and asked.leaves_out == say_left_out(plan, left):
            flash("It is keyed again without these.")
            return start_run(ready.leaving(plan, left), run.seconds, "keying.matrix_run", typed_in=kept)
        return seal_access(current_work(), ready, plan, asked)

    if done := form.run(seal):
        if isinstance(done.value, Response):
            flash("Look it over, and save it.")
            return done.value
        return flash_and_redirect(
            f"{done.value.name} is made: {len(done.value.keysets)} keysets, their bittings sealed; "
            f"{counted(len(plan.doors), 'door')} planned on them.",
            "keysystems.show",
            system_id=done.value.id,
        )
    return _matrix_page(run, form)


@blueprint.post("/matrix/<token>/eased")
@roles(Role.BENCH)
def matrix_eased(token: str) -> ResponseReturnValue:
    """Search again with the changes that a search named."""
    run, ready = own_run(token, ReadyMatrix)
    if not isinstance(run.found, MatrixSolution) or not run.found.relax:
        abort(400, "This search has named no changes.")
    return start_run(ready.eased(run.found), run.seconds, "keying.matrix_run", typed_in=run.typed_in)


@blueprint.get("/matrix/<token>/doors.csv")
@roles(Role.BENCH)
def matrix_doors(token: str) -> ResponseReturnValue:
    """Door by door its keyset and what operates it; no bitting."""
    plan = own_run(token, ReadyMatrix)[0].found
    if not isinstance(plan, AccessPlan):
        abort(404, "This search has found nothing to list.")
    rows = [[door, name.split(" ")[0], " ".join(plan.cylinders[name])] for door, name in plan.doors.items()]
    return send_table("csv", "who-opens-what", "Doors", [["door", "keyset", "operated by"], *rows])


@blueprint.get("/cross-key/<token>")
@roles(Role.BENCH)
def cross_run(token: str) -> ResponseReturnValue:
    """How far the search for a cross-keying has come, or what it found."""
    return _cross_page(*own_run(token, ReadyCross), PageForm())


def _cross_page(run: SearchRun, ready: ReadyCross, form: PageForm) -> ResponseReturnValue:
    choice = run.found if isinstance(run.found, BittingChoice) else None
    found = choice.bittings if choice else None
    cost, changed = (ready.cost_with(found), ready.changed(found)) if found else (None, ())
    return _page(run, "keying/cross_run.html", form, choice=choice, cost=cost, changed=changed)


@blueprint.post("/cross-key/<token>/seal")
@roles(Role.BENCH)
def cross_seal(token: str) -> ResponseReturnValue:
    """Save the bittings found and cross-key the cylinder."""
    (run, ready), form = own_run(token, ReadyCross), KeyingForm()
    found = run.found.bittings if isinstance(run.found, BittingChoice) else None
    if found is None:
        abort(400, "This search has found nothing to save.")
    if done := form.run(lambda: seal_cross_search(current_work(), ready, found)):
        said = (
            f"Cross-keyed. New bittings are sealed for {', '.join(done.value)}: destroy bench sheets printed before."
            if done.value
            else "Cross-keyed; no bitting had to change."
        )
        return flash_and_redirect(said, "keysystems.show", system_id=ready.system_id)
    return _cross_page(run, ready, form)


@blueprint.get("/extend/<token>")
@roles(Role.BENCH)
def extend_run(token: str) -> ResponseReturnValue:
    """How far the search for an extension has come, or what it found."""
    return _extend_page(own_run(token, ReadyExtension)[0], PageForm())


def _extend_page(run: SearchRun, form: PageForm) -> ResponseReturnValue:
    found = run.found if isinstance(run.found, ExtensionSearch) else None
    return _page(run, "keying/extend_run.html", form, found=found)


@blueprint.post("/extend/<token>/seal")
@roles(Role.BENCH)
def extend_seal(token: str) -> ResponseReturnValue:
    """Save the keysets found, their bittings sealed."""
    (run, ready), form = own_run(token, ReadyExtension), KeyingForm()
    found = run.found.extension if isinstance(run.found, ExtensionSearch) else None
    if found is None:
        abort(400, "This search has found nothing to save.")
    if done := form.run(lambda: seal_extension(current_work(), ready, found)):
        count = len(done.value.symbols)
        return flash_and_redirect(
            f"{count} keyset{'s' if count != 1 else ''} added to {done.value.system.name}, their bittings sealed.",
            "keysystems.show",
            system_id=ready.system_id,
        )
    return _extend_page(run, form)
