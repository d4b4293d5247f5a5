"""Pages of the bench's times: what a job's work took, and what the last jobs teach beside the book's figures."""

from decimal import Decimal
from typing import Any

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue
from wtforms import Field, HiddenField, RadioField
from wtforms.validators import InputRequired

from app.ledger.bench.times import (
    JobTask,
    adopt_time,
    job_tasks,
    learned_times,
    record_times,
    recorded_of,
    task_words,
)
from app.ledger.catalog.price_queries import dated_bench_terms, terms_mark
from app.ledger.jobs.queries import get_job
from app.ledger.tables import Role
from app.pricing import Adopt, write_minutes
from app.web.access import owner_only, roles
from app.web.errors import about
from app.web.fields import DayField, TextField
from app.web.forms_base import PageForm, flash_and_redirect, typed
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
    boxes = {task.key: form[f"minutes-{n}"] for n, task in enumerate(tasks)}
    if done := form.run(lambda: record_times(work, number, {key: box.data for key, box in boxes.items()})):
        said = (
            f"{done.value} {'time' if done.value == 1 else 'times'} recorded."
            if done.value
            else "Nothing was entered."
        )
        return flash_and_redirect(said, "bench.job", number=number)
    return render_template("bench/job_times.html", form=form, number=number, tasks=tasks), form.status


class AdoptPage(PageForm):
    """Which figure to move, and from when."""

    valid_from = DayField("From", [InputRequired("Enter the first day.")])
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
    form = AdoptPage(data={"valid_from": work.today, "moving": Adopt.KIND.value})
    key = typed(form.task), typed(form.kind), typed(form.cylinder)
    if form.run(lambda: form.into(adopt_time, work=work, key=key)):
        return flash_and_redirect("The book's figure is set to what the bench takes.", "times.learned")
    row, times = learned_times(work.session, work.today)
    mark = terms_mark(each for each, _ in dated_bench_terms(work.session, work.today))
    return render_template(
        "bench/learned_times.html",
        form=form,
        row=row,
        times=times,
        mark=mark,
        words=task_words,
        minutes=write_minutes,
    ), form.status
