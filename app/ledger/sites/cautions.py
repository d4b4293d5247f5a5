"""The cautions that a door's flags and hardware ask for together. They warn and defer; they decide nothing."""

from collections.abc import Sequence
from fractions import Fraction
from functools import lru_cache
from typing import Protocol

from app.fitting import mismatch, required_length, show_inches
from app.ledger.sites.cylinders import StandingCylinder, standing
from app.ledger.tables import Door

# What the cautions rest on is common practice, no source; the local code is the authority.
EGRESS = "Exit door: a lock that needs a key from inside may be unlawful; ask the authority having jurisdiction."
INSIDE = (
    "Exit door with a key on the inside: people may not get out without one. Do not fit or keep it before the "
    "authority having jurisdiction has said that the local code allows it here."
)
FIRE = "Fire-rated: do not drill or change hardware beyond what the label and the local code allow."
DRILLING = (
    "Fire-rated, and a rim or bored lock is still to be fitted: a new hole drilled in the field may void the "
    "label. Use the holes that are there, or ask who issued the label and the authority having jurisdiction."
)
FINISHES = "Finishes differ: "
"""What a caution about the finishes of one door begins with; which two, and how, follows."""
# A lock case and a cam depth that are common (from memory of the trade): good enough to say "measure", no more.
_CASE, _CAM = Fraction(1), Fraction(3, 4)
_RING = Fraction(1, 2)  # more than this, and no ring that a shop usually holds covers it
_DOUBLE = ("double cylinder", "double-cylinder", "keyed both sides", "key both sides")


class StandingThere(StandingCylinder, Protocol):
    """What the cautions read of a cylinder."""

    @property
    def type(self) -> str: ...
    @property
    def length(self) -> Fraction | None: ...
    @property
    def finish(self) -> str: ...


def cautions_of(door: Door) -> tuple[str, ...]:
    """The sentences that belong with this door and what stands on it, on screen and on paper.

    They read `door.cylinders` and `door.lock`: load both where there are many doors.
    """
    lock = door.lock
    return cautions_for(
        standing(door),
        is_egress=door.is_egress,
        is_fire_rated=door.is_fire_rated,
        thickness=door.thickness,
        lock_words=f"{lock.description} {lock.function}" if lock else "",
    )


def cautions_for(
    there: Sequence[StandingThere],
    *,
    is_egress: bool,
    is_fire_rated: bool,
    thickness: Fraction | None,
    lock_words: str,
) -> tuple[str, ...]:
    """The same for a door whose facts are at hand as plain values; `there`: what stands at each position."""
    told = []
    if is_egress:
        told.append(INSIDE if _has_key_inside(lock_words, there) else EGRESS)
    if is_fire_rated:
        told.append(FIRE)
        if any(one.type in ("rim", "bored", "deadbolt", "lockset") and not one.state.has_left for one in there):
            told.append(DRILLING)
    told += [sentence for one in there if (sentence := _length(thickness, one))]
    told += [FINISHES + sentence for sentence in mismatch([one.finish for one in there])]
    return tuple(dict.fromkeys(told))


def caution_word(sentence: str) -> str:
    """A caution in a word or two, for a row that has no room for its sentence.

    >>> caution_word(EGRESS), caution_word(INSIDE), caution_word(FIRE), caution_word(DRILLING)
    ('exit', 'exit, key inside', 'fire-rated', 'no drilling')
    """
    words = {EGRESS: "exit", INSIDE: "exit, key inside", FIRE: "fire-rated", DRILLING: "no drilling"}
    return words.get(sentence) or ("finishes" if sentence.startswith(FINISHES) else "measure")


def _has_key_inside(lock_words: str, there: Sequence[StandingThere]) -> bool:
    words = lock_words.casefold()
    return any("inside" in one.position.casefold() for one in there) or any(word in words for word in _DOUBLE)


def _length(thickness: Fraction | None, cylinder: StandingThere) -> str:
    """Whether a mortise cylinder looks too short or stands proud in a door of this thickness; "" if it may fit."""
    if cylinder.type != "mortise" or not cylinder.length or not thickness or thickness < _CASE:
        return ""
    return _misfit(cylinder.length, thickness)


@lru_cache(maxsize=1024)  # a house stocks few lengths, and a schedule asks this of every door
def _misfit(length: Fraction, thickness: Fraction) -> str:
    needed = required_length(thickness, _CASE, Fraction(0), _CAM)
    both = f"Cylinder {show_inches(length)} in in a door {show_inches(thickness)} in thick: with a 1 in case"
    if length < needed:
        return f"{both} the cam would not reach; measure before it is ordered or fitted."
    if length - needed > _RING:
        return f"{both} the head stands proud, and a wrench can get hold of it; measure, and cover it with a ring."
    return ""
