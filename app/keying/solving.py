"""Bittings for a matrix that does not nest, or that extends a system whose keys are fixed.

Each chamber sorts the keys by their cuts; a key is shut out of a cylinder by any chamber where none of the
cylinder's own keys has its cut. First a quick mending of random bittings; where that is not enough CP-SAT
looks for an answer or proves that there is none.
"""

import os
from collections.abc import Callable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import pairwise
from random import Random
from time import monotonic
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

from app.keying.errors import KeyingError
from app.keying.issuing import draw_bitting
from app.keying.local_search import Mending
from app.keying.matrix import AccessMatrix, Clash
from app.keying.progression import check_master
from app.keying.spec import Bitting, BittingSpec

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

MOST_LITERALS = 600_000  # beyond that CP-SAT would still be reading the problem when the time is up
MENDING_SHARE = 0.4
MOST_NAMED = 8
_NONE: NDArray[np.int64] = np.zeros((0, 0), dtype=np.int64)

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
    `clash`: where it is impossible and was found, rows and columns that cannot be had together; `smallest` says
    that none of them can be left out.
    """

    outcome: Outcome
    bittings: tuple[Bitting, ...] | None = field(repr=False)
    unwanted: tuple[tuple[int, int], ...]
    clash: Clash | None
    smallest: bool
    seconds: float


def solve_matrix(
    spec: BittingSpec,
    tmk: Bitting,
    matrix: AccessMatrix,
    rng: Random,
    *,
    fixed: Mapping[int, Bitting] | None = None,
    avoid: AbstractSet[Bitting] = frozenset(),
    seconds: float = 60.0,
    on_progress: Progress | None = None,
) -> MatrixSolution:
    """Find a bitting for each key of the matrix so that it operates what it should and nothing else.

    With step 2 all keys have the parity pattern of `tmk`. `fixed` keys (number → bitting) stay as they are;
    none of `avoid` is given out. Stops after `seconds` with the best so far.
    """
    check_master(spec, tmk)
    if not 0 < seconds <= 3600:
        raise KeyingError("seconds", "Give a time limit above 0 and at most 3,600 seconds.")
    fixed = fixed or {}
    for key, bitting in fixed.items():
        if key not in range(len(matrix.keys)) or len(bitting) != spec.chambers:
            raise KeyingError("fixed", "A fixed key is not in the matrix, or does not fit the spec.")
    start = monotonic()
    listed = np.zeros((len(matrix.keys), len(matrix.cylinders)), dtype=np.bool_)
    for cylinder, group in enumerate(matrix.cylinders):
        listed[list(group.keys), cylinder] = True
    problem = _Problem(spec, tmk, listed, fixed, avoid)
    mending = problem.mend(rng, start, seconds, on_progress)
    best = mending.best
    if mending.best_violations == 0 and not problem.uses_avoided(best):
        return _solution(Outcome.SOLVED, best, problem.listed, None, False, start)
    if problem.literals <= MOST_LITERALS:
        solved = problem.prove(start + seconds, best)
        if solved is None:
            keys, cylinders, smallest = _least_clash(problem, start + 2 * seconds)
            clash = _clash(matrix, keys, cylinders)
            return _solution(Outcome.IMPOSSIBLE, best, problem.listed, clash, smallest, start)
        if len(solved):
            return _solution(Outcome.SOLVED, solved, problem.listed, None, False, start)
    return _solution(Outcome.NOT_IN_TIME, best, problem.listed, None, False, start)


def _solution(
    outcome: Outcome,
    bittings: NDArray[np.int64],
    listed: NDArray[np.bool_],
    clash: Clash | None,
    smallest: bool,
    start: float,
) -> MatrixSolution:
    bits = np.left_shift(1, bittings)
    unwanted = []
    for cylinder in range(listed.shape[1]):
        opening = np.bitwise_or.reduce(bits[listed[:, cylinder]], axis=0)
        operates = ((bits & opening) != 0).all(axis=1) & ~listed[:, cylinder]
        unwanted += [(key, cylinder) for key in np.flatnonzero(operates).tolist()]
    rows = tuple(tuple(row) for row in bittings.tolist())
    return MatrixSolution(outcome, rows, tuple(sorted(unwanted)), clash, smallest, monotonic() - start)


class _Problem:
    """One matrix to solve: which depths each key may take where, and who is listed for what."""

    def __init__(
        self,
        spec: BittingSpec,
        tmk: Bitting,
        listed: NDArray[np.bool_],
        fixed: Mapping[int, Bitting],
        avoid: AbstractSet[Bitting],
    ) -> None:
        self.spec, self.tmk, self.listed, self.fixed, self.avoid = spec, tmk, listed, fixed, avoid
        self.free = [tuple(d for d in spec.all_depths if (d - cut) % spec.step == 0) for cut in tmk]
        self.choices: list[list[tuple[int, ...]]] = [
            [(cut,) for cut in fixed[key]] if key in fixed else list(self.free) for key in range(listed.shape[0])
        ]

    @property
    def literals(self) -> int:
        """How large CP-SAT's problem is: one literal a chamber for every pair to shut out."""
        return int((~self.listed).sum()) * self.spec.chambers

    def uses_avoided(self, bittings: NDArray[np.int64]) -> bool:
        """Tell whether a key that is not fixed was given a bitting to avoid."""
        return any(tuple(row) in self.avoid for k, row in enumerate(bittings.tolist()) if k not in self.fixed)

    def mend(self, rng: Random, start: float, seconds: float, on_progress: Progress | None) -> Mending:
        """Mend random bittings for a share of the time, or all of it where CP-SAT could not help."""
        provable = self.literals <= MOST_LITERALS
        share = MENDING_SHARE if provable else 1.0
        patience = 500 + 20 * len(self.choices)  # turns without a gain before CP-SAT has its try
        rows = [self.fixed.get(key) or self._draw(rng) for key in range(len(self.choices))]
        mending = Mending(self.choices, self.listed, self.spec.macs, rows, rng)
        reported, stalled, best = -1.0, 0, mending.best_violations
        while mending.best_violations and (gone := monotonic() - start) < share * seconds:
            mending.mend()
            stalled = 0 if mending.best_violations < best else stalled + 1
            best = mending.best_violations
            if provable and stalled > patience:
                break
            if on_progress is not None and gone - reported > 0.2:
                on_progress(mending.best_violations, gone / seconds)
                reported = gone
        return mending

    def _draw(self, rng: Random) -> Bitting:
        """Draw a bitting of the master's parity within MACS."""
        for _ in range(50):
            drawn = draw_bitting(self.spec, rng)
            # Nudged to the master's parity, which may break MACS: then another is drawn.
            nudged = tuple(
                min(depths, key=lambda depth: abs(depth - cut)) for depths, cut in zip(self.free, drawn, strict=True)
            )
            if self.spec.within_macs(nudged):
                return nudged
        return self.tmk

    def prove(self, until: float, hint: NDArray[np.int64] | None = None) -> NDArray[np.int64] | None:
        """Give bittings by CP-SAT, None where there are none, or an empty array where the time ran out."""
        from ortools.sat.python import cp_model  # heavy to load, so only here

        if until <= monotonic():
            return _NONE
        model = cp_model.CpModel()
        cuts = [
            [{depth: model.new_bool_var("") for depth in depths} for depths in chambers] for chambers in self.choices
        ]
        self._cut_rules(model, cuts)
        self._shut_out_rules(model, cuts)
        if hint is not None:
            for key, chambers in enumerate(cuts):
                for chamber, by_depth in enumerate(chambers):
                    for depth, literal in by_depth.items():
                        model.add_hint(literal, int(hint[key, chamber]) == depth)
        solver = cp_model.CpSolver()
        solver.parameters.max_time_in_seconds = max(0.01, until - monotonic())
        solver.parameters.num_workers = min(8, os.cpu_count() or 1)
        status = solver.solve(model)
        if status == cp_model.INFEASIBLE:
            return None
        if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            return _NONE
        return np.array(
            [
                [next(d for d, literal in by_depth.items() if solver.boolean_value(literal)) for by_depth in chambers]
                for chambers in cuts
            ],
            dtype=np.int64,
        )

    def _cut_rules(
        self, model: "cp_model.CpModel", cuts: "Sequence[Sequence[Mapping[int, cp_model.IntVar]]]"
    ) -> None:
        """Each cut has one depth, neighbors keep within MACS, and nothing to avoid is given out."""
        for key, chambers in enumerate(cuts):
            for by_depth in chambers:
                model.add_exactly_one(by_depth.values())
            if key in self.fixed:
                continue
            for here, there in pairwise(chambers):
                for depth, literal in here.items():
                    near = [other for d, other in there.items() if abs(d - depth) <= self.spec.macs]
                    model.add_bool_or([literal.negated(), *near])
            for bitting in self.avoid:
                if all(depth in by_depth for depth, by_depth in zip(bitting, chambers, strict=True)):
                    model.add_bool_or([by_depth[d].negated() for d, by_depth in zip(bitting, chambers, strict=True)])

    def _shut_out_rules(
        self, model: "cp_model.CpModel", cuts: "Sequence[Sequence[Mapping[int, cp_model.IntVar]]]"
    ) -> None:
        """Every key that a cylinder does not list is shut out by some chamber."""
        for cylinder in range(self.listed.shape[1]):
            shears: list[dict[int, cp_model.IntVar]] = []
            for chamber in range(self.spec.chambers):
                opening: dict[int, cp_model.IntVar] = {}
                for key in np.flatnonzero(self.listed[:, cylinder]).tolist():
                    for depth, literal in cuts[key][chamber].items():
                        if depth not in opening:
                            opening[depth] = model.new_bool_var("")
                        model.add_implication(literal, opening[depth])
                shears.append(opening)
            for key in np.flatnonzero(~self.listed[:, cylinder]).tolist():
                blocks = []
                for chamber, opening in enumerate(shears):
                    block = model.new_bool_var("")
                    for depth, literal in cuts[key][chamber].items():
                        if depth in opening:
                            model.add_bool_or([block.negated(), literal.negated(), opening[depth].negated()])
                    blocks.append(block)
                model.add_bool_or(blocks)

    def part(self, keys: Sequence[int], cylinders: Sequence[int]) -> "_Problem":
        """Give the problem of some keys and cylinders only."""
        fixed = {n: self.fixed[key] for n, key in enumerate(keys) if key in self.fixed}
        return _Problem(self.spec, self.tmk, self.listed[np.ix_(keys, cylinders)], fixed, self.avoid)


def _least_clash(problem: _Problem, until: float) -> tuple[list[int], list[int], bool]:
    """Leave out keys and cylinders, many at a time and then one by one, while it stays impossible.

    What cannot be left out of many cannot be left out of fewer either, so one pass one by one is enough; the
    last value tells whether none of its trials ran out of time.
    """
    kept = [list(range(problem.listed.shape[0])), list(range(problem.listed.shape[1]))]
    smallest = True
    size = max(map(len, kept)) // 2 or 1
    while size:
        for side in (0, 1):
            left = list(kept[side])
            while left:
                trial, left = left[:size], left[size:]
                sides = [*kept]
                sides[side] = [number for number in kept[side] if number not in set(trial)]
                found = problem.part(*sides).prove(min(until, monotonic() + 5.0)) if sides[side] else _NONE
                if found is None:
                    kept = sides
                elif size == 1 and sides[side] and not len(found):
                    smallest = False
        size //= 2
    return kept[0], kept[1], smallest


def _clash(matrix: AccessMatrix, keys: Sequence[int], cylinders: Sequence[int]) -> Clash:
    holders = ", ".join(matrix.keys[key].holders[0] for key in keys[:MOST_NAMED])
    doors = ", ".join(matrix.cylinders[number].doors[0] for number in cylinders[:MOST_NAMED])
    more = " and more" if max(len(keys), len(cylinders)) > MOST_NAMED else ""
    sentence = (
        f"The keys of {holders} and the doors {doors}{more} cannot be had together in this spec: let one of these "
        "keys open one of these doors, take another spec, or give a door a separate keyset."
    )
    return Clash(tuple(keys), tuple(cylinders), sentence)
