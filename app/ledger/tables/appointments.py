"""Tables: when an installer comes to a site, and what somebody is to be reminded of on a day."""

from datetime import date, datetime, time
from enum import StrEnum

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.ledger.tables.base import Base, UTCDateTime, Versioned, choice
from app.ledger.tables.customers import Customer, Site
from app.ledger.tables.jobs import Job
from app.ledger.tables.users import Role, User


class Visit(StrEnum):
    """What has become of an appointment."""

    PLANNED = "planned"
    DONE = "done"
    CANCELED = "canceled"


class Appointment(Versioned, Base):
    """An installer's time at a site, for a job or to look at the doors first.

    uid names it in every calendar that it was sent to, so that a later file moves or cancels the same entry.
    from_time and minutes: None for whole days, from `day` to last_day (None: that day alone).
    """

    __tablename__ = "appointments"

    id: Mapped[int] = mapped_column(primary_key=True)
    uid: Mapped[str] = mapped_column(sa.String(80), unique=True)
    job_id: Mapped[int | None] = mapped_column(sa.ForeignKey("jobs.id"), index=True)
    site_id: Mapped[int | None] = mapped_column(sa.ForeignKey("sites.id"), index=True)
    day: Mapped[date] = mapped_column(index=True)
    last_day: Mapped[date | None]
    from_time: Mapped[time | None]
    minutes: Mapped[int | None]
    installer: Mapped[str] = mapped_column(sa.String(120))
    note: Mapped[str] = mapped_column(sa.String(300), default="")
    state: Mapped[Visit] = mapped_column(choice(Visit), default=Visit.PLANNED)

    job: Mapped[Job | None] = relationship()
    site: Mapped[Site | None] = relationship()


class Reminder(Versioned, Base):
    """Something to be done on a day, of a job or a customer. role: whose day shows it, besides the owner's."""

    __tablename__ = "reminders"

    id: Mapped[int] = mapped_column(primary_key=True)
    due_on: Mapped[date] = mapped_column(index=True)
    words: Mapped[str] = mapped_column(sa.String(300))
    job_id: Mapped[int | None] = mapped_column(sa.ForeignKey("jobs.id"), index=True)
    customer_id: Mapped[int | None] = mapped_column(sa.ForeignKey("customers.id"), index=True)
    role: Mapped[Role] = mapped_column(choice(Role))
    made_by_id: Mapped[int] = mapped_column(sa.ForeignKey("users.id"))
    done_at: Mapped[datetime | None] = mapped_column(UTCDateTime)

    job: Mapped[Job | None] = relationship()
    customer: Mapped[Customer | None] = relationship()
    made_by: Mapped[User] = relationship()
