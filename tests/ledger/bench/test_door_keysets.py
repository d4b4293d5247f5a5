"""A door over the years: found, rekeyed, crossed, its record corrected; each with its day, job and person."""

from dataclasses import replace
from datetime import timedelta

import pytest
import sqlalchemy as sa

from app.ledger.bench.bench_sheet import cylinder_record, former_pins
from app.ledger.bench.door_keysets import KeysetMoment, door_keysets
from app.ledger.jobs.stages import move_job
from app.ledger.keysystems.bittings import reseal_bittings
from app.ledger.keysystems.correcting import CorrectForm, correct_bitting
from app.ledger.keysystems.crosskeying import cross_key
from app.ledger.sites.cylinders import CylinderForm, add_cylinder, take_out
from app.ledger.sites.door_import import import_doors
from app.ledger.sites.door_moves import move_doors
from app.ledger.sites.door_paste import DoorRow
from app.ledger.sites.duplicate_doors import merge_doors
from app.ledger.store.errors import LedgerError, NotAllowed
from app.ledger.store.events import record
from app.ledger.store.work import Actor, Work
from app.ledger.tables import CylinderState, Door, Event, Role, Stage
from tests import factories
from tests.bare import config, work
from tests.keyed import BITTINGS, bitting_in, keyed_job, walk

__all__ = ["config", "work"]  # fixtures


def at(work: Work, days: int, name: str = "") -> Work:
    """The same house so many days later, in the hands of `name` where one is given."""
    actor = replace(work.actor, name=name) if name else work.actor
    return replace(work, now=work.now + timedelta(days=days), actor=actor)


def test_a_doors_keysets_stand_with_their_days_jobs_and_people(work: Work) -> None:
    first = work.today
    keyed = keyed_job(work)
    door, number = keyed.doors[0], keyed.job.number
    was_there = add_cylinder(at(work, 0, "Cora"), door.id, CylinderForm("Inside", "old brass cylinder"))
    later = at(work, 3, "Bram")
    walk(later, keyed.job, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER)
    cross_key(at(work, 10, "Wren"), keyed.cylinders[0].id, ["2AA"])
    again = factories.JobFactory(customer=keyed.job.customer, stage=Stage.ON_THE_BENCH, keyed_at="shop")
    new = factories.CylinderFactory(job_id=again.id, door=door, position="inside", keyset=keyed.cylinders[1].keyset)
    factories.KeyFactory(keyset=keyed.cylinders[1].keyset, job_id=again.id, copy_number=2)
    walk(at(work, 40, "Bram"), again, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER)
    form = CorrectForm(keyset_id=new.keyset_id or 0, bitting="344298", why="misread", destroyed=True)
    correct_bitting(at(work, 50, "Wren"), keyed.system.id, form)
    take_out(at(work, 60, "Cora"), new.id, new.version, "wall was bricked up")

    work.session.expire_all()
    times = door_keysets(work.session, work.session.get_one(Door, door.id))
    day = [first + timedelta(days=days) for days in (0, 3, 10, 40, 50, 60)]
    found, one, two = (times[id] for id in (was_there.id, keyed.cylinders[0].id, new.id))
    assert found.since == KeysetMoment(day[0], "found there", "Cora")
    assert found.until == KeysetMoment(day[3], "replaced", "Bram", again.number)
    assert one.since == KeysetMoment(day[1], "handed over", "Bram", number)
    assert one.until is None
    crossed = "A cylinder of The Flats is operated by 2AA too"
    assert one.changes[:1] == (KeysetMoment(day[2], crossed, "Wren", number),)
    assert (one.off.pinned_by, one.off.checked_by) == ("Bram", "Bram")
    assert two.since == KeysetMoment(day[3], "handed over", "Bram", again.number)
    assert two.until == KeysetMoment(day[5], "removed: wall was bricked up", "Cora")
    (corrected,) = two.changes
    assert one.changes[1:] == (corrected,)  # 2AA operates both
    assert (corrected.on, corrected.by) == (day[4], "Wren") and corrected.what.startswith("bitting corrected, 2AA of")


def test_what_no_release_wrote_down_is_told_by_what_came_after(work: Work) -> None:
    """Events of earlier releases name a cylinder in words alone, or not at all."""
    door = factories.DoorFactory()
    old = factories.CylinderFactory(door=door, position="inside", words="rim cylinder", state=CylinderState.REMOVED)
    job = factories.JobFactory(stage=Stage.HANDED_OVER)
    new = factories.CylinderFactory(door=door, position="Inside", job_id=job.id, state=CylinderState.REMOVED)
    unknown = factories.CylinderFactory(door=door, position="top", state=CylinderState.REMOVED)

    def told(kind: str, subject: str, summary: str, job_id: int | None = None) -> None:
        record(work, kind, subject, summary, job_id=job_id)

    told("cylinder added", f"door {door.id}", "Cylinder inside: rim cylinder saved as found")
    told("stage moved", f"job {job.number}", "ready → handed over: taken by A. Taker.", job.id)
    told("cylinder taken out", f"door {door.id}", f"Cylinder Inside: {new.words} removed from the door")
    work.session.commit()
    times = door_keysets(work.session, door)
    moments = [
        (one.what, one.job) for time in (times[old.id], times[new.id]) for one in (time.since, time.until) if one
    ]
    assert moments == [
        ("found there", None),
        ("replaced", job.number),
        ("handed over", job.number),
        ("removed", None),
    ]
    assert (times[unknown.id].since, times[unknown.id].until) == (None, None)


def test_the_history_of_a_merged_door_goes_on(work: Work) -> None:
    site = factories.SiteFactory()
    kept, gone = (factories.DoorFactory(site=site, opening_number=number) for number in ("7", "07"))
    one = add_cylinder(at(work, 0, "Cora"), gone.id, CylinderForm("outside", "rim cylinder"))
    door = merge_doors(work, (kept.id, kept.version), (gone.id, gone.version))
    since = door_keysets(work.session, door)[one.id].since
    assert since is not None and (since.what, since.by) == ("found there", "Cora")


def test_a_canceled_jobs_cylinder_never_hung(work: Work) -> None:
    keyed = keyed_job(work)
    move_job(work, keyed.job.id, keyed.job.version, Stage.CANCELED, "sold the house")
    work.session.expire_all()
    time = door_keysets(work.session, keyed.doors[0])[keyed.cylinders[0].id]
    assert time.since is None and time.until is not None
    assert (time.until.what, time.until.job) == ("canceled", keyed.job.number)


def test_pins_as_they_were_are_for_bench_and_owner_and_each_look_is_on_record(work: Work) -> None:
    keyed = keyed_job(work)
    walk(work, keyed.job, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER)
    keyset = keyed.cylinders[0].keyset
    assert keyset is not None
    reseal_bittings(work, keyed.system, [(keyset, tuple(map(int, "766236")))])
    work.session.commit()
    found = cylinder_record(work.session, keyed.cylinders[0].id)
    for name, role in (("Bram", Role.BENCH), ("Wren", Role.OWNER)):
        (group,) = former_pins(replace(work, actor=Actor(None, name, role)), found).cylinders
        # 1AA 746036 and AA 528614: the shallower cut is the bottom pin, the step to the deeper one the master pin.
        pins = [(one.bottom, *one.masters) for one in group.pinning.chambers]
        assert pins == [(5, 2), (2, 2), (6, 2), (0, 6), (1, 2), (4, 2)]
        assert group.pinning.combinations == 2**6
    looks = work.session.scalars(sa.select(Event).where(Event.kind == "bittings revealed").order_by(Event.id)).all()
    said = [one.summary for one in looks[-2:]]
    assert [f"cylinder {keyed.cylinders[0].id}, 1AA, pins as they were" in one for one in said] == [True, True]
    assert [name in one for name, one in zip(("Bram", "Wren"), said, strict=True)] == [True, True]
    assert all(bitting_in(one) is None for one in said) and BITTINGS["1AA"] not in said[0]
    with pytest.raises(NotAllowed):
        former_pins(replace(work, actor=Actor(None, "Cora", Role.COUNTER)), found)


def test_what_was_never_sealed_has_no_pins_to_show(work: Work) -> None:
    keyed = keyed_job(work)
    before = work.session.scalar(sa.select(sa.func.count()).select_from(Event))
    with pytest.raises(LedgerError, match="not put under seal"):
        former_pins(work, cylinder_record(work.session, keyed.cylinders[0].id))
    assert work.session.scalar(sa.select(sa.func.count()).select_from(Event)) == before


def test_a_door_that_moved_keeps_its_list_and_what_no_event_tells_has_its_day(work: Work) -> None:
    customer = factories.CustomerFactory()
    site, to = factories.SiteFactory(customer=customer), factories.SiteFactory(customer=customer)
    row = DoorRow(1, "7", cylinder="rim cylinder", said=frozenset({"opening", "cylinder"}))
    import_doors(at(work, 0, "Cora"), site.id, [row])
    door = work.session.scalars(sa.select(Door).where(Door.site_id == site.id)).one()
    (one,) = door.cylinders
    move_doors(at(work, 2, "Wren"), site.id, {door.id: door.version}, to.id, "", {})
    work.session.expire_all()
    moved = work.session.get_one(Door, door.id)
    assert moved.site_id == to.id
    since = door_keysets(work.session, moved)[one.id].since
    assert since == KeysetMoment(work.today, "read from a list", "Cora")
    bare = factories.CylinderFactory(door=moved, position="top", fitted_on=work.today, state=CylinderState.FITTED)
    work.session.expire_all()
    assert door_keysets(work.session, moved)[bare.id].since == KeysetMoment(work.today, "fitted", "")
