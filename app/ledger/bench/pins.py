"""Pins on the shelf: counted, drawn for a job, and what a job's cylinders need of them."""

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import dataclass, field

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import Problem, Problems
from app.keying import BittingSpec, PickList, Pinning, PinSize, pick_list
from app.ledger.bench.bench_sheet import bench_work
from app.ledger.catalog.specs import get_spec
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Event, Job, PinStock, Role, SpecRow

KINDS = ("bottom", "master", "build-up", "top")
MOST_SIZE = 120  # a stack total of 99 is the most that a spec may have
MOST_COUNT = 1_000_000


def set_stock(work: Work, spec_id: int, counts: Mapping[PinSize, int]) -> None:
    """Put what was counted on record; sizes that are not named stay as they were. Problems name `kind size`."""
    work.require(Role.BENCH)
    problems = [
        Problem(f"{pin.kind} {pin.size}", f"Enter a kind of pin, a size to {MOST_SIZE}, a count to {MOST_COUNT:,}.")
        for pin, count in counts.items()
        if pin.kind not in KINDS or pin.size is None or not (0 <= pin.size <= MOST_SIZE and 0 <= count <= MOST_COUNT)
    ]
    if problems:
        raise Problems(problems)
    with transaction(work.session):
        spec = get_spec(work.session, spec_id)
        rows = _rows(work.session, spec_id)
        for pin, count in counts.items():
            row = rows.get(pin) or PinStock(spec_id=spec_id, kind=pin.kind, size=pin.size)
            row.count = count
            work.session.add(row)
        record(work, "pins counted", f"bitting spec {spec_id}", f"{spec.name}: {len(counts)} sizes counted")


def draw_pins(work: Work, job: Job, picked: "Picked") -> None:
    """Take a job's pins off the shelf, once; all of them or none. A size that is short is named, with what lacks."""
    work.require(Role.BENCH)
    with transaction(work.session):
        if _were_drawn(work.session, job):
            raise LedgerError("stock", f"The pins of job {job.number} were drawn already.")
        for one in picked.specs:
            after = one.counted.drawn_down(stock_of(work.session, one.spec_id))
            for pin, row in _rows(work.session, one.spec_id).items():
                row.count = after[pin]
        total = sum(one.counted.total for one in picked.specs)
        record(work, "pins drawn", f"job {job.number}", f"{total} pins drawn from the shelf", job_id=job.id)


def _were_drawn(session: Session, job: Job) -> bool:
    drawn = sa.select(Event.id).where(Event.job_id == job.id, Event.kind == "pins drawn").limit(1)
    return session.scalar(drawn) is not None


def _rows(session: Session, spec_id: int) -> dict[PinSize, PinStock]:
    rows = sa.select(PinStock).where(PinStock.spec_id == spec_id).order_by(PinStock.kind, PinStock.size)
    return {PinSize(row.kind, row.size): row for row in session.scalars(rows)}


def pin_sizes(spec: BittingSpec) -> dict[str, range]:
    """Kind → the sizes that cylinders of a spec can need; a kind that none needs is left out.

    >>> pin_sizes(BittingSpec(chambers=6, depths=10, macs=9, step=2))
    {'bottom': range(0, 10), 'master': range(1, 10)}
    """
    offset = spec.control_offset
    ranges = (
        spec.all_depths,
        range(1, spec.depths),
        range(1, offset + spec.depths if offset is not None else 1),
        range(1, (spec.stack_total or 0) - spec.first_depth + 1),
    )
    return {kind: sizes for kind, sizes in zip(KINDS, ranges, strict=True) if sizes}


def stock_of(session: Session, spec_id: int) -> dict[PinSize, int]:
    """Kind and size → how many, for the cylinders of a spec."""
    return {pin: row.count for pin, row in _rows(session, spec_id).items()}


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
    return Picked(
        tuple(
            PickedSpec(ids[name], name, sum(n for _, n in rows), pick_list(rows), stock_of(work.session, ids[name]))
            for name, rows in pinnings.items()
        ),
        _were_drawn(work.session, job),
    )
