"""The owner's day: whose move it is, the week's promises, won and lost, who owes, which quotes lapse."""

from datetime import timedelta

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.jobs.queries import OPEN
from app.ledger.jobs.stages import lose_quote, move_job
from app.ledger.money.owing import by_customer, owed_jobs
from app.ledger.reports.open_jobs import (
    WAITS_ON,
    Whom,
    count_waiting,
    load_of_bench,
    promised_jobs,
    startable_jobs,
    waiting_jobs,
)
from app.ledger.reports.quotes import lapsing_quotes, lost_quotes, outcomes, past_reasons, won_quotes
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import SHELF, Job, MovementKind, Need, Stage, StockMovement
from tests import factories
from tests.bare import config, work
from tests.conftest import NOW
from tests.factories import BENCH_TERMS
from tests.keyed import counted

__all__ = ["config", "work"]  # the bare house

TODAY = NOW.astimezone().date()  # a Wednesday
DAY = timedelta(days=1)


def job(number: int, stage: Stage, **given: object) -> Job:
    made: Job = factories.JobFactory(number=number, stage=stage, **given)
    return made


def told(work: Work, row: Job, days_ago: int, summary: str = "quoted → approved", kind: str = "stage moved") -> None:
    """Something that happened to a job so many days ago."""
    earlier = Work(work.session, work.vault, work.actor, NOW - days_ago * DAY)
    record(earlier, kind, f"job {row.number}", summary, job_id=row.id)
    work.session.commit()


def test_every_open_stage_waits_on_somebody() -> None:
    assert set(WAITS_ON) == set(OPEN)


def test_the_longest_wait_comes_first_and_names_the_maker(work: Work) -> None:
    ordered = job(1, Stage.PARTS_ON_ORDER, value_cents=500)
    for maker in (factories.MakerFactory(name="Northlight"), factories.MakerFactory(name="Ardent Brass")):
        factories.CylinderFactory(job_id=ordered.id, maker_id=maker.id)
    told(work, ordered, 3, "approved → parts on order")
    told(work, ordered, 1, "A note", kind="note written")  # a note moves nothing
    quoted = job(2, Stage.QUOTED, value_cents=700)
    told(work, quoted, 9, "Quote 2-1", kind="quote issued")
    job(3, Stage.CLOSED)
    rows = waiting_jobs(work.session, TODAY)
    assert [(row.number, row.whom, row.days, row.makers) for row in rows] == [
        (2, Whom.CUSTOMER, 9, ()),
        (1, Whom.MAKER, 3, ("Ardent Brass", "Northlight")),
    ]
    assert [row.number for row in waiting_jobs(work.session, TODAY, Whom.MAKER)] == [1]
    assert count_waiting(work.session) == {
        Whom.COUNTER: (0, 0), Whom.CUSTOMER: (1, 700), Whom.MAKER: (1, 500), Whom.BENCH: (0, 0),
    }  # fmt: skip


def test_a_job_without_a_story_waits_since_it_was_asked(session: Session) -> None:
    job(1, Stage.ASKED, asked_on=TODAY - 4 * DAY)
    assert waiting_jobs(session, TODAY)[0].days == 4


def test_the_bench_is_weighed_day_by_day_with_what_is_overdue_in_the_first(session: Session) -> None:
    """60 minutes a day from Wednesday on, Thursday closed. Overdue 90 and Wednesday's 30 are 120 of 60; Saturday's 90
    are due on Friday, 210 by then of 120: 90 too much; Monday's 45 make 255 of 180, Tuesday's end has 240, 15 short.
    """
    factories.BenchTermsFactory(terms={**BENCH_TERMS, "closed_days": [(TODAY + DAY).isoformat()]})
    for number, (stage, days, minutes, keyed_at) in enumerate(
        (
            (Stage.APPROVED, -7, 90, "shop"),
            (Stage.ON_THE_BENCH, 0, 30, "shop"),
            (Stage.CHECKED, 0, 90, "shop"),  # through the bench
            (Stage.QUOTED, 0, 90, "shop"),  # only offered
            (Stage.CANCELED, 0, 90, "shop"),
            (Stage.APPROVED, 2, 0, "factory"),
            (Stage.PARTS_ON_ORDER, 3, 90, "shop"),
            (Stage.APPROVED, 5, 45, "shop"),
            (Stage.APPROVED, 60, 999, "shop"),
        ),
        start=1,
    ):
        job(number, stage, promised_on=TODAY + days * DAY, bench_minutes=minutes, keyed_at=keyed_at)
    load = load_of_bench(session, TODAY)
    assert len(load) == 10
    assert [(one.day - TODAY).days for one in load[:4]] == [0, 2, 5, 6]
    assert [(one.jobs, one.due, one.overdue, one.short) for one in load[:5]] == [
        (2, 120, 90, 60), (1, 90, 0, 90), (1, 45, 0, 75), (0, 0, 0, 15), (0, 0, 0, 0),
    ]  # fmt: skip


def test_without_terms_the_bench_has_no_load(session: Session) -> None:
    job(1, Stage.APPROVED, promised_on=TODAY, bench_minutes=30, keyed_at="shop")
    assert load_of_bench(session, TODAY) == ()


def test_what_is_only_quoted_is_not_promised(session: Session) -> None:
    for number, stage in enumerate((Stage.ASKED, Stage.QUOTED, Stage.LOST, Stage.APPROVED), start=1):
        job(number, stage, promised_on=TODAY, keyed_at="shop", bench_minutes=30)
    assert [row.number for row in promised_jobs(session, TODAY)] == [4]


def test_what_has_all_its_parts_can_start(session: Session) -> None:
    ready, waits, begun = (
        job(number, stage, promised_on=TODAY + (9 - number) * DAY)
        for number, stage in ((1, Stage.APPROVED), (2, Stage.APPROVED), (3, Stage.ON_THE_BENCH))
    )
    there = job(4, Stage.PARTS_ON_ORDER, promised_on=TODAY)
    job(5, Stage.PARTS_ON_ORDER, promised_on=TODAY)  # of which nobody knows what it waits for
    item = factories.ItemFactory(is_counted=True)
    session.add_all(Need(job_id=one.id, item_id=item.id, quantity=2, made_at=NOW) for one in (waits, there, begun))
    session.flush()
    need = session.scalars(sa.select(Need).where(Need.job_id == there.id)).one()
    kinds = ((MovementKind.COUNTED, 2, 0, None), (MovementKind.RESERVED, 0, 2, need.id))
    session.add_all(
        StockMovement(
            item_id=item.id, place_id=SHELF, kind=kind, on_hand=on_hand, reserved=reserved, need_id=of, at=NOW
        )
        for kind, on_hand, reserved, of in kinds
    )
    session.commit()
    assert [one.number for one in startable_jobs(session, TODAY)] == [there.number, ready.number]


def test_won_and_lost_look_back_over_the_same_days(work: Work) -> None:
    for days_ago in (0, 29, 30):
        job(days_ago + 100, Stage.CLOSED, accepted_on=TODAY - days_ago * DAY)
        told(work, job(days_ago + 200, Stage.LOST, reason="Too dear"), days_ago, "quoted → lost: Too dear")
    assert [one.number for one in won_quotes(work.session, TODAY, 30)] == [100, 129]
    assert [one.number for one in lost_quotes(work.session, TODAY, 30)] == [200, 229]


def test_lost_quotes_are_told_by_reason_the_costliest_first(work: Work) -> None:
    for number, reason, cents in ((1, "Too dear.", 100), (2, "too  dear", 300), (3, "Bought online", 350)):
        row = job(number, Stage.QUOTED, value_cents=cents)
        move_job(work, row.id, row.version, Stage.LOST, reason)
    old = job(4, Stage.LOST, reason="Long ago", value_cents=9)
    told(work, old, 120, "quoted → lost: Long ago")
    job(5, Stage.APPROVED, accepted_on=TODAY, value_cents=1_000, cost_cents=600)
    job(6, Stage.CLOSED, accepted_on=TODAY - 200 * DAY)
    found = outcomes(work.session, TODAY)
    assert [one.number for one in found.won] == [5] and found.won_cents == 1_000
    assert {(one.reason, one.quotes, one.value_cents) for one in found.reasons} == {
        (found.reasons[0].reason, 2, 400), ("Bought online", 1, 350),
    }  # fmt: skip
    assert found.reasons[0].reason.casefold().startswith("too")
    assert [one.number for one in lost_quotes(work.session, TODAY, 90, "TOO DEAR")] == [2, 1]
    assert len(lost_quotes(work.session, TODAY, 365)) == 4 and len(won_quotes(work.session, TODAY, 365)) == 2
    assert "Bought online" in past_reasons(work.session)


def test_who_has_the_goods_and_has_not_paid_owes(work: Work) -> None:
    slow = factories.CustomerFactory(name="Slow & Sons", phone="555-0123")
    late = job(1, Stage.CLOSED, customer=slow)
    told(work, late, 40, "ready → handed over")
    told(work, late, 2, "handed over → closed")
    other = job(2, Stage.HANDED_OVER, customer=slow, agreed_cents=5_000)
    told(work, other, 10, "ready → handed over: the son fetched it")
    paid, still_here = job(3, Stage.CLOSED), job(4, Stage.READY)
    for row in (late, other, paid, still_here):
        factories.QuoteRevisionFactory(job=row, revision=1, total_cents=20_000)
    factories.QuoteRevisionFactory(job=late, revision=2, total_cents=10_000)
    factories.PaymentFactory(job_id=late.id, cents=4_000)
    factories.PaymentFactory(job_id=paid.id, cents=20_000)
    found = owed_jobs(work.session, TODAY)
    assert [(one.number, one.owed_cents, one.days) for one in found] == [(1, 6_000, 40), (2, 5_000, 10)]
    assert [(one.customer_name, one.jobs, one.owed_cents, one.days) for one in by_customer(found)] == [
        ("Slow & Sons", 2, 11_000, 40)
    ]
    assert owed_jobs(work.session, TODAY, paid.customer_id) == ()


def test_quotes_about_to_lapse_say_whom_to_ring(work: Work) -> None:
    customer = factories.CustomerFactory(name="Lantern Row Dental", phone="555-0100")
    factories.ContactFactory(customer=customer, name="A. Lantern", phone="")
    factories.ContactFactory(customer=customer, name="B. Lantern", phone="555-0101")
    for number, days in ((1, 3), (2, -2), (3, -9), (4, 8), (5, 0)):
        row = job(number, Stage.QUOTED, customer=customer)
        factories.QuoteRevisionFactory(job=row, revision=1, valid_until=TODAY - 60 * DAY)
        factories.QuoteRevisionFactory(job=row, revision=2, valid_until=TODAY + days * DAY)
    answered = job(6, Stage.APPROVED, customer=customer)
    factories.QuoteRevisionFactory(job=answered, valid_until=TODAY)
    with counted(work.session.get_bind()) as statements:  # type: ignore[arg-type]
        found = lapsing_quotes(work.session, TODAY)
    assert len(statements) == 1
    assert [(one.number, one.revision, one.days) for one in found] == [(5, 2, 0), (1, 2, 3), (2, 2, -2), (3, 2, -9)]
    assert {one.contact for one in found} == {"B. Lantern, 555-0101"}
    # Where not all are told, one that still holds today goes before one that holds no more, and before later ones.
    assert [one.number for one in lapsing_quotes(work.session, TODAY, limit=1)] == [5]
    for within, numbers in ((7, [5, 1, 2, 3]), (8, [5, 1, 4, 2, 3]), (3, [5, 1, 2, 3]), (2, [5, 2, 3])):
        assert [one.number for one in lapsing_quotes(work.session, TODAY, within=within)] == numbers
    lose_quote(work, found[0].quote_id, "Went to the factory")
    assert 5 not in [one.number for one in lapsing_quotes(work.session, TODAY)]


@pytest.mark.parametrize("count", [2, 25])
def test_the_days_lists_take_the_same_queries_however_many_jobs(session: Session, count: int) -> None:
    user, customer = factories.UserFactory(), factories.CustomerFactory()
    for number in range(count):
        stage = (Stage.QUOTED, Stage.PARTS_ON_ORDER, Stage.HANDED_OVER, Stage.LOST)[number % 4]
        row = job(number + 1, stage, opened_by=user, customer=customer, promised_on=TODAY)
        factories.QuoteRevisionFactory(job=row, issued_by=user, valid_until=TODAY)
    session.expire_all()
    with counted(session.get_bind()) as statements:  # type: ignore[arg-type]
        waiting_jobs(session, TODAY)
        load_of_bench(session, TODAY)
        outcomes(session, TODAY)
        owed_jobs(session, TODAY)
        lapsing_quotes(session, TODAY)
    assert len(statements) == 7
    assert session.scalar(sa.select(sa.func.count()).select_from(Job)) == count
