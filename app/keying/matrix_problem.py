"""A matrix as CP-SAT reads it: bittings for it, a proof that there are none, or the fewest changes to it."""

from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from itertools import islice, pairwise
from random import Random
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

from app.keying.issuing import draw_from
from app.keying.progression import run_choices
from app.keying.spec import Bitting, BittingSpec
from app.keying.time_limit import TimeLimit, solve_model

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

Flags: TypeAlias = NDArray[np.bool_]
Cuts: TypeAlias = "Sequence[Sequence[Mapping[int, cp_model.IntVar]]]"
LITERALS_A_SECOND = 15_000  # what CP-SAT can be told, and read, within a second of a slow machine
MOST_DRAWS = 200
MOST_LISTED = 100_000


@dataclass(frozen=True, slots=True)
class Answer:
    """Bittings, one a key, and the entries dropped for them; or none, and whether it is proven that there are none.

    `least` says that no fewer changes would do.
    """

    bittings: NDArray[np.int64] | None = None
    dropped: Flags | None = None
    impossible: bool = False
    least: bool = False


def operating(bittings: NDArray[np.int64], pinned: Flags) -> Flags:
    """Tell which keys operate which cylinders, each pinned to the cuts of its keys."""
    bits = np.left_shift(1, bittings)
    operates = np.zeros_like(pinned)
    for cylinder in range(pinned.shape[1]):
        opening = np.bitwise_or.reduce(bits[pinned[:, cylinder]], axis=0)
        operates[:, cylinder] = ((bits & opening) != 0).all(axis=1)
    return operates


class MatrixProblem:
    """Which depths each key may take where, whose cuts each cylinder is pinned to, and who must not operate it.

    `pinned` and `shut` are by key and cylinder; a pair that is neither does not matter. With `any_parity` CP-SAT may
    take another parity pattern than that of `tmk`, the same for all keys.
    """

    def __init__(
        self,
        spec: BittingSpec,
        tmk: Bitting,
        pinned: Flags,
        shut: Flags,
        fixed: Mapping[int, Bitting],
        avoid: AbstractSet[Bitting],
        any_parity: bool = False,
    ) -> None:
        self.spec, self.tmk, self.pinned, self.shut = spec, tmk, pinned, shut
        self.fixed, self.avoid, self.any_parity = fixed, avoid, any_parity and spec.step > 1
        self.free = tuple(tuple(d for d in spec.all_depths if (d - cut) % spec.step == 0) for cut in tmk)
        self.choices = self._columns(any_parity=False)
        self._listed: tuple[Bitting, ...] | None = None  # what may be handed out, where drawing hardly finds any

    @property
    def literals(self) -> int:
        """How large CP-SAT's problem is: one literal a chamber for every pair to shut out, and those of the cuts."""
        cuts: int = sum(map(len, self.free)) * (len(self.choices) + self.pinned.shape[1])
        return int(self.shut.sum()) * self.spec.chambers + cuts

    def _columns(self, any_parity: bool) -> list[Sequence[tuple[int, ...]]]:
        """Give the depths that each key may take, by chamber."""
        free = (tuple(self.spec.all_depths),) * self.spec.chambers if any_parity else self.free
        keys = range(self.pinned.shape[0])
        return [[(cut,) for cut in self.fixed[key]] if key in self.fixed else free for key in keys]

    def fits(self, limit: TimeLimit) -> bool:
        """Tell whether CP-SAT can read the problem in half of what is left."""
        return bool(2 * self.literals <= LITERALS_A_SECOND * limit.left)

    def allows(self, bitting: Bitting) -> bool:
        """Tell whether a bitting may be handed out: within MACS, by the rules, and not one to avoid."""
        return bitting not in self.avoid and self.spec.allows(bitting)

    def hands_out(self, bittings: NDArray[np.int64]) -> bool:
        """Tell whether every key that is not fixed has a bitting that may be handed out."""
        return all(self.allows(tuple(row)) for key, row in enumerate(bittings.tolist()) if key not in self.fixed)

    def draw(self, rng: Random) -> Bitting:
        """Draw a bitting of the master's parity that may be handed out; the master where none is found."""
        for _ in range(0 if self._listed else MOST_DRAWS):
            drawn = draw_from(self.free, self.spec.macs, rng)
            if self.allows(drawn):
                return drawn
        if self._listed is None:
            first = islice(run_choices(self.free, self.spec, range(self.spec.chambers)), MOST_LISTED)
            self._listed = tuple(bitting for bitting in first if bitting not in self.avoid)
        return self._listed[rng.randrange(len(self._listed))] if self._listed else self.tmk

    def part(self, keys: Sequence[int], cylinders: Sequence[int]) -> "MatrixProblem":
        """Give the problem of some keys and cylinders only."""
        fixed = {n: self.fixed[key] for n, key in enumerate(keys) if key in self.fixed}
        cells = np.ix_(keys, cylinders)
        return MatrixProblem(
            self.spec, self.tmk, self.pinned[cells], self.shut[cells], fixed, self.avoid, self.any_parity
        )

    def with_pairs(self, pairs: Flags) -> "MatrixProblem":
        """Give the problem in which only some pairs matter."""
        return MatrixProblem(
            self.spec, self.tmk, self.pinned & pairs, self.shut & pairs, self.fixed, self.avoid, self.any_parity
        )

    def solve(
        self,
        limit: TimeLimit,
        *,
        seed: int = 0,
        effort: float | None = None,
        hint: NDArray[np.int64] | None = None,
        weights: NDArray[np.int64] | None = None,
    ) -> Answer:
        """Look for bittings by CP-SAT; with `weights` of the pairs for those with the lightest changes.

        A change drops a pinned entry, or lets a key operate a cylinder that it must not. Neither bittings nor a
        proof where the time ran out, also while the problem is put together.
        """
        from ortools.sat.python import cp_model  # heavy to load, so only here

        begun = limit.clock()
        if begun >= limit.end:
            return Answer()
        model = cp_model.CpModel()
        cuts = [
            [{depth: model.new_bool_var("") for depth in depths} for depths in chambers]
            for chambers in self._columns(self.any_parity)
        ]
        changes = _Changes(model, self.pinned, weights) if weights is not None else None
        if not (self._hand_out(model, cuts, limit) and self._shut_out(model, cuts, limit, changes)):
            return Answer()
        if changes is not None:
            changes.minimize()
        if hint is not None:
            for chambers, row in zip(cuts, hint.tolist(), strict=True):
                for by_depth, cut in zip(chambers, row, strict=True):
                    for depth, literal in by_depth.items():
                        model.add_hint(literal, cut == depth)
        # To read it takes CP-SAT no longer than it took to write, on a machine however busy.
        status, solver = solve_model(model, limit, seed=seed, effort=effort, reserve=limit.clock() - begun)
        if status == cp_model.INFEASIBLE:
            return Answer(impossible=True)
        if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            return Answer()
        bittings = np.array(
            [
                [next(d for d, literal in by_depth.items() if solver.boolean_value(literal)) for by_depth in chambers]
                for chambers in cuts
            ],
            dtype=np.int64,
        ).reshape(len(cuts), self.spec.chambers)
        dropped = None if changes is None else changes.dropped(solver)
        return Answer(bittings, dropped, least=status == cp_model.OPTIMAL)

    def _hand_out(self, model: "cp_model.CpModel", cuts: Cuts, limit: TimeLimit) -> bool:
        """Each cut has one depth, and what may not be handed out is not; tell whether time was left.

        Where any parity will do, the cuts of a chamber have the same one.
        """
        odd = [model.new_bool_var("") for _ in self.free] if self.any_parity else []
        for key, chambers in enumerate(cuts):
            if limit.is_over:
                return False
            for by_depth in chambers:
                model.add_exactly_one(by_depth.values())
            for is_odd, by_depth in zip(odd, chambers, strict=False):
                for depth, literal in by_depth.items():
                    model.add_implication(literal, is_odd if depth % self.spec.step else is_odd.negated())
            if key in self.fixed:
                continue
            for here, there in pairwise(chambers):
                for depth, literal in here.items():
                    near = [other for d, other in there.items() if abs(d - depth) <= self.spec.macs]
                    model.add_bool_or([literal.negated(), *near])
            self._rule(model, chambers)
            for bitting in self.avoid:
                _forbid(model, chambers, bitting)
        return True

    def _rule(self, model: "cp_model.CpModel", chambers: "Sequence[Mapping[int, cp_model.IntVar]]") -> None:
        """A key obeys the rules of the spec."""
        rules, depths = self.spec.rules, self.spec.all_depths
        having = {depth: [by_depth[depth] for by_depth in chambers if depth in by_depth] for depth in depths}
        if rules.least_depths is not None:
            there = []
            for literals in having.values():
                if literals:
                    there.append(model.new_bool_var(""))
                    model.add_bool_or([there[-1].negated(), *literals])
            model.add(sum(there) >= rules.least_depths)
        if rules.most_equal_neighbors is not None:
            run = rules.most_equal_neighbors + 1
            for start in range(len(chambers) - run + 1):
                for depth in depths:
                    window = [by_depth.get(depth) for by_depth in chambers[start : start + run]]
                    equal = [literal for literal in window if literal is not None]
                    if len(equal) == run:
                        model.add_bool_or([literal.negated() for literal in equal])
        if rules.least_span is not None:
            spans = []
            for lowest in depths[: -rules.least_span or None]:
                spans.append(model.new_bool_var(""))
                low = [literal for depth in depths if depth <= lowest for literal in having[depth]]
                high = [lit for depth in depths if depth >= lowest + rules.least_span for lit in having[depth]]
                model.add_bool_or([spans[-1].negated(), *low])
                model.add_bool_or([spans[-1].negated(), *high])
            model.add_bool_or(spans)
        if rules.no_uncut:
            model.add_bool_or([lit for depth in depths[2:] for lit in having[depth]])
        if rules.no_stairs:
            for first in depths:
                for step in range(-self.spec.depths, self.spec.depths + 1):
                    if step:
                        _forbid(model, chambers, [first + step * n for n in range(len(chambers))])

    def _shut_out(self, model: "cp_model.CpModel", cuts: Cuts, limit: TimeLimit, changes: "_Changes | None") -> bool:
        """Every key that must not operate a cylinder is shut out by some chamber; tell whether time was left."""
        for cylinder in range(self.pinned.shape[1]):
            shut = np.flatnonzero(self.shut[:, cylinder]).tolist()
            if not shut:
                continue
            shears: list[dict[int, cp_model.IntVar]] = []
            for chamber in range(self.spec.chambers):
                opening: dict[int, cp_model.IntVar] = {}
                for key in np.flatnonzero(self.pinned[:, cylinder]).tolist():
                    dropped = [] if changes is None else [changes.drop(key, cylinder)]
                    for depth, literal in cuts[key][chamber].items():
                        if depth not in opening:
                            opening[depth] = model.new_bool_var("")
                        model.add_bool_or([literal.negated(), opening[depth], *dropped])
                shears.append(opening)
            for key in shut:
                if limit.is_over:
                    return False
                blocks = [] if changes is None else changes.allow(key, cylinder)
                for chamber, opening in enumerate(shears):
                    block = model.new_bool_var("")
                    for depth, literal in cuts[key][chamber].items():
                        if depth in opening:
                            model.add_bool_or([block.negated(), literal.negated(), opening[depth].negated()])
                    blocks.append(block)
                model.add_bool_or(blocks)
        return True


def _forbid(
    model: "cp_model.CpModel", chambers: "Sequence[Mapping[int, cp_model.IntVar]]", bitting: Sequence[int]
) -> None:
    if all(depth in by_depth for depth, by_depth in zip(bitting, chambers, strict=True)):
        model.add_bool_or([by_depth[d].negated() for d, by_depth in zip(bitting, chambers, strict=True)])


class _Changes:
    """The literals of entries dropped and operations allowed; a key of which all entries go needs no bitting."""

    def __init__(self, model: "cp_model.CpModel", pinned: Flags, weights: NDArray[np.int64]) -> None:
        self.model, self.pinned, self.weights = model, pinned, weights
        self.drops: dict[tuple[int, int], cp_model.IntVar] = {}
        self.allows: dict[tuple[int, int], cp_model.IntVar] = {}
        self.gone: dict[int, cp_model.IntVar] = {}

    def drop(self, key: int, cylinder: int) -> "cp_model.IntVar":
        """The literal of dropping a pinned entry."""
        if (key, cylinder) not in self.drops:
            self.drops[key, cylinder] = self.model.new_bool_var("")
        return self.drops[key, cylinder]

    def allow(self, key: int, cylinder: int) -> "list[cp_model.IntVar]":
        """The literals that spare shutting a key out: it may operate the cylinder, or nobody carries it any more."""
        self.allows[key, cylinder] = self.model.new_bool_var("")
        if key not in self.gone:
            self.gone[key] = self.model.new_bool_var("")
            for other in np.flatnonzero(self.pinned[key]).tolist():
                self.model.add_implication(self.gone[key], self.drop(key, other))
        return [self.allows[key, cylinder], self.gone[key]]

    def minimize(self) -> None:
        """Ask for the lightest changes; of as light ones for those that drop less."""
        scale = 1 + len(self.drops)
        self.model.minimize(
            sum(literal * int(self.weights[pair]) * scale for pair, literal in self.allows.items())
            + sum(literal * (int(self.weights[pair]) * scale + 1) for pair, literal in self.drops.items())
        )

    def dropped(self, solver: "cp_model.CpSolver") -> Flags:
        """The pinned entries that go."""
        found = np.zeros(self.pinned.shape, dtype=np.bool_)
        for pair, literal in self.drops.items():
            found[pair] = solver.boolean_value(literal)
        return found
