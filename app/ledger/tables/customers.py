"""Tables: customers, contacts, sites."""

from datetime import date, datetime

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.ledger.tables.base import Base, LongText, UTCDateTime, Versioned


class Customer(Versioned, Base):
    """A person or firm that buys; `phone_digits` is what a search for a phone number compares."""

    __tablename__ = "customers"
    # Events name a customer or a site by its id, so one that a split began and that is gone never gives its own away.
    __table_args__ = ({"sqlite_autoincrement": True},)

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(sa.String(120), index=True)
    phone: Mapped[str] = mapped_column(sa.String(40), default="")
    phone_digits: Mapped[str] = mapped_column(sa.String(40), default="", index=True)
    email: Mapped[str] = mapped_column(sa.String(200), default="")
    address: Mapped[str] = mapped_column(LongText(2000), default="")
    tier: Mapped[str] = mapped_column(sa.String(40), default="")  # "" is the walk-in price
    tax_place: Mapped[str] = mapped_column(sa.String(80), default="")  # "" is the house's own place
    exempt_certificate: Mapped[str] = mapped_column(sa.String(80), default="")
    exempt_until: Mapped[date | None]
    notes: Mapped[str] = mapped_column(LongText(8000), default="")
    credit_limit_cents: Mapped[int | None]  # the most that may be owed; None: no limit
    created_at: Mapped[datetime] = mapped_column(UTCDateTime)
    # One that was merged stays as it was, so that what names it leads on, and the merge can be undone.
    merged_into_id: Mapped[int | None] = mapped_column(sa.ForeignKey("customers.id"), index=True)

    contacts: "Mapped[list[Contact]]" = relationship(back_populates="customer", order_by="Contact.id")
    sites: "Mapped[list[Site]]" = relationship(
        back_populates="customer",
        order_by="Site.name",
        primaryjoin="and_(Customer.id == Site.customer_id, Site.merged_into_id.is_(None))",
    )


class Contact(Base):
    """A person at a customer's."""

    __tablename__ = "contacts"

    id: Mapped[int] = mapped_column(primary_key=True)
    customer_id: Mapped[int] = mapped_column(sa.ForeignKey("customers.id"), index=True)
    name: Mapped[str] = mapped_column(sa.String(120))
    duty: Mapped[str] = mapped_column(sa.String(120), default="")
    phone: Mapped[str] = mapped_column(sa.String(40), default="")
    phone_digits: Mapped[str] = mapped_column(sa.String(40), default="", index=True)
    email: Mapped[str] = mapped_column(sa.String(200), default="")

    customer: Mapped[Customer] = relationship(back_populates="contacts")


class Site(Versioned, Base):
    """A place with doors."""

    __tablename__ = "sites"
    __table_args__ = (sa.UniqueConstraint("customer_id", "name"), {"sqlite_autoincrement": True})

    id: Mapped[int] = mapped_column(primary_key=True)
    customer_id: Mapped[int] = mapped_column(sa.ForeignKey("customers.id"), index=True)
    name: Mapped[str] = mapped_column(sa.String(120), index=True)
    address: Mapped[str] = mapped_column(LongText(2000), default="")
    tax_place: Mapped[str] = mapped_column(sa.String(80), default="")
    merged_into_id: Mapped[int | None] = mapped_column(sa.ForeignKey("sites.id"), index=True)

    customer: Mapped[Customer] = relationship(back_populates="sites", foreign_keys=[customer_id])


class FormerName(Base):
    """What a customer, or a site, was called until a day: by a merge, of what became part of it."""

    __tablename__ = "former_names"

    id: Mapped[int] = mapped_column(primary_key=True)
    customer_id: Mapped[int | None] = mapped_column(sa.ForeignKey("customers.id"), index=True)
    site_id: Mapped[int | None] = mapped_column(sa.ForeignKey("sites.id"), index=True)
    name: Mapped[str] = mapped_column(sa.String(120))
    until: Mapped[date]
