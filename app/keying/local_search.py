"""Bittings for a matrix by mending: change the one cut that leaves the fewest unwanted operations, and again."""

from collections.abc import Callable, Sequence
from random import Random
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from app.keying.spec import Bitting

Numbers: TypeAlias = NDArray[np.int64]

NOISE = 0.01  # of the turns take a change by chance
WEIGHED = 0.1  # of those that bring nothing make their pair heavier
TRIED_KEYS = 6
TENURE = 4


class Mending:
    """Keys as rows of cuts, and how many unwanted operations are left.

    `choices[key][chamber]` are the depths a key may take there; a fixed key has one. `pinned[key, cylinder]` says
    whose cuts a cylinder is pinned to, `shut[key, cylinder]` who must not operate it. `bittings` are all `allowed`
    throughout, as far as `start` is; `violations` counts pairs (key, cylinder) that operate and must not.

    What a change brings is kept ready, so that a turn looks at a few numbers only: per chamber, depth and cylinder
    the weight of the pairs that operate, and of those that just this chamber keeps from it. A pair that no change
    puts right weighs more from then on.
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
        given = np.array(start, dtype=np.int64)
        keys, chambers = given.shape
        free = {tuple(column) for key in {tuple(map(tuple, key)) for key in choices} for column in key}
        self._depths = np.array(sorted({d for column in free for d in column} | set(np.unique(given).tolist())))
        depths, cylinders = len(self._depths), pinned.shape[1]
        self._shape = (chambers, depths, cylinders)
        place = {int(depth): number for number, depth in enumerate(self._depths)}
        self._open_to = np.zeros((keys, chambers, depths), dtype=np.bool_)
        for key, columns in enumerate(choices):
            for chamber, column in enumerate(columns):
                self._open_to[key, chamber, [place[depth] for depth in column]] = True
        self._cuts = np.searchsorted(self._depths, given)  # as numbers of depths
        self._cylinders_of = [np.flatnonzero(row) for row in pinned]
        self._keys_of = [np.flatnonzero(column) for column in pinned.T]
        self._movable = self._open_to.sum(axis=2).max(axis=1, initial=0) > 1
        self._chambers = np.arange(chambers)
        # Per chamber, depth and cylinder: of its keys those that have that depth.
        hot = np.zeros((keys, chambers, depths), dtype=np.float32)
        hot[np.arange(keys)[:, None], self._chambers, self._cuts] = 1
        self._counts = (hot.reshape(keys, -1).T @ pinned.astype(np.float32)).astype(np.int32).reshape(self._shape)
        self._blocks = np.zeros(pinned.shape, dtype=np.int16)  # chambers in which a key does not shear
        for chamber in range(chambers):
            self._blocks += self._counts[chamber][self._cuts[:, chamber]] == 0
        self._weights = np.ones(pinned.shape, dtype=np.int64)
        self._operating = np.zeros(self._shape, dtype=np.int64)
        self._kept_out = np.zeros(self._shape, dtype=np.int64)
        self._wrong: list[tuple[int, int]] = []
        self._place: dict[tuple[int, int], int] = {}
        near = np.argwhere(shut & (self._blocks <= 1))
        self._count(near[:, 0], near[:, 1], 1)
        self._turn = 0
        self._tabu = np.zeros((keys, chambers, depths), dtype=np.int64)
        self.best = self.bittings
        self.best_violations = self.violations

    @property
    def bittings(self) -> Numbers:
        """The bittings now, one a row."""
        found: Numbers = self._depths[self._cuts]
        return found

    @property
    def violations(self) -> int:
        """How many keys operate cylinders that they must not, now."""
        return len(self._wrong)

    def mend(self) -> None:
        """Take one unwanted operation and make the change of a cut, its own or a pinned key's, that helps most."""
        if not self._wrong:
            return
        self._turn += 1
        key, cylinder = self._wrong[self.rng.randrange(len(self._wrong))]
        gain, pick = self._pick(key, cylinder)
        if gain >= 0 and self.rng.random() < WEIGHED:
            self._weigh(key, cylinder)
        if pick is not None:
            self._move(*pick)
            if len(self._wrong) < self.best_violations:
                self.best_violations = len(self._wrong)
                self.best = self.bittings

    def _pick(self, key: int, cylinder: int) -> tuple[int, tuple[int, int, int] | None]:
        """Choose among moves of the key, and of pinned keys alone with a cut of it, the best that is allowed.

        A cut that was changed a short while ago does not come back yet.
        """
        own = self._counts[self._chambers, self._cuts[key], cylinder]
        movers = [key] if self._movable[key] else []
        pinned = self._keys_of[cylinder]
        pinned = pinned[self._movable[pinned]]
        alone = pinned[((self._cuts[pinned] == self._cuts[key]) & (own == 1)).any(axis=1)]
        others = alone.tolist() if len(alone) or movers else pinned.tolist()
        movers += self.rng.sample(others, min(TRIED_KEYS, len(others)))
        gains = []
        for mover in movers:
            moves = self._open_to[mover] & (self._tabu[mover] <= self._turn)
            moves[self._chambers, self._cuts[mover]] = False
            at, to = np.nonzero(moves)
            if len(at):
                change = self._changes(mover)[at, to]
                gains += [
                    (gain, self.rng.random(), mover, *move)
                    for gain, *move in zip(change.tolist(), at.tolist(), to.tolist(), strict=True)
                ]
        if self.rng.random() < NOISE:
            self.rng.shuffle(gains)
        else:
            gains.sort()
        for gain, _, mover, chamber, depth in gains:
            moved = self._cuts[mover].copy()
            moved[chamber] = depth
            if self.allowed(tuple(self._depths[moved].tolist())):
                return gain, (mover, chamber, depth)
        return 0, None

    def _changes(self, key: int) -> Numbers:
        """Give by how much each move of a key, by chamber and depth, would change the weight of what is wrong."""
        cuts, chambers = self._cuts[key], self._chambers
        # The key itself: it would operate where no other chamber keeps it out and the new cut shears.
        near = np.flatnonzero((self._blocks[key] <= 1) & self.shut[key])
        opened = self._counts[:, :, near] > 0
        blocks = self._blocks[key, near]
        bare = (blocks == 0) | ~opened[chambers, cuts]
        change = (opened * (bare * self._weights[key, near])[:, None, :]).sum(axis=2)
        change -= self._weights[key, near[blocks == 0]].sum()
        # Others in the key's own cylinders: where its new cut begins to shear, and where its old one ends.
        own = self._cylinders_of[key]
        change += self._kept_out[:, :, own].sum(axis=2)
        ends = self._counts[chambers[:, None], cuts[:, None], own] == 1
        change -= (ends * self._operating[chambers[:, None], cuts[:, None], own]).sum(axis=1)[:, None]
        found: Numbers = change
        return found

    def _move(self, key: int, chamber: int, depth: int) -> None:
        own, counts, old = self._cylinders_of[key], self._counts[chamber], int(self._cuts[key, chamber])
        column = self._cuts[:, chamber]
        ends, begins = own[counts[old, own] == 1], own[counts[depth, own] == 0]
        lose, gain = np.flatnonzero(column == old), np.flatnonzero(column == depth)
        lose = lose[lose != key]
        parts = [(np.array([key]), np.flatnonzero(self.shut[key]))]
        parts += [(rows, columns) for rows, columns in ((lose, ends), (gain, begins)) if len(rows) and len(columns)]
        pairs = [self._near(np.repeat(rows, len(columns)), np.tile(columns, len(rows))) for rows, columns in parts]
        for rows, columns in pairs:
            self._count(rows, columns, -1)
        was = counts[old] == 0
        counts[old, own] -= 1
        counts[depth, own] += 1
        mine = parts[0][1]
        self._blocks[key, mine] += (counts[depth, mine] == 0).astype(np.int16) - was[mine]
        self._blocks[np.ix_(lose, ends)] += 1
        self._blocks[np.ix_(gain, begins)] -= 1
        self._cuts[key, chamber] = depth
        for rows, columns in parts:
            self._count(*self._near(np.repeat(rows, len(columns)), np.tile(columns, len(rows))), 1)
        self._tabu[key, chamber, old] = self._turn + TENURE + self.rng.randrange(TENURE)

    def _near(self, rows: Numbers, columns: Numbers) -> tuple[Numbers, Numbers]:
        """Give those of some pairs that operate and must not, or that one chamber alone keeps from it."""
        near = (self._blocks[rows, columns] <= 1) & self.shut[rows, columns]
        return rows[near], columns[near]

    def _count(self, rows: Numbers, columns: Numbers, sign: int) -> None:
        """Add pairs, near to operating, to what is kept ready, or take them away."""
        if not len(rows):
            return
        blocks, weights = self._blocks[rows, columns], self._weights[rows, columns] * sign
        cuts = self._cuts[rows].T
        places = (self._chambers[:, None] * self._shape[1] + cuts) * self._shape[2] + columns
        wrong = blocks == 0
        if wrong.any():
            np.add.at(self._operating.reshape(-1), places[:, wrong].ravel(), np.tile(weights[wrong], len(places)))
            for pair in zip(rows[wrong].tolist(), columns[wrong].tolist(), strict=True):
                (self._enter if sign > 0 else self._leave)(pair)
        if not wrong.all():
            places, weights = places[:, ~wrong], weights[~wrong]
            keeping = (self._counts.reshape(-1)[places] == 0).argmax(axis=0)
            np.add.at(self._kept_out.reshape(-1), places[keeping, np.arange(len(keeping))], weights)

    def _enter(self, pair: tuple[int, int]) -> None:
        self._place[pair] = len(self._wrong)
        self._wrong.append(pair)

    def _leave(self, pair: tuple[int, int]) -> None:
        place, last = self._place.pop(pair), self._wrong.pop()
        if last != pair:
            self._wrong[place], self._place[last] = last, place

    def _weigh(self, key: int, cylinder: int) -> None:
        """Let a pair that operates weigh more."""
        self._weights[key, cylinder] += 1
        self._operating[self._chambers, self._cuts[key], cylinder] += 1
