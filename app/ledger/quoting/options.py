"""A second way on the same quote: where else the keying can be done, priced as a whole, and accepted as such."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from app.errors import Problem, Problems
from app.ledger.quoting.blank_stock import bench_today
from app.ledger.quoting.quoting import PricedQuote, price_request
from app.ledger.quoting.request import QuoteRequest
from app.ledger.quoting.snapshot import KeyingChoice, QuoteSnapshot
from app.ledger.store.work import Work
from app.ledger.tables import Customer, LineKind
from app.pricing import CylinderType, add_working_days, show_day

OPTIONS = ("A", "B")
_WAYS = ("shop", "factory")
_WHERE = {"shop": "on our bench", "factory": "at the factory"}
OFFERED = "Offered to the customer as option B."


def offered_ways(priced: PricedQuote) -> tuple[str, ...]:
    """Where else the keying could be done: each way that every group could go, with no obstacle, and that differs.

    The customer's own cylinders stay on the bench whatever is chosen for the rest.
    """
    groups = [
        choice
        for choice in priced.keying
        if not _is_customers_own(priced.ask, choice) and (choice.ways or not choice.in_two_places)
    ]
    return tuple(
        name
        for name in _WAYS
        if any(choice.choice != name for choice in groups)
        and all(any(way.name == name and way.possible for way in choice.ways) for choice in groups)
    )


def _is_customers_own(ask: QuoteRequest, choice: KeyingChoice) -> bool:
    return all(ask.lines[number - 1].kind is LineKind.REKEY for number in choice.lines)


def price_option(
    work: Work, ask: QuoteRequest, priced: PricedQuote, customer: Customer | None = None
) -> PricedQuote | None:
    """Option B of a request whose option A is `priced`; None when none is asked for.

    customer: as for `price_request`.

    Raises Problems on `option_b` when that way is not possible, or no other way than A's.
    """
    if not ask.option_b:
        return None
    if ask.option_b not in offered_ways(priced):
        raise Problems([Problem("option_b", _why_not(ask.option_b, priced))])
    other = price_request(work, replace(ask, keyed_at=ask.option_b, override_reason=OFFERED, option_b=""), customer)
    if other.problems:
        raise Problems([Problem("option_b", f"Option B: {problem.message}") for problem in other.problems])
    return other


def _why_not(wanted: str, priced: PricedQuote) -> str:
    if wanted not in _WAYS:
        return "Choose the shop or the factory as option B, or none."
    if priced.keying and all(choice.choice == wanted for choice in priced.keying):
        return f"The keying is done {_WHERE[wanted]} already: there is no second way to offer. Take option B off."
    return f"The keying cannot be done {_WHERE[wanted]} as it stands, so it is not offered: take option B off."


def keyed_at(keying: Sequence[KeyingChoice]) -> str:
    """Where a job's keying is done: shop, factory, both with a stroke between, or "" where nothing is keyed."""
    return "/".join(dict.fromkeys(choice.choice for choice in keying if choice.choice))


def way_words(keying: Sequence[KeyingChoice]) -> str:
    """Where the keying is done, as the customer reads it.

    >>> way_words(())
    'nothing is keyed'
    """
    places = dict.fromkeys(_WHERE[choice.choice] for choice in keying if choice.choice in _WHERE)
    return f"keyed {' and '.join(places)}" if places else "nothing is keyed"


@dataclass(frozen=True, slots=True)
class Promise:
    """What is promised when a quote is accepted. on: the day, None where it is confirmed with the order.

    short: what the shelf has not left for it, where that makes the day later than the quote's own; else "".
    """

    on: date | None
    short: str = ""


def promise_from(work: Work, quote: QuoteSnapshot, accepted_on: date) -> Promise:
    """What is promised when the quote is accepted: as many working days after it as the quote says, and no day before
    the one on which what the shelf lacks by now can be here. To be asked before its own cylinders are on record.
    """
    days = quote.working_days
    if quote.ready_on is None:
        return Promise(None)
    terms = bench_today(work.session, work.today)
    promised = quote.ready_on
    if days is not None and accepted_on > quote.issued_on:
        # From the shelf: on whatever day it is fetched.
        promised = add_working_days(accepted_on, days, terms.closed_days) if quote.keying else accepted_on
    wanted = _from_the_shelf(quote)
    lacking = sum(max(0, count - terms.uncombinated_on_hand.get(sort, 0)) for sort, count in wanted.items())
    if not lacking:
        return Promise(promised)
    short = f"{lacking:,} of {wanted.total():,} cylinders without pins that this takes are not left on the shelf"
    if terms.uncombinated_lead_days is None:
        return Promise(None, f"{short} and cannot be ordered; the date is to be confirmed.")
    here = add_working_days(work.today, terms.uncombinated_lead_days, terms.closed_days)
    return Promise(here, f"{short}; they can be here on {show_day(here)}.") if here > promised else Promise(promised)


def _from_the_shelf(quote: QuoteSnapshot) -> Counter[CylinderType]:
    """The cylinders that are sold and keyed here, by type."""
    here = {number for choice in quote.keying if choice.choice == "shop" for number in choice.lines}
    taken: Counter[CylinderType] = Counter()
    for number, line in enumerate(QuoteRequest.from_json(quote.ask).lines, start=1):
        if number in here and line.kind is not LineKind.REKEY and line.attributes is not None:
            taken[CylinderType(line.attributes.type)] += line.quantity
    return taken
