"""Tables: dated price rows and rules, tax rules, bench terms and times, the house's settings and its quotes'."""

from datetime import date
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column

from app.ledger.tables.base import Base, LongText, Versioned


class PriceBookRow(Base):
    """What the item of a code costs from a date on, for one customer tier ("" is everybody). Cents are each."""

    __tablename__ = "price_rows"
    __table_args__ = (sa.UniqueConstraint("code", "tier", "quantity_from", "valid_from"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    code: Mapped[str] = mapped_column(sa.String(80), index=True)
    unit_cents: Mapped[int]
    cost_cents: Mapped[int]
    tier: Mapped[str] = mapped_column(sa.String(40), default="")
    quantity_from: Mapped[int] = mapped_column(default=1)
    valid_from: Mapped[date]
    valid_until: Mapped[date | None]


class PriceTier(Versioned, Base):
    """A customer tier: what it takes off catalog list prices, and its terms of payment; percentages are decimal text.

    due_days None: the house's own terms hold, whatever stands in the columns after it.
    """

    __tablename__ = "price_tiers"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(sa.String(40), unique=True)
    percent_off: Mapped[str] = mapped_column(sa.String(16))
    due_days: Mapped[int | None]
    cash_percent: Mapped[str] = mapped_column(sa.String(16), default="0", server_default="0")
    cash_days: Mapped[int] = mapped_column(default=0, server_default="0")
    dating: Mapped[str] = mapped_column(sa.String(20), default="invoice", server_default="invoice")


class TaxRuleRow(Base):
    """Sales tax of a place from a date on. `rate_percent` is decimal text, such as 7.25."""

    __tablename__ = "tax_rules"
    __table_args__ = (sa.UniqueConstraint("place", "valid_from"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    place: Mapped[str] = mapped_column(sa.String(80), index=True)
    rate_percent: Mapped[str] = mapped_column(sa.String(16))
    goods_taxed: Mapped[bool]
    labour_taxed: Mapped[bool]
    valid_from: Mapped[date]


class DecidingDayRow(Base):
    """Which day decides a quote's sales tax and prices where they are dated to change before it is ready: the house's
    own rule from a day on. True: the day of hand-over; False: that of the quote.
    """

    __tablename__ = "deciding_days"

    id: Mapped[int] = mapped_column(primary_key=True)
    valid_from: Mapped[date] = mapped_column(unique=True)
    tax_of_hand_over: Mapped[bool]
    prices_of_hand_over: Mapped[bool]


BENCH_TERMS_SET = "bench terms set"


class BenchTermsRow(Base):
    """What keying on the shop's own bench takes from a date on; `terms` is `pricing.BenchTerms`'s JSON."""

    __tablename__ = "bench_terms"

    id: Mapped[int] = mapped_column(primary_key=True)
    valid_from: Mapped[date] = mapped_column(unique=True)
    terms: Mapped[dict[str, Any]] = mapped_column(sa.JSON)


class House(Versioned, Base):
    """The one row about the house itself: what stands at the head of its papers, and its usual answers."""

    __tablename__ = "house"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(sa.String(120))
    address: Mapped[str] = mapped_column(LongText(2000), default="")
    phone: Mapped[str] = mapped_column(sa.String(40), default="")
    email: Mapped[str] = mapped_column(sa.String(200), default="")
    tax_place: Mapped[str] = mapped_column(sa.String(80), default="")
    paper: Mapped[str] = mapped_column(sa.String(8), default="Letter")  # Letter or A4
    quote_days: Mapped[int] = mapped_column(default=30)
    exclusions: Mapped[str] = mapped_column(LongText(4000), default="")
    second_check: Mapped[bool] = mapped_column(default=False)  # somebody else checks what one has pinned
    terms: Mapped[str] = mapped_column(LongText(8000), default="")
    # Percent of a price below which the owner is asked to look again; decimal text, such as 22.5.
    least_margin_percent: Mapped[str] = mapped_column(sa.String(16), default="20", server_default="20")
    keep_years: Mapped[int] = mapped_column(default=0, server_default="0")  # of tax records; 0: not settled
    # The steps of the first day that were taken as proposed; None once it is over.
    first_day: Mapped[list[str] | None] = mapped_column(sa.JSON(none_as_null=True))


class PriceRuleRow(Versioned, Base):
    """How prices come about from cost or list from a date on, for what it names; "" names everything.

    `basis`: cost times, margin or list less; `figure` is decimal text. `code` may be a part number; `maker` is
    a maker's code.
    """

    __tablename__ = "price_rules"
    __table_args__ = (sa.UniqueConstraint("code", "category", "maker", "tier", "valid_from"),)

    id: Mapped[int] = mapped_column(primary_key=True)
    basis: Mapped[str] = mapped_column(sa.String(16))
    figure: Mapped[str] = mapped_column(sa.String(16))
    code: Mapped[str] = mapped_column(sa.String(80), default="")
    category: Mapped[str] = mapped_column(sa.String(40), default="")
    maker: Mapped[str] = mapped_column(sa.String(24), default="")
    tier: Mapped[str] = mapped_column(sa.String(40), default="")
    valid_from: Mapped[date]
    valid_until: Mapped[date | None]


class BenchTimeRow(Base):
    """Minutes the bench took for some pieces of one task of a job; `minutes` is decimal text, such as 42.5."""

    __tablename__ = "bench_times"

    id: Mapped[int] = mapped_column(primary_key=True)
    job_id: Mapped[int | None] = mapped_column(sa.ForeignKey("jobs.id"), index=True)
    task: Mapped[str] = mapped_column(sa.String(16))  # set-up, pinning or cutting
    kind: Mapped[str] = mapped_column(sa.String(8), default="")  # KD, MK …; "" for cutting keys
    cylinder: Mapped[str] = mapped_column(sa.String(16), default="")  # mortise, rim …; "" but for pinning
    pieces: Mapped[int]
    minutes: Mapped[str] = mapped_column(sa.String(16))
    finished: Mapped[date]
    recorded_by_id: Mapped[int] = mapped_column(sa.ForeignKey("users.id"))


MAIL_SUBJECT = "Quote {number} from {house}"
MAIL_TEXT = (
    "Good day {customer},\n\n"
    "our quote {number} is attached: {total}, {tax}. It is valid until {valid until}.\n{ready}\n\n"
    "To accept it, answer this message with your name and your order number.\n\n{sender}\n{house}\n{phone}"
)


class QuoteRules(Versioned, Base):
    """What the owner settled about quotes. Percentages are decimal text; `questions_off` are codes of rules."""

    __tablename__ = "quote_rules"

    id: Mapped[int] = mapped_column(primary_key=True)
    deposit_percent: Mapped[str] = mapped_column(sa.String(16), default="0")
    # Percent under the book beyond which the counter is asked whether a price is meant; decimal text.
    most_off_percent: Mapped[str] = mapped_column(sa.String(16), default="20", server_default="20")
    deposit_cents: Mapped[int] = mapped_column(default=0)
    deposit_above_cents: Mapped[int] = mapped_column(default=0)
    mail_subject: Mapped[str] = mapped_column(sa.String(200), default=MAIL_SUBJECT)
    mail_text: Mapped[str] = mapped_column(LongText(4000), default=MAIL_TEXT)
    questions_off: Mapped[list[str]] = mapped_column(sa.JSON, default=list)
