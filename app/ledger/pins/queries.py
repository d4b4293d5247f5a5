"""Questions about the pins on the shelf."""

from __future__ import annotations

__all__ = ["KINDS", "MOST_COUNT", "MOST_SIZE", "stock_of"]

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.keying import PinSize
from app.ledger.pins.models import PinStock

KINDS = ("bottom", "master", "build-up", "top")
MOST_SIZE = 40
MOST_COUNT = 1_000_000


def stock_of(session: Session, spec_id: int) -> dict[PinSize, int]:
    """Kind and size → how many, for the cylinders of a spec."""
    rows = session.execute(
        sa.select(PinStock.kind, PinStock.size, PinStock.count)
        .where(PinStock.spec_id == spec_id)
        .order_by(PinStock.kind, PinStock.size)
    )
    return {PinSize(kind, size): count for kind, size, count in rows}
