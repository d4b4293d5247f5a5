"""Questions about the pins on the shelf."""

from __future__ import annotations

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.keying import BittingSpec, PinSize
from app.ledger.tables import PinStock

KINDS = ("bottom", "master", "build-up", "top")
MOST_SIZE = 120  # a stack total of 99 is the most that a spec may have
MOST_COUNT = 1_000_000


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
    rows = session.execute(
        sa.select(PinStock.kind, PinStock.size, PinStock.count)
        .where(PinStock.spec_id == spec_id)
        .order_by(PinStock.kind, PinStock.size)
    )
    return {PinSize(kind, size): count for kind, size, count in rows}
