"""The pages of new systems: planned by what they must hold, taken from a bitting list, or made of who opens what."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from flask import render_template, request
from flask.typing import ResponseReturnValue
from werkzeug.wrappers import Response

from app.ledger.keysystems.bitting_lists import ListAsk, ListFound, TakeForm, study_bitting_list, take_over
from app.ledger.keysystems.planning import Planned, make_ready, plan_for, start_planned
from app.ledger.tables import KeySystem, Role
from app.spreadsheets import table_rows
from app.web.access import owner_only, roles
from app.web.files import read_upload
from app.web.forms_base import flash_and_redirect, typed
from app.web.keying import blueprint
from app.web.keying.forms import ListPage, MatrixPage, PlanPage, StartPage, TakePage
from app.web.keying.searches import start_run
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
    return StartPage(formdata=None, data={**form.asked, "sealed": planned.sealed})


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
    form = ListPage()

    def study() -> ListFound:
        table = list(table_rows(*read_upload(form.file)))
        ask = ListAsk(typed(form.keyway), form.chambers.data, typed(form.tmk).strip(), form.constants.data or 0)
        return study_bitting_list(current_work(), ask, table)

    done = form.run(study)
    found = done.value if done else None
    take = None
    if found is not None and found.sealed:
        asked = {"sealed": found.sealed, "keyway": form.keyway.data, "chambers": form.chambers.data}
        take = TakePage(formdata=None, data=asked)
    page = render_template("keying/bitting_list.html", form=form, found=found, take=take, problems=form.problems)
    return page, 200 if found else form.status


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


@blueprint.route("/matrix", methods=["GET", "POST"])
@roles(Role.BENCH)
def matrix() -> ResponseReturnValue:
    """The grid; on a POST the search is started."""
    form = MatrixPage()
    grid = grid_from_form(request.form) if request.method == "POST" else Grid()
    deed = request.form.get("deed", "")
    if deed in ("rows", "columns"):
        grid = grid.larger(4 if deed == "rows" else 0, 4 if deed == "columns" else 0)
        return render_template("keying/matrix.html", form=form, grid=grid, problems=())

    def search() -> Response:
        nonlocal grid
        table = grid.table
        if form.file.data:
            table = [list(row) for row in table_rows(*read_upload(form.file), MOST_DOORS + 1)]
            grid = grid_of_table(table) or grid
        ready = make_ready(current_work(), typed(form.keyway), form.chambers.data, table)
        return start_run(ready, form.seconds.data, "keying.matrix_run")

    if done := form.run(search):
        return done.value
    return render_template("keying/matrix.html", form=form, grid=grid, problems=form.problems), form.status


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
