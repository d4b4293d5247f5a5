"""Rotating constants: every change matches the master in a set number of cuts, whose places move on in order.

Two changes with as many constants each never operate each other's cylinders: the one's cuts apart from the
master would have to be among the other's, and they are as many. (LIST, paraphrased at metrolock.com/?p=2053)
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import combinations

from app.keying.errors import KeyingError
from app.keying.given import whole
from app.keying.progression import Progression, check_master, make_columns, progress
from app.keying.spec import Bitting, BittingSpec

MOST_PLACES = 1000


@dataclass(frozen=True, slots=True)
class RotatingConstants:
    """A progression for each set of held chambers in turn; iterating gives the bittings within MACS.

    `places` has the held chambers (from 1) of each turn.
    """

    spec: BittingSpec
    tmk: Bitting = field(repr=False)
    places: tuple[tuple[int, ...], ...]
    turns: tuple[Progression, ...] = field(repr=False)

    @property
    def theoretical(self) -> int:
        """All combinations of all turns."""
        return sum(turn.theoretical for turn in self.turns)

    @property
    def usable(self) -> int:
        """The combinations within the MACS."""
        return sum(turn.usable for turn in self.turns)

    def __contains__(self, bitting: object) -> bool:
        return any(bitting in turn for turn in self.turns)

    def __iter__(self) -> Iterator[Bitting]:
        for turn in self.turns:
            yield from turn


def rotate(
    spec: BittingSpec,
    tmk: Bitting,
    constants: int,
    places: Sequence[Collection[int]] | None = None,
    order: Sequence[int] | None = None,
) -> RotatingConstants:
    """Give the changes under `tmk` that match it in exactly `constants` chambers, place after place.

    Without `places` the held chambers run through all sets of that size, the bow's first. `order` names all
    chambers, fastest first, as in `progress`. A place whose other chambers have nothing to progress is refused.

    >>> spec = BittingSpec(chambers=6, depths=10, macs=9, step=2)
    >>> found = rotate(spec, (4, 1, 7, 2, 5, 0), constants=4)
    >>> len(found.places), found.theoretical
    (15, 240)
    """
    check_master(spec, tmk)
    whole(constants, "constants", 1, spec.chambers - 1)
    if places is None:
        every = range(1, spec.chambers + 1)
        turns = list(combinations(every, constants))
    else:
        turns = [tuple(sorted(place)) for place in places]
    _check_places(spec, constants, turns)
    progressions = []
    for held in turns:
        made = progress(spec, tmk, held=held, order=order)
        if sum(1 for column in made.columns if column) != spec.chambers - constants:
            raise KeyingError("places", "A chamber that is to progress has no other depth of the master's parity.")
        progressions.append(made)
    return RotatingConstants(spec, tmk, tuple(turns), tuple(progressions))


def turning_places(spec: BittingSpec, tmk: Bitting, constants: int) -> tuple[tuple[int, ...], ...]:
    """Give the sets of `constants` held chambers, a chamber that has no other depth being held in each.

    >>> turning_places(BittingSpec(chambers=4, depths=3, macs=2, step=2), (1, 0, 2, 0), 2)
    ((1, 2), (1, 3), (1, 4))
    """
    still = {chamber for chamber, column in enumerate(make_columns(spec, tmk), start=1) if not column}
    return tuple(held for held in combinations(range(1, spec.chambers + 1), constants) if still <= set(held))


def fewest_constants(spec: BittingSpec, tmk: Bitting, wanted: int) -> RotatingConstants | None:
    """Give the rotation with the fewest constants whose turns hold `wanted` changes; None where none does."""
    for constants in range(1, spec.chambers):
        places = turning_places(spec, tmk, constants)
        if places and (found := rotate(spec, tmk, constants, places)).usable >= wanted:
            return found
    return None


def _check_places(spec: BittingSpec, constants: int, turns: Sequence[tuple[int, ...]]) -> None:
    if not 1 <= len(turns) <= MOST_PLACES:
        raise KeyingError("places", f"Give 1 to {MOST_PLACES:,} sets of held chambers.")
    for held in turns:
        for chamber in held:
            whole(chamber, "places", 1, spec.chambers)
        if len(set(held)) != len(held) or len(held) != constants:
            raise KeyingError("places", f"Each place holds {constants} different chambers.")
    if len(set(turns)) != len(turns):
        raise KeyingError("places", "A place stands twice; each set of held chambers comes once.")
