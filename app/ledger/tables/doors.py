"""Tables: doors, locks, cylinders, and which keysets operate a cross-keyed cylinder."""

from datetime import date
from enum import StrEnum
from fractions import Fraction
from typing import TYPE_CHECKING

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.ledger.tables.base import Base, Inches, LongText, Versioned, choice
from app.ledger.tables.customers import Site

if TYPE_CHECKING:
    from app.ledger.tables.keysystems import Keyset


class Door(Versioned, Base):
    """An opening with its opening number."""

    __tablename__ = "doors"
    # Events name a door by its id, so one that is gone never gives its own to a new door.
    __table_args__ = (sa.UniqueConstraint("site_id", "opening_number"), {"sqlite_autoincrement": True})

    id: Mapped[int] = mapped_column(primary_key=True)
    site_id: Mapped[int] = mapped_column(sa.ForeignKey("sites.id"), index=True)
    opening_number: Mapped[str] = mapped_column(sa.String(40))
    location: Mapped[str] = mapped_column(sa.String(200), default="")
    hand: Mapped[str] = mapped_column(sa.String(8), default="")  # LH, RH, LHR, RHR
    thickness: Mapped[Fraction | None] = mapped_column(Inches)
    stile: Mapped[Fraction | None] = mapped_column(Inches)
    is_egress: Mapped[bool] = mapped_column(default=False)
    is_fire_rated: Mapped[bool] = mapped_column(default=False)
    remarks: Mapped[str] = mapped_column(LongText(2000), default="")

    site: Mapped[Site] = relationship()
    lock: "Mapped[Lock | None]" = relationship(back_populates="door", uselist=False)
    cylinders: "Mapped[list[Cylinder]]" = relationship(back_populates="door", order_by="Cylinder.id")


class Lock(Versioned, Base):
    """What is in the door."""

    __tablename__ = "locks"

    id: Mapped[int] = mapped_column(primary_key=True)
    door_id: Mapped[int] = mapped_column(sa.ForeignKey("doors.id"), unique=True)
    description: Mapped[str] = mapped_column(sa.String(200))
    function: Mapped[str] = mapped_column(sa.String(120), default="")

    door: Mapped[Door] = relationship(back_populates="lock")


class CylinderState(StrEnum):
    """Where a cylinder stands between order and door."""

    ORDERED = "ordered"
    PINNED = "pinned"
    CHECKED = "checked"
    FITTED = "fitted"
    REMOVED = "removed"

    @property
    def has_left(self) -> bool:
        """Whether the cylinder is out of the shop's hands: on its door, or off it again, as after a return."""
        return self in (CylinderState.FITTED, CylinderState.REMOVED)


class Cylinder(Versioned, Base):
    """What we sell and key; a door may have two. `nmk`: only its own key operates it.

    Ordered by no job it is planned: what its door is to be keyed to, until a job brings it. `sealed_pins`: what this
    piece of metal was pinned to, a secret.
    """

    __tablename__ = "cylinders"
    # What is asked for by finish or maker is counted out of the index. Ids are never given anew, as a door's.
    __table_args__ = (
        sa.Index("ix_cylinders_finish_state", "finish", "state"),
        sa.Index("ix_cylinders_maker_id_state", "maker_id", "state"),
        {"sqlite_autoincrement": True},
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int | None] = mapped_column(sa.ForeignKey("jobs.id"), index=True)
    line_number: Mapped[int | None]
    door_id: Mapped[int | None] = mapped_column(sa.ForeignKey("doors.id"), index=True)
    position: Mapped[str] = mapped_column(sa.String(40), default="outside")
    maker_id: Mapped[int | None] = mapped_column(sa.ForeignKey("makers.id"))
    part_number: Mapped[str] = mapped_column(sa.String(80), default="", index=True)
    words: Mapped[str] = mapped_column(sa.String(300))  # what it is, as read to the customer
    type: Mapped[str] = mapped_column(sa.String(24))
    length: Mapped[Fraction | None] = mapped_column(Inches)
    chambers: Mapped[int | None]
    drilled: Mapped[int | None]
    keyway: Mapped[str] = mapped_column(sa.String(24), default="")
    cam: Mapped[str] = mapped_column(sa.String(40), default="")
    tailpiece: Mapped[str] = mapped_column(sa.String(40), default="")
    finish: Mapped[str] = mapped_column(sa.String(24), default="")
    keyset_id: Mapped[int | None] = mapped_column(sa.ForeignKey("keysets.id"), index=True)
    is_nmk: Mapped[bool] = mapped_column(default=False)
    state: Mapped[CylinderState] = mapped_column(choice(CylinderState), default=CylinderState.ORDERED)
    fitted_on: Mapped[date | None] = mapped_column(index=True)  # None where nobody wrote it down
    removed_on: Mapped[date | None]
    remarks: Mapped[str] = mapped_column(LongText(2000), default="")
    sealed_pins: Mapped[bytes | None] = mapped_column(sa.LargeBinary)

    door: Mapped[Door | None] = relationship(back_populates="cylinders")
    keyset: "Mapped[Keyset | None]" = relationship(back_populates="cylinders")
    operators: "Mapped[list[CylinderOperator]]" = relationship(
        order_by="CylinderOperator.id", cascade="all, delete-orphan"
    )

    @property
    def crossed_by(self) -> "tuple[Keyset, ...]":
        """The further keysets by which it is cross-keyed: neither its selective master nor a construction key."""
        return tuple(one.keyset for one in self.operators if one.keyset.level.crosses)

    @property
    def construction(self) -> "Keyset | None":
        """The construction key that turns it until it is made dead, or until it makes way for the permanent core."""
        found = (one.keyset for one in self.operators if one.keyset.level.is_of_construction)
        own = self.keyset if self.is_lent else None
        return next(found, own)

    @property
    def is_lent(self) -> bool:
        """Whether it is a construction core: the house's own, on the site until the permanent core comes."""
        return self.keyset is not None and self.keyset.level.is_of_construction

    @property
    def selective(self) -> str:
        """The symbol of the selective master that operates it; "" for none."""
        return next((one.keyset.symbol for one in self.operators if one.keyset.level == "selective master"), "")

    @property
    def is_planned(self) -> bool:
        """Whether it is what a door is to be keyed to, and nothing is made or sold yet."""
        return self.job_id is None and self.state is CylinderState.ORDERED

    @property
    def was_pinned(self) -> bool:
        """Whether it hangs, or hung, with pins that are under seal: they may be others than its keyset's now."""
        return self.sealed_pins is not None and self.state in (CylinderState.FITTED, CylinderState.REMOVED)

    @property
    def state_word(self) -> str:
        """Where it stands, as pages say it."""
        return "planned" if self.is_planned else self.state.value


class CylinderOperator(Base):
    """One more keyset whose key operates a cross-keyed cylinder."""

    __tablename__ = "cylinder_operators"
    __table_args__ = (sa.UniqueConstraint("cylinder_id", "keyset_id"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    cylinder_id: Mapped[int] = mapped_column(sa.ForeignKey("cylinders.id"), index=True)
    keyset_id: Mapped[int] = mapped_column(sa.ForeignKey("keysets.id"), index=True)

    keyset: "Mapped[Keyset]" = relationship()
