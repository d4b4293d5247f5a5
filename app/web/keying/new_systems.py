"""The pages of new systems: planned by what they must hold, or made of who opens what."""

from collections.abc import Iterable, Mapping, Sequence
from typing import TypeAlias

from flask import render_template, request
from flask.typing import ResponseReturnValue
from werkzeug.wrappers import Response

from app.errors import BitternError, Problems
from app.keying import OPENING_MARKS, PEOPLE, listed_rows, read_access_list, write_access_list
from app.ledger.keysystems.planning import Planned, ReadyMatrix, make_ready, plan_for, start_planned
from app.ledger.tables import Role
from app.spreadsheets import table_rows
from app.web.access import roles
from app.web.files import read_upload
from app.web.forms_base import flash_and_redirect, one_line, typed
from app.web.keying import blueprint
from app.web.keying.forms import MatrixPage, PlanPage, StartPage, chambers_said
from app.web.keying.searches import own_run, start_run
from app.web.services import current_work


@blueprint.route("/plan", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def plan() -> ResponseReturnValue:
    """Ask what the system must hold; show two or three ways to build it."""
    form = PlanPage()
    done = form.run(lambda: plan_for(current_work(), form.read()))
    planned = done.value if done else None
    page = render_template("keying/plan.html", form=form, planned=planned, begin=_start_form(form, planned))
    return page, 200 if planned else form.status


def _start_form(form: PlanPage, planned: Planned | None) -> StartPage | None:
    if planned is None or not planned.sealed:
        return None
    return StartPage(formdata=None, data={**form.data, "sealed": planned.sealed})


@blueprint.post("/plan/start")
@roles(Role.BENCH)
def start() -> ResponseReturnValue:
    """Start the system by the chosen plan."""
    form, work = StartPage(), current_work()
    if done := form.run(
        lambda: start_planned(
            work,
            form.read(),
            typed(form.sealed),
            typed(form.roles),
            int(typed(form.customer)),
            typed(form.name),
        )
    ):
        return flash_and_redirect(
            f"{done.value.name} is started: its masters are sealed, changes are added as they are sold.",
            "keysystems.show",
            system_id=done.value.id,
        )
    return render_template("keying/start.html", form=form), 422


MOST_DOORS = 2_000
Grid: TypeAlias = list[list[str]]
"""A matrix as it stands in the page: doors in the first row, holders in the first column, x where one opens."""


@blueprint.route("/matrix", methods=["GET", "POST"])
@roles(Role.BENCH)
def matrix() -> ResponseReturnValue:
    """The grid; on a POST the search is started. With `run` it is the list of a search of one's own, to change."""
    form = MatrixPage()
    if run := request.args.get("run"):
        ready = own_run(run, ReadyMatrix)[1]
        form.keyway.data, form.chambers.data = ready.keyway, ready.spec.chambers
        form.customer.data = str(ready.customer_id or "")
        form.people.data = "\n".join(", ".join(row) for row in write_access_list(ready.matrix))
    grid, deed = _grid_from_form(request.form), request.form.get("deed", "")
    if deed in ("rows", "columns"):
        grid = _larger(grid, 4 if deed == "rows" else 0, 4 if deed == "columns" else 0)
        return render_template("keying/matrix.html", form=form, grid=grid, problems=())

    def search() -> Response:
        nonlocal grid
        table = _without_blanks(grid)
        if typed(form.people):
            if form.file.data or any(map(any, table)):
                raise BitternError("people", "Fill in the grid, a list or a file, not two of them: empty the others.")
            table = _of_list(listed_rows(typed(form.people)))
        elif form.file.data:
            table = [list(row) for row in table_rows(*read_upload(form.file), MOST_DOORS + 1)]
            if table and table[0][0].strip().casefold() in PEOPLE:
                table = _of_list(enumerate(table, start=1))
            elif 2 <= len(table) <= MOST + 1 and len(table[0]) <= MOST + 1:
                grid = _grid_of_table(table)
        customer_id = int(typed(form.customer) or 0)
        ready = make_ready(current_work(), typed(form.keyway), chambers_said(form), table, customer_id)
        chosen = {"customer": str(customer_id)} if customer_id else {}
        return start_run(ready, form.seconds.data, "keying.matrix_run", typed_in=chosen)

    if done := form.run(search):
        return done.value
    return render_template("keying/matrix.html", form=form, grid=grid, problems=form.problems), form.status


def _of_list(rows: Iterable[tuple[int, Sequence[str]]]) -> Grid:
    """The table that a list of people and doors makes; Problems by row."""
    table, problems = read_access_list(rows)
    if problems:
        raise Problems(problems)
    return table


MOST = 40
FIRST_ROWS, FIRST_COLUMNS = 6, 8


def _size(text: str | None, least: int) -> int:
    return min(int(text), MOST) if text and text.isascii() and text.isdecimal() and len(text) < 4 else least


def _grid_from_form(sent: Mapping[str, str]) -> Grid:
    """The grid that was posted: `door-0`, `holder-0`, `open-0-1` (row, column); the first one where none was."""
    rows, columns = _size(sent.get("rows"), FIRST_ROWS), _size(sent.get("columns"), FIRST_COLUMNS)
    doors = [one_line(sent.get(f"door-{column}")) for column in range(columns)]
    holders = [one_line(sent.get(f"holder-{row}")) for row in range(rows)]
    ticks = [["x" if f"open-{row}-{column}" in sent else "" for column in range(columns)] for row in range(rows)]
    return [["", *doors], *([holder, *ticked] for holder, ticked in zip(holders, ticks, strict=True))]


def _larger(grid: Grid, rows: int, columns: int) -> Grid:
    """The grid with room for more, up to what a page holds."""
    width = min(len(grid[0]) + columns, MOST + 1)
    wider = [[*row, *[""] * (width - len(row))] for row in grid]
    return [*wider, *([""] * width for _ in range(rows))][: MOST + 1]


def _without_blanks(grid: Grid) -> Grid:
    """As the keying room reads it: rows and columns without a name and a tick fall away."""
    kept = [column for column in range(len(grid[0])) if column == 0 or any(row[column] for row in grid)]
    return [[row[column] for column in kept] for row in (grid[0], *filter(any, grid[1:]))]


def _grid_of_table(table: Sequence[Sequence[str]]) -> Grid:
    """A table that was sent, as a grid to go on with."""
    head, width = [cell.strip() for cell in table[0]], len(table[0])
    body = [[*row, *[""] * width][:width] for row in table[1:]]
    ticks = [["x" if cell.strip().lower() in OPENING_MARKS else "" for cell in row[1:]] for row in body]
    return [head, *([row[0].strip(), *ticked] for row, ticked in zip(body, ticks, strict=True))]
