"""What the counter reads of shop and factory: dates and reasons; the house's own figures are the owner's."""

from __future__ import annotations

from app.ledger.quoting.snapshot import KeyingChoice, Way


def told_why(way: Way, is_owner: bool) -> tuple[str, ...]:
    """Why a way is not possible, as a customer could be told it; for the owner with the figures behind it."""
    return (*way.why_not, *way.detail) if is_owner else way.why_not


def told_reasons(choice: KeyingChoice) -> list[str]:
    """The reasons, without those that stand beside their way already."""
    beside = {why for way in choice.ways for why in way.why_not}
    # A split's reasons say what stands against a way in one sentence, with the way's name before it.
    beside |= {" ".join(way.why_not) for way in choice.ways if way.why_not}
    return [one for one in choice.reasons if one not in beside and one.partition(": ")[2] not in beside]
