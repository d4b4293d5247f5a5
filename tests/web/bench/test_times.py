"""The bench's times: recorded on a job, learned from over jobs, adopted by the owner."""

import re
from collections.abc import Callable
from decimal import Decimal
from html import unescape

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.tables import BenchTermsRow, BenchTimeRow, Event, Role
from tests.desk import accepted, quoted
from tests.factories import FormClient
from tests.stocked import MORTISE, empty_house

__all__ = ["empty_house"]

ClientAs = Callable[[Role], FormClient]
PAIR = {**MORTISE, "keying": "KD"}


def ordered(client: FormClient, session: Session, token: str, *lines: dict[str, str], **head: object) -> int:
    """A quoted and accepted job; its number."""
    number = quoted(client, *lines, token=token * 32, **head)
    accepted(client, number, accepted_on="2026-11-25", site_name="Shed")
    session.rollback()
    return number


def times(session: Session) -> list[tuple[str, str, str, int, str]]:
    session.rollback()
    rows = session.scalars(sa.select(BenchTimeRow).order_by(BenchTimeRow.id))
    return [(row.task, row.kind, row.cylinder, row.pieces, row.minutes) for row in rows]


@pytest.fixture
def three_jobs(client_as: ClientAs, session: Session) -> list[int]:
    """Three jobs of two cylinders each, timed by the bench: 9, 7 and 50 minutes a cylinder, 2 minutes a key."""
    numbers = []
    for token, minutes in (("a", "18"), ("b", "14"), ("c", "100")):
        number = ordered(client_as(Role.OWNER), session, token, PAIR)
        sent = {"minutes-0": minutes, "minutes-1": "8"}
        assert client_as(Role.BENCH).post(f"/bench/jobs/{number}/times", data=sent).status_code == 303
        numbers.append(number)
    return numbers


def test_the_counter_has_no_business_here(client_as: ClientAs) -> None:
    assert client_as(Role.COUNTER).get("/bench/jobs/1001/times").status_code == 403
    for role in (Role.COUNTER, Role.BENCH):
        assert client_as(role).get("/prices/bench-times").status_code == 403


def test_a_jobs_tasks_are_its_own(client_as: ClientAs, session: Session) -> None:
    flats = {"kind": "part number", "part_number": "AD-Q1-66.SC", "quantity": "3", "keying": "MK", "keys_each": "2"}
    number = ordered(client_as(Role.OWNER), session, "m", flats, PAIR)
    page = unescape(client_as(Role.BENCH).get(f"/bench/jobs/{number}/times").text)
    for words in (
        "Setting up a system, MK",
        "Pinning and checking 3 bored cylinders, MK",
        "Pinning and checking 2 mortise cylinders, KD",
        "Cutting 1",
    ):
        assert words in page
    assert "Time it took" in client_as(Role.BENCH).get(f"/bench/jobs/{number}").text


def test_times_are_recorded_once_and_an_event(client_as: ClientAs, session: Session, three_jobs: list[int]) -> None:
    assert times(session)[:2] == [("pinning", "KD", "mortise", 2, "18"), ("cutting", "", "", 4, "8")]
    again = {"minutes-0": "19.50", "minutes-1": ""}
    assert client_as(Role.BENCH).post(f"/bench/jobs/{three_jobs[0]}/times", data=again).status_code == 303
    assert len(times(session)) == 6 and times(session)[0][4] == "19.5"
    said = session.scalars(
        sa.select(Event.summary).where(Event.kind == "bench time recorded").order_by(Event.id)
    ).first()
    assert said == "Pinning and checking 2 mortise cylinders, KD: 18 min; Cutting 4 keys: 8 min"
    assert 'value="19.5"' in client_as(Role.BENCH).get(f"/bench/jobs/{three_jobs[0]}/times").text


@pytest.mark.parametrize("typed", ["0", "-1", "soon", "1.234", "9" * 5_000, "1e3", "999999", "٣"])
def test_minutes_that_cannot_be_are_refused_beside_their_box(
    client_as: ClientAs, session: Session, typed: str
) -> None:
    number = ordered(client_as(Role.OWNER), session, "a", PAIR)
    answer = client_as(Role.BENCH).post(f"/bench/jobs/{number}/times", data={"minutes-0": "", "minutes-1": typed})
    assert answer.status_code == 422 and 'id="minutes-1-error"' in answer.text
    assert times(session) == []


def terms(session: Session) -> BenchTermsRow:
    session.rollback()
    return session.scalars(sa.select(BenchTermsRow).order_by(BenchTermsRow.valid_from.desc())).first()  # type: ignore[return-value]


def offered(page: str, words: str) -> dict[str, str]:
    """What the Adopt form of a row would send."""
    row = next(row for row in page.split("<tr>") if words in row)
    found = dict(re.findall(r'name="([^"]+)"(?: type="date")? value="([^"]*)"', row))
    return {name: value for name, value in found.items() if name != "csrf_token"}


def test_one_interrupted_day_moves_nothing_and_the_owner_adopts(
    client_as: ClientAs, session: Session, three_jobs: list[int]
) -> None:
    owned = client_as(Role.OWNER)
    before = terms(session).terms
    page = unescape(owned.get("/prices/bench-times").text)
    sent = offered(page, "Pinning and checking a mortise cylinder, KD")
    assert sent["median"] == "9" and sent["valid_from"] == "2026-11-25"  # of 9, 7 and 50
    assert owned.post("/prices/bench-times", data={**sent, "moving": "kind"}).status_code == 303
    after = terms(session)
    whole = sum(
        Decimal(str(figure)) for figure in (after.terms["type_minutes"]["mortise"], after.terms["kind_minutes"]["KD"])
    ) + Decimal(str(after.terms["checking_minutes"]))
    assert whole == 9 and after.valid_from.isoformat() == "2026-11-25"
    assert after.terms["type_minutes"] == before["type_minutes"]
    event = session.scalars(sa.select(Event).where(Event.kind == "bench terms set").order_by(Event.id.desc())).first()
    assert event is not None and "as the last 3 jobs took" in event.summary
    assert list(event.detail["changes"]) == ["kind_minutes"]
    assert owned.post("/prices/bench-times", data={**sent, "moving": "kind"}).status_code == 409  # the terms moved on


@pytest.mark.postgresql
def test_what_the_owner_did_not_see_is_not_adopted(
    client_as: ClientAs, session: Session, three_jobs: list[int]
) -> None:
    session.rollback()
    bench, owned = client_as(Role.BENCH), client_as(Role.OWNER)
    sent = offered(unescape(owned.get("/prices/bench-times").text), "Cutting a key")
    again = {"minutes-0": "18", "minutes-1": "80"}
    for number in three_jobs[:2]:
        assert bench.post(f"/bench/jobs/{number}/times", data=again).status_code == 303
    assert owned.post("/prices/bench-times", data=sent).status_code == 409
    for wrong in ({"moving": "moon"}, {"task": "dancing"}, {"valid_from": ""}, {"valid_from": "x"}):
        assert owned.post("/prices/bench-times", data={**sent, **wrong}).status_code == 422


def test_two_jobs_teach_nothing(client_as: ClientAs, session: Session) -> None:
    assert "No task has been timed" in client_as(Role.OWNER).get("/prices/bench-times").text
