"""What the ledger page, the bench's day and a job's own page ask."""

from datetime import timedelta
from fractions import Fraction

import pytest
from sqlalchemy.orm import Session

from app.ledger.bench.bench_queries import bench_day
from app.ledger.jobs.queries import LedgerQuestion, days_late, get_job, job_money, ledger_page
from app.ledger.store.errors import NotFound
from app.ledger.tables import Stage
from tests import factories
from tests.bare import config, work
from tests.conftest import NOW
from tests.factories import BENCH_TERMS
from tests.keyed import counted

__all__ = ["config", "work"]  # the bare house

TODAY = NOW.date()


def job(number: int, stage: Stage = Stage.APPROVED, promised: int | None = None, **more: object) -> None:
    day = None if promised is None else TODAY + timedelta(days=promised)
    factories.JobFactory(number=number, stage=stage, promised_on=day, **more)


def numbers(session: Session, **question: object) -> list[int]:
    return [row.number for row in ledger_page(session, TODAY, LedgerQuestion(**question)).rows]  # type: ignore[arg-type]


def test_late_jobs_come_first_then_by_promise_then_those_without_one(session: Session) -> None:
    job(1, promised=4)
    job(2, promised=-1)
    job(3)
    job(4, promised=-9)
    job(5, promised=0)
    job(6, Stage.HANDED_OVER, promised=-20)
    assert numbers(session) == [4, 2, 6, 5, 1, 3]
    rows = ledger_page(session, TODAY, LedgerQuestion()).rows
    assert [row.late_days for row in rows] == [9, 1, 0, 0, 0, 0]


def test_without_a_promise_the_need_by_date_orders(session: Session) -> None:
    job(1, Stage.QUOTED, need_by=TODAY + timedelta(days=9))
    job(2, Stage.QUOTED, need_by=TODAY + timedelta(days=2))
    assert numbers(session) == [2, 1]


def test_open_means_not_closed_lost_or_canceled(session: Session) -> None:
    for number, stage in enumerate(Stage, start=1):
        job(number, stage)
    over = {list(Stage).index(stage) + 1 for stage in (Stage.CLOSED, Stage.LOST, Stage.CANCELED)}
    assert set(numbers(session)) == set(range(1, len(Stage) + 1)) - over
    assert len(numbers(session, with_over=True)) == len(Stage)
    assert numbers(session, stage=Stage.LOST) == [list(Stage).index(Stage.LOST) + 1]


def test_totals_count_the_whole_answer_and_not_the_page(session: Session) -> None:
    for number in range(1, 8):
        job(number, promised=-1 if number < 3 else 5, value_cents=1000 * number, cost_cents=500 * number)
    job(8, Stage.LOST, value_cents=99_999)
    page = ledger_page(session, TODAY, LedgerQuestion(), page=2, size=3)
    assert (page.jobs, page.pages, page.page, len(page.rows)) == (7, 3, 2, 3)
    assert (page.value_cents, page.cost_cents, page.late) == (28_000, 14_000, 2)
    assert page.margin == "50 %"


def test_a_page_beyond_the_last_is_the_last(session: Session) -> None:
    job(1)
    assert ledger_page(session, TODAY, LedgerQuestion(), page=999).page == 1


def test_the_late_ones_alone(session: Session) -> None:
    job(1, promised=-2)
    job(2, promised=2)
    assert numbers(session, is_late=True) == [1]


@pytest.mark.postgresql
@pytest.mark.parametrize("text", ["1042", "gate", "Plover", "Boat", "PO 7", "POND_"])
def test_text_is_looked_for_in_number_title_customer_site_and_order(session: Session, text: str) -> None:
    customer = factories.CustomerFactory(name="I. Plover, pond_side")
    site = factories.SiteFactory(customer=customer, name="Boat yard")
    job(1042, customer=customer, site=site, title="The gate", po_number="PO 7")
    job(2, title="Something else")
    assert numbers(session, text=text) == [1042]


@pytest.mark.postgresql
@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("1042", [1042]),
        ("J-1042", [1042]),
        ("Q-1042-2", [1042]),
        ("R-1042-1", [1042]),
        ("1042-2", [1042]),
        ("K-1042", []),
    ],
)
def test_a_paper_number_finds_its_job(session: Session, text: str, found: list[int]) -> None:
    factories.JobFactory(number=1042)
    factories.JobFactory(number=1043)
    assert numbers(session, text=text) == found


def test_wildcards_are_plain_characters(session: Session) -> None:
    job(1, title="100 % brass")
    job(2, title="plain")
    assert numbers(session, text="%") == [1]
    assert numbers(session, text="_") == []


@pytest.mark.parametrize("count", [3, 60])
def test_the_ledger_takes_two_queries_however_many_jobs(session: Session, count: int) -> None:
    customer = factories.CustomerFactory()
    user = factories.UserFactory()
    for number in range(1, count + 1):
        job(number, customer=customer, opened_by=user)
    with counted(session.get_bind()) as statements:  # type: ignore[arg-type]
        ledger_page(session, TODAY, LedgerQuestion())
    assert len(statements) == 2


def test_a_job_is_late_only_while_something_is_promised(session: Session) -> None:
    job(1, Stage.READY, promised=-3)
    job(2, Stage.CLOSED, promised=-3)
    assert days_late(get_job(session, 1), TODAY) == 3
    assert days_late(get_job(session, 2), TODAY) == 0


def test_a_job_that_is_not_there(session: Session) -> None:
    with pytest.raises(NotFound, match="no such job"):
        get_job(session, 404)


def test_money_is_the_newest_revision_less_what_was_paid(session: Session) -> None:
    row = factories.JobFactory(number=7)
    factories.QuoteRevisionFactory(job=row, revision=1, total_cents=10_000)
    factories.QuoteRevisionFactory(job=row, revision=2, total_cents=12_000)
    factories.PaymentFactory(job_id=row.id, cents=5_000)
    factories.PaymentFactory(job_id=row.id, cents=-1_000, means="given back")
    session.expire_all()
    money = job_money(get_job(session, 7))
    assert (money.total_cents, money.paid_cents, money.balance_cents) == (12_000, 4_000, 8_000)


def test_a_quote_that_is_only_listed_is_not_read_whole(session: Session) -> None:
    factories.QuoteRevisionFactory(job=factories.JobFactory(number=7), snapshot='{"big": 1}')
    session.expire_all()
    with counted(session.get_bind()) as statements:  # type: ignore[arg-type]
        get_job(session, 7)
    assert not any("snapshot" in statement for statement in statements)


def test_the_bench_works_by_promise_and_sees_where_a_promise_breaks(session: Session) -> None:
    factories.BenchTermsFactory(terms=BENCH_TERMS)
    job(1, Stage.APPROVED, promised=2, keyed_at="shop", bench_minutes=30)
    job(2, Stage.ON_THE_BENCH, promised=1, keyed_at="shop", bench_minutes=90)
    job(3, Stage.APPROVED, promised=1, keyed_at="factory")
    job(4, Stage.CHECKED, promised=1, keyed_at="shop", bench_minutes=30)
    job(5, Stage.PARTS_ON_ORDER, promised=0, keyed_at="shop/factory", bench_minutes=70)
    day = bench_day(session, TODAY)
    # A Wednesday, an hour a day: 70 min end on Thursday, 160 on Friday, 190 on Monday.
    through = [(row.job.number, (row.ready_on - TODAY).days) for row in day.rows if row.ready_on]
    assert through == [(5, 1), (2, 2), (1, 5)]
    assert [row.misses_promise for row in day.rows] == [True, True, True]
    assert (day.jobs, day.minutes, day.days) == (3, 190, Fraction(19, 6))


def test_what_is_through_on_the_promised_day_keeps_its_promise(session: Session) -> None:
    factories.BenchTermsFactory(terms=BENCH_TERMS)
    job(1, Stage.ON_THE_BENCH, promised=1, keyed_at="shop", bench_minutes=70)
    (row,) = bench_day(session, TODAY).rows
    assert row.ready_on == row.job.promised_on and not row.misses_promise


def test_a_bench_without_terms_still_shows_its_work(session: Session) -> None:
    job(1, Stage.APPROVED, promised=1, keyed_at="shop", bench_minutes=30)
    day = bench_day(session, TODAY)
    assert day.rows[0].ready_on is None and day.days == 0


def test_minutes_that_fill_centuries_give_no_date(session: Session) -> None:
    factories.BenchTermsFactory(terms=BENCH_TERMS)
    job(1, Stage.APPROVED, promised=1, keyed_at="shop", bench_minutes=2_000_000_000)
    assert bench_day(session, TODAY).rows[0].ready_on is None


@pytest.mark.parametrize("count", [2, 30])
def test_the_bench_takes_the_same_queries_however_many_jobs(session: Session, count: int) -> None:
    factories.BenchTermsFactory(terms=BENCH_TERMS)
    user = factories.UserFactory()
    for number in range(1, count + 1):
        job(number, promised=1, keyed_at="shop", bench_minutes=3, opened_by=user)
    session.expire_all()
    with counted(session.get_bind()) as statements:  # type: ignore[arg-type]
        bench_day(session, TODAY)
    assert len(statements) == 8
