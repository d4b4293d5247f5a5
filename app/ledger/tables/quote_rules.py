"""Table: the one row of what the house has settled about its quotes."""

from __future__ import annotations

import sqlalchemy as sa
from sqlalchemy.orm import Mapped, mapped_column

from app.ledger.tables.base import Base, LongText, Versioned

MAIL_SUBJECT = "Quote {number} from {house}"
MAIL_TEXT = (
    "Good day {customer},\n\n"
    "our quote {number} is attached: {total}, tax included. It is valid until {valid until}.\n{ready}\n\n"
    "To accept it, answer this message with your name and your order number.\n\n{sender}\n{house}\n{phone}"
)


class QuoteRules(Versioned, Base):
    """What the owner settled about quotes. `deposit_percent` is decimal text; `questions_off` are codes of rules."""

    __tablename__ = "quote_rules"

    id: Mapped[int] = mapped_column(primary_key=True)
    deposit_percent: Mapped[str] = mapped_column(sa.String(16), default="0")
    deposit_cents: Mapped[int] = mapped_column(default=0)
    deposit_above_cents: Mapped[int] = mapped_column(default=0)
    mail_subject: Mapped[str] = mapped_column(sa.String(200), default=MAIL_SUBJECT)
    mail_text: Mapped[str] = mapped_column(LongText(4000), default=MAIL_TEXT)
    questions_off: Mapped[list[str]] = mapped_column(sa.JSON, default=list)
