"""What the counter reads of shop and factory: dates and reasons; the house's own figures are the owner's."""

from __future__ import annotations

__all__ = ["told_reasons", "told_why"]

from app.ledger.jobs.snapshot import KeyingChoice, Way


def told_why(way: Way, is_owner: bool) -> tuple[str, ...]:
    """Why a way is not possible, as a customer could be told it; for the owner with the figures behind it."""
    return (*way.why_not, *way.detail) if is_owner else way.why_not


def told_reasons(choice: KeyingChoice) -> list[str]:
    """The reasons, without those that stand beside their way already."""
    beside = {why for way in choice.ways for why in way.why_not}
    return [reason for reason in choice.reasons if reason not in beside]
