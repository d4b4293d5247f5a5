"""Half of a job is taken today, the rest later: what went is with its taker, what stayed is still promised."""

from collections.abc import Iterator

import pytest
import sqlalchemy as sa

from app.config import Config
from app.errors import Problems
from app.ledger.bench.checkoff import tick_cylinders, tick_keys
from app.ledger.care.opening import open_ledger
from app.ledger.goods.hand_overs import hand_overs_of, put_missing_hand_overs
from app.ledger.goods.handing_over import PartForm, hand_over_part
from app.ledger.goods.pieces import LineCount, handed_lines, waiting_for
from app.ledger.goods.returns import BroughtBack, ReturnForm, return_goods
from app.ledger.goods.shelf import there_now
from app.ledger.jobs.stages import move_job
from app.ledger.moving.exported_events import check_event, exported_detail
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Base, Cylinder, CylinderState, Event, Key, KeyState, ReturnCondition, Stage, User
from tests import factories
from tests.conftest import NOW
from tests.keyed import Keyed, give, keyed_job, tick_off


@pytest.fixture
def work(config: Config) -> Iterator[Work]:
    ledger = open_ledger(config)
    with ledger.sessions() as session, factories.saving_into(session):
        yield Work(session, ledger.vault, Actor.of(session.get_one(User, 1)), NOW)
    ledger.close()


@pytest.fixture
def ready(work: Work) -> Keyed:
    """Two flats on F1 and F2, one key each and the master's, all cut; ten ring sets; $107.25, nothing paid.

    Another cylinder hangs on each door.
    """
    keyed = keyed_job(work)
    for door in keyed.doors:
        factories.CylinderFactory(door=door, job_id=None, state=CylinderState.FITTED, part_number="OLD")
    factories.QuoteRevisionFactory(job=keyed.job, total_cents=10_725)
    keyed.job.agreed_cents = 10_725
    factories.JobLineFactory(job=keyed.job, number=2, kind="hardware", description="Ring set", quantity=10)
    tick_off(work, keyed.job)
    work.session.commit()
    for stage in (Stage.CHECKED, Stage.READY):
        move_job(work, keyed.job.id, keyed.job.version, stage)
    return keyed


def part(work: Work, keyed: Keyed, taken_by: str = "R. Teal", **what: object) -> str:
    work.session.rollback()
    work.session.refresh(keyed.job)
    form = PartForm(taken_by, **{"cylinders": (), "keys": {}, "goods": {}, **what})  # type: ignore[arg-type]
    return hand_over_part(work, keyed.job.id, keyed.job.version, form).number


def on_door(work: Work, opening: str) -> list[tuple[str, str]]:
    work.session.expire_all()
    rows = work.session.scalars(sa.select(Cylinder).order_by(Cylinder.id))
    return [(one.part_number, one.state.value) for one in rows if one.door and one.door.opening_number == opening]


def test_half_goes_and_the_rest_stays_promised_until_it_goes_too(work: Work, ready: Keyed) -> None:
    job, (first, second) = ready.job, ready.cylinders
    promised = job.promised_on
    number = part(work, ready, " R.  Teal ", cylinders={first.id}, keys={first.keyset_id: 1}, goods={2: 4})
    assert number == f"H-{job.number}-1"
    assert (job.stage, job.promised_on) == (Stage.READY, promised)
    assert on_door(work, "F1") == [("AD-Q1-66", "fitted"), ("OLD", "removed")]
    assert on_door(work, "F2") == [("AD-Q1-66", "checked"), ("OLD", "fitted")]
    out = work.session.scalars(sa.select(Key).where(Key.state == KeyState.OUT)).all()
    assert [(key.keyset.symbol, key.holder) for key in out] == [("1AA", "R. Teal")]
    left = waiting_for(work.session, job)
    assert ([one.id for one in left.cylinders], dict(left.goods)) == ([second.id], {2: 6})
    assert left.words == "1 cylinder, 2 keys, 6 other pieces"
    event = work.session.scalars(sa.select(Event).where(Event.kind == "part handed over")).one()
    assert event.summary == (
        "Part taken by R. Teal: 1 cylinder, 1 key, 4 other pieces. Still here: 1 cylinder, 2 keys, 6 other pieces. "
        "$107.25 of $107.25 is not paid."
    )
    carried = exported_detail(event.kind, event.detail)
    check_event({"kind": event.kind, "job_id": job.id, "actor_name": "Cora", "detail": carried})
    assert carried["goods"] == [[2, 4]]

    give(work, job, "B. Quay")
    assert on_door(work, "F2") == [("AD-Q1-66", "fitted"), ("OLD", "removed")]
    assert on_door(work, "F1") == [("AD-Q1-66", "fitted"), ("OLD", "removed")]
    one, two = hand_overs_of(work.session, job)
    assert (one.taken_by, one.cylinders, one.goods, one.left) == ("R. Teal", (first.id,), ((2, 4),), left.words)
    assert (two.number, two.taken_by, two.cylinders) == (f"H-{job.number}-2", "B. Quay", (second.id,))
    assert (two.goods, len(two.keys), two.left) == (((2, 6),), 2, "")
    assert waiting_for(work.session, job).is_empty


@pytest.mark.parametrize(
    ("what", "field", "said"),
    [
        ({}, "cylinders", "Say what goes: tick cylinders, or enter how many keys or pieces."),
        ({"taken_by": " ", "goods": {2: 1}}, "taken_by", "Enter who takes it: a person's name."),
        ({"goods": {2: 11}}, "goods-2", "Of line 2, 10 can go: enter at most that."),
        ({"goods": {1: 1}}, "goods-1", "Of line 1, 0 can go: enter at most that."),
        ({"cylinders": {4040}}, "cylinders", "One of these is not there, or was taken: look at the page again."),
    ],
)
def test_what_cannot_go_is_refused_and_nothing_goes(
    work: Work, ready: Keyed, what: dict[str, object], field: str, said: str
) -> None:
    with pytest.raises(Problems) as refused:
        part(work, ready, **what)  # type: ignore[arg-type]
    assert [(one.field, one.message) for one in refused.value.problems] == [(field, said)]
    assert waiting_for(work.session, ready.job).words == "2 cylinders, 3 keys, 10 other pieces"


def test_no_more_keys_go_than_are_cut_and_the_last_of_it_ends_the_job(work: Work, ready: Keyed) -> None:
    keysets = [one.keyset_id for one in ready.cylinders]
    with pytest.raises(Problems, match="1 key of 1AA can go"):
        part(work, ready, keys={keysets[0]: 2})
    master = ready.cylinders[0].keyset.parent_id if ready.cylinders[0].keyset else None
    whole = {"cylinders": {one.id for one in ready.cylinders}, "goods": {2: 10}}
    part(work, ready, keys=dict.fromkeys(keysets, 1), **whole)  # the master's key stays
    assert waiting_for(work.session, ready.job).words == "1 key"
    assert ready.job.stage is Stage.READY
    part(work, ready, keys={master: 1})
    assert (ready.job.stage, waiting_for(work.session, ready.job).is_empty) == (Stage.HANDED_OVER, True)
    assert [(one.place, one.left) for one in hand_overs_of(work.session, ready.job)] == [(1, "1 key"), (2, "")]


def test_a_part_is_of_what_is_there_and_of_the_page_that_was_read(work: Work, ready: Keyed) -> None:
    job, form = ready.job, PartForm("R. Teal", (), {}, {2: 1})
    seen = job.version
    hand_over_part(work, job.id, seen, form)
    with pytest.raises(Stale):  # pressed twice, it goes once
        hand_over_part(work, job.id, seen, form)
    work.session.rollback()
    move_job(work, job.id, job.version, Stage.ON_THE_BENCH)
    with pytest.raises(Problems, match="One of these is not there"):  # its pins are not checked any more
        part(work, ready, cylinders={ready.cylinders[0].id})
    move_job(work, job.id, job.version, Stage.CANCELED, "called off")
    with pytest.raises(LedgerError, match="Nothing can be handed over of a job that is canceled"):
        hand_over_part(work, job.id, job.version, form)


def test_what_was_taken_stays_taken_when_the_rest_goes_back_to_the_bench_or_the_job_is_canceled(
    work: Work, ready: Keyed
) -> None:
    job, (first, second) = ready.job, ready.cylinders
    part(work, ready, cylinders={first.id})
    move_job(work, job.id, job.version, Stage.ON_THE_BENCH)
    assert (first.state, second.state) == (CylinderState.FITTED, CylinderState.ORDERED)
    for state in (CylinderState.PINNED, CylinderState.CHECKED):
        tick_cylinders(work, job.number, {second.id}, state)
    move_job(work, job.id, job.version, Stage.CHECKED)
    assert (first.state, second.state) == (CylinderState.FITTED, CylinderState.CHECKED)
    move_job(work, job.id, job.version, Stage.CANCELED, "called off")
    assert (first.state, second.state) == (CylinderState.FITTED, CylinderState.REMOVED)


def test_what_came_back_of_a_part_holds_up_no_rest_and_goes_to_no_bench_again(work: Work) -> None:
    keyed = keyed_job(work)
    job, (first, second) = keyed.job, keyed.cylinders
    factories.JobLineFactory(job=job, number=1, kind="cylinder", quantity=2)
    first.line_number = second.line_number = 1
    work.session.commit()
    both = CylinderState.PINNED, CylinderState.CHECKED
    for state in both:
        tick_cylinders(work, job.number, {first.id}, state)
    part(work, keyed, cylinders={first.id})
    back = BroughtBack(1, 0, ReturnCondition.GOOD, cylinders=(first.id,))
    return_goods(work, job.number, job.version, ReturnForm("a flat fewer", (back,)))
    for state in both:
        tick_cylinders(work, job.number, {second.id}, state)
    move_job(work, job.id, job.version, Stage.CHECKED)
    assert (first.state, second.state) == (CylinderState.REMOVED, CylinderState.CHECKED)
    assert [one.id for one in waiting_for(work.session, job).cylinders] == [second.id]
    move_job(work, job.id, job.version, Stage.ON_THE_BENCH)
    assert (first.state, second.state) == (CylinderState.REMOVED, CylinderState.ORDERED)


def test_a_checked_door_goes_with_its_key_while_the_other_is_on_the_bench(work: Work) -> None:
    """The last piece ends the job by way of checked and ready, and each line knows what of it went."""
    keyed = keyed_job(work)
    job, (first, second) = keyed.job, keyed.cylinders
    for number, one in enumerate(keyed.cylinders, start=1):
        factories.JobLineFactory(job=job, number=number, kind="cylinder", ask={"keys_each": 1})
        one.line_number = number
    factories.JobLineFactory(job=job, number=3, kind="keys", ask={"symbol": "AA"})
    work.session.commit()
    for state in (CylinderState.PINNED, CylinderState.CHECKED):
        tick_cylinders(work, job.number, {first.id}, state)
    tick_keys(work, job.number, {first.keyset_id}, KeyState.CUT)
    assert there_now(work.session, job).words == "1 cylinder, 1 key"
    with pytest.raises(Problems, match="One of these is not there"):
        part(work, keyed, cylinders={second.id})
    part(work, keyed, cylinders={first.id}, keys={first.keyset_id: 1})
    assert (job.stage, on_door(work, "F1")) == (Stage.ON_THE_BENCH, [("AD-Q1-66", "fitted")])
    assert handed_lines(work.session, job.id) == {1: LineCount(1, 1)}
    assert hand_overs_of(work.session, job)[0].left == "1 cylinder, 2 keys"  # these are not cut yet
    tick_off(work, job)
    master = second.keyset.parent_id if second.keyset else 0
    part(work, keyed, cylinders={second.id}, keys={second.keyset_id: 1, master: 1})
    assert handed_lines(work.session, job.id) == {1: LineCount(1, 1), 2: LineCount(1, 1), 3: LineCount(keys=1)}
    told = sa.select(Event.summary).where(Event.kind == "stage moved").order_by(Event.id)
    assert work.session.scalars(told).all() == [
        "on the bench → checked",
        "checked → ready",
        "ready → handed over: taken by R. Teal. 2 keys go with it: AA copy 1; 2AA copy 1.",
    ]
    # What the story tells is enough to make the rows again, as an import does.
    rows = "hand_overs", "handed_lines"
    counts = handed_lines(work.session, job.id)
    for name in reversed(rows):
        work.session.execute(sa.delete(Base.metadata.tables[name]))
    work.session.expunge_all()
    put_missing_hand_overs(work.session)
    assert handed_lines(work.session, job.id) == counts


def test_the_keys_of_the_doors_that_go_go_with_them_unless_another_count_is_said(work: Work, ready: Keyed) -> None:
    first, second = ready.cylinders
    part(work, ready, cylinders={first.id})
    part(work, ready, cylinders={second.id}, keys={second.keyset_id: 0})
    held = {key.keyset.symbol: key.state for key in work.session.scalars(sa.select(Key))}
    assert held == {"AA": KeyState.CUT, "1AA": KeyState.OUT, "2AA": KeyState.CUT}  # the master's is nobody's door
