"""Use case: the pins that a job's cylinders need, by kind and size, against what is on the shelf."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

import sqlalchemy as sa

from app.keying import PickList, Pinning, PinSize, pick_list
from app.ledger.bench.pin_queries import stock_of
from app.ledger.jobs.papers import bench_work
from app.ledger.store.work import Work
from app.ledger.tables import Event, Job, Role, SpecRow


@dataclass(frozen=True, slots=True)
class PickedSpec:
    """The pins of one spec's cylinders, what is on the shelf, and what it lacks."""

    spec_id: int
    name: str
    cylinders: int
    pins: PickList = field(repr=False)
    stock: dict[PinSize, int] = field(repr=False)

    @property
    def counted(self) -> PickList:
        """The pins that the shelf keeps: a top pin whose size the spec cannot tell is taken uncounted."""
        return PickList(tuple((pin, count) for pin, count in self.pins.pins if pin.size is not None))

    @property
    def springs(self) -> int:
        """One on every stack, so as many as bottom pins: common practice, no source. Not counted on the shelf."""
        return sum(count for pin, count in self.pins.pins if pin.kind == "bottom")

    @property
    def short(self) -> dict[PinSize, int]:
        """What the shelf lacks."""
        return dict(self.counted.short(self.stock))


@dataclass(frozen=True, slots=True)
class Picked:
    """A job's pins by spec, and whether they were drawn already."""

    specs: tuple[PickedSpec, ...]
    was_drawn: bool

    @property
    def is_short(self) -> bool:
        """Whether a size is short somewhere."""
        return any(one.short for one in self.specs)


def pick_for_job(work: Work, job: Job) -> Picked:
    """The pick list, for bench and owner; reckoned from the bench sheet, so its reveal is an event of the job.

    A finding of the audit stops it, as it stops the sheet. Few cylinders' pins tell their bittings: a secret.
    """
    work.require(Role.BENCH)
    sheet = bench_work(work, job)
    pinnings: dict[str, list[tuple[Pinning, int]]] = defaultdict(list)
    for system in sheet.systems:
        pinnings[system.spec_name] += [(group.pinning, group.quantity) for group in system.cylinders]
    ids = dict(work.session.execute(sa.select(SpecRow.name, SpecRow.id).where(SpecRow.name.in_(pinnings))).all())
    drawn = sa.select(Event.id).where(Event.job_id == job.id, Event.kind == "pins drawn").limit(1)
    return Picked(
        tuple(
            PickedSpec(ids[name], name, sum(n for _, n in rows), pick_list(rows), stock_of(work.session, ids[name]))
            for name, rows in pinnings.items()
        ),
        work.session.scalar(drawn) is not None,
    )
