"""When a job is ready at a bench that is full for a week: in its turn, rushed, or while the customer waits."""

from dataclasses import replace
from datetime import date, timedelta

import pytest
import sqlalchemy as sa

from app.ledger.bench.bench_queries import bench_day
from app.ledger.catalog.price_queries import bench_terms_on
from app.ledger.quoting.promises import promise_from
from app.ledger.quoting.quoting import price_request
from app.ledger.quoting.request import KeyingInstruction, QuoteRequest
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.store.work import Work
from app.ledger.tables import Job, Stage
from app.pricing import KeyingKind, Urgency
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import MORTISE, accept, issued, mortise

MONDAY, TUESDAY, NEXT_MONDAY = date(2026, 3, 2), date(2026, 3, 3), date(2026, 3, 9)
A_WEEK = 5 * 330  # the demo's 360 minutes a day, less the 30 kept back


def fill(work: Work, minutes: int = A_WEEK) -> None:
    """Work in its turn that is on the bench already."""
    work.session.add(
        Job(
            number=900,
            customer_id=customer_id(work, "Lantern"),
            stage=Stage.APPROVED,
            asked_on=work.today,
            keyed_at="shop",
            bench_minutes=minutes,
            promised_on=NEXT_MONDAY,
            opened_by_id=1,
        )
    )
    work.session.commit()


def pair(work: Work, urgency: Urgency = Urgency.IN_TURN) -> QuoteRequest:
    """Two mortise cylinders keyed different: 2 × (6 + 2 + 2) minutes and 4 keys, 24 in all."""
    return QuoteRequest(customer_id(work, "Gull"), (mortise(2, KeyingInstruction(KeyingKind.KD)),), urgency=urgency)


@pytest.mark.parametrize(
    ("urgency", "ready", "sentence"),
    [
        (Urgency.IN_TURN, NEXT_MONDAY, "Ready 5 working days after acceptance (on Monday 9 March 2026 if accepted"),
        (Urgency.WAITS, MONDAY, "While you wait: 24 min on our bench."),
        (Urgency.RUSH, MONDAY, "Ready on the day of acceptance, keyed on our bench, as rush work."),
    ],
)
def test_the_bench_is_full_for_a_week(work: Work, urgency: Urgency, ready: date, sentence: str) -> None:
    fill(work)
    priced = price_request(work, pair(work, urgency))
    assert not priced.problems and priced.bench_minutes == 24
    assert priced.ready_on == ready and priced.lead_time.startswith(sentence)


def test_who_waits_next_is_told_by_when(work: Work) -> None:
    """24 of the 30 minutes kept back are gone, so the next 24 are done on Tuesday: 48 of 60."""
    fill(work)
    accept(work, issued(work, pair(work, Urgency.WAITS)))
    terms = bench_terms_on(work.session, work.today)
    assert (terms.minutes_promised, terms.reserve_minutes_promised) == (A_WEEK, 24)
    priced = price_request(work, pair(work, Urgency.WAITS))
    assert priced.ready_on == TUESDAY
    assert priced.lead_time.startswith("Ready 1 working day after acceptance (on Tuesday 3 March 2026")
    assert "the bench has not the time free today" in priced.keying[0].reasons[-1]


def test_rush_is_a_line_with_its_price(work: Work) -> None:
    lines = price_request(work, pair(work, Urgency.RUSH)).lines
    [rush] = [line for line in lines if line.kind == "rush"]
    assert (rush.label, rush.quantity, rush.unit_cents, rush.is_labour) == ("1c", 1, 3500, True)
    usual = price_request(work, pair(work))
    assert price_request(work, pair(work, Urgency.RUSH)).totals.subtotal_cents == usual.totals.subtotal_cents + 3500


def test_what_goes_to_the_factory_is_not_rushed(work: Work) -> None:
    ask = replace(pair(work, Urgency.RUSH), lines=(mortise(24, KeyingInstruction(KeyingKind.KD)),))
    sent = price_request(work, replace(ask, keyed_at="factory", override_reason="as agreed"))
    assert [(one.field, one.message) for one in sent.problems] == [
        ("urgency", "None of this is keyed on our bench, so there is nothing to rush: leave it in its turn.")
    ]


def test_the_bench_takes_first_who_waits(work: Work) -> None:
    """All three are promised for the same day, and a fourth is late: it is due at once, yet nobody stands waiting."""
    fill(work)
    late = work.session.scalars(sa.select(Job)).one()
    numbers = [accept(work, issued(work, pair(work, urgency))).number for urgency in Urgency]
    for number in numbers:
        work.session.scalars(sa.select(Job).where(Job.number == number)).one().promised_on = MONDAY
    late.promised_on = date(2026, 2, 27)
    work.session.commit()
    rows = [row.job for row in bench_day(work.session, work.today).rows]
    assert [job.number for job in rows] == [numbers[2], numbers[1], late.number, numbers[0]]
    assert [job.urgency for job in rows] == ["waits", "rush", "in turn", "in turn"]


def test_what_the_bench_took_on_since_moves_the_promise(work: Work) -> None:
    """Quoted for the day of acceptance; accepted on Wednesday at a bench that is full for five days."""
    quote = read_snapshot(issued(work, pair(work)).revisions[-1].snapshot)
    assert (quote.ready_on, quote.working_days) == (MONDAY, 0)
    later = replace(work, now=work.now + timedelta(days=2))
    as_quoted = promise_from(later, quote, later.today)
    assert (as_quoted.on, as_quoted.working_days, as_quoted.later) == (date(2026, 3, 4), 0, "")
    fill(work)
    moved = promise_from(later, quote, later.today)
    assert (moved.on, moved.working_days) == (date(2026, 3, 11), None)
    assert moved.later == "The bench took on other work since; this is ready on Wednesday 11 March 2026."


def test_two_makers_cylinders_share_the_bench_and_its_day(work: Work) -> None:
    """20 of each maker's, 12 minutes with two keys: 480 of 330 a day, so the second maker's are ready on Tuesday."""
    one = KeyingInstruction(KeyingKind.KD)
    economy = replace(MORTISE, type="rim", chambers=5, drilled=None, keyway="PR-P", cam=None, tailpiece="flat")
    lines = (mortise(20, one), replace(mortise(20, one), maker_code="PAR", attributes=economy))
    ask = QuoteRequest(customer_id(work, "Gull"), lines, keyed_at="shop", override_reason="wanted soon")
    priced = price_request(work, ask)
    assert not priced.problems and priced.bench_minutes == 480
    assert [(choice.choice, choice.ready_on) for choice in priced.keying] == [("shop", MONDAY), ("shop", TUESDAY)]
    job = issued(work, ask)
    promise = promise_from(work, read_snapshot(job.revisions[-1].snapshot), work.today)
    assert (promise.on, promise.later) == (TUESDAY, "")
