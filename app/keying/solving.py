"""Bittings for a matrix that does not nest, or that extends a system whose keys are fixed.

Each chamber sorts the keys by their cuts; a key is shut out of a cylinder by any chamber where none of the
cylinder's own keys has its cut. By turns a quick mending of drawn bittings, another of bittings found by degrees,
and CP-SAT, which looks for an answer or proves that there is none; each turn goes on for longer than the last. What a
turn does depends on the seed alone, so that the same seed gives the same bittings unless the time runs out.
"""

from collections.abc import Callable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field, replace
from enum import StrEnum
from random import Random
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from app.keying.annealing import anneal, suits_annealing
from app.keying.counting import count_allowed
from app.keying.errors import KeyingError, NoBittingsLeft
from app.keying.local_search import Mending
from app.keying.matrix import AccessMatrix, Clash
from app.keying.matrix_problem import Answer, MatrixProblem, operating
from app.keying.progression import check_master
from app.keying.relaxing import AccessChange, Solves, find_relaxation
from app.keying.spec import Bitting, BittingSpec
from app.keying.time_limit import MOST_SECONDS, TimeLimit, by_the_clock

MOST_NAMED = 8
SEARCH_SHARE = 0.6  # of the time, where changes nearby are asked for too; the rest finds and tries them
PROOF_SHARE = 0.8  # of the time for the search; the rest looks for the fewest entries that clash
FIRST_EFFORT = 2.0
GROWTH = 3
FAR = 20  # where more than one of so many pairs are wrong, one change at a time leads nowhere
MOST_WRONG = 100_000
MOST_UNWANTED = 100_000  # pairs listed of a solution

Progress: TypeAlias = Callable[[int, float], None]
"""Called with the unwanted operations of the best bittings so far, and the share of the time that has gone."""


class Outcome(StrEnum):
    """How a search ended."""

    SOLVED = "solved"
    IMPOSSIBLE = "impossible"
    NOT_IN_TIME = "not found in time"


@dataclass(frozen=True, slots=True)
class MatrixSolution:
    """How it ended; the best bittings found, one a key of the matrix, and what they still let in.

    `unwanted`: pairs (key, cylinder), as numbers of the matrix, that operate and must not; empty when solved.
    `clash`: where it is impossible and was found, rows and columns that cannot be had together; `conflict`: the
    pairs (key, cylinder) of them that suffice for that, entries and empty cells; `smallest` says that no row, column
    or pair can be left out. `relax`: changes with which the search is solved, the fewest found.
    """

    outcome: Outcome
    bittings: tuple[Bitting, ...] | None = field(repr=False)
    unwanted: tuple[tuple[int, int], ...]
    clash: Clash | None
    smallest: bool
    seconds: float
    conflict: tuple[tuple[int, int], ...] = ()
    relax: tuple[AccessChange, ...] = ()


def solve_matrix(
    spec: BittingSpec,
    tmk: Bitting,
    matrix: AccessMatrix,
    rng: Random,
    *,
    fixed: Mapping[int, Bitting] | None = None,
    start: Mapping[int, Bitting] | None = None,
    avoid: AbstractSet[Bitting] = frozenset(),
    seconds: float = 60.0,
    on_progress: Progress | None = None,
    solves: Solves | None = None,
    any_parity: bool = False,
    clock: Callable[[], float] = by_the_clock,
) -> MatrixSolution:
    """Find a bitting for each key of the matrix so that it operates what it should and nothing else.

    With step 2 all keys have the parity pattern of `tmk`; with `any_parity`, for a master that is only a draw, one
    pattern, of which that of `tmk` is tried first. `fixed` keys (number → bitting) stay as they are;
    none of `avoid` is given out, and nothing that the spec's rules refuse. Stops after `seconds` with the best so
    far. `start`: bittings to begin from, such as those of levels that hold nearly all. `solves`, where given, tells
    whether the search as the asker runs it solves a matrix, and `relax` is found by it for what is not solved.
    """
    check_master(spec, tmk)
    if not 0 < seconds <= MOST_SECONDS:
        raise KeyingError("seconds", f"Give a time limit above 0 and at most {MOST_SECONDS:,} seconds.")
    fixed = fixed or {}
    for key, bitting in fixed.items():
        if key not in range(len(matrix.keys)) or len(bitting) != spec.chambers:
            raise KeyingError("fixed", "A fixed key is not in the matrix, or does not fit the spec.")
    limit = TimeLimit(seconds, clock)
    listed = matrix.listed
    problem = MatrixProblem(spec, tmk, listed, ~listed, fixed, avoid, any_parity)
    if spec.rules.names and not any_parity and not count_allowed(spec, problem.free):
        raise NoBittingsLeft("rules", "The rules leave no bitting of the master's parity within MACS: loosen one.")
    turns = _Turns(problem, rng, start or {}, on_progress, limit)
    answer = turns.search(limit.part(SEARCH_SHARE if solves else 1.0))
    if answer.bittings is not None:
        return _solution(Outcome.SOLVED, answer.bittings, matrix, listed, limit)
    found = _solution(
        Outcome.IMPOSSIBLE if answer.impossible else Outcome.NOT_IN_TIME, turns.best, matrix, listed, limit
    )
    seed = rng.randrange(2**31)
    if answer.impossible:
        keys, cylinders, pairs, smallest = _least_clash(problem, seed, limit.part(0.5 if solves else 1.0))
        found = replace(found, clash=_clash(matrix, keys, cylinders), conflict=pairs, smallest=smallest)
    if solves is not None:
        found = replace(found, relax=find_relaxation(problem, matrix, turns.best, solves, limit.part(0.95), seed))
    return replace(found, seconds=limit.gone)


def _solution(
    outcome: Outcome, bittings: NDArray[np.int64], matrix: AccessMatrix, listed: NDArray[np.bool_], limit: TimeLimit
) -> MatrixSolution:
    unwanted = np.argwhere(operating(bittings, listed) & ~listed)[:MOST_UNWANTED].tolist()
    rows = tuple(tuple(row) for row in bittings.tolist())
    return MatrixSolution(
        outcome, rows, tuple((key, cylinder) for key, cylinder in unwanted), None, False, limit.gone
    )


class _Turns:
    """The search by turns of mending and of CP-SAT, and the best that they came to."""

    def __init__(
        self,
        problem: MatrixProblem,
        rng: Random,
        start: Mapping[int, Bitting],
        on_progress: Progress | None,
        limit: TimeLimit,
    ) -> None:
        self.problem, self.rng, self.start, self.on_progress, self.whole = problem, rng, start, on_progress, limit
        self.reported = -1.0
        self.fewest: int | None = None
        self.best = np.array(
            [problem.fixed.get(key, problem.tmk) for key in range(len(problem.choices))], dtype=np.int64
        ).reshape(len(problem.choices), problem.spec.chambers)

    def search(self, limit: TimeLimit) -> Answer:
        """Take turns until there are bittings, a proof that there are none, or no time is left."""
        patience, effort, turn = 200 + 10 * len(self.problem.choices), FIRST_EFFORT, 0
        until = limit.part(PROOF_SHARE)
        if not self.problem.shut.any() and self.problem.hands_out(self.best):
            return Answer(self.best)  # everybody may open everything
        while not limit.is_over:
            annealed, provable = suits_annealing(self.problem), self.problem.fits(until)
            begun = self._begin(turn, limit)
            wrong = self._take(begun)
            is_far = wrong > MOST_WRONG or (annealed and wrong * FAR > self.problem.shut.sum())
            if not is_far and self._mend(begun, patience, limit):
                return Answer(self.best)
            if annealed and self._mend(anneal(self.problem, self.rng, limit.part(0.5)), patience, limit):
                return Answer(self.best)
            if is_far and not annealed and not provable:
                break  # too large for any of them
            if provable:
                answer = self.problem.solve(until, seed=self.rng.randrange(2**31), effort=effort, hint=self.best)
                if answer.impossible or answer.bittings is not None:
                    return answer
            patience, effort, turn = patience * 2, effort * GROWTH, turn + 1
        return Answer()

    def _begin(self, turn: int, limit: TimeLimit) -> list[Bitting]:
        """Give bittings to mend: those given to start from, and drawn ones."""
        given = self.problem.fixed if turn else {**self.start, **self.problem.fixed}
        return [
            given.get(key) or (self.problem.tmk if limit.is_over else self.problem.draw(self.rng))
            for key in range(len(self.problem.choices))
        ]

    def _mend(self, rows: Sequence[Bitting], patience: int, limit: TimeLimit) -> bool:
        """Mend until so many changes in a row bring nothing; tell whether nothing unwanted is left."""
        problem = self.problem
        mending = Mending(problem.choices, problem.pinned, problem.shut, problem.allows, rows, self.rng)
        stalled, best = 0, mending.best_violations
        while mending.best_violations and stalled <= patience and not limit.is_over:
            mending.mend()
            stalled = 0 if mending.best_violations < best else stalled + 1
            best = mending.best_violations
            self._report(best)
        self._take(mending.best)
        return self.fewest == 0 and problem.hands_out(self.best)

    def _take(self, rows: Sequence[Bitting] | NDArray[np.int64]) -> int:
        """Have bittings that are the best so far; give how many operations they let in that must not be."""
        bittings = np.array(rows, dtype=np.int64).reshape(self.best.shape)
        wrong = int((operating(bittings, self.problem.pinned) & self.problem.shut).sum())
        if self.fewest is None or wrong < self.fewest:
            self.fewest, self.best = wrong, bittings
        return wrong

    def _report(self, unwanted: int) -> None:
        gone = self.whole.gone
        if self.on_progress is not None and gone - self.reported > 0.2:
            best = unwanted if self.fewest is None else min(unwanted, self.fewest)
            self.on_progress(best, min(1.0, gone / (gone + self.whole.left)))
            self.reported = gone


def _least_clash(
    problem: MatrixProblem, seed: int, limit: TimeLimit
) -> tuple[list[int], list[int], tuple[tuple[int, int], ...], bool]:
    """Leave out keys and cylinders, then pairs, many at a time and then one by one, while it stays impossible.

    What cannot be left out of many cannot be left out of fewer either, so one pass one by one is enough; the
    last value tells whether none of its trials ran out of time.
    """
    smallest = True

    def has_time() -> bool:
        nonlocal smallest
        in_time = not limit.is_over
        smallest = smallest and in_time
        return in_time

    def is_impossible(part: MatrixProblem, last: bool) -> bool:
        nonlocal smallest
        if part.pinned.size == 0:
            return False
        trial = limit.part(0.5, 5.0)
        answer = part.solve(trial, seed=seed) if part.fits(trial) else Answer()
        smallest = smallest and (not last or answer.impossible or answer.bittings is not None)
        return answer.impossible

    kept = [list(range(side)) for side in problem.pinned.shape]
    for size in _sizes(max(map(len, kept))):
        for side in (0, 1):
            left = list(kept[side])
            while left and has_time():
                trial, left = set(left[:size]), left[size:]
                sides = [*kept]
                sides[side] = [number for number in kept[side] if number not in trial]
                if is_impossible(problem.part(*sides), size == 1):
                    kept = sides
    part = problem.part(*kept)
    pairs = [(int(key), int(cylinder)) for key, cylinder in np.argwhere(part.pinned | part.shut)]
    for size in _sizes(len(pairs)):
        remaining = list(pairs)
        while remaining and has_time():
            out, remaining = set(remaining[:size]), remaining[size:]
            fewer = [pair for pair in pairs if pair not in out]
            matter = np.zeros_like(part.pinned)
            matter[tuple(np.array(fewer, dtype=np.int64).reshape(-1, 2).T)] = True
            if is_impossible(part.with_pairs(matter), size == 1):
                pairs = fewer
    keys, cylinders = kept
    return keys, cylinders, tuple((keys[key], cylinders[cylinder]) for key, cylinder in pairs), smallest


def _sizes(count: int) -> list[int]:
    """Give half of a count, half of that, down to 1."""
    sizes = [max(1, count // 2)]
    while sizes[-1] > 1:
        sizes.append(sizes[-1] // 2)
    return sizes


def _clash(matrix: AccessMatrix, keys: Sequence[int], cylinders: Sequence[int]) -> Clash:
    holders = ", ".join(matrix.keys[key].holders[0] for key in keys[:MOST_NAMED])
    doors = ", ".join(matrix.cylinders[number].doors[0] for number in cylinders[:MOST_NAMED])
    more = " and more" if max(len(keys), len(cylinders)) > MOST_NAMED else ""
    sentence = (
        f"The keys of {holders} and the doors {doors}{more} cannot be had together in this spec: let one of these "
        "keys open one of these doors, take another spec, or give a door a separate keyset."
    )
    return Clash(tuple(keys), tuple(cylinders), sentence)
