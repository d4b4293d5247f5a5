"""A keying schedule that says something else than the last one is its next revision, and marks what has changed."""

from collections.abc import Mapping
from dataclasses import replace

import sqlalchemy as sa

from app.ledger.jobs.schedule_revisions import print_schedule
from app.ledger.keys.keys import order_copies
from app.ledger.sites.doors import change_doors
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Event, Job
from tests.ledger.test_main_job import accept, flats, issued, openings


def said(work: Work, job: Job) -> tuple[int, Mapping[int, str], tuple[str, ...]]:
    printed = print_schedule(work, job)
    return printed.head.revision, printed.changed, printed.also_changed


def test_what_changed_is_marked_until_something_else_does(work: Work) -> None:
    job = accept(work, issued(work, flats(work, 3, keyed_at="shop", override_reason="soon")), openings(2))
    first, second, third = work.session.scalars(sa.select(Cylinder).order_by(Cylinder.id)).all()
    assert said(work, job) == said(work, job) == (1, {}, ())
    assert first.door is not None and second.door is not None
    change_doors(work, first.door.site_id, {first.door.id: first.door.version}, {"lock": "Latch"})
    marked = (2, {first.id: "lock Latch, was none"}, ())
    assert said(work, job) == said(work, job) == marked
    second.door.hand, system = "LH", third.keyset.system if third.keyset else None
    work.session.delete(third)
    work.session.commit()
    assert system is not None
    order_copies(work, system.id, "AA", 2)
    assert said(work, job) == (3, {second.id: "hand LH, was RH"}, ("no door: the cylinder on 3AA is gone",))
    kinds = work.session.scalars(sa.select(Event.summary).where(Event.kind == "keying schedule printed")).all()
    assert sorted(kinds) == [f"Keying schedule printed, revision {number}" for number in (1, 2, 3)]


def test_a_door_list_may_give_symbols_that_follow_on(work: Work) -> None:
    """Of 6 cylinders up to 6 numbers may be left out; what is not listed gets the next, and so does a later order."""
    job = issued(work, flats(work, 6, keyed_at="shop", override_reason="soon"))
    listed = ("8AA", "", "12 aa", "", "2AA", "")
    accept(work, job, tuple(replace(row, keyset=one) for row, one in zip(openings(6), listed, strict=True)))
    rows = print_schedule(work, job).rows
    assert [row.keyset for row in rows] == ["8AA", "1AA", "12AA", "3AA", "2AA", "4AA"]
