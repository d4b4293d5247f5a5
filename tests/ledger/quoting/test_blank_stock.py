"""Cylinders without pins on the shelf: those promised to accepted jobs are not promised to the next quote."""

from dataclasses import replace
from datetime import date

from app.ledger.jobs.stages import move_job
from app.ledger.quoting.quoting import price_request
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest
from app.ledger.store.work import Work
from app.ledger.tables import CylinderState, Job, LineKind, Stage
from app.pricing import CylinderType, KeyingKind
from tests.keyed import give
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import MORTISE, accept, issued, mortise
from tests.shelf import count_unpinned, unpinned

KD = KeyingInstruction(KeyingKind.KD)
SHOP = {"keyed_at": "shop", "override_reason": "from us"}
MORTISES = CylinderType("mortise")


def count_the_shelf(work: Work, mortises: int) -> None:
    """Somebody counts, today."""
    count_unpinned(work, mortises)


def left(work: Work) -> int:
    return unpinned(work).free


def lying(work: Work) -> int:
    return unpinned(work).on_hand


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


def test_what_never_lay_there_is_not_taken_off(work: Work) -> None:
    count_the_shelf(work, 30)
    own = LineRequest(LineKind.REKEY, 4, attributes=MORTISE, keying=KD)
    sold(work, 2, lines=(own, mortise(2, KD), mortise(3, KeyingInstruction(), keys_each=0)))
    assert left(work) == 25  # three without pins leave it too
    sold(work, 24, keyed_at="factory", override_reason="in bulk")
    assert left(work) == 25
