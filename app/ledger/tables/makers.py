"""Tables: makers, their keyways, dated factory terms, and bitting specs."""

from datetime import date
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.ledger.tables.base import Base, LongText, Versioned
from app.validation import WordedEnum


class Marking(WordedEnum):
    """How a keyset's symbol is marked on keys or cylinders: where it shows, where it does not, not at all."""

    VISUAL = "visual", "where it shows (visual)"
    CONCEALED = "concealed", "where it does not show (concealed)"
    NONE = "none", "no mark"


class Maker(Versioned, Base):
    """Who makes cylinders. `tables`: the part-number pattern, cams, blanks and locks as `fitting` reads them.

    How to order from the maker: address, e-mail, the number of our account there, the least that an order has to come
    to, and the working days from an order to its goods: `lead_days`, and by finish where that differs.
    """

    __tablename__ = "makers"

    id: Mapped[int] = mapped_column(primary_key=True)
    code: Mapped[str] = mapped_column(sa.String(24), unique=True)
    name: Mapped[str] = mapped_column(sa.String(120), unique=True)
    tables: Mapped[dict[str, Any]] = mapped_column(sa.JSON, default=dict)
    address: Mapped[str] = mapped_column(LongText(2000), server_default="", default="")
    email: Mapped[str] = mapped_column(sa.String(200), server_default="", default="")
    account_number: Mapped[str] = mapped_column(sa.String(60), server_default="", default="")
    minimum_cents: Mapped[int] = mapped_column(server_default="0", default=0)
    lead_days: Mapped[int | None]
    finish_leads: Mapped[dict[str, int]] = mapped_column(sa.JSON, server_default="{}", default=dict)

    keyways: "Mapped[list[Keyway]]" = relationship(back_populates="maker", order_by="Keyway.code")


class SpecRow(Versioned, Base):
    """A bitting spec by name; `spec` is the JSON that `keying.BittingSpec` reads."""

    __tablename__ = "bitting_specs"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(sa.String(80), unique=True)
    spec: Mapped[dict[str, Any]] = mapped_column(sa.JSON)


class Keyway(Base):
    """A maker's keyway and the spec its keys are cut to."""

    __tablename__ = "keyways"
    __table_args__ = (sa.UniqueConstraint("maker_id", "code"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    maker_id: Mapped[int] = mapped_column(sa.ForeignKey("makers.id"))
    code: Mapped[str] = mapped_column(sa.String(24), index=True)
    spec_id: Mapped[int] = mapped_column(sa.ForeignKey("bitting_specs.id"))

    maker: Mapped[Maker] = relationship(back_populates="keyways")
    spec: Mapped[SpecRow] = relationship()


class FactoryTermsRow(Base):
    """What a maker charges and asks for keying from a date on; `terms` is `pricing.FactoryTerms`'s JSON."""

    __tablename__ = "factory_terms"
    __table_args__ = (sa.UniqueConstraint("maker_id", "valid_from"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    maker_id: Mapped[int] = mapped_column(sa.ForeignKey("makers.id"))
    valid_from: Mapped[date]
    terms: Mapped[dict[str, Any]] = mapped_column(sa.JSON)

    maker: Mapped[Maker] = relationship()
