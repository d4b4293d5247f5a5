"""The array that a plan draws its next bittings from: a progression under a key, or rotating constants."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from app.keying.bitting_list import Array
from app.keying.levels import CHANGE, progression_under
from app.keying.progression import Columns
from app.keying.rotating import RotatingConstants, rotate, turning_places
from app.keying.spec import Bitting, BittingSpec
from app.keying.spreading import Spread


@dataclass(frozen=True, slots=True)
class Turned:
    """Rotating constants, each turn in an order that keeps changes of one job unlike (see Spread)."""

    turning: RotatingConstants = field(repr=False)

    @property
    def usable(self) -> int:
        """The combinations within the MACS."""
        return self.turning.usable

    def __contains__(self, bitting: object) -> bool:
        return bitting in self.turning

    def __iter__(self) -> Iterator[Bitting]:
        for turn in self.turning.turns:
            yield from Spread(turn)


def array_under(
    spec: BittingSpec,
    tmk: Bitting,
    roles: str,
    role: str,
    base: Bitting,
    *,
    constants: int = 0,
    columns: Columns | None = None,
) -> Array:
    """Give the bittings of a level under a key: masters in sequence, changes spread.

    As `progression_under`; with `constants`, of a system of two levels, every change matches its master in so many
    chambers whose places move on.

    >>> spec = BittingSpec(chambers=6, depths=10, macs=9, step=2)
    >>> array_under(spec, (4, 1, 7, 2, 5, 0), "CCCCCC", "C", (4, 1, 7, 2, 5, 0), constants=4).usable
    240
    """
    if constants and role == CHANGE:
        return Turned(rotate(spec, base, constants, turning_places(spec, base, constants)))
    run = progression_under(spec, tmk, roles, role, base, columns=columns)
    return Spread(run) if role == CHANGE else run
