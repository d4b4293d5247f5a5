"""Tables: jobs, their lines, frozen quote revisions, payments, files, and drafts of the counter page."""

from datetime import date, datetime
from enum import StrEnum
from typing import Any

import sqlalchemy as sa
from sqlalchemy.ext.hybrid import hybrid_property
from sqlalchemy.orm import Mapped, mapped_column, relationship

from app.ledger.tables.base import Base, UTCDateTime, Versioned, choice, refuse_changes
from app.ledger.tables.customers import Customer, Site
from app.ledger.tables.doors import Cylinder
from app.ledger.tables.users import User
from app.pricing import Urgency

ON_ACCOUNT = "on account"


class LineKind(StrEnum):
    """What a line of the counter page can be."""

    CYLINDER = "cylinder"
    PART = "part number"
    REKEY = "rekey"
    KEYS = "keys"
    HARDWARE = "hardware"
    LABOR = "labour"  # stored so; pages say labor
    TRIP = "trip"

    @property
    def is_keyed(self) -> bool:
        """Whether cylinders come with the line, so that a keying instruction belongs to it."""
        return self in (LineKind.CYLINDER, LineKind.PART, LineKind.REKEY)


class Stage(StrEnum):
    """The stages of a job, in the trade's plain words."""

    ASKED = "asked"
    QUOTED = "quoted"
    APPROVED = "approved"
    PARTS_ON_ORDER = "parts on order"
    ON_THE_BENCH = "on the bench"
    CHECKED = "checked"
    READY = "ready"
    HANDED_OVER = "handed over"
    CLOSED = "closed"
    LOST = "lost"
    CANCELED = "cancelled"  # stored so; people read "canceled"

    @property
    def word(self) -> str:
        """The stage as pages and papers say it."""
        return "canceled" if self is Stage.CANCELED else self.value

    @property
    def was_accepted(self) -> bool:
        """Whether a quote was accepted: until then its day is offered, not promised."""
        return self not in (Stage.ASKED, Stage.QUOTED, Stage.LOST)

    @property
    def is_with_customer(self) -> bool:
        """Whether the goods have been handed over."""
        return self in (Stage.HANDED_OVER, Stage.CLOSED)


LATE_STAGES = (Stage.APPROVED, Stage.PARTS_ON_ORDER, Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY)

_S = Stage
# Asked becomes quoted by issuing a quote, quoted becomes approved by accepting it: not by a mere move.
MOVES: dict[Stage, tuple[Stage, ...]] = {
    _S.ASKED: (_S.LOST,),
    _S.QUOTED: (_S.LOST,),
    _S.APPROVED: (_S.PARTS_ON_ORDER, _S.ON_THE_BENCH, _S.READY, _S.CANCELED),
    _S.PARTS_ON_ORDER: (_S.ON_THE_BENCH, _S.READY, _S.CANCELED),
    _S.ON_THE_BENCH: (_S.CHECKED, _S.PARTS_ON_ORDER, _S.CANCELED),
    _S.CHECKED: (_S.READY, _S.ON_THE_BENCH, _S.CANCELED),
    _S.READY: (_S.HANDED_OVER, _S.ON_THE_BENCH, _S.CANCELED),
    _S.HANDED_OVER: (_S.CLOSED,),
    _S.CLOSED: (),
    _S.LOST: (),
    _S.CANCELED: (),
}


class Job(Versioned, Base):
    """One piece of work for one customer, from the question at the counter to the closed record."""

    __tablename__ = "jobs"
    # The ledger page chooses and counts its jobs out of this index alone, however many are over.
    __table_args__ = (
        sa.Index("ix_jobs_ledger", "stage", "promised_on", "need_by", "number", "value_cents", "cost_cents"),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    number: Mapped[int] = mapped_column(unique=True)
    customer_id: Mapped[int] = mapped_column(sa.ForeignKey("customers.id"), index=True)
    site_id: Mapped[int | None] = mapped_column(sa.ForeignKey("sites.id"), index=True)
    title: Mapped[str] = mapped_column(sa.String(200), default="")
    stage: Mapped[Stage] = mapped_column(choice(Stage), default=Stage.ASKED)
    asked_on: Mapped[date]
    need_by: Mapped[date | None]
    promised_on: Mapped[date | None] = mapped_column(index=True)
    ready_on: Mapped[date | None]  # when it last became ready; None before, and where nobody wrote it down
    keyed_at: Mapped[str] = mapped_column(sa.String(12), default="")  # shop, factory, or "" where nothing is keyed
    value_cents: Mapped[int] = mapped_column(default=0)  # accepted (or last quoted) total before tax
    cost_cents: Mapped[int] = mapped_column(default=0)
    bench_minutes: Mapped[int] = mapped_column(default=0)  # of the shop's own work in it, whole minutes upwards
    urgency: Mapped[str] = mapped_column(sa.String(12), server_default=Urgency.IN_TURN, default=Urgency.IN_TURN)
    opened_by_id: Mapped[int] = mapped_column(sa.ForeignKey("users.id"))
    accepted_by: Mapped[str] = mapped_column(sa.String(120), default="")
    accepted_on: Mapped[date | None] = mapped_column(index=True)
    po_number: Mapped[str] = mapped_column(sa.String(60), default="")
    accepted_option: Mapped[str] = mapped_column(sa.String(1), default="")  # A or B of a quote that offered two ways
    agreed_cents: Mapped[int | None]  # what was accepted comes to, tax included; None before
    deposit_cents: Mapped[int] = mapped_column(default=0)  # asked by the newest quote, or as accepted
    reason: Mapped[str] = mapped_column(sa.Text, default="")  # why it was lost or canceled
    loss_id: Mapped[int | None] = mapped_column(sa.ForeignKey("losses.id"), index=True)  # of keys, which it mends

    customer: Mapped[Customer] = relationship()
    site: Mapped[Site | None] = relationship()
    opened_by: Mapped[User] = relationship()
    lines: "Mapped[list[JobLine]]" = relationship(back_populates="job", order_by="JobLine.number")
    revisions: "Mapped[list[QuoteRevision]]" = relationship(back_populates="job", order_by="QuoteRevision.revision")
    cylinders: Mapped[list[Cylinder]] = relationship(order_by="Cylinder.id")
    payments: "Mapped[list[Payment]]" = relationship(order_by="Payment.id")

    @property
    def urgency_words(self) -> str:
        """Why it goes before the bench's other work; "" of what goes in its turn."""
        urgency = Urgency(self.urgency)
        return urgency.words if urgency.uses_reserve else ""


class JobLine(Base):
    """A line of the accepted quote, as agreed. Cents are each; `ask` is the line as the counter typed it."""

    __tablename__ = "job_lines"
    __table_args__ = (sa.UniqueConstraint("job_id", "number"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(sa.ForeignKey("jobs.id"), index=True)
    number: Mapped[int]
    kind: Mapped[str] = mapped_column(sa.String(24))
    description: Mapped[str] = mapped_column(sa.Text)
    part_number: Mapped[str] = mapped_column(sa.String(80), default="", index=True)
    quantity: Mapped[int]
    unit_cents: Mapped[int]
    ask: Mapped[dict[str, Any]] = mapped_column(sa.JSON)

    job: Mapped[Job] = relationship(back_populates="lines")


class SoldLine(Base):
    """A priced line of what was accepted: as printed, or what came off its price. Cents are of the whole line.

    Made from the frozen quote, so that what was sold can be asked for by item, maker and customer. A job's amounts
    add up to its price before tax, less what was given back off it; its costs to what was reckoned.
    """

    __tablename__ = "sold_lines"
    __table_args__ = (sa.UniqueConstraint("job_id", "label"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(sa.ForeignKey("jobs.id"))
    label: Mapped[str] = mapped_column(sa.String(12))  # 1, 1a, 1b …; discount; off price
    kind: Mapped[str] = mapped_column(sa.String(24))
    part_number: Mapped[str] = mapped_column(sa.String(80), default="")
    words: Mapped[str] = mapped_column(sa.Text)
    maker_id: Mapped[int | None] = mapped_column(sa.ForeignKey("makers.id"), index=True)
    quantity: Mapped[int]
    amount_cents: Mapped[int]
    cost_cents: Mapped[int]


class QuoteRevision(Base):
    """A quote as handed over: never changed. `snapshot` is canonical JSON, `sha256` its hash."""

    __tablename__ = "quote_revisions"
    __table_args__ = (sa.UniqueConstraint("job_id", "revision"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(sa.ForeignKey("jobs.id"), index=True)
    revision: Mapped[int]
    issued_at: Mapped[datetime] = mapped_column(UTCDateTime)
    issued_by_id: Mapped[int] = mapped_column(sa.ForeignKey("users.id"))
    valid_until: Mapped[date]
    snapshot: Mapped[str] = mapped_column(sa.Text)
    sha256: Mapped[str] = mapped_column(sa.String(64))
    subtotal_cents: Mapped[int]
    total_cents: Mapped[int]
    cost_cents: Mapped[int]
    # Ties a press of the button to one revision: pressing twice finds the first instead of making another.
    request_token: Mapped[str] = mapped_column(sa.String(64), unique=True)

    job: Mapped[Job] = relationship(back_populates="revisions")
    issued_by: Mapped[User] = relationship()


class Payment(Base):
    """Money received for a job (negative: given back). No card numbers are kept.

    What was put on account is a row too, and no money: it stays owed until another payment brings it.
    """

    __tablename__ = "payments"

    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(sa.ForeignKey("jobs.id"), index=True)
    received_on: Mapped[date]
    cents: Mapped[int]
    means: Mapped[str] = mapped_column(sa.String(40))
    note: Mapped[str] = mapped_column(sa.String(200), default="")
    taken_by_id: Mapped[int] = mapped_column(sa.ForeignKey("users.id"))
    # Part of what the customer paid at once for several jobs.
    account_payment_id: Mapped[int | None] = mapped_column(sa.ForeignKey("account_payments.id"), index=True)

    @property
    def is_on_account(self) -> bool:
        """Whether no money changed hands by it."""
        return self.means == ON_ACCOUNT

    @hybrid_property
    def received_cents(self) -> int:
        """The money that came in by it (negative: went back)."""
        return 0 if self.is_on_account else self.cents

    @received_cents.inplace.expression
    @classmethod
    def _received_cents(cls) -> sa.ColumnElement[int]:
        return sa.case((cls.means == ON_ACCOUNT, 0), else_=cls.cents)


class FileKind(StrEnum):
    """What a file is, told by its content."""

    PDF = "pdf"
    JPEG = "jpeg"
    PNG = "png"
    WEBP = "webp"
    TXT = "txt"
    CSV = "csv"
    XLSX = "xlsx"

    @property
    def is_image(self) -> bool:
        """Whether a browser shows it as a picture."""
        return self in (FileKind.JPEG, FileKind.PNG, FileKind.WEBP)

    @property
    def suffix(self) -> str:
        """What its name ends with."""
        return ".jpg" if self is FileKind.JPEG else f".{self.value}"

    @property
    def media_type(self) -> str:
        """As the web calls it."""
        return _MEDIA_TYPES[self]


_MEDIA_TYPES = {
    FileKind.PDF: "application/pdf",
    FileKind.JPEG: "image/jpeg",
    FileKind.PNG: "image/png",
    FileKind.WEBP: "image/webp",
    FileKind.TXT: "text/plain; charset=utf-8",
    FileKind.CSV: "text/csv; charset=utf-8",
    FileKind.XLSX: "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}


class JobFile(Base):
    """One file of a job. `name` is for people alone; `stored_name` is the file's own in the files folder."""

    __tablename__ = "job_files"

    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int] = mapped_column(sa.ForeignKey("jobs.id"), index=True)
    stored_name: Mapped[str] = mapped_column(sa.String(40), unique=True)
    name: Mapped[str] = mapped_column(sa.String(120))
    kind: Mapped[FileKind] = mapped_column(choice(FileKind))
    size: Mapped[int]  # bytes
    sha256: Mapped[bytes] = mapped_column(sa.LargeBinary(32))
    about: Mapped[str] = mapped_column(sa.String(200), default="")
    kept_at: Mapped[datetime] = mapped_column(UTCDateTime)
    kept_by_id: Mapped[int | None] = mapped_column(sa.ForeignKey("users.id"))

    kept_by: Mapped[User | None] = relationship()


class Draft(Versioned, Base):
    """The counter page as typed so far; kept through a restart."""

    __tablename__ = "drafts"

    token: Mapped[str] = mapped_column(sa.String(64), primary_key=True)
    user_id: Mapped[int] = mapped_column(sa.ForeignKey("users.id"), index=True)
    job_id: Mapped[int | None] = mapped_column(sa.ForeignKey("jobs.id"))
    typed: Mapped[dict[str, Any]] = mapped_column(sa.JSON)
    saved_at: Mapped[datetime] = mapped_column(UTCDateTime)


refuse_changes(QuoteRevision, "an issued quote is never changed: issue a new revision")
