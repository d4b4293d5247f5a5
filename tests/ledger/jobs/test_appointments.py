"""An installer's appointments: for a job or a site, moved, canceled, done; who is at two places at once."""

from datetime import date, time, timedelta

import pytest
import sqlalchemy as sa

from app.errors import Problems
from app.ledger.jobs.appointments import (
    AppointmentForm,
    appointments_for_calendar,
    appointments_of_job,
    change_appointment,
    coming_appointments,
    end_appointment,
    make_appointment,
    when_words,
)
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.work import Work
from app.ledger.tables import Event, Stage, Visit
from tests import factories
from tests.bare import config, work
from tests.conftest import NOW

__all__ = ["config", "work"]  # the bare house

TODAY = NOW.astimezone().date()  # Wednesday 25 November 2026
DAY = timedelta(days=1)
MORNING = AppointmentForm(TODAY + DAY, "J. Curlew", time(9, 30), 90)


def refused(work: Work, **wrong: object) -> dict[str, str]:
    job = factories.JobFactory(stage=Stage.APPROVED)
    with pytest.raises(Problems) as caught:
        make_appointment(work, AppointmentForm(**{"day": TODAY, "installer": "Pell", **wrong}), job_id=job.id)  # type: ignore[arg-type]
    return {one.field: one.message for one in caught.value.problems}


def test_it_is_moved_and_canceled_under_the_same_uid(work: Work) -> None:
    job = factories.JobFactory(number=1001, stage=Stage.APPROVED, site=factories.SiteFactory(name="North Hall"))
    row = make_appointment(work, MORNING, job_id=job.id).appointment
    uid, version = row.uid, row.version
    assert (row.site_id, when_words(row)) == (job.site_id, "Thursday 26 November 2026, 9:30 to 11:00")
    moved = AppointmentForm(TODAY + 2 * DAY, "J. Curlew", time(13), 60)
    row = change_appointment(work, row.id, version, moved).appointment
    assert (row.uid, row.version) == (uid, version + 1)
    with pytest.raises(Stale):
        end_appointment(work, row.id, version, Visit.CANCELED)
    row = end_appointment(work, row.id, row.version, Visit.CANCELED)
    assert (row.uid, row.version, row.state) == (uid, version + 2, Visit.CANCELED)
    with pytest.raises(LedgerError, match="canceled already"):
        change_appointment(work, row.id, row.version, moved)
    told = sa.select(Event.summary).where(Event.job_id == job.id).order_by(Event.id)
    assert work.session.scalars(told).all() == [
        "J. Curlew comes Thursday 26 November 2026, 9:30 to 11:00",
        "J. Curlew comes Friday 27 November 2026, 13:00 to 14:00, "
        "not J. Curlew Thursday 26 November 2026, 9:30 to 11:00",
        "J. Curlew Friday 27 November 2026, 13:00 to 14:00: canceled",
    ]
    assert appointments_of_job(work.session, job.id) == [row]
    assert coming_appointments(work.session, TODAY) == []
    assert appointments_for_calendar(work.session, TODAY) == [row]  # so that it goes from the calendar
    other = make_appointment(work, MORNING, job_id=job.id).appointment
    assert other.uid != uid


def test_who_is_at_two_places_at_once_is_told(work: Work) -> None:
    site = factories.SiteFactory(name="Quay", customer=factories.CustomerFactory(name="Lantern Row Dental"))
    make_appointment(work, MORNING, site_id=site.id)
    for form, clashes in (
        (AppointmentForm(TODAY + DAY, "j. curlew", time(10, 59), 30), 1),
        (AppointmentForm(TODAY + DAY, "J. Curlew", time(11), 30), 0),
        (AppointmentForm(TODAY + DAY, "J. Curlew", time(8), 90), 0),
        (AppointmentForm(TODAY + DAY, "Pell", time(10), 30), 0),
        (AppointmentForm(TODAY, "J. Curlew", last_day=TODAY + 3 * DAY), 1),
    ):
        done = make_appointment(work, form, site_id=site.id)
        said = "J. Curlew is to be at Lantern Row Dental, Quay Thursday 26 November 2026, 9:30 to 11:00, too."
        assert done.clashes == ((said,) if clashes else ())
        end_appointment(work, done.appointment.id, done.appointment.version, Visit.CANCELED)


@pytest.mark.parametrize(
    ("wrong", "field", "said"),
    [
        ({"installer": "  "}, "installer", "Enter who comes."),
        ({"installer": "x" * 121}, "installer", "At most 120"),
        ({"day": TODAY - DAY}, "day", "This day has passed; enter Wednesday 25 November 2026"),
        ({"last_day": TODAY - DAY}, "last_day", "The last day is before the first"),
        ({"minutes": 30}, "from_time", "Enter from when"),
        ({"from_time": time(9)}, "minutes", "Enter how many minutes it takes"),
        ({"from_time": time(23), "minutes": 61}, "minutes", "so that it ends on the same day"),
        ({"from_time": time(9), "minutes": 30, "last_day": TODAY + DAY}, "from_time", "Several days have no time"),
    ],
)
def test_what_cannot_be_is_refused_on_its_field(work: Work, wrong: dict[str, object], field: str, said: str) -> None:
    assert said in refused(work, **wrong)[field]


def test_a_job_that_is_over_takes_none(work: Work) -> None:
    job = factories.JobFactory(number=1002, stage=Stage.CANCELED)
    with pytest.raises(LedgerError, match="Job 1002 is canceled"):
        make_appointment(work, MORNING, job_id=job.id)
    with pytest.raises(LedgerError, match="for a job or for a site"):
        make_appointment(work, MORNING)


def test_what_is_over_and_not_ticked_stays_in_sight(work: Work) -> None:
    old = factories.AppointmentFactory(day=TODAY - DAY)
    factories.AppointmentFactory(day=date(2026, 10, 1), state=Visit.DONE)
    later = factories.AppointmentFactory(day=TODAY + 8 * DAY)
    early = factories.AppointmentFactory(day=TODAY, from_time=time(8), minutes=5)
    whole = factories.AppointmentFactory(day=TODAY)
    assert coming_appointments(work.session, TODAY) == [old, whole, early, later]
    assert coming_appointments(work.session, TODAY, TODAY) == [old, whole, early]
    # A past one is changed without its day being asked for anew.
    form = AppointmentForm(old.day, "Rowe", note="ring first")
    assert change_appointment(work, old.id, old.version, form).appointment.installer == "Rowe"
