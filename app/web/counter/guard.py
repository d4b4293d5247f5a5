"""The questions about lines that might be missing, as the counter sees them beside the totals."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

from app.ledger.quoting.missing import facts_of, questions_about
from app.ledger.quoting.quoting import PricedQuote
from app.ledger.store.work import Work
from app.ledger.tables import LineKind
from app.pricing import MendLine, Question
from app.web.counter.choices import Choices
from app.web.counter.typed import TypedLine, TypedPage

_KINDS = {
    MendLine.KEYS: LineKind.KEYS,
    MendLine.HARDWARE: LineKind.HARDWARE,
    MendLine.LABOUR: LineKind.LABOUR,
    MendLine.TRIP: LineKind.TRIP,
}
_TOP = {"2": "AA", "3": "A", "4": "GGM"}


@dataclass(frozen=True, slots=True)
class AskView:
    """One question. `answer`: why the line is not needed, as typed. `mend`: what one press adds, "" for nothing."""

    code: str
    question: str
    answer: str
    mend: str


def asks_of(work: Work, priced: PricedQuote | None, typed: TypedPage, choices: Choices) -> tuple[AskView, ...]:
    """What the house asks about the page as it stands; answered questions keep their place."""
    if priced is None or not priced.lines:
        return ()
    answers = dict(typed.answers)
    return tuple(
        AskView(one.code, one.question, answers.get(one.code, ""), _label(work, priced, typed, choices, one))
        for one in questions_about(work, priced)
    )


def mend(
    work: Work, priced: PricedQuote | None, typed: TypedPage, choices: Choices, code: str
) -> tuple[TypedPage, str]:
    """The page with what the question misses, and the id of what was added; as it was where nothing can be."""
    question = next((one for one in (questions_about(work, priced) if priced else ()) if one.code == code), None)
    if priced is None or question is None or question.mend is None:
        return typed, ""
    if question.mend.line is MendLine.KEYS_EACH:
        quantity = str(question.mend.quantity)
        lines = tuple(
            replace(line, keys_each=quantity) if line.sort.is_keyed and line.keys_each == "0" else line
            for line in typed.lines
        )
        return replace(typed, lines=lines), "add"
    line = _line(work, priced, typed, choices, question)
    return (typed, "") if line is None else (typed.with_line(line), f"line-{line.key}")


def _label(work: Work, priced: PricedQuote, typed: TypedPage, choices: Choices, question: Question) -> str:
    if question.mend is None:
        return ""
    if question.mend.line is MendLine.KEYS_EACH:
        return f"Add {question.mend.quantity} keys a cylinder"
    line = _line(work, priced, typed, choices, question)
    if line is None:
        return ""
    if line.symbol:
        return f"Add {line.quantity} keys to {line.symbol}"
    entry = next(one for one in choices.entries(line.sort) if one.code == line.price_code)
    return f"Add {line.quantity} × {entry.description.split(',')[0]}"


def _line(
    work: Work, priced: PricedQuote, typed: TypedPage, choices: Choices, question: Question
) -> TypedLine | None:
    """The line that the press adds; None where the price book has no such entry."""
    wanted = question.mend
    if wanted is None or wanted.line is MendLine.KEYS_EACH:
        return None
    count = str(wanted.count(facts_of(work, priced)))
    if wanted.line is MendLine.MASTER_KEYS:
        levels = str(priced.ask.system.levels_for(priced.ask.lines)) if priced.ask.system else "2"
        return TypedLine(typed.next_key, LineKind.KEYS.value, count, symbol=_TOP.get(levels, "AA"))
    kind = _KINDS[wanted.line]
    told = re.compile(rf"\b{re.escape(wanted.words)}s?\b", re.IGNORECASE)
    entry = next((one for one in choices.entries(kind) if not wanted.words or told.search(one.description)), None)
    return TypedLine(typed.next_key, kind.value, count, price_code=entry.code) if entry else None
