"""When a quote's work is ready, in a sentence for the customer."""

from __future__ import annotations

__all__ = ["lead_time"]

from collections.abc import Sequence
from datetime import date

from app.ledger.jobs.resolving import Resolved
from app.ledger.jobs.snapshot import KeyingChoice
from app.pricing import show_day


def lead_time(
    today: date, resolved: Sequence[Resolved | None], keying: Sequence[KeyingChoice]
) -> tuple[date | None, str]:
    """The day on which all of it is ready (None: not known yet), and the customer's sentence about it."""
    days = [choice.ready_on for choice in keying]
    if any(found and not found.is_stocked for found in resolved) and not any(days):
        return None, "Some items are not on the shelf; the date is confirmed when they are ordered."
    if not all(days):
        return None, "The date is confirmed with the order."
    ready = max((day for day in days if day is not None), default=today)
    if not keying:
        return today, "From the shelf."
    where = {"shop": "keyed on our bench", "factory": "keyed at the factory"}
    if any(choice.in_two_places for choice in keying):
        parts = [
            f"{choice.quantity:,} {'cylinder' if choice.quantity == 1 else 'cylinders'} ready on "
            f"{show_day(choice.ready_on)}, {where[choice.choice]}"
            for choice in sorted(keying, key=lambda choice: choice.ready_on or today)
            if choice.ready_on is not None and choice.choice in where
        ]
        return ready, f"If accepted today: {'; '.join(parts)}."
    places = " and ".join(dict.fromkeys(where[choice.choice] for choice in keying if choice.choice in where))
    return ready, f"Ready on {show_day(ready)}, {places}, if accepted today."
