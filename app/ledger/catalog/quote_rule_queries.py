"""Questions about the house's rules for its quotes."""

from __future__ import annotations

import json
from decimal import Decimal
from functools import cache

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError
from app.fitting.reference import reference_folder
from app.ledger.tables import MAIL_SUBJECT, MAIL_TEXT, QuoteRules
from app.pricing import DepositRule, MissingLineRule, read_missing_line_rules


def quote_rules(session: Session) -> QuoteRules:
    """The row as saved, or one that is not on record yet, with the usual answers."""
    found = session.scalar(sa.select(QuoteRules).order_by(QuoteRules.id).limit(1))
    return found or QuoteRules(
        deposit_percent="0",
        deposit_cents=0,
        deposit_above_cents=0,
        mail_subject=MAIL_SUBJECT,
        mail_text=MAIL_TEXT,
        questions_off=[],
    )


def deposit_rule(rules: QuoteRules) -> DepositRule:
    """The deposit that the house asks."""
    return DepositRule(Decimal(rules.deposit_percent), rules.deposit_cents, rules.deposit_above_cents)


@cache
def line_rules() -> tuple[MissingLineRule, ...]:
    """The rules that ask about forgotten lines, out of the table in `shared`; BitternError when it is not there."""
    path = reference_folder() / "missing_lines.json"
    try:
        given = json.loads(path.read_text("utf-8"))
    except (OSError, ValueError) as error:
        raise BitternError(
            "shared", "The table missing_lines.json is missing or damaged; restore the folder named shared."
        ) from error
    return read_missing_line_rules(given)
