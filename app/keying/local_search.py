"""Bittings for a matrix by mending: change the one cut that leaves the fewest unwanted operations, and again."""

from collections.abc import Callable, Sequence
from random import Random

import numpy as np
from numpy.typing import NDArray

from app.keying.spec import Bitting

NOISE = 0.02
TRIED_KEYS = 3
TENURE = 10


class Mending:
    """Keys as rows of cuts, and how many unwanted operations are left.

    `choices[key][chamber]` are the depths a key may take there; a fixed key has one. `pinned[key, cylinder]` says
    whose cuts a cylinder is pinned to, `shut[key, cylinder]` who must not operate it. `bittings` are all `allowed`
    throughout, as far as `start` is; `violations` counts pairs (key, cylinder) that operate and must not.
    """

    def __init__(
        self,
        choices: Sequence[Sequence[Sequence[int]]],
        pinned: NDArray[np.bool_],
        shut: NDArray[np.bool_],
        allowed: Callable[[Bitting], bool],
        start: Sequence[Sequence[int]],
        rng: Random,
    ) -> None:
        self.allowed, self.rng, self.shut = allowed, rng, shut
        self.bittings = np.array(start, dtype=np.int64)
        keys, chambers = self.bittings.shape
        depths = 1 + max((max(depths) for key in choices for depths in key), default=0)
        depths = max(depths, int(self.bittings.max(initial=0)) + 1)
        self._open_to = np.zeros((keys, chambers, depths), dtype=np.bool_)
        for key, columns in enumerate(choices):
            for chamber, column in enumerate(columns):
                self._open_to[key, chamber, list(column)] = True
        self._cylinders_of = [np.flatnonzero(row) for row in pinned]
        self._keys_of = [np.flatnonzero(column) for column in pinned.T]
        self._movable = self._open_to.sum(axis=2).max(axis=1, initial=0) > 1
        self._chambers = np.arange(chambers)
        # One-hot cuts, and per chamber, depth and cylinder how many of its keys have that depth.
        self._cuts = np.zeros((keys, chambers, depths), dtype=np.float32)
        self._cuts[np.arange(keys)[:, None], self._chambers, self.bittings] = 1
        flat = self._cuts.reshape(keys, -1)
        self._counts = (flat.T @ pinned.astype(np.float32)).astype(np.int32).reshape(chambers, depths, -1)
        self._blocks = np.zeros(pinned.shape, dtype=np.int16)  # chambers in which a key does not shear
        for chamber in range(chambers):
            self._blocks += self._counts[chamber][self.bittings[:, chamber]] == 0
        self._turn = 0
        self._tabu = np.zeros((keys, chambers, depths), dtype=np.int64)
        self.best = self.bittings.copy()
        self.best_violations = self.violations

    @property
    def violations(self) -> int:
        """How many keys operate cylinders that they must not, now."""
        return int(np.count_nonzero((self._blocks == 0) & self.shut))

    def mend(self) -> None:
        """Take one unwanted operation and make the change of a cut, its own or a pinned key's, that helps most."""
        wrong = np.flatnonzero((self._blocks == 0) & self.shut)
        if not len(wrong):
            return
        self._turn += 1
        key, cylinder = divmod(int(wrong[self.rng.randrange(len(wrong))]), self.shut.shape[1])
        pick = self._pick(key, cylinder, len(wrong))
        if pick is not None:
            self._move(*pick)
            if (now := self.violations) < self.best_violations:
                self.best_violations = now
                self.best = self.bittings.copy()

    def _pick(self, key: int, cylinder: int, wrong: int) -> tuple[int, int, int] | None:
        """Choose among moves of the key, and of pinned keys alone with a cut of it, the best that is allowed.

        A cut that was changed a short while ago comes back only where that beats the best so far.
        """
        own = self._counts[self._chambers, self.bittings[key], cylinder]
        movers = [key] if self._movable[key] else []
        pinned = self._keys_of[cylinder]
        pinned = pinned[self._movable[pinned]]
        alone = pinned[((self.bittings[pinned] == self.bittings[key]) & (own == 1)).any(axis=1)]
        if not len(alone) and not movers:
            alone = pinned
        others = alone.tolist()
        movers += self.rng.sample(others, min(TRIED_KEYS, len(others)))
        gains = []
        for mover in movers:
            change = self._changes(mover)
            moves = self._open_to[mover].copy()
            moves[self._chambers, self.bittings[mover]] = False
            held = (self._tabu[mover] > self._turn) & (wrong + change >= self.best_violations)
            moves &= ~held
            gains += [
                (int(change[at, to]), self.rng.random(), mover, at, to) for at, to in np.argwhere(moves).tolist()
            ]
        if self.rng.random() < NOISE:
            self.rng.shuffle(gains)
        else:
            gains.sort()
        for _, _, mover, at, to in gains:
            moved = self.bittings[mover].tolist()
            moved[at] = to
            if self.allowed(tuple(moved)):
                return mover, at, to
        return None

    def _changes(self, key: int) -> NDArray[np.int64]:
        """Give by how much each move of a key, by chamber and depth, would change the violations."""
        cuts = self.bittings[key]
        closed = self._counts == 0
        now = closed[self._chambers, cuts]
        shut = self.shut[key]
        # The key itself: pairs that only the chamber moved may block.
        bare = ((self._blocks[key] - now) == 0) & shut
        change = np.matmul(~closed, bare[:, :, None].astype(np.float32))[:, :, 0]
        change -= np.count_nonzero((self._blocks[key] == 0) & shut)
        # Others in the key's own cylinders: where its new cut begins to shear, and where its old one ends.
        own = self._cylinders_of[key]
        if len(own):
            blocks, free = self._blocks[:, own], self.shut[:, own]
            shape = (*change.shape, len(own))
            flat = self._cuts.reshape(len(self._cuts), -1)
            last = (flat.T @ ((blocks == 1) & free).astype(np.float32)).reshape(shape)
            change += (last * closed[:, :, own]).sum(axis=2)
            rows, columns = np.nonzero((blocks == 0) & free)
            if len(rows):
                single = self._counts[self._chambers[:, None], cuts[:, None], own] == 1
                freed = (self.bittings[rows] == cuts) & single[:, columns].T
                change -= freed.sum(axis=0)[:, None]
        changes: NDArray[np.int64] = change.astype(np.int64)
        return changes

    def _move(self, key: int, chamber: int, depth: int) -> None:
        own = self._cylinders_of[key]
        counts = self._counts[chamber]
        old = int(self.bittings[key, chamber])
        column = self.bittings[:, chamber]
        if len(own):
            ends, begins = own[counts[old, own] == 1], own[counts[depth, own] == 0]
            counts[old, own] -= 1
            counts[depth, own] += 1
            self._blocks[np.ix_(column == old, ends)] += 1
            self._blocks[np.ix_(column == depth, begins)] -= 1
        # Its own row, by what shears now: its old cut counted as blocked where the cylinder has it no more.
        was = counts[old] == 0
        self._blocks[key] += (counts[depth] == 0).astype(np.int16) - was
        self.bittings[key, chamber] = depth
        self._cuts[key, chamber, old], self._cuts[key, chamber, depth] = 0, 1
        self._tabu[key, chamber, old] = self._turn + TENURE + self.rng.randrange(TENURE)
