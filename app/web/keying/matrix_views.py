"""The pages of who opens what: the grid, the search on its way, what was found, and sealing it."""

from __future__ import annotations

from random import Random

from flask import abort, flash, make_response, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_wtf.file import FileField
from wtforms import SelectField
from wtforms.validators import InputRequired

from app.errors import BitternError, Problem
from app.keying import AccessPlan, Progress, key_matrix
from app.ledger.keysystems.matrix import ReadyMatrix, make_ready, seal_access
from app.ledger.keysystems.planning import customers_to_choose
from app.ledger.tables import Role
from app.spreadsheets import table_rows
from app.web.access import roles
from app.web.fields import WholeField
from app.web.files import send_table
from app.web.forms_base import PageForm, text, typed
from app.web.keying.blueprint import blueprint
from app.web.keying.choices import offer
from app.web.keying.grid import Grid, grid_from_form, grid_of_table
from app.web.keying.plan_forms import keyway_choices
from app.web.keying.refusals import attach_plain, file_problems
from app.web.keying.runs import Found, Run, Search, find_run, start_run
from app.web.keying.uploads import read_upload
from app.web.services import current_work

MOST_DOORS = 2_000


class MatrixPage(PageForm):
    """On what it is keyed, and the table where it comes as a file."""

    file = FileField("Or a file", description="CSV or XLSX: doors along the top, holders down the side, x for opens.")
    keyway = SelectField("Keyway", [InputRequired("Choose a keyway.")])
    chambers = WholeField("Chambers", [InputRequired("Enter how many.")], least=3, most=12, default=6)
    seconds = WholeField("Time limit, seconds", [InputRequired("Enter a limit.")], least=5, most=300, default=60)


class SealPage(PageForm):
    """Whose system it is to be."""

    customer = SelectField("Customer", [InputRequired("Choose the customer.")])
    name = text("Name of the system", 120, needed="Enter a name for the system.")


@blueprint.route("/matrix", methods=["GET", "POST"])
@roles(Role.BENCH)
def matrix() -> ResponseReturnValue:
    """The grid; on a POST the search is started."""
    work, form = current_work(), MatrixPage()
    offer(form.keyway, keyway_choices(work.session))
    grid = grid_from_form(request.form) if request.method == "POST" else Grid()
    problems: list[Problem] = []
    deed = request.form.get("deed", "")
    if deed in ("rows", "columns"):
        grid = grid.larger(4 if deed == "rows" else 0, 4 if deed == "columns" else 0)
        return _grid_page(form, grid, [], 200)
    if form.validate_on_submit():
        try:
            table = grid.table
            if form.file.data:
                table = [list(row) for row in table_rows(*read_upload(form.file), MOST_DOORS + 1)]
                grid = grid_of_table(table) or grid
            ready = make_ready(work, typed(form.keyway), form.chambers.data, table)
            run = start_run(work.actor.user_id, ready, form.seconds.data, _search(ready, form.seconds.data, work.rng))
        except BitternError as error:
            if error.field.startswith("row ") or error.field in ("file", "doors", "matrix"):
                problems = list(file_problems(error))
            else:
                attach_plain(form, error)
        else:
            return redirect(url_for("keying.matrix_run", token=run.token), 303)
    return _grid_page(form, grid, problems, 422 if form.is_submitted() else 200)


def _grid_page(form: MatrixPage, grid: Grid, problems: list[Problem], status: int) -> ResponseReturnValue:
    return render_template("keying/matrix.html", form=form, grid=grid, problems=problems), status


def _search(ready: ReadyMatrix, seconds: int, rng: Random) -> Search:
    def search(on_progress: Progress) -> Found:
        return key_matrix(
            ready.spec,
            ready.tmk,
            ready.matrix,
            rng,
            avoid=ready.avoid,
            seconds=float(seconds),
            on_progress=on_progress,
        )

    return search


def _own_run(token: str) -> tuple[Run, ReadyMatrix]:
    run = find_run(token, current_work().actor.user_id)
    if run is None or not isinstance(run.ready, ReadyMatrix):
        abort(404, "This search is no longer kept: results stay until the house is restarted. Start it anew.")
    return run, run.ready


@blueprint.get("/matrix/<token>")
@roles(Role.BENCH)
def matrix_run(token: str) -> ResponseReturnValue:
    """How far a search has come, or what it found; without a script the page asks again by itself."""
    run, _ = _own_run(token)
    answer = make_response(_run_page(run, SealPage()))
    if not run.ended.is_set():
        answer.headers["Refresh"] = "2"
    return answer


def _run_page(run: Run, form: SealPage) -> str:
    offer(form.customer, [("", "Choose …"), *customers_to_choose(current_work().session)])
    plan = run.found if isinstance(run.found, AccessPlan) else None
    solution = None if plan is not None else run.found
    return render_template("keying/matrix_run.html", run=run, plan=plan, solution=solution, form=form)


@blueprint.post("/matrix/<token>/seal")
@roles(Role.BENCH)
def matrix_seal(token: str) -> ResponseReturnValue:
    """Make a system of what was found, its bittings sealed."""
    (run, ready), work, form = _own_run(token), current_work(), SealPage()
    offer(form.customer, [("", "Choose …"), *customers_to_choose(work.session)])
    if not isinstance(run.found, AccessPlan):
        abort(400, "This search has found nothing to seal.")
    if form.validate_on_submit():
        try:
            system = seal_access(work, ready, run.found, int(typed(form.customer)), typed(form.name))
        except BitternError as error:
            attach_plain(form, error)
        else:
            flash(f"{system.name} is made: {len(system.keysets)} keysets, their bittings sealed.")
            return redirect(url_for("keysystems.show", system_id=system.id), 303)
    return _run_page(run, form), 422


@blueprint.get("/matrix/<token>/doors.csv")
@roles(Role.BENCH)
def matrix_doors(token: str) -> ResponseReturnValue:
    """Door by door its keyset and what operates it; no bitting."""
    plan = _own_run(token)[0].found
    if not isinstance(plan, AccessPlan):
        abort(404, "This search has found nothing to list.")
    rows = [[door, symbol, " ".join(plan.cylinders.get(symbol, (symbol,)))] for door, symbol in plan.doors.items()]
    return send_table("csv", "who-opens-what", "Doors", [["door", "keyset", "operated by"], *rows])
