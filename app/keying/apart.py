"""Masters of one level chosen so that they differ in two chambers or more, wherever an array holds enough of them.

Keys that differ by one cut are asking for a worn key to pass. (common practice, no source)
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from itertools import combinations
from random import Random
from typing import TypeAlias

from app.keying.spec import Bitting

LABELINGS = 12
MOST_PROVED = 4_000
PROOF_TIME = 0.3  # about seconds, but the same on every machine
_PRIMES = (2, 3, 5, 7, 11, 13, 17)  # the largest is no smaller than sixteen depths

Keeps: TypeAlias = Callable[[Bitting], bool]


class NearIndex:
    """Bittings, and whether another differs from one of them in fewer chambers than `apart`.

    Two bittings differ in fewer chambers just when they are the same with some `apart` - 1 chambers left out.
    """

    def __init__(self, apart: int, bittings: Iterable[Bitting] = ()) -> None:
        self.apart = apart
        self._cut_short: set[tuple[tuple[int, ...], Bitting]] = set()
        for bitting in bittings:
            self.add(bitting)

    def shortened(self, bitting: Bitting) -> Iterable[tuple[tuple[int, ...], Bitting]]:
        """The bitting in each way to leave chambers out, with these."""
        for left_out in combinations(range(len(bitting)), self.apart - 1):
            yield left_out, tuple(cut for chamber, cut in enumerate(bitting) if chamber not in left_out)

    def add(self, bitting: Bitting) -> None:
        """Have one more."""
        self._cut_short.update(self.shortened(bitting))

    def is_near(self, bitting: Bitting) -> bool:
        """Whether a bitting differs from one of these in too few chambers."""
        return any(one in self._cut_short for one in self.shortened(bitting))


def count_near(bittings: Sequence[Bitting], apart: int) -> int:
    """How many differ from another of them in fewer chambers than `apart`.

    >>> count_near([(1, 2, 3), (1, 2, 5), (4, 4, 4)], 2)
    2
    """
    index = NearIndex(apart)
    places = Counter(one for bitting in bittings for one in index.shortened(bitting))
    return sum(any(places[one] > 1 for one in index.shortened(bitting)) for bitting in bittings)


def choose_apart(
    pool: Sequence[Bitting], chambers: Sequence[int], wanted: int, apart: int, keeps: Keeps, rng: Random
) -> list[Bitting]:
    """Give `wanted` of a pool that `keeps` and that differ from one another in `apart` chambers, or the most found.

    `chambers`: those (from 0) in which the pool's bittings differ. With two of them the most there are is exact.
    """
    if len(chambers) < apart:
        return []
    if len(chambers) == 2:
        return _match(pool, chambers, wanted, keeps, rng)
    best: list[Bitting] = []
    for _ in range(LABELINGS):
        order = _in_classes(pool, chambers, apart, rng)
        chosen: list[Bitting] = []
        near = NearIndex(apart)
        for bitting in order:
            if len(chosen) == wanted:
                return chosen
            if not near.is_near(bitting) and keeps(bitting):
                chosen.append(bitting)
                near.add(bitting)
        best = max(best, chosen, key=len)
        if len(best) == wanted:
            return best
    if len(pool) <= MOST_PROVED:
        kept = [one for one in pool if keeps(one)]
        # In each direction no two may stand on one line.
        lines: dict[tuple[int, ...], set[Bitting]] = defaultdict(set)
        for bitting in kept:
            for left_out, rest in NearIndex(apart).shortened(bitting):
                lines[left_out].add(rest)
        if lines and min(map(len, lines.values())) >= wanted:
            best = max(best, _prove(kept, wanted, apart), key=len)
    return best


def _match(pool: Sequence[Bitting], chambers: Sequence[int], wanted: int, keeps: Keeps, rng: Random) -> list[Bitting]:
    """Give bittings no two of which share a depth in either of two chambers: `wanted`, or a largest matching."""
    left, right = chambers
    leading: dict[int, list[Bitting]] = defaultdict(list)
    for edge in rng.sample(pool, len(pool)):
        leading[edge[left]].append(edge)
    taken: dict[int, Bitting] = {}  # a depth of the second chamber → the bitting that has it

    def find_room(depth: int, seen: set[int]) -> bool:
        for edge in leading[depth]:
            goal = edge[right]
            if goal not in seen and keeps(edge):
                seen.add(goal)
                if goal not in taken or find_room(taken[goal][left], seen):
                    taken[goal] = edge
                    return True
        return False

    for depth in list(leading):
        if len(taken) < wanted:
            find_room(depth, set())
    return rng.sample(list(taken.values()), len(taken))


def _in_classes(pool: Sequence[Bitting], chambers: Sequence[int], apart: int, rng: Random) -> list[Bitting]:
    """Give the pool in an order by chance, the largest class of bittings that are apart first.

    Number each chamber's depths anew. Bittings whose numbers, times the powers of their chamber's place, add up to
    the same `apart` - 1 sums modulo a prime no smaller than columns and chambers are one class: fewer than `apart`
    changed numbers cannot keep all the sums. (reasoned here, no source)
    """
    columns = {chamber: sorted({bitting[chamber] for bitting in pool}) for chamber in chambers}
    most = max([len(chambers) if apart > 2 else 0, *(len(column) for column in columns.values())])
    modulus = most if apart == 2 else next(number for number in _PRIMES if number >= most)
    numbers = {
        chamber: dict(zip(column, rng.sample(range(modulus), len(column)), strict=True))
        for chamber, column in columns.items()
    }
    classes: dict[tuple[int, ...], list[Bitting]] = defaultdict(list)
    for bitting in pool:
        sums = (
            sum(numbers[chamber][bitting[chamber]] * place**power for place, chamber in enumerate(chambers)) % modulus
            for power in range(apart - 1)
        )
        classes[tuple(sums)].append(bitting)
    order = sorted(classes.values(), key=len, reverse=True)
    for members in order:
        rng.shuffle(members)
    return [bitting for members in order for bitting in members]


def _prove(pool: Sequence[Bitting], wanted: int, apart: int) -> list[Bitting]:
    """Look for `wanted` of a pool that are apart by constraint programming, for a short time."""
    from ortools.sat.python import cp_model  # heavy to load, so only here

    model = cp_model.CpModel()
    chosen = [model.new_bool_var("") for _ in pool]
    lines = defaultdict(list)
    for variable, bitting in zip(chosen, pool, strict=True):
        for line in NearIndex(apart).shortened(bitting):
            lines[line].append(variable)
    for together in lines.values():
        if len(together) > 1:
            model.add_at_most_one(together)
    model.add(sum(chosen) == wanted)
    solver = cp_model.CpSolver()
    solver.parameters.max_deterministic_time = PROOF_TIME
    solver.parameters.random_seed = 0
    solver.parameters.num_workers = 1
    if solver.solve(model) not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
        return []
    return [bitting for variable, bitting in zip(chosen, pool, strict=True) if solver.value(variable)]
