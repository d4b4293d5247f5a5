"""New bittings for some keysets, so that a lost key is shut out and every other key operates what lists it, no more.

In a system on several keyways a key operates what it enters; keys that enter no keyway both may be cut alike.

One model for CP-SAT says both at once: which keysets are replaced, and what their new keys are cut to. Nearly every
key is shut out of nearly every cylinder anyway, so a pair of them gets into the model when it was seen to operate.
"""

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise, product
from math import log
from operator import ne
from random import Random
from typing import TYPE_CHECKING, TypeAlias

from app.keying.access import AccessPlan, key_matrix, plan_access
from app.keying.auditing import ALL_ENTER, Sections, audit
from app.keying.errors import KeyingError
from app.keying.holding import hold_levels
from app.keying.issuing import draw_from
from app.keying.matrix import AccessMatrix
from app.keying.pinning import count_combinations
from app.keying.progression import Columns
from app.keying.spec import Bitting, BittingSpec
from app.keying.tiers import Tiers
from app.keying.time_limit import TimeLimit, solve_model

if TYPE_CHECKING:
    from ortools.sat.python import cp_model

    Literal: TypeAlias = cp_model.LiteralT

FEW_PAIRS = 2_000
"""So many pairs of a key and a cylinder go into the model at once."""
SLACK = 30  # millionths by which logarithms may be rounded; no two products of widths are as near
DRAWS = 40
MOST_FREE = 250
"""A model of more keysets is seldom solved in time; keying all anew is quicker."""
MOST_MOVES = 64
TRIED_MOVES = 3
LEAST_EFFORT = 0.01  # what a round counts for at least: the holding against all keys
ELSEWHERE = "\0elsewhere"
"""A door of the top's alone, in the matrix of a part of the cylinders."""
FIRST_EFFORT = 1.0
"""With so much of CP-SAT's effort the best plan so far is held against all keys, so that it soon knows them."""


def columns_in_service(spec: BittingSpec, keys: Sequence[Bitting]) -> Columns:
    """The depths that one more key of a system may have in each chamber; with step 2 of the parity that most have.

    >>> columns_in_service(BittingSpec(chambers=3, depths=4, macs=3, step=2), [(0, 1, 2), (2, 3, 0), (0, 1, 1)])
    ((0, 2), (1, 3), (0, 2))
    """
    columns = []
    for cuts in zip(*keys, strict=True):
        odd = 2 * sum(cut % 2 for cut in cuts) > len(cuts)
        columns.append(tuple(d for d in spec.all_depths if spec.step == 1 or d % 2 == odd))
    return tuple(columns)


@dataclass(frozen=True, slots=True)
class SystemsBeside:
    """What else stands there and stays: keys that must turn nothing here, each with the keyways that it enters, and
    whether a keyset's new bitting turns what is there.

    `bears`: what operates here already and must not may go on so where it is not touched.
    """

    keys: Mapping[Bitting, Collection[str]] = field(default_factory=dict, repr=False)
    turns: Callable[[str, Bitting], bool] = field(default=lambda _, __: False, repr=False)
    bears: bool = False


@dataclass(frozen=True)
class LossTask:
    """A system and what is lost of it: `lost` is the bitting, of a key of `symbol`, `gone` the keysets cut to it.

    `cylinders`: per set of operators, how many cylinders have it; `exposed` are those that the lost key turns.
    `costs`: what the replacing of a keyset weighs; a cylinder to rekey weighs more than all of them. A key that has
    no cost stands in another system, and stays. `plugs`: the keyways of cylinders with these operators, where not
    every key enters; `sections` says what keys enter.
    """

    spec: BittingSpec
    keys: Mapping[str, Bitting] = field(repr=False)
    cylinders: Mapping[tuple[str, ...], int]
    lost: Bitting = field(repr=False)
    symbol: str
    gone: AbstractSet[str]
    exposed: AbstractSet[tuple[str, ...]]
    costs: Mapping[str, int]
    beside: SystemsBeside = SystemsBeside()
    plugs: Mapping[tuple[str, ...], AbstractSet[str]] = field(default_factory=dict)
    sections: Sections = ALL_ENTER

    @cached_property
    def borne(self) -> AbstractSet[tuple[tuple[str, ...], str | None]]:
        """What operates now, must not, and may go on so where it is not touched."""
        return {pair for pair in self._operating(self.keys) if pair[1] is not None} if self.beside.bears else set()

    @cached_property
    def weight(self) -> int:
        """What a cylinder weighs."""
        return sum(self.costs.values()) + 1

    @cached_property
    def columns(self) -> Columns:
        """The depths that a new key may have in each chamber."""
        return columns_in_service(self.spec, [self.keys[key] for key in self.costs])

    def enters(self, key: str | None, operators: tuple[str, ...]) -> bool:
        """Whether a key, or the lost one (None), enters some cylinder with these operators."""
        entered, plugs = self.sections.entered.get(key or self.symbol), self.plugs.get(operators)
        return entered is None or plugs is None or not plugs.isdisjoint(entered)

    def cost(self, replaced: AbstractSet[str]) -> int:
        """What it weighs to replace these keysets: the cylinders that list one, and those exposed; then the keys."""
        touched = sum(
            count
            for operators, count in self.cylinders.items()
            if operators in self.exposed or not replaced.isdisjoint(operators)
        )
        return self.weight * touched + sum(self.costs[symbol] for symbol in replaced)

    def ordered(self, symbols: AbstractSet[str]) -> tuple[str, ...]:
        """These keysets as they stand in the system."""
        return tuple(key for key in self.keys if key in symbols)

    def operating(self, keys: Mapping[str, Bitting]) -> Iterator[tuple[tuple[str, ...], str | None]]:
        """The cylinders with the keys (None: the lost one) that turn them and must not, if keys are cut like this."""
        for operators, key in self._operating(keys):
            touched = (one for one in (key, *operators) if one is not None and keys[one] != self.keys[one])
            if (operators, key) not in self.borne or any(touched):
                yield operators, key

    def _operating(self, keys: Mapping[str, Bitting]) -> Iterator[tuple[tuple[str, ...], str | None]]:
        named = {str(number): operators for number, operators in enumerate(self.cylinders)}
        lost = "\0lost"  # no symbol of a system has such a character
        found = audit({**keys, lost: self.lost}, named)
        for cylinder, key in found.unintended:
            pair = named[cylinder], None if key == lost else key
            if self.enters(pair[1], pair[0]):
                yield pair

    def at_fault(self, new: Mapping[str, Bitting]) -> AbstractSet[str]:
        """Which of these new bittings may not be handed out, or operate, or let operate, what must not."""
        taken = Holders(self.sections, self.keys)
        at_fault: set[str] = set()
        for symbol, cuts in new.items():
            if taken.first_met(symbol, cuts) or not self.spec.allows(cuts) or self.beside.turns(symbol, cuts):
                at_fault.add(symbol)
            taken.add(symbol, cuts)
        if 2 * len(at_fault) < len(new):
            for operators, key in self.operating({**self.keys, **new}):
                # Where keys that stay are at fault among themselves, these new bittings do not help.
                at_fault.update([one for one in (*([key] if key else []), *operators) if one in new][:1] or new)
        return at_fault

    def wider(self, keys: Mapping[str, Bitting]) -> list[tuple[tuple[str, ...], int, int]]:
        """The cylinders that let in more combinations than before, with how many before and now."""
        found = []
        for operators in self.cylinders:
            before, now = (count_combinations([those[one] for one in operators]) for those in (self.keys, keys))
            if now > before:
                found.append((operators, before, now))
        return found


class Holders:
    """Who has which bitting, of keys that may be cut alike where they enter no keyway both."""

    def __init__(self, sections: Sections, keys: Mapping[str, Bitting]) -> None:
        self._sections = sections
        self._holders: dict[Bitting, list[str]] = {}
        for key, cuts in keys.items():
            self.add(key, cuts)

    def add(self, key: str, cuts: Bitting) -> None:
        """One more key has this bitting."""
        self._holders.setdefault(cuts, []).append(key)

    def first_met(self, key: str, cuts: Bitting) -> str | None:
        """The first with this bitting that a key so cut could pass for."""
        return next((one for one in self._holders.get(cuts, ()) if self._sections.meet(key, one)), None)


@dataclass(frozen=True, slots=True)
class Replacing:
    """What a search came to: the new bittings or None, and whether there are none, so that no time would help."""

    new: dict[str, Bitting] | None = field(repr=False)
    is_impossible: bool


def replace_keys(
    loss: LossTask,
    free: Sequence[str],
    rng: Random,
    limit: TimeLimit,
    *,
    is_bounded: bool = True,
    apart: int = 1,
    all_of_them: bool = False,
    decided: Mapping[str, Bitting] | None = None,
    below: int | None = None,
    effort: float = FIRST_EFFORT,
) -> Replacing:
    """Find new bittings for the lost keysets and as few more of `free` as it takes, or `all_of_them`.

    `is_bounded`: no cylinder lets in more combinations than it did. `apart`: in how many chambers a new key differs
    from the lost one. `decided`: new bittings that stand. `below`: only a plan that costs less than this. `effort`
    bounds it as the limit does, but alike on any machine. What is found has been held against every cylinder and key.
    """
    if len(free) > MOST_FREE:
        return Replacing(None, False)
    settled = dict(decided or {})
    model = _Model(
        loss, free, rng, limit, is_bounded=is_bounded, apart=apart, all_of_them=all_of_them, decided=settled
    )
    if below is not None:
        model.go_below(below)
    return model.search(limit, effort)


def move_branch(loss: LossTask, replaced: Sequence[str], rng: Random, apart: int, limit: TimeLimit) -> Replacing:
    """Give a master's branch the cuts of another master, which leaves its changes as far apart as they were.

    Of the lost key's cuts those change that all the keys of the branch share; no cylinder gets wider so. Keys that
    may not be handed out like that are searched for.
    """
    for moved, at_fault in _moved_branches(loss, replaced, rng, apart, limit):
        if not at_fault:
            return Replacing(moved, False)
        rest = tuple(key for key in replaced if key in at_fault)
        kept = {key: cuts for key, cuts in moved.items() if key not in at_fault}
        found = replace_keys(loss, rest, rng, limit, apart=apart, all_of_them=True, decided=kept)
        if found.new:
            return found
    return Replacing(None, False)


def key_anew(loss: LossTask, rng: Random, limit: TimeLimit, *, by_levels: bool) -> dict[str, Bitting]:
    """Key the whole system anew, under another top master of its parity or without levels; {} where that fails.

    Keys that open nothing stay, but for the lost ones, which it does not help. By levels each keyway has its array
    for itself, but for those that some key under the top enters both.
    """
    opened = {one: str(number) for number, one in enumerate(loss.cylinders)}
    over = next((key for key in loss.costs if all(key in one for one in opened)), None)
    top = _draw_of_parity(loss, rng)
    if not loss.gone <= {key for one in opened for key in one} or top in loss.keys.values():
        return {}
    parts = _entered_apart(loss, over) if by_levels else [[*opened]]
    new: dict[str, Bitting] = {}
    for number, part in enumerate(parts):
        opens = {key: [opened[one] for one in part if key in one] for key in loss.costs}
        opens = {key: doors for key, doors in opens.items() if doors}
        near = [key for key in opens if key != over or len(parts) == 1]
        avoid = {cuts for key, cuts in loss.keys.items() if any(loss.sections.meet(key, one) for one in near)}
        doors = [opened[one] for one in part]
        if over and len(parts) > 1:  # else a master over all that is here would be the top
            opens[over], doors = [*opens[over], ELSEWHERE], [*doors, ELSEWHERE]
        plan = _plan_anew(
            loss,
            top,
            AccessMatrix.of(opens, doors),
            rng,
            avoid,
            limit.part(1 / (len(parts) - number)),
            by_levels=by_levels,
        )
        if plan is None:
            return {}
        new |= {key: plan.keys[symbol] for key, symbol in plan.holders.items() if symbol}
    return {} if loss.at_fault(new) else new


def _plan_anew(
    loss: LossTask,
    top: Bitting,
    matrix: AccessMatrix,
    rng: Random,
    avoid: AbstractSet[Bitting],
    limit: TimeLimit,
    *,
    by_levels: bool,
) -> AccessPlan | None:
    try:
        if by_levels:
            held = hold_levels(loss.spec, top, tiers := Tiers.of(matrix), rng, avoid, limit)
            return plan_access(tiers, held) if held and not held.unwanted else None
        found = key_matrix(loss.spec, top, matrix, rng, avoid=avoid, seconds=max(limit.left, 0.01), relax=False)
    except KeyingError:
        return None
    return found if isinstance(found, AccessPlan) else None


def _entered_apart(loss: LossTask, over: str | None) -> list[list[tuple[str, ...]]]:
    """The cylinders in parts that no key enters together, but the one over all."""
    parts: list[list[tuple[str, ...]]] = []
    for plugs in dict.fromkeys(map(loss.plugs.get, loss.cylinders)):
        parts.append([one for one in loss.cylinders if loss.plugs.get(one) == plugs])
    for key in loss.costs:
        met = [part for part in parts if key != over and any(loss.enters(key, one) for one in part)]
        if len(met) > 1:
            parts = [[one for part in met for one in part], *(part for part in parts if part not in met)]
    return parts


def _draw_of_parity(loss: LossTask, rng: Random) -> Bitting:
    """Draw a bitting of the system's parity that may be handed out; after some draws any within MACS."""
    for _ in range(DRAWS):
        drawn = draw_from(loss.columns, loss.spec.macs, rng)
        if loss.spec.allows(drawn):
            break
    return drawn


def _moved_branches(
    loss: LossTask, replaced: Sequence[str], rng: Random, apart: int, limit: TimeLimit
) -> list[tuple[dict[str, Bitting], AbstractSet[str]]]:
    """The new bittings of some moves of a branch, each with the keys that need others; best first."""
    shared = [all(loss.keys[key][n] == cut for key in replaced) for n, cut in enumerate(loss.lost)]
    over_all = frozenset.intersection(*map(frozenset, loss.exposed)) if loss.exposed else ()
    over = [loss.keys[key] for key in over_all if key not in replaced]
    choices = [
        [cut, *(depth for depth in column if all(depth not in (cut, above[n]) for above in over))]
        if shared[n]
        else [cut]
        for n, (cut, column) in enumerate(zip(loss.lost, loss.columns, strict=True))
    ]
    moves = [move for move in product(*choices) if sum(map(ne, move, loss.lost)) >= apart]
    found = []
    for move in rng.sample(moves, min(MOST_MOVES, len(moves))):
        if limit.is_over:
            break
        moved = {
            key: tuple(
                new if is_shared else cut for cut, new, is_shared in zip(loss.keys[key], move, shared, strict=True)
            )
            for key in replaced
        }
        at_fault = loss.at_fault(moved)
        wider = sum(loss.cylinders[one] for one, _, _ in loss.wider({**loss.keys, **moved}))
        found.append((len(at_fault), wider, moved, at_fault))
        if not at_fault and not wider:
            break
    found.sort(key=lambda one: one[:2])
    return [(moved, at_fault) for _, _, moved, at_fault in found[:TRIED_MOVES]]


class _Model:
    """The model as it grows. A depth of a key that stays is True or False; of one that may go, a variable."""

    def __init__(
        self,
        loss: LossTask,
        free: Sequence[str],
        rng: Random,
        limit: TimeLimit,
        *,
        is_bounded: bool,
        apart: int,
        all_of_them: bool,
        decided: Mapping[str, Bitting],
    ) -> None:
        from ortools.sat.python import cp_model  # heavy to load, so only here

        self.loss, self.spec, self.free, self._limit = loss, loss.spec, tuple(free), limit
        self.decided, self.keys = decided, {**loss.keys, **decided}
        self.model = cp_model.CpModel()
        self._is_impossible = self._is_optimal = False
        self._cost: cp_model.LinearExprT = 0
        self._seed = rng.randrange(1 << 30)
        self._opening: dict[tuple[tuple[str, ...], int, int], cp_model.IntVar | bool] = {}
        self._seen: set[tuple[tuple[str, ...], str | None]] = set()
        self.goes = {symbol: self.model.new_bool_var("") for symbol in self.free}
        self.cuts: dict[str, list[dict[int, cp_model.IntVar]]] = {}
        for symbol in self.free:
            if limit.is_over:
                return
            self._add_key(symbol, rng, must=all_of_them or symbol in loss.gone)
            self._hint(symbol, _draw_of_parity(loss, rng), all_of_them or symbol in loss.gone)
            if apart > 1:
                columns = zip(loss.lost, self.cuts[symbol], strict=True)
                alike = [column[cut] for cut, column in columns if cut in column]
                self.model.add(sum(alike) <= self.spec.chambers - apart).only_enforce_if(self.goes[symbol])
        changing = self.goes.keys() | decided.keys()
        open_to_change = [one for one in loss.cylinders if not changing.isdisjoint(one)]
        if is_bounded:
            for operators in open_to_change:
                if limit.is_over:
                    return
                self._bound(operators)
        if not all_of_them:
            self._cost = self._weigh(open_to_change)
        for operators in loss.cylinders:  # in their order: a set has another one each time the program starts
            if operators in loss.exposed:
                self._shut_out(operators, None)
        pairs = [
            (one, key) for one in open_to_change for key in loss.keys if key not in one and loss.enters(key, one)
        ]
        if len(pairs) <= FEW_PAIRS:
            for operators, key in pairs:
                if (operators, key) not in loss.borne:
                    self._shut_out(operators, key)

    def search(self, limit: TimeLimit, effort: float) -> Replacing:
        """Search in rounds: what a plan breaks goes into the model, and what is found has to be beaten."""
        slot = FIRST_EFFORT
        best: dict[str, Bitting] | None = None
        while effort > 0 and not limit.is_over:
            found, spent = self._solve(limit, min(slot, effort))
            effort -= spent
            if found is None and not self._is_impossible:
                slot *= 2
            elif found is None:
                return Replacing(best, best is None)
            elif self._is_clean(found):
                best = {key: cuts for key, cuts in found.items() if cuts != self.loss.keys[key]}
                if self._is_optimal:
                    break
                self.go_below(self.loss.cost(best.keys()))
        return Replacing(best, False)

    def _solve(self, limit: TimeLimit, effort: float) -> tuple[dict[str, Bitting] | None, float]:
        """Give every key's cuts by the model as it stands, None where there are none or none yet; and the effort."""
        from ortools.sat.python import cp_model

        status, solver = solve_model(self.model, limit, seed=self._seed, effort=effort)
        self._is_impossible, self._is_optimal = status == cp_model.INFEASIBLE, status == cp_model.OPTIMAL
        if status == cp_model.UNKNOWN:
            return None, effort
        spent = max(LEAST_EFFORT, solver.response_proto.deterministic_time)
        if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):
            return None, spent
        found = dict(self.keys)
        self.model.clear_hints()  # type: ignore[no-untyped-call]
        for symbol, chambers in self.cuts.items():
            found[symbol] = tuple(next(d for d, cut in column.items() if solver.value(cut)) for column in chambers)
            self._hint(symbol, found[symbol], bool(solver.value(self.goes[symbol])))
        return found, spent

    def go_below(self, cost: int) -> None:
        """Take no plan of this cost or more."""
        self.model.add(self._cost <= cost - 1)

    def _is_clean(self, found: Mapping[str, Bitting]) -> bool:
        """Tell whether these cuts will do; what they break is put into the model."""
        broken = [pair for pair in self.loss.operating(found) if pair not in self._seen]
        for operators, key in broken:
            if self._limit.is_over:
                return False
            self._shut_out(operators, key)
        old, holders = (Holders(self.loss.sections, keys) for keys in (self.loss.keys, self.decided))
        clean = not broken
        for symbol in self.free:
            cuts = found[symbol]
            if cuts == self.loss.keys[symbol]:
                continue
            # Whoever has the old key of another keyset would have this one.
            if old.first_met(symbol, cuts) or self.loss.beside.turns(symbol, cuts):
                self._forbid(symbol, cuts)
                clean = False
            if (other := holders.first_met(symbol, cuts)) is not None:
                if other in self.decided:
                    self._forbid(symbol, cuts)
                else:
                    self._tell_apart(symbol, other)
                clean = False
            holders.add(symbol, cuts)
        return clean

    def _hint(self, symbol: str, cuts: Bitting, goes: bool) -> None:
        self.model.add_hint(self.goes[symbol], goes)
        for column, cut in zip(self.cuts[symbol], cuts if goes else self.loss.keys[symbol], strict=True):
            for depth, variable in column.items():
                self.model.add_hint(variable, depth == cut)

    def _add_key(self, symbol: str, rng: Random, *, must: bool) -> None:
        """A key that keeps its cuts or gets others, within MACS and by the rules."""
        model, goes, old = self.model, self.goes[symbol], self.loss.keys[symbol]
        chambers: list[dict[int, cp_model.IntVar]] = []
        for cut, column in zip(old, self.loss.columns, strict=True):
            several = sorted({*column, cut})
            rng.shuffle(several)  # else the search would begin with the shallow ones
            depths = {depth: model.new_bool_var("") for depth in several}
            model.add_exactly_one(depths.values())
            model.add_bool_or([goes, depths[cut]])
            if cut not in column:
                model.add_implication(goes, depths[cut].negated())
            chambers.append(depths)
        self.cuts[symbol] = chambers
        if must:
            model.add_bool_or([goes])
        self._forbid(symbol, old)
        for here, there in pairwise(chambers):
            for depth, variable in here.items():
                near = [other for d, other in there.items() if abs(d - depth) <= self.spec.macs]
                if len(near) < len(there):
                    model.add_bool_or([goes.negated(), variable.negated(), *near])
        self._add_rules(goes, chambers)

    def _add_rules(self, goes: "cp_model.IntVar", chambers: "Sequence[Mapping[int, cp_model.IntVar]]") -> None:
        model, spec, rules = self.model, self.spec, self.spec.rules
        count, depths, stays = len(chambers), spec.all_depths, goes.negated()

        def not_all(cuts: Sequence[tuple[int, int]]) -> None:
            """Not all of these chambers have these depths."""
            if all(depth in chambers[chamber] for chamber, depth in cuts):
                model.add_bool_or([stays, *(chambers[chamber][depth].negated() for chamber, depth in cuts)])

        if rules.least_depths is not None:
            used = []
            for depth in depths:
                there = [column[depth] for column in chambers if depth in column]
                used.append(model.new_bool_var(""))
                model.add_bool_or([used[-1].negated(), *there])
            model.add(sum(used) >= rules.least_depths).only_enforce_if(goes)
        if rules.most_equal_neighbors is not None:
            for first in range(count - rules.most_equal_neighbors):
                for depth in depths:
                    not_all([(first + n, depth) for n in range(rules.most_equal_neighbors + 1)])
        if rules.least_span is not None:
            for low in range(spec.first_depth, spec.last_depth + 2 - rules.least_span):
                near = range(low, low + rules.least_span)
                out = [cut for column in chambers for depth, cut in column.items() if depth not in near]
                model.add_bool_or([stays, *out])
        if rules.no_stairs:
            for start in depths:
                for step in range(1 - spec.depths, spec.depths):
                    if step and start + step * (count - 1) in depths:
                        not_all([(chamber, start + step * chamber) for chamber in range(count)])
        if rules.no_uncut:
            deep = [cut for column in chambers for depth, cut in column.items() if depth > spec.first_depth + 1]
            model.add_bool_or([stays, *deep])

    def _forbid(self, symbol: str, cuts: Bitting) -> None:
        """A key that goes is not cut to this."""
        chambers = self.cuts[symbol]
        if all(cut in column for cut, column in zip(cuts, chambers, strict=True)):
            same = [column[cut].negated() for cut, column in zip(cuts, chambers, strict=True)]
            self.model.add_bool_or([self.goes[symbol].negated(), *same])

    def _tell_apart(self, one: str, other: str) -> None:
        """Two keys differ in some chamber."""
        differs = []
        for column, beside in zip(self.cuts[one], self.cuts[other], strict=True):
            differs.append(self.model.new_bool_var(""))
            for depth in column.keys() & beside.keys():
                self.model.add_bool_or([differs[-1].negated(), column[depth].negated(), beside[depth].negated()])
        self.model.add_bool_or(differs)

    def _opens(self, operators: tuple[str, ...], chamber: int, depth: int) -> "cp_model.IntVar | bool":
        """Whether a cylinder shears there: at least where one of its keys has the depth."""
        place = (operators, chamber, depth)
        if place not in self._opening:
            there = []
            for symbol in operators:
                if symbol in self.cuts:
                    there += [self.cuts[symbol][chamber][depth]] if depth in self.cuts[symbol][chamber] else []
                elif self.keys[symbol][chamber] == depth:
                    self._opening[place] = True
                    return True
            if there:
                opens = self.model.new_bool_var("")
                for variable in there:
                    self.model.add_implication(variable, opens)
                self._opening[place] = opens
            else:
                self._opening[place] = False
        return self._opening[place]

    def _shut_out(self, operators: tuple[str, ...], key: str | None) -> None:
        """Some chamber blocks a key, or the lost one, in a cylinder."""
        self._seen.add((operators, key))
        model = self.model
        blocks: list[Literal] = []
        if key is not None and key in self.cuts:
            for chamber, column in enumerate(self.cuts[key]):
                block = model.new_bool_var("")
                for depth, cut in column.items():
                    opens = self._opens(operators, chamber, depth)
                    if opens is True:
                        model.add_bool_or([block.negated(), cut.negated()])
                    elif opens is not False:
                        model.add_bool_or([block.negated(), cut.negated(), opens.negated()])
                blocks.append(block)
        else:
            for chamber, depth in enumerate(self.loss.lost if key is None else self.keys[key]):
                opens = self._opens(operators, chamber, depth)
                if opens is False:
                    return
                if opens is not True:
                    blocks.append(opens.negated())
        model.add_bool_or(blocks)

    def _bound(self, operators: tuple[str, ...]) -> None:
        """A cylinder lets in no more combinations than before: the logarithms of its widths add up to no more."""
        terms = []
        for chamber in range(self.spec.chambers):
            opens = [self._opens(operators, chamber, depth) for depth in self.spec.all_depths]
            most = min(len(operators), sum(one is not False for one in opens))
            wider = [self.model.new_bool_var("") for _ in range(most - 1)]
            self.model.add(sum(one for one in opens if one is not False) <= 1 + sum(wider))
            terms += [round(1e6 * (log(n) - log(n - 1))) * one for n, one in enumerate(wider, start=2)]
            for narrow, wide in pairwise(wider):
                self.model.add_implication(wide, narrow)
        before = count_combinations([self.loss.keys[symbol] for symbol in operators])
        self.model.add(sum(terms) <= round(1e6 * log(before)) + SLACK)

    def _weigh(self, open_to_change: Sequence[tuple[str, ...]]) -> "cp_model.LinearExprT":
        """Fewest cylinders first, then fewest keys."""
        loss = self.loss
        terms = [loss.costs[symbol] * goes for symbol, goes in self.goes.items()]
        for operators in open_to_change:
            if operators not in loss.exposed and self.decided.keys().isdisjoint(operators):
                touched = self.model.new_bool_var("")
                for symbol in operators:
                    if symbol in self.goes:
                        self.model.add_implication(self.goes[symbol], touched)
                terms.append(loss.weight * loss.cylinders[operators] * touched)
        cost = sum(terms) + loss.cost(self.decided.keys())
        self.model.minimize(cost)
        return cost
