"""Which stage may follow which, wherever a job is keyed: each move is tried, and what is not written here is refused.

Shop-keyed work passes the bench and its check on its way out; what the factory keys, or nobody, need not.
"""

from datetime import date

import pytest
import sqlalchemy as sa

from app.ledger.jobs.stages import lose_quote, move_job, next_stages, still_open
from app.ledger.keys.key_queries import keys_of_job
from app.ledger.quoting.accepting import AcceptForm, accept_quote
from app.ledger.store.errors import LedgerError, NotAllowed, NotFound, Stale
from app.ledger.store.events import events_of_job
from app.ledger.store.work import Work
from app.ledger.tables import CylinderState, Event, Job, Key, KeyState, Role, Stage
from tests.ledger.conftest import by, customer_id
from tests.ledger.test_main_job import accept, flats, issued

KEYED_HERE = {
    "asked": ["lost"],
    "quoted": ["lost"],
    "approved": ["parts on order", "on the bench", "cancelled"],
    "parts on order": ["on the bench", "cancelled"],
    "on the bench": ["checked", "parts on order", "cancelled"],
    "checked": ["ready", "on the bench", "cancelled"],
    "ready": ["handed over", "on the bench", "cancelled"],
    "handed over": ["closed"],
    "closed": [],
    "lost": [],
    "cancelled": [],
}
NOT_KEYED_HERE = {
    **KEYED_HERE,
    "approved": ["parts on order", "on the bench", "ready", "cancelled"],
    "parts on order": ["on the bench", "ready", "cancelled"],
}
MOVES = {
    "shop": KEYED_HERE,
    "shop/factory": KEYED_HERE,
    "factory/shop": KEYED_HERE,
    "factory": NOT_KEYED_HERE,
    "": NOT_KEYED_HERE,  # nothing is keyed
}
EVERY_PLACE = pytest.mark.parametrize("keyed_at", MOVES, ids=lambda where: where or "nothing keyed")
EVERY_STAGE = pytest.mark.parametrize("stage", Stage, ids=lambda stage: stage.value)


def job_at(work: Work, stage: Stage, keyed_at: str) -> Job:
    """A job without cylinders: nothing is left to tick off, and no key to cut, when it moves."""
    number = 1 + (work.session.scalar(sa.select(sa.func.max(Job.number))) or 1000)
    job = Job(
        number=number,
        customer_id=customer_id(work, "Lantern"),
        opened_by_id=work.actor.user_id,
        title="Rings",
        asked_on=date(2026, 3, 2),
        stage=stage,
        keyed_at=keyed_at,
        accepted_by="R. Teal",
    )
    work.session.add(job)
    work.session.commit()
    return job


def last_event(work: Work) -> Event:
    return work.session.scalars(sa.select(Event).order_by(Event.id.desc()).limit(1)).one()


def test_every_stage_is_in_the_table() -> None:
    assert list(KEYED_HERE) == [stage.value for stage in Stage]


@EVERY_PLACE
@EVERY_STAGE
def test_a_job_goes_where_it_may_and_nowhere_else(work: Work, stage: Stage, keyed_at: str) -> None:
    allowed = MOVES[keyed_at][stage.value]
    for to in Stage:
        job = job_at(work, stage, keyed_at)
        if to.value in allowed:
            left = still_open(work.session, job)
            move_job(work, job.id, job.version, to, "the customer says so", taken_by="R. Teal", known=left.mark)
            assert job.stage is to
            taken = " ".join(("taken by R. Teal.", *left.sentences, "")) if to is Stage.HANDED_OVER else ""
            assert last_event(work).summary == f"{stage.value} → {to.value}: {taken}the customer says so"
        else:
            with pytest.raises(LedgerError) as refused:
                move_job(work, job.id, job.version, to, "the customer says so")
            ways = ", ".join(Stage(one).word for one in allowed) or "nothing: its story is over"
            assert refused.value.field == "stage"
            assert refused.value.message == (
                f"From {stage.word} this job cannot go to {to.word}; it can go to {ways}."
            )
            work.session.refresh(job)
            assert (job.stage, job.version) == (stage, 1)


@EVERY_PLACE
@EVERY_STAGE
def test_what_the_page_offers_is_what_is_taken(work: Work, stage: Stage, keyed_at: str) -> None:
    offered = next_stages(job_at(work, stage, keyed_at))
    assert [one.value for one in offered] == MOVES[keyed_at][stage.value]


@EVERY_PLACE
@pytest.mark.parametrize("to", ["lost", "cancelled"])
def test_an_end_without_a_reason_is_refused(work: Work, keyed_at: str, to: str) -> None:
    for left in (stage for stage, allowed in MOVES[keyed_at].items() if to in allowed):
        job = job_at(work, Stage(left), keyed_at)
        with pytest.raises(LedgerError) as refused:
            move_job(work, job.id, job.version, Stage(to), "  ")
        assert (refused.value.field, refused.value.message) == ("reason", f"Say why the job is {Stage(to).word}.")


def test_checked_is_said_by_the_bench_and_everything_else_by_the_counter_too(work: Work) -> None:
    for left, allowed in KEYED_HERE.items():
        for to in allowed:
            job = job_at(work, Stage(left), "shop")
            if to == "checked":
                with pytest.raises(NotAllowed):
                    move_job(by(work, Role.COUNTER), job.id, job.version, Stage(to))
                work.session.refresh(job)
            by_whom = Role.BENCH if to == "checked" else Role.COUNTER
            hands = {"taken_by": "R. Teal", "known": still_open(work.session, job).mark}
            move_job(by(work, by_whom), job.id, job.version, Stage(to), "the customer says so", **hands)
            assert job.stage.value == to


@pytest.mark.parametrize("stage", [stage for stage in Stage if stage is not Stage.QUOTED], ids=lambda one: one.value)
def test_a_quote_is_accepted_or_lost_only_while_the_job_is_quoted(work: Work, stage: Stage) -> None:
    job = issued(work, flats(work, 1))
    job.stage = stage
    work.session.commit()
    with pytest.raises(LedgerError) as refused:
        accept_quote(work, job.id, AcceptForm("R. Teal", work.today, job.version))
    assert refused.value.message == f"Only a quoted job can be accepted; this one is {stage.word}."
    if stage is not Stage.ASKED:
        with pytest.raises(LedgerError, match=f"From {stage.word} this job cannot go to lost"):
            lose_quote(work, job.revisions[-1].id, "too dear")


def test_a_lost_quote_keeps_its_reason_and_is_an_event(work: Work) -> None:
    job = issued(work, flats(work))
    lose_quote(by(work, Role.COUNTER), job.revisions[-1].id, "  found it cheaper  ")
    assert (job.stage, job.reason) == (Stage.LOST, "found it cheaper")
    assert any("lost: found it cheaper" in event.summary for event in events_of_job(work.session, job.id, Role.OWNER))


def test_only_the_newest_open_quote_is_lost_and_only_for_a_reason(work: Work) -> None:
    job = issued(work, flats(work))
    first = job.revisions[-1].id
    with pytest.raises(LedgerError, match="Say why") as no_reason:
        lose_quote(work, first, "   ")
    assert no_reason.value.field == "reason"
    issued(work, flats(work), job_id=job.id, job_version=job.version)
    work.session.expire_all()
    with pytest.raises(Stale, match="newer revision"):
        lose_quote(work, first, "too dear")
    accept(work, job)
    with pytest.raises(LedgerError, match="cannot go to lost"):
        lose_quote(work, job.revisions[-1].id, "too dear")
    with pytest.raises(NotFound):
        lose_quote(work, 999_999, "too dear")


def test_what_a_canceled_job_would_have_brought_is_gone(work: Work) -> None:
    job = issued(work, flats(work))
    accept(work, job)
    assert {one.state for one in job.cylinders} == {CylinderState.ORDERED}
    move_job(work, job.id, job.version, Stage.CANCELED, "the customer sold the house")
    work.session.expire_all()
    assert {one.state for one in job.cylinders} == {CylinderState.REMOVED}
    assert set(work.session.scalars(sa.select(Key.state).where(Key.job_id == job.id))) == {KeyState.RETIRED}


def test_a_job_that_goes_to_the_bench_keeps_its_pieces(work: Work) -> None:
    job = issued(work, flats(work))
    accept(work, job)
    move_job(work, job.id, job.version, Stage.ON_THE_BENCH)
    assert {one.state for one in job.cylinders} == {CylinderState.ORDERED}
    assert {key.state for key in keys_of_job(work.session, job.id)} == {KeyState.ORDERED}
