"""What to allow or to drop, where a matrix was not solved, so that one nearby is: the fewest entries found."""

from collections.abc import Callable, Iterable, Iterator
from copy import copy
from dataclasses import dataclass
from functools import partial
from random import Random, SystemRandom
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from app.keying.matrix import AccessMatrix
from app.keying.matrix_problem import Flags, MatrixProblem, operating
from app.keying.time_limit import TimeLimit

Solves: TypeAlias = Callable[[AccessMatrix, float], bool]
"""Tell whether a search as the asker runs it, from the beginning and with the same seed, solves a matrix in time."""

EFFORT = 4.0  # of CP-SAT, in its deterministic time, to bring the changes down
MOST_SHUT = 400_000  # pairs to shut out: of more, nobody would read what to change
FEW = 10  # at most one of so many keys loses all its doors
LEAST_TRIAL = 0.5  # seconds for a trial, as long as there are any


def same_again(rng: Random) -> Callable[[], Random]:
    """Give, each time it is called, a generator that draws what this one would draw next.

    A generator without a state, as for real keys, is given itself: a trial then is another search, not the same.
    """
    return (lambda: rng) if isinstance(rng, SystemRandom) else partial(copy, copy(rng))


@dataclass(frozen=True, slots=True)
class AccessChange:
    """One entry of a matrix to change: a key (its holders) may open a cylinder (its doors) too, or no longer does."""

    key: int
    cylinder: int
    allow: bool

    def entries(self, matrix: AccessMatrix) -> Iterator[tuple[str, str]]:
        """Give the entries of the table, holder and door."""
        for holder in matrix.keys[self.key].holders:
            for door in matrix.cylinders[self.cylinder].doors:
                yield holder, door


def relaxed(matrix: AccessMatrix, changes: Iterable[AccessChange]) -> AccessMatrix:
    """Give the matrix with the changes done; a door that nobody opens any more is left out.

    >>> matrix = AccessMatrix.of({"owner": {"1", "2"}, "clerk": {"1"}}, ["1", "2"])
    >>> relaxed(matrix, [AccessChange(key=1, cylinder=0, allow=False)]).without_doors
    ('clerk',)
    """
    listed = matrix.listed
    for change in changes:
        listed[change.key, change.cylinder] = change.allow
    return matrix.with_listed(listed)


def entry_weights(matrix: AccessMatrix) -> NDArray[np.int64]:
    """Give how many entries of the table each pair of key and cylinder stands for."""
    holders = np.array([len(key.holders) for key in matrix.keys], dtype=np.int64)
    doors = np.array([len(group.doors) for group in matrix.cylinders], dtype=np.int64)
    return np.multiply.outer(holders, doors)


def find_relaxation(
    problem: MatrixProblem, matrix: AccessMatrix, best: NDArray[np.int64], solves: Solves, limit: TimeLimit, seed: int
) -> tuple[AccessChange, ...]:
    """Give the fewest changes found with which `solves` says yes; none where the time does not reach.

    The `best` bittings do all that is asked but for the operations that they let in, so that allowing these is
    enough for them. Of a problem that CP-SAT can read it asks for fewer. What `solves` cannot follow is widened: keys
    that let one another in become one key. Last, what can be left out is left out.
    """
    weights = entry_weights(matrix)
    if np.count_nonzero(problem.shut) > MOST_SHUT:
        return ()
    changes, least = _changes(problem, best, np.zeros_like(problem.pinned), weights, limit.part(0.2)), False
    if problem.fits(limit.part(0.5)):
        answer = problem.solve(limit.part(0.4), seed=seed, effort=EFFORT, hint=best, weights=weights)
        if answer.bittings is not None and answer.dropped is not None:
            found = _changes(problem, answer.bittings, answer.dropped, weights, limit.part(0.2))
            if weights[found].sum() <= weights[changes].sum():
                changes, least = found, answer.least
    took, solved = limit.left, False

    def is_solved(trial: Flags) -> bool:
        nonlocal took
        begun = limit.gone
        # One that is smaller is harder, but not worth much more than the last that was solved.
        seconds = min(limit.left, max(LEAST_TRIAL, 3 * took if solved else limit.part(0.3).left))
        found = seconds > 0 and solves(matrix.with_listed(problem.pinned ^ trial), seconds)
        if found:
            took = limit.gone - begun
        return found

    solved = is_solved(changes)
    if not solved:
        # From one key for all, which is solved at once, to less and less that is changed.
        least = False
        for narrower in reversed(_merged(problem, changes, limit.part(0.3))):
            if limit.is_over or not is_solved(narrower):
                break
            changes, solved = narrower, True
    if not solved:
        return ()
    if not least:
        changes = _left_out(changes, is_solved, limit)
    return tuple(
        AccessChange(key, cylinder, allow=not problem.pinned[key, cylinder])
        for key, cylinder in np.argwhere(changes).tolist()
    )


def _changes(
    problem: MatrixProblem, bittings: NDArray[np.int64], dropped: Flags, weights: NDArray[np.int64], limit: TimeLimit
) -> Flags:
    """Give the changes that make a matrix of what bittings do, with some entries dropped, more where that is less.

    A key of which nothing is left is carried by nobody and lets nobody in.
    """
    dropped, away = dropped.copy(), ~(problem.pinned & ~dropped).any(axis=1)
    bits = np.left_shift(1, bittings)
    for cylinder in range(dropped.shape[1]):
        if limit.is_over:
            break
        own = np.flatnonzero(problem.pinned[:, cylinder])
        wanted = problem.shut[:, cylinder] * weights[:, cylinder]

        def costs(without: Flags, own: NDArray[np.int64] = own, wanted: NDArray[np.int64] = wanted) -> int:
            opening = np.bitwise_or.reduce(bits[own[~without]], axis=0)
            return int(wanted[((bits & opening) != 0).all(axis=1)].sum())

        while True:
            gone = dropped[own, cylinder]
            now, gains = costs(gone), []
            for place in np.flatnonzero(~gone).tolist() if now > 1 else ():
                trial = gone.copy()
                trial[place] = True
                gains.append((now - costs(trial) - int(weights[own[place], cylinder]), -place))
            if not gains or max(gains)[0] <= 0:
                break
            dropped[own[-max(gains)[1]], cylinder] = True
    operates = operating(bittings, problem.pinned & ~dropped)
    dropped &= ~operates  # pinned or not, it operates: nothing has to go
    allowed = operates & problem.shut
    light = (allowed * weights).sum(axis=1) > ((problem.pinned & ~dropped) * weights).sum(axis=1)
    if light.sum() * FEW > len(light):  # a plan that takes the doors of many away is none
        light[:] = False
    light |= away | ~(problem.pinned & ~dropped).any(axis=1)
    dropped[light] = problem.pinned[light]
    allowed = operating(bittings, problem.pinned & ~dropped) & problem.shut
    allowed[light] = False
    changes: Flags = allowed | dropped
    return changes


def _merged(problem: MatrixProblem, changes: Flags, limit: TimeLimit) -> list[Flags]:
    """Give wider and wider changes: keys with least to change between them become one key, at last all.

    A quarter of the keys that are left find another each time, so that it ends soon. What was to be dropped stays:
    one who opens more is let in, nobody loses a door.
    """
    rows = problem.pinned | changes
    groups = [[key] for key in range(len(rows))]
    found = []
    while len(groups) > 1 and not limit.is_over:
        opened = rows.astype(np.float32)
        sizes = opened.sum(axis=1)
        apart = sizes[:, None] + sizes[None, :] - 2 * (opened @ opened.T)
        np.fill_diagonal(apart, np.inf)
        free, joined = set(range(len(groups))), []
        for place in np.argsort(apart, axis=None, kind="stable").tolist():
            one, other = divmod(place, len(groups))
            if one in free and other in free:
                free -= {one, other}
                joined.append((one, other))
                if 4 * len(joined) >= len(groups):
                    break
        for one, other in joined:
            groups[one] = groups[one] + groups[other]
            rows[one] |= rows[other]
        gone = {other for _, other in joined}
        stay = [number for number in range(len(groups)) if number not in gone]
        groups, rows = [groups[number] for number in stay], rows[stay]
        wide = np.zeros_like(problem.pinned)
        for group, row in zip(groups, rows, strict=True):
            wide[group] = row
        found.append(wide & ~problem.pinned)
    return [*found, ~problem.pinned]


def _left_out(changes: Flags, is_solved: Callable[[Flags], bool], limit: TimeLimit) -> Flags:
    """Leave out changes, many at a time and then one by one, while it stays solved and time is left."""
    size = int(np.count_nonzero(changes)) // 2
    while size and not limit.is_over:
        left = np.argwhere(changes)
        while len(left) and not limit.is_over:
            trial, left = left[:size], left[size:]
            fewer = changes.copy()
            fewer[tuple(trial.T)] = False
            if is_solved(fewer):
                changes = fewer
        size //= 2
    return changes
