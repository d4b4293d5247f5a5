"""The pages of who opens what: the grid, the search on its way, what was found, and sealing it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from random import Random

from flask import abort, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_wtf.file import FileField
from wtforms import SelectField
from wtforms.validators import InputRequired

from app.errors import BitternError, Problem
from app.keying import AccessPlan, Progress, key_matrix
from app.ledger.keysystems.planning import ReadyMatrix, customers_to_choose, make_ready, seal_access
from app.ledger.tables import Role
from app.spreadsheets import table_rows
from app.web.access import roles
from app.web.fields import WholeField
from app.web.files import send_table
from app.web.forms_base import PageForm, text, typed
from app.web.keying import blueprint
from app.web.keying.fields import attach_plain, file_problems, offer, read_upload
from app.web.keying.forms import keyway_choices
from app.web.keying.runs import Found, Search, SearchRun, answer_of, own_run, start_run
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


@blueprint.get("/matrix/<token>")
@roles(Role.BENCH)
def matrix_run(token: str) -> ResponseReturnValue:
    """How far a search has come, or what it found."""
    run, _ = own_run(token, ReadyMatrix)
    return answer_of(run, _run_page(run, SealPage()))


def _run_page(run: SearchRun, form: SealPage) -> str:
    offer(form.customer, [("", "Choose …"), *customers_to_choose(current_work().session)])
    plan = run.found if isinstance(run.found, AccessPlan) else None
    solution = None if plan is not None else run.found
    return render_template("keying/matrix_run.html", run=run, plan=plan, solution=solution, form=form)


@blueprint.post("/matrix/<token>/seal")
@roles(Role.BENCH)
def matrix_seal(token: str) -> ResponseReturnValue:
    """Make a system of what was found, its bittings sealed."""
    (run, ready), work, form = own_run(token, ReadyMatrix), current_work(), SealPage()
    offer(form.customer, [("", "Choose …"), *customers_to_choose(work.session)])
    if not isinstance(run.found, AccessPlan):
        abort(400, "This search has found nothing to save.")
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
    plan = own_run(token, ReadyMatrix)[0].found
    if not isinstance(plan, AccessPlan):
        abort(404, "This search has found nothing to list.")
    rows = [[door, symbol, " ".join(plan.cylinders.get(symbol, (symbol,)))] for door, symbol in plan.doors.items()]
    return send_table("csv", "who-opens-what", "Doors", [["door", "keyset", "operated by"], *rows])


MOST = 40
FIRST_ROWS, FIRST_COLUMNS = 6, 8
_YES = frozenset({"x", "1", "yes", "y", "true", "✓", "✔"})


@dataclass(frozen=True, slots=True)
class Grid:
    """The grid as it stands in the page."""

    doors: tuple[str, ...] = ("",) * FIRST_COLUMNS
    holders: tuple[str, ...] = ("",) * FIRST_ROWS
    ticked: frozenset[tuple[int, int]] = frozenset()

    def larger(self, rows: int, columns: int) -> Grid:
        """The grid with room for more, up to what a page holds."""
        holders = (*self.holders, *("",) * rows)[:MOST]
        doors = (*self.doors, *("",) * columns)[:MOST]
        return Grid(doors, holders, self.ticked)

    @property
    def table(self) -> list[list[str]]:
        """As the keying room reads it; edges without a name and a tick fall away."""
        rows = [n for n, name in enumerate(self.holders) if name or any(row == n for row, _ in self.ticked)]
        columns = [n for n, name in enumerate(self.doors) if name or any(column == n for _, column in self.ticked)]
        head = ["", *(self.doors[column] for column in columns)]
        return [
            head,
            *([self.holders[r], *("x" if (r, c) in self.ticked else "" for c in columns)] for r in rows),
        ]


def _size(text: str | None, least: int) -> int:
    return min(int(text), MOST) if text and text.isascii() and text.isdecimal() and len(text) < 4 else least


def grid_from_form(sent: Mapping[str, str]) -> Grid:
    """The grid that was posted: `door-0`, `holder-0`, `open-0-1` (row, column)."""
    rows, columns = _size(sent.get("rows"), FIRST_ROWS), _size(sent.get("columns"), FIRST_COLUMNS)
    doors = tuple(" ".join(sent.get(f"door-{n}", "").split()) for n in range(columns))
    holders = tuple(" ".join(sent.get(f"holder-{n}", "").split()) for n in range(rows))
    ticked = frozenset((r, c) for r in range(rows) for c in range(columns) if f"open-{r}-{c}" in sent)
    return Grid(doors, holders, ticked)


def grid_of_table(table: Sequence[Sequence[str]]) -> Grid | None:
    """A table that was sent, as a grid to go on with; None where a page does not hold it."""
    if len(table) < 2 or len(table) > MOST + 1 or len(table[0]) > MOST + 1:
        return None
    doors = tuple(cell.strip() for cell in table[0][1:])
    ticked = frozenset(
        (r, c)
        for r, row in enumerate(table[1:])
        for c, cell in enumerate(row[1 : len(doors) + 1])
        if cell.strip().lower() in _YES
    )
    return Grid(doors, tuple(row[0].strip() if row else "" for row in table[1:]), ticked)
