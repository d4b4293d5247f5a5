"""A customer's tax exemption in words: is there a certificate, and does it still hold."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from app.pricing import show_day

SOON_DAYS = 45  # how early the counter asks for the next certificate


@dataclass(frozen=True, slots=True)
class ExemptionState:
    """`kind` is the mark beside it: "" for no certificate, "good", or "caution" when it ends soon or has ended."""

    kind: str
    words: str


def exemption_state(certificate: str, until: date | None, today: date) -> ExemptionState:
    """What the counter reads about a certificate; it holds up to and including the day `until`.

    >>> exemption_state("EX-1", date(2027, 3, 1), date(2026, 11, 25)).words
    'Exempt under certificate EX-1 until Monday 1 March 2027.'
    >>> exemption_state("EX-1", date(2026, 11, 24), date(2026, 11, 25)).kind
    'caution'
    """
    if not certificate or until is None:
        return ExemptionState("", "Pays sales tax: no exemption certificate on record.")
    left = (until - today).days
    if left < 0:
        return ExemptionState(
            "caution",
            f"Certificate {certificate} expired on {show_day(until)}: sales tax is charged until there is a new one.",
        )
    if left <= SOON_DAYS:
        days = "today" if left == 0 else "tomorrow" if left == 1 else f"in {left} days"
        return ExemptionState(
            "caution",
            f"Exempt under certificate {certificate}; it ends {days}, on {show_day(until)}. Ask for a new one.",
        )
    return ExemptionState("good", f"Exempt under certificate {certificate} until {show_day(until)}.")
