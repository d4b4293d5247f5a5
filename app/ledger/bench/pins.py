"""Use cases: count the pins on the shelf, and draw a job's pins from it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import sqlalchemy as sa

from app.errors import Problem, Problems
from app.keying import PinSize
from app.ledger.bench.picking import Picked
from app.ledger.bench.pin_queries import KINDS, MOST_COUNT, MOST_SIZE, stock_of
from app.ledger.catalog.spec_queries import get_spec
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Event, Job, PinStock, Role


@dataclass(frozen=True, slots=True)
class StockCount:
    """How many pins of a kind and size were counted."""

    kind: str
    size: int
    count: int


def set_stock(work: Work, spec_id: int, counts: Sequence[StockCount]) -> None:
    """Put what was counted on record; sizes that are not named stay as they were. Problems name `kind size`."""
    work.require(Role.BENCH)
    problems = [
        Problem(f"{one.kind} {one.size}", f"Enter a kind of pin, a size to {MOST_SIZE}, a count to {MOST_COUNT:,}.")
        for one in counts
        if one.kind not in KINDS or not 0 <= one.size <= MOST_SIZE or not 0 <= one.count <= MOST_COUNT
    ]
    if problems:
        raise Problems(problems)
    with transaction(work.session):
        spec = get_spec(work.session, spec_id)
        rows = {(row.kind, row.size): row for row in _rows(work, spec_id)}
        for one in counts:
            row = rows.get((one.kind, one.size))
            if row is None:
                row = PinStock(spec_id=spec_id, kind=one.kind, size=one.size)
                work.session.add(row)
                rows[one.kind, one.size] = row
            row.count = one.count
        record(work, "pins counted", f"bitting spec {spec_id}", f"{spec.name}: {len(counts)} sizes counted")


def draw_pins(work: Work, job: Job, picked: Picked) -> None:
    """Take a job's pins off the shelf, once; all of them or none. A size that is short is named, with what lacks."""
    work.require(Role.BENCH)
    with transaction(work.session):
        drawn = sa.select(Event.id).where(Event.job_id == job.id, Event.kind == "pins drawn").limit(1)
        if work.session.scalar(drawn):
            raise LedgerError("stock", f"The pins of job {job.number} were drawn already.")
        for one in picked.specs:
            after = one.counted.drawn_down(stock_of(work.session, one.spec_id))
            for row in _rows(work, one.spec_id):
                row.count = after[PinSize(row.kind, row.size)]
        total = sum(one.counted.total for one in picked.specs)
        record(work, "pins drawn", f"job {job.number}", f"{total} pins drawn from the shelf", job_id=job.id)


def _rows(work: Work, spec_id: int) -> Sequence[PinStock]:
    return work.session.scalars(sa.select(PinStock).where(PinStock.spec_id == spec_id)).all()
