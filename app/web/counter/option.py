"""The second way that a quote can offer, as the counter sees it: which are possible, and what it comes to."""

from __future__ import annotations

from dataclasses import dataclass

from app.errors import Problem, Problems
from app.ledger.quoting.options import offered_ways, price_option
from app.ledger.quoting.quoting import PricedQuote
from app.ledger.quoting.request import QuoteAsk
from app.ledger.store.work import Work
from app.ledger.tables import Customer


@dataclass(frozen=True, slots=True)
class OptionView:
    """`offered`: the other ways that are possible, shop or factory. `priced`: the one asked for, as a whole."""

    offered: tuple[str, ...] = ()
    priced: PricedQuote | None = None

    @property
    def shown(self) -> str:
        """What the page offers, in one word: it is drawn anew only when this changes."""
        return " ".join(self.offered)


def second_way(
    work: Work, ask: QuoteAsk, priced: PricedQuote, customer: Customer | None
) -> tuple[OptionView, list[Problem]]:
    """Option B of a request as far as it is understood, and why the one asked for cannot be offered."""
    if not priced.keying or priced.problems:
        # What is not understood yet is said by itself; the option waits for it.
        return OptionView((ask.option_b,) if ask.option_b in ("shop", "factory") else ()), []
    offered = offered_ways(priced)
    try:
        return OptionView(offered, price_option(work, ask, priced, customer)), []
    except Problems as refused:
        # It stays in sight, so that it can be taken off.
        return OptionView(tuple(dict.fromkeys((*offered, ask.option_b)))), list(refused.problems)
