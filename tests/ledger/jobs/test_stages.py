"""Which stage may follow which, wherever a job is keyed: each move is tried, and what is not written here is refused.

Shop-keyed work passes the bench and its check on its way out; what the factory keys, or nobody, need not.
"""

from datetime import date, timedelta

import pytest
import sqlalchemy as sa

from app.ledger.goods.hand_overs import taker_of
from app.ledger.goods.handing_over import still_open
from app.ledger.jobs.stages import lose_quote, move_job, next_stages
from app.ledger.keys.key_queries import keys_of_job
from app.ledger.money.payments import PaymentForm, PaymentKind, take_payment
from app.ledger.quoting.accepting import AcceptForm, accept_quote
from app.ledger.quoting.request import LineRequest, QuoteRequest
from app.ledger.store.errors import LedgerError, NotAllowed, NotFound, Stale
from app.ledger.store.events import events_of_job
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Event, Job, Key, KeyState, LineKind, Role, Stage
from app.pricing import show_cents
from tests.keyed import give, walk
from tests.ledger.conftest import by, customer_id
from tests.ledger.test_main_job import accept, flats, issued, openings

KEYED_HERE = {
    "asked": ["lost"],
    "quoted": ["lost"],
    "approved": ["parts on order", "on the bench", "cancelled"],
    "parts on order": ["on the bench", "cancelled"],
    "on the bench": ["checked", "parts on order", "cancelled"],
    "checked": ["ready", "on the bench", "cancelled"],
    "ready": ["on the bench", "cancelled"],
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
            move_job(work, job.id, job.version, to, "the customer says so")
            assert job.stage is to
            assert last_event(work).summary == f"{stage.value} → {to.value}: the customer says so"
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
            move_job(by(work, by_whom), job.id, job.version, Stage(to), "the customer says so")
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
    with pytest.raises(Stale) as replaced:
        lose_quote(work, first, "too dear")
    assert replaced.value.message == (
        f"Quote Q-{job.number}-1 has been replaced by a newer revision: look at it first."
    )
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


def test_a_reason_of_more_than_its_column_holds_is_refused(work: Work) -> None:
    job = job_at(work, Stage.APPROVED, "shop")
    with pytest.raises(LedgerError) as refused:
        move_job(work, job.id, job.version, Stage.PARTS_ON_ORDER, "x" * 501)
    assert (refused.value.field, refused.value.message) == ("reason", "At most 500 characters fit here.")
    move_job(work, job.id, job.version, Stage.CANCELED, f" {'x' * 498} ")
    assert job.reason == "x" * 498


def test_a_reason_is_kept_of_what_ends_a_job_alone(work: Work) -> None:
    job = job_at(work, Stage.APPROVED, "shop")
    move_job(work, job.id, job.version, Stage.PARTS_ON_ORDER, "the cylinders are late")
    assert (job.reason, last_event(work).summary) == ("", "approved → parts on order: the cylinders are late")


@pytest.mark.parametrize(("count", "more"), [(12, ""), (13, " and 1 more")])
def test_twelve_cylinders_that_are_not_ticked_are_named(work: Work, count: int, more: str) -> None:
    job = issued(work, flats(work, count, keyed_at="shop", override_reason="soon"))
    accept(work, job, openings(count))
    move_job(work, job.id, job.version, Stage.ON_THE_BENCH)
    with pytest.raises(LedgerError) as refused:
        move_job(work, job.id, job.version, Stage.CHECKED)
    named = ", ".join(f"F{n}" for n in range(1, 13))
    assert (refused.value.field, refused.value.message) == (
        "stage",
        f"{count} of this job's cylinders are not ticked off as checked: {named}{more}. "
        "The bench ticks them on the job's bench page.",
    )


@pytest.mark.parametrize(("flats_sold", "more"), [(8, ""), (9, "; and 1 more keyset"), (10, "; and 2 more keysets")])
def test_eight_keysets_whose_keys_are_not_cut_are_named(work: Work, flats_sold: int, more: str) -> None:
    job = issued(work, flats(work, flats_sold, keyed_at="shop", override_reason="soon"))
    accept(work, job)
    (keys, _money) = still_open(work.session, job).sentences
    assert keys.startswith(f"{len(keys_of_job(work.session, job.id))} keys are not cut yet: 1AA copies 1-2; ")
    assert keys.count(";") == 7 + bool(more)
    assert keys.endswith(f"8AA copies 1-2{more}.")


def test_what_is_not_paid_is_told_and_what_is_paid_beyond_the_price_is_not(work: Work) -> None:
    job = issued(
        work, QuoteRequest(customer_id(work, "Lantern"), (LineRequest(LineKind.HARDWARE, 1, price_code="RING-SET"),))
    )
    accept(work, job)
    due = show_cents(job.agreed_cents or 0)
    assert still_open(work.session, job).sentences == (f"{due} of {due} is not paid.",)
    take_payment(work, job.number, 1, PaymentForm(PaymentKind.PAYMENT, job.agreed_cents or 0, "cash", work.today))
    job.agreed_cents = 1
    work.session.commit()
    open_still = still_open(work.session, job)
    assert (open_still.owed_cents, open_still.total_cents, open_still.mark) == (0, 1, "")


def test_a_canceled_jobs_keys_that_are_cut_are_retired_and_those_that_are_out_stay(work: Work) -> None:
    job = issued(work, flats(work, 2))
    accept(work, job)
    first, second, *_rest = keys_of_job(work.session, job.id)
    first.state, second.state = KeyState.CUT, KeyState.OUT
    first.changed_at = work.now - timedelta(days=1)
    work.session.commit()
    move_job(work, job.id, job.version, Stage.CANCELED, "the customer sold the house")
    work.session.expire_all()
    assert (first.state, second.state) == (KeyState.RETIRED, KeyState.OUT)
    assert first.changed_at == work.now


def test_fitted_is_what_stood_at_the_same_side_of_the_door_and_no_other(work: Work) -> None:
    job = issued(work, flats(work, 1, keyed_at="shop", override_reason="soon"))
    accept(work, job, openings(1))
    (new,) = job.cylinders
    there = [
        Cylinder(door_id=new.door_id, position=position, type="mortise", words="old", state=CylinderState.FITTED)
        for position in ("Outside", "inside")
    ]
    work.session.add_all(there)
    work.session.commit()
    walk(work, job, Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER)
    work.session.expire_all()
    assert [one.state for one in (new, *there)] == [
        CylinderState.FITTED,
        CylinderState.REMOVED,
        CylinderState.FITTED,
    ]


def test_the_last_who_took_a_job_is_its_taker(work: Work) -> None:
    job = job_at(work, Stage.READY, "")
    assert taker_of(work.session, job.id) == ""
    give(work, job, "R. Teal")
    move_job(work, job.id, job.version, Stage.CLOSED)
    other = job_at(work, Stage.READY, "")
    give(work, other, "I. Plover")
    assert (taker_of(work.session, job.id), taker_of(work.session, other.id)) == ("R. Teal", "I. Plover")
