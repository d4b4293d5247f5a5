"""The order in which changes are handed out: the whole array, but keys of one job unlike in several cuts.

In plain sequence one change follows the other by one step in one chamber, so that a worn key of one door is
nearly the key of the next. Number each chamber's depths in its column from 0. Changes whose numbers add up alike
(modulo a prime no smaller than any column or than the chambers) come one after the other: two of them never
differ in one chamber alone, since one number cannot change the sum and leave it. Of those the ones whose numbers
times their chambers' places add up alike come first together: two of them differ in three chambers or more, since
with two chambers changed both sums stay only if both changes are none. Within these parts the array's own
sequence holds. (reasoned here, no source)
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import product

from app.keying.progression import Progression
from app.keying.spec import Bitting

LISTED = 100_000
_PRIMES = (2, 3, 5, 7, 11, 13, 17)  # the largest is no smaller than sixteen depths


@dataclass(frozen=True, slots=True)
class Spread:
    """A progression whose bittings come in parts that differ much; the same bittings, none twice, none left out.

    >>> from app.keying.progression import progress
    >>> from app.keying.spec import BittingSpec
    >>> array = progress(BittingSpec(chambers=3, depths=6, macs=9, step=2), (1, 1, 2))
    >>> list(array) == list(Spread(array)), sorted(array) == sorted(Spread(array))
    (False, True)
    >>> list(Spread(array))[:3]
    [(3, 3, 0), (5, 5, 4), (5, 3, 0)]
    """

    progression: Progression = field(repr=False)

    @property
    def usable(self) -> int:
        """The combinations within the MACS."""
        return self.progression.usable

    def __contains__(self, bitting: object) -> bool:
        return bitting in self.progression

    def __iter__(self) -> Iterator[Bitting]:
        columns = [(chamber, column) for chamber, column in enumerate(self.progression.columns) if column]
        most = max([len(columns), *(len(column) for _, column in columns)], default=2)
        prime = next(number for number in _PRIMES if number >= most)
        sums = [
            (chamber, {depth: (number, place * number) for number, depth in enumerate(column)})
            for place, (chamber, column) in enumerate(columns)
        ]

        def part(bitting: Bitting) -> tuple[int, int]:
            plain = weighted = 0
            for chamber, numbers in sums:
                one, other = numbers[bitting[chamber]]
                plain += one
                weighted += other
            return plain % prime, weighted % prime

        if self.progression.usable <= LISTED:
            yield from sorted(self.progression, key=part)
            return
        # Too many to hold at once: part after part, of which the first is seldom used up.
        for wanted in product(range(prime), repeat=2):
            yield from (bitting for bitting in self.progression if part(bitting) == wanted)
