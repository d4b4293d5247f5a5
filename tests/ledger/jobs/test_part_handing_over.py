"""Half of a job is taken today, the rest later: what went is with its taker, what stayed is still promised."""

from collections.abc import Iterator

import pytest
import sqlalchemy as sa

from app.config import Config
from app.errors import Problems
from app.ledger.bench.checkoff import tick_cylinders
from app.ledger.care.opening import open_ledger
from app.ledger.jobs.handing_over import PartForm, hand_over_part, hand_overs_of, still_open, waiting_for
from app.ledger.jobs.stages import move_job
from app.ledger.moving.exported_events import check_event, exported_detail
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Cylinder, CylinderState, Event, Key, KeyState, Stage, User
from tests import factories
from tests.conftest import NOW
from tests.keyed import Keyed, keyed_job, tick_off


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
    return hand_over_part(work, keyed.job.id, keyed.job.version, form)


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

    known = still_open(work.session, job).mark
    move_job(work, job.id, job.version, Stage.HANDED_OVER, taken_by="B. Quay", known=known)
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
        ({"goods": {2: 11}}, "goods", "Of line 2, 10 can go: enter at most that."),
        ({"goods": {1: 1}}, "goods", "Of line 1, 0 can go: enter at most that."),
        ({"cylinders": {4040}}, "cylinders", "One of these was taken already: look at the page again."),
    ],
)
def test_what_cannot_go_is_refused_and_nothing_goes(
    work: Work, ready: Keyed, what: dict[str, object], field: str, said: str
) -> None:
    with pytest.raises(Problems) as refused:
        part(work, ready, **what)  # type: ignore[arg-type]
    assert [(one.field, one.message) for one in refused.value.problems] == [(field, said)]
    assert waiting_for(work.session, ready.job).words == "2 cylinders, 3 keys, 10 other pieces"


def test_no_more_keys_go_than_are_cut_and_all_of_it_is_no_part(work: Work, ready: Keyed) -> None:
    keysets = [one.keyset_id for one in ready.cylinders]
    with pytest.raises(Problems, match="1 key of 1AA can go"):
        part(work, ready, keys={keysets[0]: 2})
    master = ready.cylinders[0].keyset.parent_id if ready.cylinders[0].keyset else None
    whole = {"cylinders": {one.id for one in ready.cylinders}, "goods": {2: 10}}
    with pytest.raises(LedgerError, match="This is all that is left: press Handed over"):
        part(work, ready, keys=dict.fromkeys([*keysets, master], 1), **whole)
    part(work, ready, keys=dict.fromkeys(keysets, 1), **whole)  # the master's key stays
    assert waiting_for(work.session, ready.job).words == "1 key"


def test_a_part_is_of_a_job_that_is_ready_and_of_the_page_that_was_read(work: Work, ready: Keyed) -> None:
    job, form = ready.job, PartForm("R. Teal", (), {}, {2: 1})
    seen = job.version
    hand_over_part(work, job.id, seen, form)
    with pytest.raises(Stale):  # pressed twice, it goes once
        hand_over_part(work, job.id, seen, form)
    work.session.rollback()
    move_job(work, job.id, job.version, Stage.ON_THE_BENCH)
    with pytest.raises(LedgerError, match="when the job is ready; this one is on the bench"):
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
