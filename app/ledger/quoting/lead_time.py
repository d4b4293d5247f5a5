"""When a quote's work is ready, in a sentence for the customer: days that count from the acceptance."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from app.ledger.catalog.price_queries import bench_terms_on
from app.ledger.quoting.resolving import Resolved
from app.ledger.quoting.snapshot import KeyingChoice
from app.ledger.store.work import Work
from app.pricing import count_working_days, show_day

_WHERE = {"shop": "keyed on our bench", "factory": "keyed at the factory"}


def lead_time(
    work: Work, resolved: Sequence[Resolved | None], keying: Sequence[KeyingChoice]
) -> tuple[date | None, str]:
    """The day on which all of it is ready if accepted today (None: not known yet), and the customer's sentence.

    The sentence counts working days from the acceptance, whenever that is, as `promise_from` does.
    """
    days = [choice.ready_on for choice in keying]
    if any(found and not found.is_stocked for found in resolved) and not any(days):
        return None, "Some items are not on the shelf; the date is confirmed when they are ordered."
    if not all(days):
        return None, "The date is confirmed with the order."
    ready = max((day for day in days if day is not None), default=work.today)
    if not keying:
        return work.today, "From the shelf."
    if any(choice.in_two_places for choice in keying):
        parts = [
            f"{choice.quantity:,} {'cylinder' if choice.quantity == 1 else 'cylinders'} ready "
            f"{_after(work, choice.ready_on)}, {_WHERE[choice.choice]}"
            for choice in sorted(keying, key=lambda choice: choice.ready_on or work.today)
            if choice.ready_on is not None and choice.choice in _WHERE
        ]
        return ready, f"{'; '.join(parts)}."
    places = " and ".join(dict.fromkeys(_WHERE[choice.choice] for choice in keying if choice.choice in _WHERE))
    return ready, f"Ready {_after(work, ready)}, {places}."


def _after(work: Work, ready: date) -> str:
    days = working_days_until(work, ready) or 0
    day = f" (on {show_day(ready)} if accepted on {show_day(work.today)})" if days else ""
    return f"{count_of_days(days)}{day}"


def count_of_days(days: int) -> str:
    """Working days in words, as a quote counts them.

    >>> count_of_days(6), count_of_days(1), count_of_days(0)
    ('6 working days after acceptance', '1 working day after acceptance', 'on the day of acceptance')
    """
    if days == 0:
        return "on the day of acceptance"
    return f"{days:,} working {'day' if days == 1 else 'days'} after acceptance"


def working_days_until(work: Work, ready: date | None) -> int | None:
    """The house's working days after today up to and with the day on which it is ready; None without a day."""
    if ready is None or ready <= work.today:
        return None if ready is None else 0
    closed = bench_terms_on(work.session, work.today).closed_days
    return count_working_days(work.today + timedelta(days=1), ready + timedelta(days=1), closed)
