"""Use cases: when an installer comes to a site: agreed, moved, canceled, done; and who comes when."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.errors import Problem, Problems
from app.ledger.jobs.queries import OPEN
from app.ledger.store.engine import get_row, get_version, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import house_id, next_number, record
from app.ledger.store.records import set_changed, text_problems
from app.ledger.store.work import Work
from app.ledger.tables import Appointment, Job, Role, Site, Visit
from app.pricing import show_day

APPOINTED = "appointment made"
APPOINTMENT_CHANGED = "appointment changed"
_LONGEST = 24 * 60


@dataclass(frozen=True, slots=True)
class AppointmentForm:
    """When who comes. from_time None: for the whole day, or for all days up to last_day."""

    day: date
    installer: str
    from_time: time | None = None
    minutes: int | None = None
    last_day: date | None = None
    note: str = ""


@dataclass(frozen=True, slots=True)
class SavedAppointment:
    """An appointment as saved, and where else the same installer is to be at that time, a sentence each."""

    appointment: Appointment
    clashes: tuple[str, ...]


def make_appointment(
    work: Work, form: AppointmentForm, *, job_id: int | None = None, site_id: int | None = None
) -> SavedAppointment:
    """Agree on a time for a job, or for a site alone. Problems by field, NotFound."""
    work.require(Role.COUNTER, Role.BENCH)
    _check(form, None, work.today)
    with transaction(work.session):
        job = get_row(work.session, Job, job_id, "job") if job_id is not None else None
        place = job.site_id if job is not None else site_id
        site = get_row(work.session, Site, place, "site") if place is not None else None
        if job is None and site is None:
            raise LedgerError("", "An appointment is for a job or for a site.")
        if job is not None and job.stage not in OPEN:
            raise LedgerError("", f"Job {job.number} is {job.stage.word}: nobody has to come for it any more.")
        # Numbered by this house, so that a calendar never takes two houses' appointments for one.
        number = next_number(work.session, "appointment")
        row = Appointment(uid=f"appointment-{number}@{house_id(work.session)}.bittern", job=job, site=site)
        _put(row, form)
        work.session.add(row)
        work.session.flush()
        record(work, APPOINTED, _subject(row), f"{row.installer} comes {when_words(row)}", job_id=row.job_id)
        return SavedAppointment(row, _clashes(work.session, row))


def change_appointment(work: Work, appointment_id: int, version: int, form: AppointmentForm) -> SavedAppointment:
    """Move it, or send somebody else; read at `version`. Problems by field, LedgerError where it is over, Stale."""
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        row = get_version(work.session, Appointment, appointment_id, "appointment", version)
        _require_planned(row)
        _check(form, row, work.today)
        before = when_words(row), row.installer
        if _put(row, form):
            moved = before != (when_words(row), row.installer)
            said = f"{row.installer} comes {when_words(row)}" + (f", not {before[1]} {before[0]}" if moved else "")
            record(work, APPOINTMENT_CHANGED, _subject(row), said, job_id=row.job_id)
        return SavedAppointment(row, _clashes(work.session, row))


def end_appointment(work: Work, appointment_id: int, version: int, became: Visit) -> Appointment:
    """Say that it took place, or that nobody comes; read at `version`. LedgerError where it is over, Stale."""
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        row = get_version(work.session, Appointment, appointment_id, "appointment", version)
        if became is Visit.PLANNED:
            raise LedgerError("", "Say whether it is done or canceled.")
        _require_planned(row)
        row.state = became
        said = f"{row.installer} {when_words(row)}: {became.value}"
        record(work, APPOINTMENT_CHANGED, _subject(row), said, job_id=row.job_id)
        return row


def _require_planned(row: Appointment) -> None:
    if row.state is not Visit.PLANNED:
        raise LedgerError("", f"This appointment is {row.state.value} already: make another one.")


def _subject(row: Appointment) -> str:
    return f"job {row.job.number}" if row.job is not None else f"site {row.site_id}"


def _put(row: Appointment, form: AppointmentForm) -> list[str]:
    return set_changed(
        row,
        {
            "day": form.day,
            "last_day": form.last_day if form.last_day != form.day else None,
            "from_time": form.from_time,
            "minutes": form.minutes,
            "installer": " ".join(form.installer.split()),
            "note": " ".join(form.note.split()),
        },
    )


def _check(form: AppointmentForm, known: Appointment | None, today: date) -> None:
    problems = text_problems(form, Appointment)
    if not form.installer.strip():
        problems.append(Problem("installer", "Enter who comes."))
    if form.day < today and (known is None or form.day != known.day):
        problems.append(Problem("day", f"This day has passed; enter {show_day(today)} or a later day."))
    if form.last_day is not None and form.last_day < form.day:
        problems.append(
            Problem("last_day", f"The last day is before the first: enter {show_day(form.day)} or later.")
        )
    if form.from_time is None and form.minutes is not None:
        problems.append(Problem("from_time", "Enter from when, or leave the minutes empty for the whole day."))
    if form.from_time is not None:
        if form.last_day not in (None, form.day):
            told = "Several days have no time of day: leave it empty, or make an appointment a day."
            problems.append(Problem("from_time", told))
        starts = form.from_time.hour * 60 + form.from_time.minute
        if form.minutes is None or not 1 <= form.minutes <= _LONGEST - starts:
            problems.append(Problem("minutes", "Enter how many minutes it takes, so that it ends on the same day."))
    if problems:
        raise Problems(problems)


def when_words(row: Appointment) -> str:
    """Its days and hours, as people say them.

    >>> when_words(Appointment(day=date(2026, 3, 2), from_time=time(9, 30), minutes=90))
    'Monday 2 March 2026, 9:30 to 11:00'
    >>> when_words(Appointment(day=date(2026, 3, 2), last_day=date(2026, 3, 4)))
    'Monday 2 March 2026 to Wednesday 4 March 2026'
    """
    if row.last_day is not None:
        return f"{show_day(row.day)} to {show_day(row.last_day)}"
    if row.from_time is None:
        return show_day(row.day)
    return f"{show_day(row.day)}, {_show_time(starts_at(row))} to {_show_time(ends_at(row))}"


def _show_time(moment: datetime) -> str:
    return f"{moment.hour}:{moment.minute:02d}"


def starts_at(row: Appointment) -> datetime:
    """When it begins, by the clock at the site; midnight where it is for the whole day."""
    return datetime.combine(row.day, row.from_time or time())


def ends_at(row: Appointment) -> datetime:
    """When it is over, by the clock at the site; the midnight after its last day where it is for the whole day."""
    if row.from_time is None:
        return datetime.combine((row.last_day or row.day) + timedelta(days=1), time())
    return starts_at(row) + timedelta(minutes=row.minutes or 0)


_WITH_PLACE = (
    joinedload(Appointment.job).joinedload(Job.customer),
    joinedload(Appointment.site).joinedload(Site.customer),
)


def get_appointment(session: Session, appointment_id: int) -> Appointment:
    """The appointment with its job, site and customer; NotFound."""
    return get_row(session, Appointment, appointment_id, "appointment", *_WITH_PLACE)


def appointments_of_job(session: Session, job_id: int) -> Sequence[Appointment]:
    """What was agreed for a job, the earliest first."""
    rows = sa.select(Appointment).where(Appointment.job_id == job_id)
    return session.scalars(rows.order_by(Appointment.day, Appointment.from_time, Appointment.id)).all()


def coming_appointments(session: Session, today: date, until: date | None = None) -> Sequence[Appointment]:
    """Planned ones from today to a day (None: however late), and those of earlier days that nobody has said is done
    yet, the earliest first; in one query.
    """
    rows = sa.select(Appointment).options(*_WITH_PLACE).where(Appointment.state == Visit.PLANNED)
    if until is not None:
        rows = rows.where(Appointment.day <= until)
    in_turn = (Appointment.day, Appointment.from_time.asc().nulls_first(), Appointment.id)
    return session.scalars(rows.order_by(*in_turn).limit(500)).all()


def appointments_for_calendar(session: Session, today: date) -> Sequence[Appointment]:
    """What a calendar should hold from today on: planned ones, and canceled ones, so that they go from it."""
    over = sa.func.coalesce(Appointment.last_day, Appointment.day) < today
    rows = sa.select(Appointment).options(*_WITH_PLACE).where(~over, Appointment.state != Visit.DONE)
    return session.scalars(rows.order_by(Appointment.day, Appointment.id)).all()


def installers(session: Session) -> Sequence[str]:
    """Who came or comes, by name, to be chosen again."""
    return session.scalars(
        sa.select(Appointment.installer).distinct().order_by(Appointment.installer).limit(50)
    ).all()


def _clashes(session: Session, row: Appointment) -> tuple[str, ...]:
    last = row.last_day or row.day
    others = (
        sa.select(Appointment)
        .options(*_WITH_PLACE)
        .where(
            Appointment.id != row.id,
            Appointment.state == Visit.PLANNED,
            sa.func.lower(Appointment.installer) == row.installer.lower(),
            Appointment.day <= last,
            sa.func.coalesce(Appointment.last_day, Appointment.day) >= row.day,
        )
    )
    return tuple(
        f"{other.installer} is to be at {place_of(other)} {when_words(other)}, too."
        for other in session.scalars(others.order_by(Appointment.day, Appointment.id))
        if starts_at(other) < ends_at(row) and starts_at(row) < ends_at(other)
    )


def place_of(row: Appointment) -> str:
    """Whose site it is, as one line: "Saltmarsh Maritime College, North Hall"."""
    customer = row.job.customer if row.job is not None else row.site.customer if row.site is not None else None
    names = [customer.name if customer is not None else "", row.site.name if row.site is not None else ""]
    return ", ".join(dict.fromkeys(filter(None, names)))
