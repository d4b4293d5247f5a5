"""What a priced request seems to lack: its facts counted, the rules asked, the counter's answers put beside."""

import re
from collections.abc import Iterable

from app.keying import MOST_LEVELS, UPPER_LEVELS, KeyingError, KeySymbol, read_symbol
from app.ledger.catalog.quote_rules import line_rules, quote_rules
from app.ledger.quoting.key_lines import level_named
from app.ledger.quoting.loss_lines import PlanOfQuote
from app.ledger.quoting.quoting import PricedQuote
from app.ledger.quoting.request import QuoteRequest
from app.ledger.quoting.resolving import Resolved
from app.ledger.quoting.snapshot import AskedQuestion
from app.ledger.store.work import Work
from app.ledger.tables import KeySystem, LineKind, RecordsHolder
from app.pricing import KeyingKind, MissingLineRule, QuoteFacts, find_missing_lines

_MOST_ANSWER = 200
_CORES = ("sfic", "lfic")


def questions_about(work: Work, priced: PricedQuote) -> tuple[MissingLineRule, ...]:
    """What the house's rules ask about a request, answered or not, in the rules' order."""
    off = quote_rules(work.session).questions_off
    return find_missing_lines(facts_of(work, priced), line_rules(), off)


def answered(questions: Iterable[MissingLineRule], ask: QuoteRequest) -> tuple[AskedQuestion, ...]:
    """Each question with why its line is not needed, as the counter says, "" where it does not; for the snapshot."""
    answers = {code: why.strip()[:_MOST_ANSWER] for code, why in ask.answers if why.strip()}
    return tuple(AskedQuestion(one.code, one.question, answers.get(one.code, "")) for one in questions)


def facts_of(work: Work, priced: PricedQuote) -> QuoteFacts:
    """What the request counts; lines that were not understood count for nothing."""
    ask = priced.ask
    lines = [one for one in priced.resolved if one is not None]
    cylinders = [one for one in lines if one.line.kind.is_keyed]
    sold = [one for one in cylinders if one.line.kind is not LineKind.REKEY]
    mastered = [one for one in cylinders if one.line.keying.kind.is_master_keyed]
    system = work.session.get(KeySystem, ask.system.existing_id) if ask.system and ask.system.existing_id else None
    is_new = bool(mastered) and ask.system is not None and ask.system.existing_id is None
    at_factory = sum(
        ask.lines[number - 1].quantity
        for choice in priced.keying
        if choice.choice == "factory"
        for number in choice.lines
    )
    plan = PlanOfQuote.of(work.session, ask)
    keyed = [one for one in cylinders if one.line.keying.kind is not KeyingKind.NONE]
    # A system keyed here is designed here: its list is made with it. Where a factory has it, the house knows that.
    has_list = system.records is not RecordsHolder.NOBODY if system else is_new and not at_factory
    return QuoteFacts(
        cylinders=_count(cylinders),
        keyed_cylinders=_count(keyed) if plan is None or plan.needs_keys() else 0,
        master_keyed_cylinders=_count(mastered),
        mortise_cylinders_swapped=_count(one for one in sold if _type(one) == "mortise"),
        rim_cylinders=_count(one for one in sold if _type(one) == "rim"),
        interchangeable_cores=_count(one for one in cylinders if _type(one) in _CORES),
        keys=sum(one.line.keys for one in cylinders) + _count(_of(lines, LineKind.KEYS)),
        master_keys=min(masters_counted(priced).values(), default=0)
        if is_new
        else _count(one for one in _of(lines, LineKind.KEYS) if _is_master(one.line.symbol)),
        control_keys=_count(
            one
            for one in _of(lines, LineKind.KEYS)
            if _says(one, "control key") or one.line.symbol.startswith("CONTROL")
        ),
        cams=_count(one for one in sold if one.line.attributes and one.line.attributes.cam)
        + _count(one for one in _of(lines, LineKind.HARDWARE) if _says(one, "cam")),
        back_plates=_count(one for one in _of(lines, LineKind.HARDWARE) if _says(one, "back plate")),
        new_systems=int(is_new),
        existing_systems=int(system is not None and bool(mastered)),
        bitting_lists_on_file=int(has_list) + _count(one for one in lines if _says(one, "bitting list")),
        keyed_at_the_factory=at_factory,
        trips=_count(_of(lines, LineKind.TRIP)),
        labor_lines=len(_of(lines, LineKind.LABOR)) + len(_of(lines, LineKind.REKEY)),
        site_labor_lines=len([one for one in _of(lines, LineKind.LABOR) if _says(one, "site")]),
        hardware_lines=len(_of(lines, LineKind.HARDWARE)),
    )


def masters_counted(priced: PricedQuote) -> dict[KeySymbol, int]:
    """Each master of the quote's new key system, upper levels first, with how many keys to it the lines count."""
    ask = priced.ask
    masters = ask.system.masters_over(ask.lines) if ask.system else []
    counts = dict.fromkeys(masters, 0)
    for one in priced.resolved:
        if one is None or one.line.kind is not LineKind.KEYS:
            continue
        level = level_named(one.line.symbol)
        named = [each for each in masters if each.level.value == level.value] if level else []
        for each in masters:
            if each in named:
                counts[each] += one.line.quantity // len(named)
            elif each.text == one.line.symbol:
                counts[each] += one.line.quantity
    return counts


def _of(lines: Iterable[Resolved], kind: LineKind) -> list[Resolved]:
    return [one for one in lines if one.line.kind is kind]


def _count(lines: Iterable[Resolved]) -> int:
    return sum(one.line.quantity for one in lines)


def _type(one: Resolved) -> str:
    return one.line.attributes.type if one.line.attributes else ""


def _says(one: Resolved, words: str) -> bool:
    """Whether a line is about these words: alone or in the plural, in its description or the counter's remark."""
    return re.search(rf"\b{words}s?\b", f"{one.words} {one.line.remark}", re.IGNORECASE) is not None


def _is_master(symbol: str) -> bool:
    if level_named(symbol) is not None:
        return True
    try:
        return bool(symbol) and read_symbol(symbol, levels=MOST_LEVELS).level in UPPER_LEVELS
    except KeyingError:
        return False
