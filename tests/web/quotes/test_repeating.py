"""A job that was done once is asked for again: from its page, issued and accepted as the counter page stands."""

import re
from collections import Counter
from collections.abc import Callable
from html import unescape

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.keysystems.extending import ExtendForm, extend_system
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Job, Key, Keyset, KeySystem, QuoteRevision, Role, Stage
from tests.desk import accept_page_sent, accepted, issued, quoted
from tests.factories import FormClient
from tests.forms_found import form_with
from tests.keyed import walk
from tests.lost_and_safe import draft_after_report
from tests.reading import words_of
from tests.stocked import HARDWARE, MORTISE, empty_house

__all__ = ["empty_house"]

ClientAs = Callable[[Role], FormClient]
SHOP = {"keyed_at": "shop", "override_reason": "wanted this week"}
HALL = {"system_name": "The Hall", "system_levels": "3", "system_masters": "2", "site": "Quay", **SHOP}


def repeated(clerk: FormClient, number: int) -> str:
    """The counter page behind the link on a job's page."""
    links = re.findall(r'href="([^"]+)">Repeat this job<', clerk.get(f"/jobs/{number}").text)
    return clerk.get(unescape(links[0])).text


def issued_and_accepted(clerk: FormClient, session: Session, page: str) -> Job:
    """Press Issue quote on the page as it stands, then Accept, with nothing said but who accepted."""
    number = issued(clerk, form_with(page, "title"))
    accepted(clerk, number)
    session.rollback()
    return session.scalars(sa.select(Job).where(Job.number == number)).one()


def close(work: Work, number: int) -> None:
    job = work.session.scalars(sa.select(Job).where(Job.number == number)).one()
    walk(work, job, Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER, Stage.CLOSED)
    work.session.rollback()


def symbols(session: Session, job: Job) -> list[str]:
    rows = sa.select(Keyset.symbol).join(Cylinder, Cylinder.keyset_id == Keyset.id).where(Cylinder.job_id == job.id)
    return list(session.scalars(rows.order_by(Cylinder.id)))


def test_a_job_that_began_a_system_goes_into_it_again(clerk: FormClient, session: Session) -> None:
    """Three under AB, one under AA, two grand master keys: the next keysets, and no second system is billed."""
    lines = [
        {**MORTISE, "keying": "GMK", "quantity": count, "master": name} for count, name in (("3", "AB"), ("1", "AA"))
    ]
    first = quoted(clerk, *lines, {"kind": "keys", "symbol": "A", "quantity": "2"}, need_by="2026-12-31", **HALL)
    accepted(clerk, first)
    page = repeated(clerk, first)
    assert f"This repeats job {first} as new work, at today's prices." in unescape(page)
    assert form_with(page, "title")["need_by"] == ""
    job = issued_and_accepted(clerk, session, page)
    assert symbols(session, job) == ["AB4", "AB5", "AB6", "AA2"]
    assert [one.name for one in session.scalars(sa.select(KeySystem))] == ["The Hall"]
    keys = sa.select(Keyset.symbol, sa.func.count()).join(Key, Key.keyset_id == Keyset.id).where(Key.job_id == job.id)
    assert dict(session.execute(keys.group_by(Keyset.symbol)).all()) == {
        **dict.fromkeys(("AB4", "AB5", "AB6", "AA2"), 2),
        "A": 2,
    }
    before, after = session.scalars(sa.select(QuoteRevision.subtotal_cents).order_by(QuoteRevision.id))
    assert before - after == 16500  # a system of three levels, designed once
    assert (job.need_by, job.stage) == (None, Stage.APPROVED) and job.site is not None


def test_a_master_that_nobody_named_is_the_one_that_the_cylinders_got(
    clerk: FormClient, session: Session, work: Work
) -> None:
    """Of a system of one master at first; by now it has two, and the page would ask."""
    head = {**HALL, "system_masters": "1"}
    first = quoted(clerk, {**MORTISE, "keying": "GMK", "quantity": "2"}, **head)
    accepted(clerk, first)
    extend_system(work, session.scalars(sa.select(KeySystem.id)).one(), ExtendForm(grand="A", masters=1))
    session.rollback()
    page = repeated(clerk, first)
    assert form_with(page, "title")["lines-0-master"] == "AA"
    assert symbols(session, issued_and_accepted(clerk, session, page)) == ["AA3", "AA4"]


def test_a_price_of_the_jobs_own_is_not_repeated(clerk: FormClient, session: Session) -> None:
    first = quoted(clerk, MORTISE, {**HARDWARE, "unit_price": "9.00", "price_reason": "a scratch"}, urgency="rush")
    accepted(clerk, first)
    page = repeated(clerk, first)
    assert "Line 2 had a price of its own, $9.00 each; it is at today's price now." in unescape(page)
    job = issued_and_accepted(clerk, session, page)
    assert (job.urgency, Counter(symbols(session, job))) == ("in turn", Counter({"SKD2": 2}))
    before, after = session.scalars(sa.select(QuoteRevision.subtotal_cents).order_by(QuoteRevision.id))
    assert after - before == 980 - 900 - 3500  # the ring set by the book, and no rush


def test_what_was_rekeyed_after_a_loss_is_rekeyed_once_more(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    """AA1 was lost, and its door got AA2; that one is to go now, and the door gets AA3."""
    clerk = client_as(Role.COUNTER)
    line = {**MORTISE, "keying": "GMK", "quantity": "1", "master": "AA"}
    first = quoted(clerk, line, **HALL)
    accept_page_sent(clerk, first, **{"row-1-opening": "D1"})
    close(work, first)
    system = session.scalars(sa.select(KeySystem)).one().id
    session.rollback()
    second = issued_and_accepted(clerk, session, draft_after_report(clerk, system, "AA1"))
    assert symbols(session, second) == ["AA2"]
    close(work, second.number)
    third = issued_and_accepted(clerk, session, repeated(clerk, second.number))
    assert symbols(session, third) == ["AA3"]
    standing = session.scalars(sa.select(Cylinder).order_by(Cylinder.id)).all()
    assert [one.state for one in standing] == [CylinderState.REMOVED, CylinderState.FITTED, CylinderState.ORDERED]
    assert {one.door.opening_number for one in standing if one.door} == {"D1"}
    keys = sa.select(sa.func.count()).select_from(Key).join(Keyset).where(Key.job_id == third.id)
    assert session.scalar(keys.where(Keyset.symbol == "AA3")) == session.scalar(keys) == 2


@pytest.mark.parametrize("number", ["1001", "77", "x"])
def test_only_an_accepted_job_is_repeated(clerk: FormClient, number: str) -> None:
    quoted(clerk, MORTISE)
    assert "Repeat this job" not in clerk.get("/jobs/1001").text
    answer = clerk.get(f"/counter?repeat={number}")
    assert answer.status_code == {"1001": 303, "77": 404, "x": 200}[number]
    if number == "1001":
        assert "Job 1001 was never accepted: go on with its own quote." in words_of(clerk.get("/counter").text)
