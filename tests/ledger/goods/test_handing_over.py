"""A job handed over: who takes it, what is still open is told first, and only keys that are cut go out."""

from collections.abc import Iterator

import pytest
import sqlalchemy as sa

from app.config import Config
from app.errors import Problems
from app.ledger.bench.bench_queries import bench_day
from app.ledger.bench.checkoff import tick_keys
from app.ledger.care.opening import open_ledger
from app.ledger.goods.hand_overs import hand_overs_of, taker_of
from app.ledger.goods.handing_over import HandOverForm, hand_over, still_open
from app.ledger.jobs.stages import move_job
from app.ledger.money.payments import PaymentForm, PaymentKind, take_payment
from app.ledger.moving.exported_events import check_event, exported_detail
from app.ledger.store.errors import LedgerError, NotAllowed, NotFound
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Event, Key, Keyset, KeyState, Role, Stage, User
from tests import factories
from tests.conftest import NOW
from tests.keyed import Keyed, keyed_job, tick_off, walk
from tests.ledger.conftest import by


@pytest.fixture
def work(config: Config) -> Iterator[Work]:
    ledger = open_ledger(config)
    with ledger.sessions() as session, factories.saving_into(session):
        yield Work(session, ledger.vault, Actor.of(session.get_one(User, 1)), NOW)
    ledger.close()


@pytest.fixture
def ready(work: Work) -> Keyed:
    """Two flats, $107.25 with tax: three keys ordered, the master's (AA) and one of each flat."""
    keyed = keyed_job(work, Stage.READY)
    factories.QuoteRevisionFactory(job=keyed.job, total_cents=10_725)
    keyed.job.agreed_cents = 10_725
    factories.KeyFactory(keyset=keyed.cylinders[0].keyset, job_id=keyed.job.id, copy_number=2)
    work.session.commit()
    return keyed


def hand(work: Work, keyed: Keyed, taken_by: str = "", known: str = "") -> None:
    work.session.rollback()
    work.session.refresh(keyed.job)
    hand_over(work, keyed.job.id, keyed.job.version, HandOverForm(taken_by, known))


def keys(work: Work) -> dict[str, tuple[str, str]]:
    work.session.expire_all()
    rows = work.session.execute(sa.select(Keyset.symbol, Key.copy_number, Key.state, Key.holder).join(Keyset))
    return {f"{symbol} {copy}": (state.value, holder) for symbol, copy, state, holder in rows}


def test_who_takes_it_is_asked_and_what_is_open_is_told(work: Work, ready: Keyed) -> None:
    with pytest.raises(Problems) as refused:
        hand(work, ready, "  ")
    assert [problem.field for problem in refused.value.problems] == ["taken_by", "known"]
    assert refused.value.problems[0].message == "Enter who takes it: a person's name."
    assert refused.value.problems[1].message == (
        "4 keys are not cut yet: AA copy 1; 1AA copies 1-2; 2AA copy 1. $107.25 of $107.25 is not paid. "
        "Tick that it is handed over all the same, and press again."
    )
    with pytest.raises(Problems) as refused:
        hand(work, ready, "x" * 121, still_open(work.session, ready.job).mark)
    assert (refused.value.field, "At most 120" in refused.value.message) == ("taken_by", True)
    assert ready.job.stage is Stage.READY and set(keys(work).values()) == {("ordered", "")}


def test_only_keys_that_are_cut_go_out_and_the_deed_is_on_record(work: Work, ready: Keyed) -> None:
    flat = ready.cylinders[0].keyset_id
    assert flat is not None and tick_keys(work, ready.job.number, {flat}, KeyState.CUT) == 2
    take_payment(work, ready.job.number, 1, PaymentForm(PaymentKind.PAYMENT, 5_000, "cash", work.today))
    before = still_open(work.session, ready.job)
    assert before.going_words == "2 keys go with it: 1AA copies 1-2."
    assert before.sentences == ("2 keys are not cut yet: AA copy 1; 2AA copy 1.", "$57.25 of $107.25 is not paid.")
    hand(work, ready, " R.  Teal ", before.mark)
    assert keys(work) == {
        "AA 1": ("ordered", ""),
        "1AA 1": ("out", "R. Teal"),
        "1AA 2": ("out", "R. Teal"),
        "2AA 1": ("ordered", ""),
    }
    event = work.session.scalars(sa.select(Event).where(Event.kind == "stage moved")).one()
    assert event.summary == (
        "ready → handed over: taken by R. Teal. 2 keys go with it: 1AA copies 1-2. "
        "2 keys are not cut yet: AA copy 1; 2AA copy 1. "
        "$57.25 of $107.25 is not paid."
    )
    assert taker_of(work.session, ready.job.id) == "R. Teal"
    assert [one.left for one in hand_overs_of(work.session, ready.job)] == ["2 keys"]  # the receipt says so
    carried = exported_detail(event.kind, event.detail)
    assert (carried["taken_by"], len(carried["uncut"]), carried["owed_cents"]) == ("R. Teal", 2, 5_725)
    check_event({"kind": event.kind, "job_id": ready.job.id, "actor_name": "Cora", "detail": carried})


def test_what_was_told_before_more_came_open_is_not_enough(work: Work, ready: Keyed) -> None:
    told = still_open(work.session, ready.job).mark
    factories.KeyFactory(keyset=ready.cylinders[1].keyset, job_id=ready.job.id, copy_number=2)
    work.session.commit()
    with pytest.raises(Problems, match="5 keys are not cut yet"):
        hand(work, ready, "R. Teal", told)
    assert ready.job.stage is Stage.READY


def test_what_was_told_of_other_keys_is_not_enough(work: Work, ready: Keyed) -> None:
    """As many keys were uncut and as much was owed, but they were another door's."""
    flats = [cylinder.keyset_id for cylinder in ready.cylinders]
    tick_keys(work, ready.job.number, flats[:1], KeyState.CUT)
    told = still_open(work.session, ready.job)
    tick_keys(work, ready.job.number, flats[:1], KeyState.ORDERED)
    tick_keys(work, ready.job.number, [one.keyset_id for one in told.keys], KeyState.CUT)
    assert (len(still_open(work.session, ready.job).keys), len(told.keys)) == (2, 2)
    with pytest.raises(Problems, match="2 keys are not cut yet: 1AA copies 1-2"):
        hand(work, ready, "R. Teal", told.mark)


def test_nothing_open_needs_a_name_alone(work: Work, ready: Keyed) -> None:
    tick_keys(work, ready.job.number, {key.keyset_id for key in work.session.scalars(sa.select(Key))}, KeyState.CUT)
    take_payment(work, ready.job.number, 1, PaymentForm(PaymentKind.PAYMENT, 10_725, "cash", work.today))
    assert still_open(work.session, ready.job).mark == ""
    hand(work, ready, "R. Teal")
    assert set(keys(work).values()) == {("out", "R. Teal")}


def test_keys_that_stayed_are_cut_later_and_a_wrong_tick_is_taken_back(work: Work, ready: Keyed) -> None:
    hand(work, ready, "R. Teal", still_open(work.session, ready.job).mark)
    (row,) = bench_day(work.session, work.today).rows
    assert (row.job.number, row.job.stage, row.keys, row.minutes) == (ready.job.number, Stage.HANDED_OVER, 4, 0)
    assert (row.pinned, row.cylinders) == (2, 2)
    assert bench_day(work.session, work.today).minutes == 0
    flat, other = (one.keyset_id for one in ready.cylinders)
    assert flat is not None and other is not None
    bench = by(work, Role.BENCH)
    assert tick_keys(bench, ready.job.number, {flat, other}, KeyState.CUT) == 3
    assert tick_keys(bench, ready.job.number, {flat}, KeyState.ORDERED) == 2
    assert tick_keys(bench, ready.job.number, {other}, KeyState.CUT) == 0
    assert [keys(work)[name][0] for name in ("1AA 1", "1AA 2", "2AA 1")] == ["ordered", "ordered", "cut"]
    told = work.session.scalars(
        sa.select(Event.summary).where(Event.kind.startswith("keys")).order_by(Event.id)
    ).all()
    number = ready.job.number
    assert told == [f"3 keys cut, job {number}: 1AA, 2AA", f"2 keys to cut anew, job {number}: 1AA"]


def test_starting_on_the_bench_says_what_is_missing_of_the_deposit(work: Work) -> None:
    """Half of $107.25 is asked, $53.63; $20.00 came: $33.63 is missing. Going back to the bench says nothing."""
    keyed = keyed_job(work, Stage.APPROVED)
    keyed.job.agreed_cents, keyed.job.deposit_cents = 10_725, 5_363
    factories.QuoteRevisionFactory(job=keyed.job, total_cents=10_725)
    work.session.commit()
    take_payment(work, keyed.job.number, 1, PaymentForm(PaymentKind.DEPOSIT, 2_000, "cash", work.today))
    walk(work, keyed.job, Stage.ON_THE_BENCH, Stage.CHECKED, Stage.ON_THE_BENCH)
    told = work.session.scalars(sa.select(Event.summary).where(Event.kind == "stage moved").order_by(Event.id)).all()
    assert told == [
        "approved → on the bench: $33.63 of the deposit of $53.63 is not paid yet.",
        "on the bench → checked",
        "checked → on the bench",
    ]


def test_keys_are_ticked_by_the_bench_on_a_job_that_has_been_there(work: Work) -> None:
    keyed = keyed_job(work, Stage.APPROVED)
    flat = keyed.cylinders[0].keyset_id
    assert flat is not None
    with pytest.raises(LedgerError, match="move it on to the bench first"):
        tick_keys(work, keyed.job.number, {flat}, KeyState.CUT)
    keyed.job.stage = Stage.ON_THE_BENCH
    work.session.commit()
    with pytest.raises(NotAllowed):
        tick_keys(by(work, Role.COUNTER), keyed.job.number, {flat}, KeyState.CUT)
    with pytest.raises(NotFound):
        tick_keys(work, keyed.job.number, {flat, 4040}, KeyState.CUT)
    with pytest.raises(LedgerError, match="Tick the keys"):
        tick_keys(work, keyed.job.number, set(), KeyState.CUT)
    assert set(keys(work).values()) == {("ordered", "")}


def test_all_checked_cuts_no_key(work: Work) -> None:
    keyed = keyed_job(work)
    tick_off(work, keyed.job)
    master = work.session.scalars(sa.select(Keyset.id).where(Keyset.symbol == "AA")).one()
    tick_keys(work, keyed.job.number, {master}, KeyState.ORDERED)
    move_job(work, keyed.job.id, keyed.job.version, Stage.CHECKED)
    assert {name: state for name, (state, _) in keys(work).items()} == {
        "AA 1": "ordered",
        "1AA 1": "cut",
        "2AA 1": "cut",
    }
