"""Bittings for a matrix by mending: change the one cut that leaves the fewest unwanted operations, and again."""

from collections.abc import Sequence
from random import Random

import numpy as np
from numpy.typing import NDArray

NOISE = 0.08
TRIED_KEYS = 4


class Mending:
    """Keys as rows of places in each chamber's list of depths, and how many unwanted operations are left.

    `choices[key][chamber]` are the depths a key may take there; a fixed key has one. `listed[key, cylinder]`
    says who is meant to operate what. `bittings` obey MACS throughout; `violations` counts pairs (key,
    cylinder) that operate and must not.
    """

    def __init__(
        self,
        choices: Sequence[Sequence[Sequence[int]]],
        listed: NDArray[np.bool_],
        macs: int,
        start: Sequence[Sequence[int]],
        rng: Random,
    ) -> None:
        self.choices, self.macs, self.rng = choices, macs, rng
        self.bittings = np.array(start, dtype=np.int64)
        keys, chambers = self.bittings.shape
        self._cylinders_of = [np.flatnonzero(row) for row in listed]
        self._keys_of = [np.flatnonzero(column) for column in listed.T]
        self._unlisted = ~listed
        # counts[chamber, cylinder, depth]: listed keys that have the depth there, so that it shears.
        self._counts = np.zeros((chambers, listed.shape[1], 16), dtype=np.int64)
        for key in range(keys):
            for chamber in range(chambers):
                self._counts[chamber, self._cylinders_of[key], self.bittings[key, chamber]] += 1
        self._blocks = np.zeros(listed.shape, dtype=np.int64)  # chambers in which a key does not shear
        for chamber in range(chambers):
            self._blocks += self._counts[chamber][:, self.bittings[:, chamber]].T == 0
        self.best = self.bittings.copy()
        self.best_violations = self.violations

    @property
    def violations(self) -> int:
        """How many keys operate cylinders that they must not, now."""
        return int(((self._blocks == 0) & self._unlisted).sum())

    def mend(self) -> None:
        """Take one unwanted operation and make the change of a cut, its own or a listed key's, that helps most."""
        keys, cylinders = np.nonzero((self._blocks == 0) & self._unlisted)
        if not len(keys):
            return
        pick = self.rng.randrange(len(keys))
        key, cylinder = int(keys[pick]), int(cylinders[pick])
        others = self._keys_of[cylinder].tolist()
        movable = [key, *self.rng.sample(others, min(TRIED_KEYS, len(others)))]
        moves = [
            (mover, chamber, depth)
            for mover in movable
            for chamber in range(self.bittings.shape[1])
            if self.bittings[mover, chamber] == self.bittings[key, chamber] or mover == key
            for depth in self.choices[mover][chamber]
            if depth != self.bittings[mover, chamber] and self._obeys(mover, chamber, depth)
        ]
        if not moves:
            return
        if self.rng.random() < NOISE:
            self._move(*self.rng.choice(moves))
        else:
            self._move(*min(moves, key=lambda move: (self._change(*move), self.rng.random())))
        if (now := self.violations) < self.best_violations:
            self.best_violations = now
            self.best = self.bittings.copy()

    def _obeys(self, key: int, chamber: int, depth: int) -> bool:
        row = self.bittings[key]
        left = chamber == 0 or abs(int(row[chamber - 1]) - depth) <= self.macs
        return left and (chamber == len(row) - 1 or abs(int(row[chamber + 1]) - depth) <= self.macs)

    def _change(self, key: int, chamber: int, depth: int) -> int:
        """Give by how much a move would change the violations."""
        old = int(self.bittings[key, chamber])
        counts = self._counts[chamber]
        row = self._blocks[key]
        after = row - (counts[:, old] == 0) + (counts[:, depth] == 0)
        free = self._unlisted[key]
        change = int(((after == 0) & free).sum()) - int(((row == 0) & free).sum())
        own = self._cylinders_of[key]
        cuts = self.bittings[:, chamber]
        begins = (counts[own, depth] == 0, cuts == depth, -1)
        ends = (counts[own, old] == 1, cuts == old, 1)
        for shears, there, step in (begins, ends):
            # Where a depth begins to shear its keys lose a block, where it ends they gain one.
            touched = own[shears]
            who = np.flatnonzero(there)
            who = who[who != key]
            if len(touched) and len(who):
                blocks = self._blocks[np.ix_(who, touched)]
                free_pairs = self._unlisted[np.ix_(who, touched)]
                change += int((((blocks + step) == 0) & free_pairs).sum()) - int(((blocks == 0) & free_pairs).sum())
        return change

    def _move(self, key: int, chamber: int, depth: int) -> None:
        own = self._cylinders_of[key]
        others = self._unlisted[key]
        counts = self._counts[chamber]
        old = int(self.bittings[key, chamber])
        self._blocks[key, others] += (counts[others, depth] == 0).astype(np.int64) - (counts[others, old] == 0)
        self._blocks[:, own] -= self._blocked_by(chamber, own)
        counts[own, old] -= 1
        counts[own, depth] += 1
        self.bittings[key, chamber] = depth
        self._blocks[:, own] += self._blocked_by(chamber, own)

    def _blocked_by(self, chamber: int, cylinders: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Give which keys this chamber blocks in some cylinders."""
        blocked: NDArray[np.bool_] = self._counts[chamber][cylinders][:, self.bittings[:, chamber]].T == 0
        return blocked
