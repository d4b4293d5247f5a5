"""Accepting a quote: who, when, and the doors, pasted or typed in a table."""

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import chain
from typing import TypeAlias

from flask import flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from wtforms import DateField, Field, HiddenField, RadioField, StringField, TextAreaField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs
from wtforms.validators import InputRequired, ValidationError

from app.documents import quote_page
from app.errors import BitternError, Problem
from app.ledger.keys.loss_plans import say_successors
from app.ledger.keysystems.authority import say_authority
from app.ledger.keysystems.lost_keysets import lost_masters
from app.ledger.quoting.accepting import AcceptForm, accept_quote
from app.ledger.quoting.planning import plan_again
from app.ledger.quoting.promises import count_of_days, promise_from
from app.ledger.quoting.rekeying import hanging, places_of
from app.ledger.quoting.request import LineRequest, QuoteRequest
from app.ledger.quoting.snapshot import OPTIONS, as_accepted
from app.ledger.sites.door_paste import JOB_COLUMNS, ColumnChoice, DoorRow, UnknownColumns, read_door_rows, read_doors
from app.ledger.store.numbers import quote_number
from app.ledger.store.work import Work
from app.ledger.tables import Job, LineKind, Loss, Role, Site, Stage
from app.pricing import show_cents
from app.web.access import may, roles
from app.web.errors import about
from app.web.forms_base import SavedForm, attach, text, typed
from app.web.quotes.views import QuoteView, blueprint, quote_view, to_quote
from app.web.services import current_work
from app.web.templating import show_day

MOST_ROWS = 30
"""Up to this many cylinders get a row of boxes each; longer lists are pasted."""

TableRows: TypeAlias = Mapping[int, Mapping[str, str]]
"""What stands in the table's boxes, by row (from 1) and column; rows with nothing in them are left out."""

_COLUMNS = ("opening", "location", "hand", "lock", "position", "keyset", "remarks", "egress", "fire rated")
_BOX = re.compile(r"row-([0-9]{1,2})-([a-z_]{1,12})")
_ROW = re.compile(r"Row ([0-9]+)(?:, ([a-z ]+))?:\s*(.*)", re.DOTALL)


class AcceptQuoteForm(SavedForm):
    """Who accepted the quote and when; `doors` is a list as a spreadsheet pastes it."""

    accepted_by = text("Accepted by", Job.accepted_by, needed="Enter the name of the person who accepted the quote.")
    accepted_on = DateField(
        "On", [InputRequired("Enter the day on which it was accepted.")], description="As they told you."
    )
    po_number = text("Their order number", Job.po_number, hint="If they gave one.")
    option = RadioField("Option", [InputRequired("Say which of the two ways was accepted.")], choices=[])
    site_name = text("Site", Site.name, hint="Doors belong to a site: one of the customer's, or a new one.")
    override_reason = text(
        "Go on without written authority because", 500, hint="For the owner of this house alone; it stays on record."
    )
    lost_reason = text(
        "Key under a lost key because", 500, hint="For the owner of this house alone; it stays on record."
    )
    doors = TextAreaField("Door list")
    takes_places = StringField("The new cylinders take the places of those that are there")  # agrees to one sentence
    takes_reserve = StringField("The reserve may be used so")  # the same
    seen = HiddenField()  # the marks of the plans that the page showed

    def offer(self, options: Sequence[tuple[str, str]]) -> None:
        """The ways that the quote offers, as (A or B, what it is); a quote of one way asks nothing."""
        if options:
            self.option.choices = [SelectChoice(name, words) for name, words in options]
        else:
            del self.option

    def validate_accepted_by(self, field: Field) -> None:
        """No character that no paper can show."""
        if not str(field.data or "").isprintable():
            raise ValidationError("This holds a character that cannot be written: type it anew.")

    validate_po_number = validate_accepted_by
    validate_site_name = validate_accepted_by


@blueprint.route("/accept", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def accept(number: int) -> ResponseReturnValue:
    """Turn the newest revision into doors, cylinders and keysets."""
    about(f"job {number}")
    work = current_work()
    view = quote_view(work, number)
    if view.job.stage is not Stage.QUOTED and request.method == "GET":
        flash(f"Job {number} is {view.job.stage.word}: only a quoted job can be accepted.", "caution")
        return to_quote(number, view.revision.revision)
    form = AcceptQuoteForm(obj=view.job)
    form.offer(ways_to_accept(work, view))
    if not form.is_submitted():
        form.accepted_on.data = work.today
        return _page(work, view, form)
    rows = typed_rows(request.form.items(multi=True))
    asked = _asked_columns(form, rows)
    doors, problems = _doors(form, rows, asked)
    if form.validate() and not problems:
        try:
            job = accept_quote(work, view.job.id, form.into(AcceptForm, version=form.version_read, doors=doors))
        except BitternError as error:
            problems = [problem for problem in error.problems if problem.field == "doors"]
            error.problems = tuple(
                Problem("site_name" if one.field == "site" else one.field, one.message)
                for one in error.problems
                if one not in problems
            )
            attach(form, error)
        else:
            count = len(job.cylinders)
            pieces = "1 cylinder is" if count == 1 else f"{count:,} cylinders are"
            flash(f"Quote {quote_number(number, view.revision.revision)} is accepted. {pieces} saved.")
            if may("jobs.show"):
                return redirect(url_for("jobs.show", number=number), 303)
            return to_quote(number, view.revision.revision)
    if not rows:
        form.doors.errors = [*form.doors.errors, *(problem.message for problem in problems)]
        problems = []
    return _page(work, quote_view(work, number), form, rows, cell_problems(problems), asked), 422


def ways_to_accept(work: Work, view: QuoteView) -> list[tuple[str, str]]:
    """The options of a quote that offers two ways, each with what it means if accepted today; else none."""
    ways = []
    for option in quote_page(view.snapshot).options:
        promise = promise_from(work, as_accepted(view.snapshot, option.name), work.today)
        count = f"{count_of_days(promise.working_days)}, " if promise.working_days is not None else ""
        when = f"{count}promised {show_day(promise.on)}" if promise.on else "date confirmed with the order"
        ways.append((option.name, f"{option.name}: {option.where}, {when}, {show_cents(option.totals.total_cents)}"))
    return ways


def _asked_columns(form: AcceptQuoteForm, rows: TableRows) -> UnknownColumns | None:
    """What is to be asked of a pasted list whose first row names columns that nobody knows."""
    try:
        if not rows:
            read_doors(typed(form.doors))
    except UnknownColumns as asked:
        return asked
    return None


def _doors(
    form: AcceptQuoteForm, rows: TableRows, asked: UnknownColumns | None
) -> tuple[tuple[DoorRow, ...], list[Problem]]:
    """The doors out of the table, or out of the pasted list where the table is empty."""
    pasted, choice = typed(form.doors), read_choice(request.form)
    if asked is not None and (choice is None or choice.mark != asked.guess.mark):
        return (), [Problem("doors", asked.message)]
    if not rows:
        found, problems = read_doors(pasted, choice)
        return tuple(found), problems
    if pasted.strip():
        return (), [Problem("doors", "Fill in the table or paste a list, not both: empty one of them.")]
    return read_table(rows)


@dataclass(frozen=True, slots=True)
class CellProblems:
    """What is wrong in a table of boxes: by (row from 1, column), and what belongs to no box."""

    cells: Mapping[tuple[int, str], str]
    others: tuple[str, ...]


def _page(
    work: Work,
    view: QuoteView,
    form: AcceptQuoteForm,
    rows: TableRows | None = None,
    problems: CellProblems | None = None,
    unknown: UnknownColumns | None = None,
) -> str:
    """The page; a slot is the quote's line of a cylinder that wants a door, what is rekeyed where it hangs has one.

    later: why it is promised later than the quote says, which shelf and bench have left no room for by now. promised:
    where one way is offered and it is accepted today.
    """
    snapshot = view.snapshot
    ask = QuoteRequest.from_json(snapshot.ask)
    system_id = ask.system.existing_id if ask.system else None
    loss = work.session.get(Loss, ask.loss_id) if ask.loss_id is not None else None
    printed = {line.label: line for line in snapshot.lines}
    lines = [(printed[str(number)], line) for number, line in enumerate(ask.lines, start=1) if line.kind.is_keyed]
    slots = [shown for shown, line in lines if not line.standing for _ in range(line.quantity)]
    names = OPTIONS if snapshot.option_b else ("",)
    quotes = {name: as_accepted(snapshot, name) for name in names}
    promises = {name: promise_from(work, quote, work.today) for name, quote in quotes.items()}
    choice = read_choice(request.form)
    if unknown is not None and (choice is None or choice.mark != unknown.guess.mark):
        choice = unknown.guess
    today = {name: plan_again(work, quote) for name, quote in quotes.items()}
    plans = {name: made.plan for name, made in today.items()}
    against = dict.fromkeys(map(_said_of, chain.from_iterable(made.problems for made in today.values())))
    form.seen.data = " ".join(plan.mark for plan in plans.values())
    return render_template(
        "quotes/accept.html",
        view=view,
        form=form,
        rows=rows or {},
        problems=problems or CellProblems({}, ()),
        columns={name: name for name in JOB_COLUMNS},
        unknown=unknown,
        choice=choice,
        chosen=dict(enumerate(choice.names)) if choice is not None else {},
        slots=slots,
        has_table=0 < len(slots) <= MOST_ROWS,
        rekeyed=[
            (shown, _places(work, view, ask, line), line.kind is LineKind.REKEY)
            for shown, line in lines
            if line.standing
        ],
        plans=plans,
        count_of_days=count_of_days,
        changes={name: quote.plan.changes(plans[name]) for name, quote in quotes.items()},
        against=() if form.is_submitted() else against,
        cylinders=sum(line.quantity for _, line in lines),
        authority=say_authority(work.session, system_id) if system_id is not None else "",
        lost=[one for one in lost_masters(work.session, [system_id]) if one.keyset.symbol not in ask.replaced]
        if system_id is not None
        else (),
        says=say_successors(loss.successors) if loss is not None else (),
        promised=None if snapshot.option_b else promises[""],
        later=[f"Option {name}: {one.later}" if name else one.later for name, one in promises.items() if one.later],
    )


def _said_of(problem: Problem) -> str:
    """What stands against accepting a quote today, with the line that it is about."""
    line = re.match(r"lines\.(\d+)\.", problem.field)
    return f"Line {int(line[1]) + 1}: {problem.message}" if line else problem.message


def _places(work: Work, view: QuoteView, ask: QuoteRequest, line: LineRequest) -> str:
    try:
        return places_of(hanging(work.session, view.job.customer_id, ask, line))
    except BitternError as error:
        return error.message


def typed_rows(items: Iterable[tuple[str, str]]) -> dict[int, dict[str, str]]:
    """What stands in the table's boxes by row (from 1) and column; rows with nothing in them are left out.

    >>> typed_rows([("row-2-opening", " 101 "), ("row-2-hand", ""), ("row-3-opening", "")])
    {2: {'opening': '101'}}
    """
    rows: dict[int, dict[str, str]] = {}
    for name, value in items:
        found = _BOX.fullmatch(name)
        column = found[2].replace("_", " ") if found else ""
        said = " ".join(value.replace("\0", "").split())
        if found and column in _COLUMNS and said and 1 <= int(found[1]) <= MOST_ROWS:
            rows.setdefault(int(found[1]), {}).setdefault(column, said)
    return dict(sorted(rows.items()))


def read_table(rows: TableRows) -> tuple[tuple[DoorRow, ...], list[Problem]]:
    """The door rows that the boxes say, an empty one for each row left empty between them, and the problems.

    They are read as a pasted list is, so that both obey the same rules.
    """
    cells = ((number, [row.get(column, "") for column in _COLUMNS]) for number, row in rows.items())
    found, problems = read_door_rows([(0, _COLUMNS), *cells])
    by_row = {row.row: row for row in found}
    doors = tuple(by_row.get(number, DoorRow(row=number)) for number in range(1, max(rows, default=0) + 1))
    return doors, problems


def cell_problems(problems: Iterable[Problem]) -> CellProblems:
    """The problems of a table, each beside its box where its sentence names one."""
    cells: dict[tuple[int, str], str] = {}
    others: list[str] = []
    for problem in problems:
        found = _ROW.fullmatch(problem.message)
        if found and found[2] in _COLUMNS and (int(found[1]), found[2]) not in cells:
            cells[int(found[1]), found[2]] = found[3][:1].upper() + found[3][1:]
        else:
            others.append(problem.message)
    return CellProblems(cells, tuple(others))


_MOST_COLUMNS = 200


def read_choice(sent: Mapping[str, str]) -> ColumnChoice | None:
    """Which column is which, as the boxes of a list that was asked about say; None where nothing was asked.

    >>> read_choice({"columns-of": "a1", "column-0": "opening", "column-1": "", "first-row": "door"})
    ColumnChoice(names=('opening', ''), has_heading=False, mark='a1')
    """
    mark = sent.get("columns-of", "")
    names = [sent[f"column-{place}"] for place in range(_MOST_COLUMNS) if f"column-{place}" in sent]
    return ColumnChoice(tuple(names), sent.get("first-row") != "door", mark) if mark else None
