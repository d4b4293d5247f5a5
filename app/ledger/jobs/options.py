"""A second way on the same quote: where else the keying can be done, priced as a whole, and accepted as such."""

from __future__ import annotations

__all__ = [
    "OPTIONS",
    "keyed_at",
    "offered_ways",
    "price_option",
    "promise_from",
    "way_words",
]

from collections.abc import Sequence
from dataclasses import replace
from datetime import date

from app.errors import Problem, Problems
from app.ledger.customers.models import Customer
from app.ledger.jobs.ask import LineKind, QuoteAsk
from app.ledger.jobs.quoting import PricedQuote, price_ask
from app.ledger.jobs.snapshot import KeyingChoice, QuoteSnapshot
from app.ledger.prices.queries import bench_terms_on
from app.ledger.work import Work
from app.pricing import add_working_days

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


def _is_customers_own(ask: QuoteAsk, choice: KeyingChoice) -> bool:
    return all(ask.lines[number - 1].kind is LineKind.REKEY for number in choice.lines)


def price_option(
    work: Work, ask: QuoteAsk, priced: PricedQuote, customer: Customer | None = None
) -> PricedQuote | None:
    """Option B of a request whose option A is `priced`; None when none is asked for.

    customer: as for `price_ask`.

    Raises Problems on `option_b` when that way is not possible, or no other way than A's.
    """
    if not ask.option_b:
        return None
    if ask.option_b not in offered_ways(priced):
        raise Problems([Problem("option_b", _why_not(ask.option_b, priced))])
    other = price_ask(work, replace(ask, keyed_at=ask.option_b, override_reason=OFFERED, option_b=""), customer)
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


def promise_from(work: Work, quote: QuoteSnapshot, accepted_on: date) -> date | None:
    """The day that is promised when the quote is accepted: as many working days after it as the quote says."""
    days = quote.working_days
    if quote.ready_on is None or days is None or accepted_on <= quote.issued_on:
        return quote.ready_on
    if not quote.keying:  # from the shelf: on whatever day it is fetched
        return accepted_on
    return add_working_days(accepted_on, days, bench_terms_on(work.session, work.today).closed_days)
