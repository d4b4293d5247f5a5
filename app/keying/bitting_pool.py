"""Every bitting that a further key of a system could have, whatever array the system came from, if any."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from math import prod
from random import Random

import numpy as np
from numpy.typing import NDArray

from app.keying.issuing import is_apart
from app.keying.spec import Bitting, BittingSpec

MOST_WHOLE = 250_000
LEAST_APART = 2


@dataclass(frozen=True, slots=True, eq=False)
class BittingPool:
    """Bittings within MACS, with two-step progression of the system's parity, in an order drawn by chance.

    `is_whole`: all of them; a spec that has more than `most` gives a quarter of that, drawn. What breaks a
    rule of the spec is passed over when the pool is gone through.
    """

    spec: BittingSpec
    is_whole: bool
    rows: NDArray[np.int64] = field(repr=False)

    @classmethod
    def of(cls, spec: BittingSpec, pattern: Bitting, rng: Random, most: int = MOST_WHOLE) -> "BittingPool":
        """The pool of a system; `pattern` is a bitting of its parity.

        >>> spec = BittingSpec(chambers=3, depths=4, macs=2, step=2)
        >>> sorted(BittingPool.of(spec, (1, 0, 0), Random(1)))
        [(1, 0, 0), (1, 0, 2), (1, 2, 0), (1, 2, 2), (3, 2, 0), (3, 2, 2)]
        """
        chance = np.random.default_rng(rng.getrandbits(128))
        columns = [[d for d in spec.all_depths if (d - cut) % spec.step == 0] for cut in pattern]
        is_whole = prod(map(len, columns)) <= most
        if is_whole:
            rows = np.stack(np.meshgrid(*map(np.array, columns), indexing="ij"), axis=-1).reshape(-1, spec.chambers)
            rows = rows[(np.abs(np.diff(rows, axis=1)) <= spec.macs).all(axis=1)]
        else:
            rows = _drawn(columns, spec.macs, chance, most // 4)
        return cls(spec, is_whole, chance.permutation(rows).astype(np.int64))

    @property
    def usable(self) -> int:
        """How many there are within MACS."""
        return len(self.rows)

    def __contains__(self, bitting: object) -> bool:
        return (
            isinstance(bitting, tuple)
            and self.spec.allows(bitting)
            and bool((self.rows == np.array(bitting)).all(axis=1).any())
        )

    def __iter__(self) -> Iterator[Bitting]:
        for start in range(0, len(self.rows), 1000):
            for row in self.rows[start : start + 1000].tolist():
                if self.spec.allows(row):
                    yield tuple(row)

    def shuffled(self, rng: Random) -> "BittingPool":
        """The same in another order drawn by chance."""
        return replace(self, rows=np.random.default_rng(rng.getrandbits(128)).permutation(self.rows))

    def beside(self, others: Sequence[Bitting], like: Sequence[Bitting] = ()) -> "BittingPool":
        """The same for a key whose cylinder `others` operate too, as they do those of the keys `like` it.

        First what has the most cuts that those keys have, and other cuts rather where these differ than where they
        are alike, so that an array goes on as far as it does; then what makes the fewest combinations in the
        cylinder. What has too many cuts in common with one of the others, so that a worn key might pass, comes last.
        """
        apart = self.spec.rules.least_apart or LEAST_APART
        near = np.zeros(len(self.rows), dtype=np.bool_)
        for other in others:
            near |= (self.rows != np.array(other)).sum(axis=1) < apart
        cost, new = np.ones(len(self.rows), dtype=np.int64), np.zeros(len(self.rows), dtype=np.int64)
        for chamber in range(self.spec.chambers):
            column, opening = self.rows[:, chamber], sorted({cuts[chamber] for cuts in others})
            cost *= len(opening) + ~np.isin(column, opening)
            if known := sorted({cuts[chamber] for cuts in like}):
                new += np.where(np.isin(column, known), 0, 1 if len(known) > 1 else self.spec.chambers)
        return replace(self, rows=self.rows[np.lexsort((cost, new, near))])


@dataclass(slots=True)
class PoolRun:
    """A pool gone through once, for keys of one kind: what one could not have, the next cannot have either."""

    bittings: Iterator[Bitting] = field(repr=False)
    fellows: list[Bitting] = field(default_factory=list, repr=False)
    least_apart: int = LEAST_APART
    _waiting: list[Bitting] = field(default_factory=list, repr=False)

    def take(self, takes: Callable[[Bitting], bool]) -> Bitting | None:
        """The next that can be taken; those too near to a fellow wait until there is none."""
        for bitting in self.bittings:
            if takes(bitting):
                if is_apart(bitting, self.fellows, self.least_apart):
                    self.fellows.append(bitting)
                    return bitting
                self._waiting.append(bitting)
        while self._waiting:
            if takes(bitting := self._waiting.pop(0)):
                return bitting
        return None


def _drawn(columns: Sequence[Sequence[int]], macs: int, chance: np.random.Generator, count: int) -> NDArray[np.int64]:
    """Draw cut after cut among the depths that MACS allows beside the one before."""
    rows = chance.choice(columns[0], size=(count, 1))
    for column in columns[1:]:
        open_to = np.abs(rows[:, -1:] - np.array(column)) <= macs
        rows, open_to = rows[open_to.any(axis=1)], open_to[open_to.any(axis=1)]
        chosen = np.where(open_to, chance.random(open_to.shape), -1.0).argmax(axis=1)
        rows = np.column_stack([rows, np.array(column)[chosen]])
    return np.unique(rows, axis=0)
