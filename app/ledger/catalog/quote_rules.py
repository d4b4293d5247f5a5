"""What the house asks and says with its quotes."""

import json
import re
from dataclasses import dataclass
from decimal import Decimal
from functools import cache

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError, Problem, Problems
from app.fitting import reference_folder
from app.ledger.store.engine import asked_once, transaction
from app.ledger.store.errors import Stale
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import MAIL_SUBJECT, MAIL_TEXT, QuoteRules, longest
from app.pricing import DepositRule, MissingLineRule, read_missing_line_rules
from app.validation import fault_of_length

MAIL_WORDS = (
    "number",
    "customer",
    "title",
    "total",
    "tax",
    "deposit",
    "valid until",
    "ready",
    "sender",
    "house",
    "phone",
)
"""What may stand in braces in the text of an e-mail."""

_BRACES = re.compile(r"\{([^{}\n]{0,40})\}")


@dataclass(frozen=True, slots=True)
class QuoteRulesForm:
    """The deposit, the e-mail's subject and text, and the codes of the questions that are not asked.

    most_off_percent: how far under the book a price may be before the counter is asked; None leaves it as it is.
    """

    deposit: DepositRule
    mail_subject: str
    mail_text: str
    questions_off: tuple[str, ...] = ()
    most_off_percent: Decimal | None = None


def set_quote_rules(work: Work, form: QuoteRulesForm, version: int | None) -> QuoteRules:
    """Save the house's rules for quotes, read at `version` (None: there were none yet); the owner's alone.

    Quotes that were issued keep the deposit that they asked. Raises Problems, or Stale.
    """
    work.require_owner()
    problems = [
        *_text_problems("mail_subject", form.mail_subject, longest(QuoteRules.mail_subject)),
        *_text_problems("mail_text", form.mail_text, longest(QuoteRules.mail_text)),
    ]
    if not form.mail_subject.isprintable():
        problems.append(Problem("mail_subject", "The subject is one line of writing: type it anew."))
    if form.most_off_percent is not None and not 0 <= form.most_off_percent <= 100:
        problems.append(Problem("most_off_percent", "Enter a percentage from 0 to 100."))
    known = {rule.code for rule in line_rules()}
    if not set(form.questions_off) <= known:
        problems.append(Problem("questions_off", "Choose among the questions shown."))
    if problems:
        raise Problems(problems)
    with transaction(work.session):
        rules = quote_rules(work.session)
        if rules.id is not None and rules.version != version:
            raise Stale()
        before = "" if rules.id is None else f" (was: {deposit_rule(rules).words})"
        rules.deposit_percent = f"{form.deposit.percent:f}"
        rules.deposit_cents, rules.deposit_above_cents = form.deposit.cents, form.deposit.above_cents
        if form.most_off_percent is not None:
            rules.most_off_percent = f"{form.most_off_percent:f}"
        rules.mail_subject, rules.mail_text = form.mail_subject.strip(), form.mail_text.strip()
        rules.questions_off = sorted(set(form.questions_off))
        work.session.add(rules)
        work.session.flush()
        off = f"; not asked: {', '.join(rules.questions_off)}" if rules.questions_off else ""
        asks = f" Prices more than {rules.most_off_percent}% under the book are asked about."
        record(work, "quote rules set", "house", f"Quotes: {form.deposit.words}{asks}{before}{off}")
        return rules


def _text_problems(field: str, text: str, most: int) -> list[Problem]:
    if not text.strip():
        return [Problem(field, "Write something here: it goes with every quote that is sent.")]
    if fault := fault_of_length(text, most):
        return [Problem(field, fault)]
    unknown = [word for word in _BRACES.findall(text) if word not in MAIL_WORDS]
    if unknown:
        words = ", ".join(f"{{{word}}}" for word in MAIL_WORDS)
        return [Problem(field, f"{{{unknown[0]}}} stands for nothing. What can stand in braces: {words}.")]
    return []


@asked_once
def quote_rules(session: Session) -> QuoteRules:
    """The row as saved, or one that is not on record yet, with the usual answers."""
    found = session.scalar(sa.select(QuoteRules).order_by(QuoteRules.id).limit(1))
    return found or QuoteRules(
        deposit_percent="0",
        deposit_cents=0,
        deposit_above_cents=0,
        most_off_percent="20",
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
