"""A time limit that every search looks at, and CP-SAT held to it."""

from collections.abc import Callable
from time import monotonic
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

MOST_SECONDS = 3600


def by_the_clock() -> float:
    """The seconds that every search goes by."""
    return monotonic()


class TimeLimit:
    """When a search has to stop, told by `clock`, which a test may wind by hand."""

    def __init__(self, seconds: float, clock: Callable[[], float] = by_the_clock) -> None:
        self.clock, self.start = clock, clock()
        self.end = self.start + seconds

    @property
    def gone(self) -> float:
        """The seconds since the start."""
        return self.clock() - self.start

    @property
    def left(self) -> float:
        """The seconds until the end, at least 0."""
        return max(0.0, self.end - self.clock())

    @property
    def is_over(self) -> bool:
        """Tell whether the time has run out."""
        return self.clock() >= self.end

    def part(self, share: float, most: float = MOST_SECONDS) -> "TimeLimit":
        """A limit that begins now and takes a share of what is left, at most so many seconds."""
        return TimeLimit(min(self.left * share, most), self.clock)


def solve_model(
    model: "cp_model.CpModel",
    limit: TimeLimit,
    *,
    seed: int = 0,
    effort: float | None = None,
    reserve: float = 0.0,
) -> "tuple[cp_model.CpSolverStatus, cp_model.CpSolver]":
    """Solve within the limit by one worker, so that the same seed gives the same answer unless the time ran out.

    `effort` bounds it in CP-SAT's own deterministic time, in which a search does as much on any machine. `reserve`
    has seconds for what CP-SAT does not look at the clock for, such as to read a large model. Give the status,
    `UNKNOWN` where no time is left, and the solver with its values.
    """
    from ortools.sat.python import cp_model  # heavy to load, so only where it is used

    solver = cp_model.CpSolver()
    left = limit.left - reserve
    if left <= 0:
        return cp_model.UNKNOWN, solver
    solver.parameters.max_time_in_seconds = left
    solver.parameters.num_workers = 1
    solver.parameters.random_seed = seed % 2**31
    if effort is not None:
        solver.parameters.max_deterministic_time = effort
    return solver.solve(model), solver
