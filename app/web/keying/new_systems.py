"""The pages of new systems: planned by what they must hold, taken from a bitting list, or made of who opens what."""

from collections.abc import Iterable, Mapping, Sequence
from typing import TypeAlias

from flask import render_template, request
from flask.typing import ResponseReturnValue
from werkzeug.wrappers import Response

from app.errors import BitternError, Problems
from app.keying import OPENING_MARKS, PEOPLE, listed_rows, read_access_list, write_access_list
from app.ledger.keysystems.bitting_lists import (
    LIST_COLUMNS,
    ListAsk,
    ListFound,
    TakeForm,
    find_list,
    guess_list,
    study_bitting_list,
    take_over,
)
from app.ledger.keysystems.planning import Planned, ReadyMatrix, make_ready, plan_for, start_planned
from app.ledger.store.work import carried, carry
from app.ledger.tables import KeySystem, Role
from app.spreadsheets import FoundColumn, FoundTable, table_rows
from app.web.access import owner_only, roles
from app.web.files import read_upload
from app.web.forms_base import flash_and_redirect, one_line, typed
from app.web.keying import blueprint
from app.web.keying.forms import ListPage, MatrixPage, PlanPage, StartPage, TakePage
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


@blueprint.route("/bitting-list", methods=["GET", "POST"])
@owner_only
def bitting_list() -> ResponseReturnValue:
    """Study a list that was sent: for the owner alone, by POST, each study an event."""
    form, work = ListPage(), current_work()
    unclear: FoundTable | None = None
    places: dict[str, int] = {}

    def study() -> ListFound:
        nonlocal unclear, places
        table = _sent_list(form)
        boxes = {column.place: request.form.get(f"column-{column.place}", "") for column in table.columns}
        places = {name: place for place, name in boxes.items() if name} if any(boxes.values()) else guess_list(table)
        if "bitting" not in places or len(places) < sum(map(bool, boxes.values())):
            unclear = table
            form.table.data = carry(work, [[number, cells] for number, cells in table.rows], _CARRIED)
            raise BitternError("", "Say which column has the bittings, and each of the others once.")
        ask = ListAsk(typed(form.keyway), form.chambers.data, typed(form.tmk).strip(), form.constants.data or 0)
        return study_bitting_list(work, ask, table, places)

    done = form.run(study)
    found = done.value if done else None
    take = None
    if found is not None and found.sealed:
        asked = {"sealed": found.sealed, "keyway": form.keyway.data, "chambers": form.chambers.data}
        take = TakePage(formdata=None, data=asked)
    page = render_template(
        "keying/bitting_list.html",
        form=form,
        found=found,
        take=take,
        problems=form.problems,
        asked=unclear,
        places={place: name for name, place in places.items()},
        wanted={one.name: one.name for one in LIST_COLUMNS},
    )
    return page, 200 if found else form.status


_CARRIED = "bitting list whose columns are asked about"


def _sent_list(form: ListPage) -> FoundTable:
    """The list that was sent, or that came along from the page that asked about its columns."""
    if form.file.data:
        return find_list(*read_upload(form.file))
    if not typed(form.table):
        raise BitternError("file", "Choose a .csv or .xlsx file.")
    rows = carried(current_work(), typed(form.table), _CARRIED)
    width = max((len(cells) for _, cells in rows), default=0)
    columns = (FoundColumn(at, "", "", ()) for at in range(width))
    return FoundTable(
        tuple(columns), [number for number, _ in rows], [*zip(*(cells for _, cells in rows), strict=True)]
    )


@blueprint.post("/bitting-list/take")
@owner_only
def take_list() -> ResponseReturnValue:
    """Import a studied list as a system."""
    form = TakePage()

    def take() -> KeySystem:
        asked = TakeForm(int(typed(form.customer)), typed(form.name), typed(form.keyway), form.chambers.data)
        return take_over(current_work(), asked, typed(form.sealed))

    if done := form.run(take):
        return flash_and_redirect(
            f"{done.value.name} is imported: {len(done.value.keysets)} keysets, their bittings sealed.",
            "keysystems.show",
            system_id=done.value.id,
        )
    return render_template("keying/take_list.html", form=form), 422


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
        ready = make_ready(current_work(), typed(form.keyway), form.chambers.data, table)
        return start_run(ready, form.seconds.data, "keying.matrix_run")

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
