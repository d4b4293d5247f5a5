"""What the counter reads of shop and factory: dates and reasons; the house's own amounts are the owner's."""

from __future__ import annotations

__all__ = ["told_reasons", "told_why"]

import re

from app.ledger.jobs.snapshot import KeyingChoice, Way


def told_why(way: Way, is_owner: bool) -> list[str]:
    """Why a way is not possible, a sentence each; whoever is not the owner reads none with an amount."""
    sentences = [said for why in way.why_not for said in re.split(r"(?<=[.!?])\s+", why.strip()) if said]
    return [said for said in sentences if is_owner or "$" not in said]


def told_reasons(choice: KeyingChoice) -> list[str]:
    """The reasons, without those that stand beside their way already."""
    beside = " ".join(why for way in choice.ways for why in way.why_not)
    return [reason for reason in choice.reasons if reason not in beside]
