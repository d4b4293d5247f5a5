"""Pages: when an installer comes to a site, and the file that puts it into a calendar."""

from collections.abc import Sequence
from dataclasses import replace

from flask import Blueprint, flash, render_template
from flask.typing import ResponseReturnValue
from wtforms import RadioField
from wtforms.validators import InputRequired

from app.documents import CalendarEntry, calendar_file
from app.ledger.jobs.appointments import (
    AppointmentForm,
    SavedAppointment,
    appointments_for_calendar,
    change_appointment,
    coming_appointments,
    end_appointment,
    ends_at,
    get_appointment,
    installers,
    make_appointment,
    place_of,
    starts_at,
    when_words,
)
from app.ledger.jobs.queries import get_job
from app.ledger.sites.customer_queries import get_site
from app.ledger.tables import Appointment, Role, Visit
from app.web.access import roles
from app.web.errors import about
from app.web.fields import DayField, TimeField, WholeField
from app.web.files import send
from app.web.forms_base import SavedForm, flash_and_redirect, text, typed
from app.web.services import current_work, request_session

ICS = "text/calendar"
blueprint = Blueprint("appointments", __name__)


class AppointmentPage(SavedForm):
    """When who comes, and what he should know."""

    day = DayField("Day", [InputRequired("Enter the day.")])
    last_day = DayField("Last day", description="Only where it takes several days.")
    from_time = TimeField("From", description="As 14:30 or 2:30 pm. Empty: the whole day.")
    minutes = WholeField("Minutes", least=1, most=1440)
    installer = text("Who comes", Appointment.installer, needed="Enter who comes.")
    note = text("What to know", Appointment.note, hint="It goes into the calendar: no bitting.")


class AppointmentEndForm(SavedForm):
    """What became of it."""

    became = RadioField("It is", choices={one.value: one.value for one in (Visit.DONE, Visit.CANCELED)})


@blueprint.get("/appointments")
@roles(Role.COUNTER, Role.BENCH)
def index() -> ResponseReturnValue:
    """Who comes when, from today on."""
    work = current_work()
    return render_template(
        "jobs/appointments.html", rows=coming_appointments(work.session, work.today), when=when_words, place=place_of
    )


@blueprint.get("/appointments.ics")
@roles(Role.COUNTER, Role.BENCH)
def calendar() -> ResponseReturnValue:
    """All from today on, canceled ones too, so that they go from the calendar."""
    work = current_work()
    return _send(appointments_for_calendar(work.session, work.today), "appointments.ics")


@blueprint.get("/appointments/<int:appointment_id>.ics")
@roles(Role.COUNTER, Role.BENCH)
def entry(appointment_id: int) -> ResponseReturnValue:
    """One of them."""
    return _send([get_appointment(request_session(), appointment_id)], f"appointment-{appointment_id}.ics")


@blueprint.route("/jobs/<int:number>/appointments/new", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def of_job(number: int) -> ResponseReturnValue:
    """Agree on one for a job."""
    work = current_work()
    job = get_job(work.session, number)
    form = AppointmentPage(day=job.promised_on if job.promised_on and job.promised_on > work.today else work.today)
    if done := form.run(lambda: make_appointment(work, form.into(AppointmentForm), job_id=job.id)):
        return _saved(done.value)
    return _page(form, job=job)


@blueprint.route("/sites/<int:site_id>/appointments/new", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def of_site(site_id: int) -> ResponseReturnValue:
    """Agree on one for a site, as to look at its doors."""
    work = current_work()
    site = get_site(work.session, site_id)
    form = AppointmentPage(day=work.today)
    if done := form.run(lambda: make_appointment(work, form.into(AppointmentForm), site_id=site.id)):
        return _saved(done.value)
    return _page(form, site=site)


@blueprint.route("/appointments/<int:appointment_id>", methods=["GET", "POST"])
@roles(Role.COUNTER, Role.BENCH)
def show(appointment_id: int) -> ResponseReturnValue:
    """Look at one, move it, send somebody else."""
    work = current_work()
    row = get_appointment(work.session, appointment_id)
    form = AppointmentPage(obj=row)
    if done := form.run(
        lambda: change_appointment(work, appointment_id, form.version_read, form.into(AppointmentForm))
    ):
        return _saved(done.value)
    return _page(form, row=row, job=row.job, site=row.site)


@blueprint.post("/appointments/<int:appointment_id>/end")
@roles(Role.COUNTER, Role.BENCH)
def end(appointment_id: int) -> ResponseReturnValue:
    """It took place, or nobody comes."""
    work, form = current_work(), AppointmentEndForm()
    about(f"appointment {appointment_id}", form)
    done = form.run(lambda: end_appointment(work, appointment_id, form.version_read, Visit(typed(form.became))))
    if not done:
        for message in (*form.form_errors, *(one for errors in form.errors.values() for one in errors)):
            flash(str(message), "caution")
        return show(appointment_id)
    said = f"The appointment is {done.value.state.value}."
    if done.value.state is Visit.CANCELED:
        said += " Send its calendar file again, so that it goes from the calendar."
    return flash_and_redirect(said, "appointments.show", appointment_id=appointment_id)


def _saved(done: SavedAppointment) -> ResponseReturnValue:
    for clash in done.clashes:
        flash(clash, "caution")
    row = done.appointment
    return flash_and_redirect(f"{row.installer} comes {when_words(row)}.", "appointments.show", appointment_id=row.id)


def _page(form: AppointmentPage, **about_what: object) -> ResponseReturnValue:
    return (
        render_template(
            "jobs/appointment.html",
            form=form,
            known=installers(request_session()),
            when=when_words,
            **{"row": None, "job": None, "site": None} | about_what,
        ),
        form.status,
    )


def _send(rows: Sequence[Appointment], name: str) -> ResponseReturnValue:
    return send(calendar_file(map(_entry, rows), current_work().now), name, ICS)


def _entry(row: Appointment) -> CalendarEntry:
    """The appointment for a calendar: where, whom to ring, what to know; of the job its number and title."""
    customer = row.job.customer if row.job is not None else row.site.customer if row.site is not None else None
    of_job = f"Job {row.job.number}{f', {row.job.title}' if row.job.title else ''}" if row.job is not None else ""
    phone = customer.phone if customer is not None else ""
    address = row.site.address if row.site is not None and row.site.address else customer.address if customer else ""
    found = CalendarEntry(
        uid=row.uid,
        starts=row.day,
        ends=row.last_day or row.day,
        summary=f"{place_of(row)}: {row.installer}",
        place=", ".join(filter(None, (row.site.name if row.site is not None else "", *address.splitlines()))),
        note="\n".join(filter(None, (of_job, row.note, phone))),
        sequence=row.version - 1,
        is_canceled=row.state is Visit.CANCELED,
    )
    if row.from_time is None:
        return found
    return replace(found, starts=starts_at(row), ends=ends_at(row))
