"""Reminders: due from their day on, for the role that they are for and the owner, until they are ticked."""

from datetime import timedelta

import pytest
import sqlalchemy as sa

from app.errors import Problems
from app.ledger.jobs.reminders import ReminderForm, due_reminders, reminders_of, set_reminder, tick_reminder
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Event, Role
from tests import factories
from tests.bare import config, work
from tests.conftest import NOW

__all__ = ["config", "work"]  # the bare house

TODAY = NOW.astimezone().date()
DAY = timedelta(days=1)


def test_a_reminder_is_due_for_its_role_and_the_owner_until_it_is_ticked(work: Work) -> None:
    job, customer = factories.JobFactory(number=1001), factories.CustomerFactory()
    ring = set_reminder(work, ReminderForm(TODAY, "Ring  the bursar", Role.COUNTER), job_id=job.id)
    order = set_reminder(
        work, ReminderForm(TODAY + DAY, "Ask for the yearly count", Role.BENCH), customer_id=customer.id
    )
    session = work.session
    assert [one.words for one in due_reminders(session, TODAY, Role.COUNTER)] == ["Ring the bursar"]
    assert due_reminders(session, TODAY, Role.BENCH) == [] and due_reminders(session, TODAY, Role.OWNER) == [ring]
    assert due_reminders(session, TODAY + DAY, Role.OWNER) == [ring, order]
    for _ in range(2):  # pressed twice
        assert tick_reminder(work, ring.id, is_done=True).done_at == NOW
    assert due_reminders(session, TODAY + DAY, Role.OWNER) == [order]
    assert tick_reminder(work, ring.id, is_done=False).done_at is None
    told = sa.select(Event.summary).where(Event.job_id == job.id).order_by(Event.id)
    assert session.scalars(told).all() == [
        "Wednesday 25 November 2026, for the counter: Ring the bursar",
        "Ring the bursar",
        "Not done after all: Ring the bursar",
    ]


def test_a_records_reminders_stand_by_day_what_is_done_last(work: Work) -> None:
    job = factories.JobFactory()
    later, done, first = (
        set_reminder(work, ReminderForm(TODAY + days * DAY, f"in {days}", Role.OWNER), job_id=job.id)
        for days in (3, 0, 1)
    )
    factories.ReminderFactory()
    tick_reminder(work, done.id, is_done=True)
    assert reminders_of(work.session, job_id=job.id) == [first, later, done]
    assert reminders_of(work.session, customer_id=job.customer_id) == []


def test_what_cannot_be_is_refused_on_its_field(work: Work) -> None:
    job = factories.JobFactory()
    with pytest.raises(Problems) as caught:
        set_reminder(work, ReminderForm(TODAY - DAY, " ", Role.OWNER), job_id=job.id)
    assert {one.field: one.message for one in caught.value.problems} == {
        "due_on": "This day has passed; enter Wednesday 25 November 2026 or a later day.",
        "words": "Enter what is to be done.",
    }
    with pytest.raises(Problems, match="At most 300"):
        set_reminder(work, ReminderForm(TODAY, "x" * 301, Role.OWNER), job_id=job.id)
    with pytest.raises(LedgerError, match="for a job or for a customer"):
        set_reminder(work, ReminderForm(TODAY, "x", Role.OWNER))
