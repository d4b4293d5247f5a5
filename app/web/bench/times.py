"""Pages of the bench's times: what a job's work took, and what the last jobs teach beside the book's figures."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue
from wtforms import Field, HiddenField, RadioField

from app.errors import BitternError, Problem, Problems
from app.ledger.bench.times import (
    JobTask,
    adopt_time,
    job_tasks,
    learned_times,
    record_times,
    recorded_of,
    task_words,
)
from app.ledger.catalog.price_book import next_monday
from app.ledger.catalog.price_queries import dated_bench_terms, terms_mark
from app.ledger.jobs.queries import get_job
from app.ledger.tables import Role
from app.pricing import Adopt, write_minutes
from app.web.access import owner_only, roles
from app.web.errors import about
from app.web.fields import DayField, TextField
from app.web.forms_base import PageForm, attach, flash_and_redirect, typed
from app.web.services import current_work

blueprint = Blueprint("times", __name__)


class MinutesField(TextField):
    """Minutes with at most two decimals, held as Decimal."""

    def read(self, text: str) -> Decimal:
        whole, point, rest = text.partition(".")
        parts = (whole, rest) if point else (whole,)
        if not all(part.isascii() and part.isdecimal() for part in parts) or len(whole) > 6 or len(rest) > 2:
            raise ValueError("Enter minutes such as 45 or 12.5.")
        return Decimal(text)


def _times_form(tasks: list[JobTask], data: dict[str, Any]) -> PageForm:
    """A form with one box of minutes a task, named by its place."""
    fields: dict[str, Field] = {
        f"minutes-{place}": MinutesField(task.words, render_kw={"inputmode": "decimal", "class": "amount"})
        for place, task in enumerate(tasks)
    }
    form: PageForm = type("TimesPage", (PageForm,), fields)(data=data)
    return form


@blueprint.route("/bench/jobs/<int(max=999999999):number>/times", methods=["GET", "POST"])
@roles(Role.BENCH)
def job_times(number: int) -> ResponseReturnValue:
    """How many minutes each piece of a job's work took."""
    work = current_work()
    about(f"job {number}")
    job = get_job(work.session, number)
    tasks = job_tasks(work.session, job)
    there = recorded_of(work.session, job)
    start = {f"minutes-{n}": Decimal(there[task.key].minutes) for n, task in enumerate(tasks) if task.key in there}
    form = _times_form(tasks, start)
    if form.validate_on_submit():
        taken = {task.key: form[f"minutes-{n}"].data for n, task in enumerate(tasks)}
        said = {key: minutes for key, minutes in taken.items() if minutes is not None}
        try:
            count = record_times(work, number, said)
        except BitternError as error:
            attach(form, _beside(error, [list(taken).index(key) for key in said]))
        else:
            return flash_and_redirect(
                f"{count} {'time' if count == 1 else 'times'} recorded." if count else "Nothing was entered.",
                "bench.job",
                number=number,
            )
    return render_template("bench/job_times.html", form=form, number=number, tasks=tasks), form.status


def _beside(error: BitternError, places: list[int]) -> BitternError:
    """The refusal with the form's boxes in the place of the use case's count of what was entered."""
    if not isinstance(error, Problems):
        return error
    return Problems(
        [Problem(f"minutes-{places[int(one.field.partition('.')[2])]}", one.message) for one in error.problems]
    )


class AdoptPage(PageForm):
    """Which figure to move, and from when."""

    valid_from = DayField("From")
    moving = RadioField("Move", choices={Adopt.KIND.value: "the keying", Adopt.TYPE.value: "the type"})
    task = HiddenField()
    kind = HiddenField()
    cylinder = HiddenField()
    median = HiddenField()
    seen = HiddenField()


@blueprint.route("/prices/bench-times", methods=["GET", "POST"])
@owner_only
def learned() -> ResponseReturnValue:
    """The last jobs' medians beside the book's figures; each can be taken into the book."""
    work = current_work()
    about("price book")
    form = AdoptPage(data={"valid_from": next_monday(work.today), "moving": Adopt.KIND.value})
    if form.validate_on_submit():
        try:
            if form.valid_from.data is None:
                raise BitternError("valid_from", "Enter the first day.")
            key = (typed(form.task), typed(form.kind), typed(form.cylinder))
            moving = Adopt(typed(form.moving))
            adopt_time(work, key, typed(form.median), moving, form.valid_from.data, typed(form.seen))
        except BitternError as error:
            attach(form, error)
        else:
            return flash_and_redirect("The book's figure is set to what the bench takes.", "times.learned")
    row, times = learned_times(work.session, work.today)
    mark = terms_mark(each for each, _ in dated_bench_terms(work.session, work.today))
    status = 422 if request.method == "POST" else 200
    return render_template(
        "bench/learned_times.html",
        form=form,
        row=row,
        times=times,
        mark=mark,
        words=task_words,
        minutes=write_minutes,
    ), status
