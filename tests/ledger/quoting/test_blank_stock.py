"""Cylinders without pins on the shelf: those promised to accepted jobs are not promised to the next quote."""

from dataclasses import replace
from datetime import date

import sqlalchemy as sa

from app.ledger.catalog.house_settings import set_bench_terms
from app.ledger.jobs.stages import move_job
from app.ledger.quoting.promises import bench_today
from app.ledger.quoting.quoting import price_request
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest
from app.ledger.store.engine import transaction
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import BENCH_TERMS_SET, BenchTermsRow, CylinderState, Job, LineKind, Stage
from app.pricing import CylinderType, KeyingKind
from tests.keyed import counted, give
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import MORTISE, accept, issued, mortise

KD = KeyingInstruction(KeyingKind.KD)
SHOP = {"keyed_at": "shop", "override_reason": "from us"}
MORTISES = CylinderType("mortise")


def count_the_shelf(work: Work, mortises: int, *, counted: bool = True) -> None:
    """The owner counts, today."""
    row = work.session.scalars(sa.select(BenchTermsRow).order_by(BenchTermsRow.valid_from.desc())).first()
    assert row is not None
    shelf = {**row.terms["uncombinated_on_hand"], "mortise": mortises}
    set_bench_terms(work, work.today, {**row.terms, "uncombinated_on_hand": shelf}, counted=counted)


def left(work: Work) -> int:
    work.session.rollback()
    return bench_today(work.session, work.today).uncombinated_on_hand[MORTISES]


def lying(work: Work) -> int:
    work.session.rollback()
    return bench_today(work.session, work.today, promised=False).uncombinated_on_hand[MORTISES]


def quote(work: Work, count: int, **more: object) -> QuoteRequest:
    return replace(QuoteRequest(customer_id(work, "Lantern"), (mortise(count, KD),), **SHOP), **more)  # type: ignore[arg-type]


def sold(work: Work, count: int, **more: object) -> Job:
    return accept(work, issued(work, quote(work, count, **more)))


def ready(work: Work, count: int) -> date | None:
    return price_request(work, quote(work, count)).ready_on


def move(work: Work, job: Job, *stages: Stage) -> None:
    for stage in stages:
        job = work.session.get_one(Job, job.id, populate_existing=True)
        for cylinder in job.cylinders if stage is Stage.CHECKED else ():
            cylinder.state = CylinderState.CHECKED
        work.session.commit()
        reason = "changed their mind" if stage is Stage.CANCELED else ""
        if stage is Stage.HANDED_OVER:
            give(work, job)
        else:
            move_job(work, job.id, job.version, stage, reason)


def test_the_next_quote_is_not_promised_from_what_an_accepted_job_takes(work: Work) -> None:
    """46 are accepted from a shelf of 30: the next one's cylinder has to come in, and its day says so."""
    count_the_shelf(work, 30)
    soon = ready(work, 1)
    count_the_shelf(work, 0)
    late = ready(work, 1)
    count_the_shelf(work, 30)
    assert soon is not None and late is not None and soon < late
    job = issued(work, quote(work, 46))
    assert (left(work), ready(work, 1)) == (30, soon)  # a quote alone promises nothing
    accept(work, job)
    assert left(work) == 0
    day = ready(work, 1)
    assert day is not None and day >= late
    move(work, job, Stage.CANCELED)
    assert (left(work), ready(work, 1)) == (30, soon)


def test_what_left_stays_gone_until_the_shelf_is_counted_anew(work: Work) -> None:
    count_the_shelf(work, 30)
    job = sold(work, 12)
    assert (left(work), lying(work)) == (18, 30)
    move(work, job, Stage.ON_THE_BENCH)
    assert (left(work), lying(work)) == (18, 18)
    count_the_shelf(work, 18)  # what lies there is counted: nothing is taken off twice
    assert (left(work), lying(work)) == (18, 18)
    move(work, job, Stage.CHECKED, Stage.READY)
    waiting = sold(work, 5)
    count_the_shelf(work, 40)
    assert (left(work), lying(work)) == (35, 40)  # those five lie there yet, and are promised
    count_the_shelf(work, 40, counted=False)  # other terms change: no count
    move(work, waiting, Stage.ON_THE_BENCH, Stage.PARTS_ON_ORDER)
    assert (left(work), lying(work)) == (35, 35)


def test_a_learned_time_that_an_earlier_release_took_over_is_no_count(work: Work) -> None:
    """Its event did not tell whether the shelf was counted."""
    count_the_shelf(work, 30)
    before, job = sold(work, 2), sold(work, 10)

    def put_on_record(why: str) -> None:
        with transaction(work.session):
            record(work, BENCH_TERMS_SET, "price book", f"Bench terms from 2026-11-02 on{why}", changes=[])

    move(work, before, Stage.ON_THE_BENCH)
    put_on_record("")  # by hand: a count
    assert (left(work), lying(work)) == (20, 30)
    move(work, job, Stage.ON_THE_BENCH)
    put_on_record(": pinning, master keyed: as the last 5 jobs took")
    assert (left(work), lying(work)) == (20, 20)


def test_what_skips_the_bench_is_promised_until_it_is_handed_over(work: Work) -> None:
    count_the_shelf(work, 30)
    job = sold(work, 10, lines=(mortise(10, KeyingInstruction(), keys_each=0),))
    assert (left(work), lying(work)) == (20, 30)
    move(work, job, Stage.READY)
    assert (left(work), lying(work)) == (20, 30)
    move(work, job, Stage.HANDED_OVER)
    assert (left(work), lying(work)) == (20, 20)


def test_what_never_lay_there_is_not_taken_off(work: Work) -> None:
    count_the_shelf(work, 30)
    own = LineRequest(LineKind.REKEY, 4, attributes=MORTISE, keying=KD)
    sold(work, 2, lines=(own, mortise(2, KD), mortise(3, KeyingInstruction(), keys_each=0)))
    assert left(work) == 25  # three without pins leave it too
    sold(work, 24, keyed_at="factory", override_reason="in bulk")
    assert left(work) == 25


def test_jobs_keyed_at_the_factory_make_no_quote_slower(work: Work) -> None:
    """Their quotes are not read again for each quote to come; what they bring without pins leaves our shelf."""
    count_the_shelf(work, 30)
    away = {"keyed_at": "factory", "override_reason": "in bulk"}
    seen = []
    for _ in range(2):
        sold(work, 2, lines=(mortise(2, KD), mortise(3, KeyingInstruction(), keys_each=0)), **away)
        work.session.rollback()
        with counted(work.session.get_bind()) as statements:  # type: ignore[arg-type]
            seen.append((bench_today(work.session, work.today).uncombinated_on_hand[MORTISES], len(statements)))
    assert [shelf for shelf, _ in seen] == [27, 24]
    assert seen[0][1] == seen[1][1]
