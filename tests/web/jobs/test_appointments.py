"""The pages of appointments and reminders, and the calendar file that a phone takes in."""

import re
from datetime import timedelta

import pytest
from sqlalchemy.orm import Session

from app.ledger.tables import Job, Role, Stage
from tests import factories
from tests.conftest import NOW
from tests.factories import FormClient
from tests.web.quotes.test_views import ClientAs

TODAY = NOW.astimezone().date()
WHEN = {
    "day": (TODAY + timedelta(days=1)).isoformat(), "from_time": "2:30 pm", "minutes": "45",
    "installer": "J. Curlew", "note": "Ring, then wait; gate B",
}  # fmt: skip


@pytest.fixture
def job(session: Session) -> Job:
    customer = factories.CustomerFactory(name="Zoë & Sons", phone="555-0142", address="1 Quay\nSaltmarsh")
    site = factories.SiteFactory(name="North Hall", customer=customer, address="")
    made: Job = factories.JobFactory(
        number=1001, stage=Stage.APPROVED, customer=customer, site=site, title="Six cylinders"
    )
    return made


def ics(client: FormClient, address: str) -> list[str]:
    answer = client.get(address)
    assert answer.mimetype == "text/calendar"
    return re.sub("\r\n ", "", answer.text).split("\r\n")


def test_an_appointment_goes_into_a_calendar_is_moved_there_and_goes_from_it(client_as: ClientAs, job: Job) -> None:
    clerk = client_as(Role.COUNTER)
    assert 'href="/jobs/1001/appointments/new"' in clerk.get("/jobs/1001").text
    made = clerk.post("/jobs/1001/appointments/new", data=WHEN)
    assert made.status_code == 303
    page = made.headers["Location"]
    lines = ics(clerk, f"{page}.ics")
    uid = next(line for line in lines if line.startswith("UID:"))
    for line in (
        "SEQUENCE:0",
        "DTSTART:20261126T143000",
        "DTEND:20261126T151500",
        "SUMMARY:Zoë & Sons\\, North Hall: J. Curlew",
        "LOCATION:North Hall\\, 1 Quay\\, Saltmarsh",
        "DESCRIPTION:Job 1001\\, Six cylinders\\nRing\\, then wait\\; gate B\\n555-0142",
        "STATUS:CONFIRMED",
    ):
        assert line in lines, (line, lines)
    shown = clerk.get(page).text
    assert 'value="14:30"' in shown and 'value="J. Curlew"' in shown
    moved = {**WHEN, "version": "1", "from_time": "", "minutes": "", "last_day": "2026-11-28"}
    assert clerk.post(page, data=moved).status_code == 303
    assert clerk.post(page, data=moved).status_code == 409
    lines = ics(client_as(Role.BENCH), "/appointments.ics")
    assert {uid, "SEQUENCE:1", "DTSTART;VALUE=DATE:20261126", "DTEND;VALUE=DATE:20261129"} <= set(lines)
    assert "Thursday 26 November 2026 to Saturday 28 November 2026" in clerk.get("/appointments").text
    refused = clerk.post(f"{page}/end", data={"version": "2", "became": ""})
    assert refused.status_code == 422
    assert clerk.post(f"{page}/end", data={"version": "2", "became": "canceled"}).status_code == 303
    assert {uid, "SEQUENCE:2", "STATUS:CANCELLED"} <= set(ics(clerk, f"{page}.ics"))
    assert "No appointment is planned." in clerk.get("/appointments").text
    assert "<s>Thursday 26 November 2026 to Saturday 28 November 2026</s>" in clerk.get("/jobs/1001").text


def test_what_is_refused_stays_as_it_was_typed(client_as: ClientAs, job: Job) -> None:
    clerk = client_as(Role.COUNTER)
    wrong = {**WHEN, "from_time": "half three", "installer": " "}
    answer = clerk.post(f"/sites/{job.site_id}/appointments/new", data=wrong)
    assert answer.status_code == 422 and 'value="half three"' in answer.text
    assert "Write the time as 14:30 or 2:30 pm." in answer.text and "Enter who comes." in answer.text


def test_a_reminder_is_set_and_ticked_where_it_stands(client_as: ClientAs, job: Job) -> None:
    bench = client_as(Role.BENCH)
    form = {"due_on": TODAY.isoformat(), "words": "Ask <b>who</b> signs", "role": "bench"}
    for start, back in (
        ("/jobs/1001", "/jobs/1001"),
        (f"/customers/{job.customer_id}", f"/customers/{job.customer_id}"),
    ):
        assert f'href="{start}/reminders/new"' in bench.get(start).text
        done = bench.post(f"{start}/reminders/new", data=form)
        assert (done.status_code, done.headers["Location"]) == (303, f"{back}#reminders")
        page = bench.get(start).text
        assert "Ask &lt;b&gt;who&lt;/b&gt; signs" in page
        address = re.search(r'action="(/reminders/\d+)"', page)[1]  # type: ignore[index]
        assert bench.post(address, data={"done": "yes"}).headers["Location"] == f"{back}#reminders"
        assert "<s>Ask" in bench.get(start).text
        assert bench.post(address, data={"done": "no"}).status_code == 303
        assert "<s>Ask" not in bench.get(start).text
    refused = bench.post("/jobs/1001/reminders/new", data={**form, "role": "nobody", "words": ""})
    assert refused.status_code == 422 and "Enter what is to be done." in refused.text
