"""A quote's life in pages: compared, re-quoted, accepted as one of two ways, lapsed, its deposit paid."""

import re
from collections.abc import Callable
from datetime import date, timedelta
from html import unescape

import pytest
import sqlalchemy as sa
from flask import Flask
from sqlalchemy.orm import Session

from app.ledger.tables import Job, PriceBookRow, QuoteRevision, QuoteRules, Role
from tests.conftest import NOW
from tests.desk import quoted
from tests.factories import FormClient
from tests.reading import pdf_text, words_of
from tests.stocked import HARDWARE, MORTISE, empty_house, posted
from tests.web.quotes.test_views import AT_THE_BENCH, FLATS, accepted

__all__ = ["empty_house"]

ClientAs = Callable[[Role], FormClient]


def version(session: Session) -> int:
    session.rollback()
    return session.scalars(sa.select(Job.version)).one()


def dearer(session: Session, code: str, cents: int, days: int) -> None:
    """A price of the walk-in's that begins in so many days."""
    old = session.scalars(sa.select(PriceBookRow).where(PriceBookRow.code == code, PriceBookRow.tier == "")).first()
    assert old is not None
    kept = {name: getattr(old, name) for name in ("code", "cost_cents", "tier")}
    day = NOW.date() + timedelta(days=days)
    session.add(PriceBookRow(**kept, unit_cents=cents, quantity_from=1, valid_from=day, valid_until=None))
    session.commit()


def later(web: Flask, client: FormClient, session: Session, days: int) -> None:
    """So many days on, the same person at the counter."""
    web.extensions["clock"] = lambda: NOW + timedelta(days=days)
    client.log_in(session.scalars(sa.select(QuoteRevision)).first().issued_by)  # type: ignore[union-attr]


def test_revisions_are_compared_in_words(clerk: FormClient, session: Session) -> None:
    quoted(clerk, MORTISE, HARDWARE)
    assert clerk.get("/quotes/1001/compare").status_code == 404
    lines = ({**MORTISE, "quantity": "3"}, {"kind": "trip", "price_code": "TRIP", "quantity": "1"})
    customer = session.scalars(sa.select(Job.customer_id)).one()
    form = posted(*lines, customer_id=customer, job_version=version(session)) | {"token": "second"}
    assert clerk.post("/counter/issue?job=1001", data=form).status_code == 303
    page = words_of(clerk.get("/quotes/1001/compare").text)
    for said in ("changed Mortise cylinder", "added Trip to the site", "removed Trim ring set", "more", "less"):
        assert said in page, said
    assert "2 × $30.40 = $60.80 3 × $30.40 = $91.20 $30.40 more" in page
    assert clerk.get("/quotes/1001/compare?before=1&after=9").status_code == 404
    assert clerk.get("/quotes/1001/compare?before=x&after=2").status_code == 200


def test_a_requote_shows_the_difference_before_it_is_kept(clerk: FormClient, session: Session, web: Flask) -> None:
    quoted(clerk, MORTISE, HARDWARE)
    dearer(session, "RING-SET", 12_80, days=7)
    page = clerk.get("/quotes/1001/requote").text
    assert "no price has changed" in page
    later(web, clerk, session, 8)
    page = clerk.get("/quotes/1001/requote").text
    assert "1 of 4 lines differ today" in page and "1 × $9.80 = $9.80 1 × $12.80 = $12.80 $3.00 more" in words_of(
        page
    )
    assert session.scalar(sa.select(sa.func.count(QuoteRevision.id))) == 1
    form = dict(re.findall(r'name="(token|version|shown)"[^>]*value="([^"]+)"', page))
    other = clerk.post("/quotes/1001/requote", data={**form, "shown": "f" * 64})
    assert other.status_code == 409 and "prices were changed" in other.text and "f" * 64 not in other.text
    for _ in range(2):  # pressing twice issues once
        answer = clerk.post("/quotes/1001/requote", data=form)
        assert answer.status_code in (303, 409)
    session.rollback()
    assert session.scalars(sa.select(QuoteRevision.revision).order_by(QuoteRevision.revision)).all() == [1, 2]
    assert "$12.80" in clerk.get("/quotes/1001/2").text
    # An old page's press is told that somebody was faster.
    assert clerk.post("/quotes/1001/requote", data={**form, "token": "another"}).status_code == 409


def test_a_price_that_is_gone_sends_a_requote_to_the_counter(clerk: FormClient, session: Session, web: Flask) -> None:
    quoted(clerk, HARDWARE)
    rows = session.scalars(sa.select(PriceBookRow).where(PriceBookRow.code == "RING-SET"))
    for row in rows:
        row.valid_until = NOW.date()
    session.commit()
    later(web, clerk, session, 3)
    page = clerk.get("/quotes/1001/requote").text
    assert "none that holds on" in page and "Revise it at the counter" in page and "Issue as revision" not in page


def test_a_lapsed_quote_is_not_accepted_and_says_to_requote(clerk: FormClient, session: Session, web: Flask) -> None:
    quoted(clerk, HARDWARE)
    later(web, clerk, session, 31)
    assert "/quotes/1001/accept" not in clerk.get("/quotes/1001/1").text
    assert "Re-quote, it has lapsed" in clerk.get("/jobs/1001").text
    refused = clerk.post("/quotes/1001/accept", data=accepted(version=version(session), accepted_on="2026-12-26"))
    assert refused.status_code == 422 and "Re-quote" in refused.text and 'value="R. Teal"' in refused.text
    form = dict(
        re.findall(r'name="(token|version|shown)"[^>]*value="([^"]+)"', clerk.get("/quotes/1001/requote").text)
    )
    assert clerk.post("/quotes/1001/requote", data=form).status_code == 303
    anew = accepted(version=version(session), accepted_on="2026-12-26")
    assert clerk.post("/quotes/1001/accept", data=anew).status_code == 303


@pytest.mark.parametrize("option", ["", "A", "B"])
def test_a_quote_counts_days_from_its_acceptance_and_the_job_keeps_to_them(
    clerk: FormClient, session: Session, web: Flask, option: str
) -> None:
    quoted(clerk, FLATS, **AT_THE_BENCH, **({"option_b": "factory"} if option else {}))
    said = pdf_text(clerk.get("/quotes/1001/1/quote.pdf").data)
    counts = re.findall(r"(\d+) working days? after acceptance", said)
    assert len(counts) == (2 if option else 1) and "if accepted on" in said and "if ordered" not in said
    days = int(counts[1 if option == "B" else 0])
    assert days > 0
    later(web, clerk, session, 12)  # Wednesday 25 November to Monday 7 December
    day = date(2026, 12, 7)
    for _ in range(days):  # by hand: the house is closed on Saturdays and Sundays alone
        day += timedelta(days=1)
        while day.weekday() > 4:
            day += timedelta(days=1)
    written = f"{day.day} {day:%b %Y}"
    count = f"{days} working {'day' if days == 1 else 'days'} after acceptance"
    page = words_of(clerk.get("/quotes/1001/accept").text)
    assert written in page and count in page
    form = accepted(version=version(session), accepted_on="2026-12-07", **({"option": option} if option else {}))
    assert clerk.post("/quotes/1001/accept", data=form).status_code == 303
    assert f"Promised {written}" in words_of(clerk.get("/jobs/1001").text)


def test_a_quote_of_two_ways_is_accepted_as_b(clerk: FormClient, session: Session) -> None:
    quoted(clerk, FLATS, option_b="factory", **AT_THE_BENCH)
    page = words_of(clerk.get("/quotes/1001/1").text)
    assert "Keyed on our bench" in page and "Keyed at the factory" in page and "15 working days" in page
    unsaid = clerk.post("/quotes/1001/accept", data=accepted(version=version(session)))
    assert unsaid.status_code == 422 and "Say which of the two ways was accepted" in unsaid.text
    said = clerk.post("/quotes/1001/accept", data=accepted(version=version(session), option="B"))
    assert said.status_code == 303
    session.rollback()
    job = session.scalars(sa.select(Job)).one()
    assert (job.accepted_option, job.keyed_at) == ("B", "factory")
    page = words_of(clerk.get("/jobs/1001").text)
    assert "R. Teal, 25 Nov 2026 option B" in page and "option B, keyed at the factory" in page


def test_the_reason_for_an_override_is_for_the_owner_alone(client_as: ClientAs) -> None:
    clerk = client_as(Role.COUNTER)
    quoted(clerk, FLATS, option_b="factory", **AT_THE_BENCH)
    other = client_as(Role.COUNTER)
    reason = AT_THE_BENCH["override_reason"]
    for path in ("/quotes/1001/1", "/jobs/1001", "/quotes/1001/requote", "/quotes/1001/accept", "/counter?job=1001"):
        page = other.get(path)
        assert page.status_code == 200 and reason not in unescape(page.text), path
    assert reason in unescape(client_as(Role.OWNER).get("/quotes/1001/1").text)


def test_a_deposit_is_asked_and_paid(clerk: FormClient, session: Session) -> None:
    session.add(QuoteRules(deposit_percent="0", deposit_cents=20_00, deposit_above_cents=10_00))
    session.commit()
    quoted(clerk, MORTISE)
    assert "Deposit asked $20.00" in words_of(clerk.get("/quotes/1001/1").text)
    assert "Deposit still to come $20.00" in words_of(clerk.get("/jobs/1001").text)
    page = clerk.get("/jobs/1001/payments").text
    assert "$20.00 still to come" in words_of(page) and 'value="20.00"' in page
    form = {"version": "1", "kind": "deposit", "cents": "20.00", "means": "cash", "received_on": "2026-11-25"}
    assert clerk.post("/jobs/1001/payments", data=form).status_code == 303
    assert "Deposit asked $20.00 paid" in words_of(clerk.get("/jobs/1001/payments").text)
    assert "Deposit asked paid $20.00" in words_of(clerk.get("/jobs/1001").text)
