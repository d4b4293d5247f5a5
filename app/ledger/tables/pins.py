"""Table: pins in stock."""

from __future__ import annotations

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.ledger.tables.base import Base, Versioned
from app.ledger.tables.makers import SpecRow


class PinStock(Versioned, Base):
    """Pins of one kind and size on the shelf, for the cylinders of a bitting spec; sizes are in its increments."""

    __tablename__ = "pin_stock"
    __table_args__ = (sa.UniqueConstraint("spec_id", "kind", "size"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    spec_id: Mapped[int] = mapped_column(sa.ForeignKey("bitting_specs.id"), index=True)
    kind: Mapped[str] = mapped_column(sa.String(16))
    size: Mapped[int]
    count: Mapped[int] = mapped_column(default=0)

    spec: Mapped[SpecRow] = relationship()
