"""Use cases: what is to be done on a day for a job or a customer; ticked when it is done."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.errors import Problem, Problems
from app.ledger.store.engine import get_row, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.records import text_problems
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Job, Reminder, Role
from app.pricing import show_day

REMINDER_SET, REMINDER_DONE = "reminder set", "reminder done"


@dataclass(frozen=True, slots=True)
class ReminderForm:
    """What is to be done, on which day, and whose day shows it."""

    due_on: date
    words: str
    role: Role


def set_reminder(
    work: Work, form: ReminderForm, *, job_id: int | None = None, customer_id: int | None = None
) -> Reminder:
    """Remind somebody of a job, or of a customer. Problems by field, NotFound."""
    work.require(Role.COUNTER, Role.BENCH)
    if work.actor.user_id is None:
        raise LedgerError("", "A reminder is set by a person who is logged in.")
    problems = text_problems(form, Reminder)
    if not form.words.strip():
        problems.append(Problem("words", "Enter what is to be done."))
    if form.due_on < work.today:
        problems.append(Problem("due_on", f"This day has passed; enter {show_day(work.today)} or a later day."))
    if problems:
        raise Problems(problems)
    with transaction(work.session):
        job = get_row(work.session, Job, job_id, "job") if job_id is not None else None
        customer = get_row(work.session, Customer, customer_id, "customer") if customer_id is not None else None
        if (job is None) is (customer is None):
            raise LedgerError("", "A reminder is for a job or for a customer.")
        row = Reminder(
            due_on=form.due_on,
            words=" ".join(form.words.split()),
            role=form.role,
            job=job,
            customer=customer,
            made_by_id=work.actor.user_id,
        )
        work.session.add(row)
        work.session.flush()
        said = f"{show_day(row.due_on)}, for the {row.role.value}: {row.words}"
        record(work, REMINDER_SET, _subject(row), said, job_id=row.job_id)
        return row


def tick_reminder(work: Work, reminder_id: int, *, is_done: bool) -> Reminder:
    """Say that it is done, or that it is not after all; twice changes nothing. NotFound."""
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        row = get_row(work.session, Reminder, reminder_id, "reminder")
        if (row.done_at is not None) is not is_done:
            row.done_at = work.now if is_done else None
            said = row.words if is_done else f"Not done after all: {row.words}"
            record(work, REMINDER_DONE, _subject(row), said, job_id=row.job_id)
        return row


def _subject(row: Reminder) -> str:
    return f"job {row.job.number}" if row.job is not None else f"customer {row.customer_id}"


_WITH_WHOM = (joinedload(Reminder.job).joinedload(Job.customer), joinedload(Reminder.customer))


def due_reminders(session: Session, today: date, role: Role) -> Sequence[Reminder]:
    """What is due up to today for a role, the owner's being everybody's; the oldest first; in one query."""
    rows = sa.select(Reminder).options(*_WITH_WHOM).where(Reminder.done_at.is_(None), Reminder.due_on <= today)
    if role is not Role.OWNER:
        rows = rows.where(Reminder.role == role)
    return session.scalars(rows.order_by(Reminder.due_on, Reminder.id).limit(500)).all()


def reminders_of(
    session: Session, *, job_id: int | None = None, customer_id: int | None = None
) -> Sequence[Reminder]:
    """Those of a job or of a customer: what is to be done first, by day, then what was."""
    rows = sa.select(Reminder).where(Reminder.job_id == job_id if job_id else Reminder.customer_id == customer_id)
    return session.scalars(rows.order_by(Reminder.done_at.is_not(None), Reminder.due_on, Reminder.id)).all()
