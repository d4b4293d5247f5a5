"""The cautions that a door's flags ask for. They warn and defer; they decide nothing."""

from __future__ import annotations

__all__ = ["EGRESS", "FIRE", "cautions_of"]

from app.ledger.doors.models import Door

# What the cautions rest on is common practice, no source; the local code is the authority.
EGRESS = "Exit door: a lock that needs a key from inside may be unlawful; ask the authority having jurisdiction."
FIRE = "Fire-rated: do not drill or change hardware beyond what the label and the local code allow."


def cautions_of(door: Door) -> tuple[str, ...]:
    """The sentences that belong with this door, on screen and on paper."""
    return tuple(text for flag, text in ((door.is_egress, EGRESS), (door.is_fire_rated, FIRE)) if flag)
