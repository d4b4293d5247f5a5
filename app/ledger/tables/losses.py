"""Table: losses, each of one keyset's keys, open until what the lost bitting turned is rekeyed."""

from datetime import date, datetime

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.ledger.tables.base import Base, LongText, UTCDateTime, Versioned
from app.ledger.tables.keysystems import Keyset, KeySystem
from app.ledger.tables.users import User


class Loss(Versioned, Base):
    """Lost keys of a keyset, the plan that was chosen, and its end. A keyset has one open loss at most.

    copies: their numbers; [] where nobody knows which or how many. `sealed_lost`: the bitting as it was lost, None
    while the keyset's bitting on record is still that one, or the shop lacks it. `successors`: symbol → the symbol
    that takes its place, the same where it keeps it and gets another bitting; {} until a plan is chosen.
    `sealed_plan`: the new bittings by successor's symbol. Both sealed columns are secrets.
    """

    __tablename__ = "losses"
    __table_args__ = (
        sa.Index(
            "uq_losses_open_keyset_id",
            "keyset_id",
            unique=True,
            sqlite_where=sa.text("closed_at IS NULL"),
            postgresql_where=sa.text("closed_at IS NULL"),
        ),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    system_id: Mapped[int] = mapped_column(sa.ForeignKey("key_systems.id"), index=True)
    keyset_id: Mapped[int] = mapped_column(sa.ForeignKey("keysets.id"), index=True)
    reported_at: Mapped[datetime] = mapped_column(UTCDateTime)
    since: Mapped[date | None]
    copies: Mapped[list[int]] = mapped_column(sa.JSON, default=list)
    note: Mapped[str] = mapped_column(LongText(2000), default="")
    sealed_lost: Mapped[bytes | None] = mapped_column(sa.LargeBinary)
    successors: Mapped[dict[str, str]] = mapped_column(sa.JSON, default=dict)
    sealed_plan: Mapped[bytes | None] = mapped_column(sa.LargeBinary)
    plan_chosen_at: Mapped[datetime | None] = mapped_column(UTCDateTime)
    closed_at: Mapped[datetime | None] = mapped_column(UTCDateTime)
    closed_by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))
    closing_note: Mapped[str] = mapped_column(LongText(2000), default="")

    system: Mapped[KeySystem] = relationship()
    keyset: Mapped[Keyset] = relationship()
    closed_by: Mapped[User | None] = relationship()
