"""Pages: what is to be done on a day for a job or a customer, and its tick."""

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue
from wtforms import HiddenField, SelectField
from wtforms.fields.choices import SelectChoice  # type: ignore[attr-defined]  # newer than the stubs
from wtforms.validators import InputRequired

from app.ledger.jobs.queries import get_job
from app.ledger.jobs.reminders import ReminderForm, set_reminder, tick_reminder
from app.ledger.sites.customer_queries import get_customer
from app.ledger.tables import Reminder, Role
from app.web.access import roles
from app.web.fields import DayField
from app.web.forms_base import PageForm, flash_and_redirect, text, typed
from app.web.services import current_work

blueprint = Blueprint("reminders", __name__)


class ReminderPage(PageForm):
    """What, when, and whose day shows it."""

    due_on = DayField("Day", [InputRequired("Enter the day.")])
    words = text("What is to be done", Reminder.words, needed="Enter what is to be done.")
    role = SelectField("Shown to", choices=[SelectChoice(role.value, f"the {role.value}") for role in Role])


class ReminderTickForm(PageForm):
    """Done, or not done after all. back: `day` where the tick was pressed on the Day."""

    done = HiddenField()
    back = HiddenField()


@blueprint.route("/jobs/<int:number>/reminders/new", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def of_job(number: int) -> ResponseReturnValue:
    """Remind somebody of a job."""
    work = current_work()
    job, form = get_job(work.session, number), ReminderPage(role=work.actor.role)
    if form.run(lambda: set_reminder(work, form.into(ReminderForm), job_id=job.id)):
        return flash_and_redirect("The reminder is set.", "jobs.show", number=number, _anchor="reminders")
    return render_template("jobs/reminder.html", form=form, job=job, customer=job.customer), form.status


@blueprint.route("/customers/<int:customer_id>/reminders/new", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def of_customer(customer_id: int) -> ResponseReturnValue:
    """Remind somebody of a customer."""
    work = current_work()
    customer, form = get_customer(work.session, customer_id), ReminderPage(role=work.actor.role)
    if form.run(lambda: set_reminder(work, form.into(ReminderForm), customer_id=customer.id)):
        return flash_and_redirect(
            "The reminder is set.", "customers.show", customer_id=customer_id, _anchor="reminders"
        )
    return render_template("jobs/reminder.html", form=form, job=None, customer=customer), form.status


@blueprint.post("/reminders/<int:reminder_id>")
@roles(Role.COUNTER, Role.BENCH)
def tick(reminder_id: int) -> ResponseReturnValue:
    """Done, or not done after all."""
    work, form = current_work(), ReminderTickForm()
    row = tick_reminder(work, reminder_id, is_done=typed(form.done) != "no")
    said = f"Done: {row.words}" if row.done_at is not None else f"To be done again: {row.words}"
    if typed(form.back) == "day":
        return flash_and_redirect(said, "day.index", _anchor="reminders")
    if row.job is not None:
        return flash_and_redirect(said, "jobs.show", number=row.job.number, _anchor="reminders")
    return flash_and_redirect(said, "customers.show", customer_id=row.customer_id, _anchor="reminders")
