"""From who opens what to a keyed system: by levels with exceptions crossed by themselves, else by a search."""

from collections.abc import Callable, Iterator
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from random import Random

from app.keying.errors import KeyingError, NoBittingsLeft
from app.keying.holding import HeldLevels, hold_levels
from app.keying.issuing import draw_master, draw_single
from app.keying.levels import SystemKeyset
from app.keying.matrix import AccessMatrix
from app.keying.pinning import count_combinations
from app.keying.progression import check_master
from app.keying.relaxing import same_again
from app.keying.solving import MatrixSolution, Outcome, Progress, solve_matrix
from app.keying.spec import Bitting, BittingSpec
from app.keying.tiers import Tiers
from app.keying.time_limit import TimeLimit, by_the_clock

LEVELS_SHARE = 0.4  # of the time that is left, before the search of keys side by side has its turn
CROWDED_SHARE = 0.1  # the same where most doors are exceptions, which levels seldom hold
MASTERS_DRAWN = 2
LEAST_SECONDS = 0.01  # where levels took all the time, for an answer that says what they still let in


@dataclass(frozen=True, slots=True)
class AccessException:
    """A cylinder that others operate than one key and all keys above it: what it costs, and whom it could let in.

    `cylinder` is its name in the plan, which keys `doors`; `operators` are its keys, of which `also` are the
    exception: those beside its own key and the keys above that. `before` and `after`: the combinations it lets in
    without and with them. `crossed`: two or more changes operate it, or masters of which neither stands over the
    other. `controlled`: all of these hang under the same higher keys (AA1 + AA2; not AA1 + AB1).
    (ANSI/BHMA A156.28-2018, text extract) `would_enter`: keys that would operate it too if each bitting came from
    the array of its level. As planned none does: somebody's bitting stands outside his master's array then.
    """

    cylinder: str
    doors: tuple[str, ...]
    operators: tuple[str, ...]
    also: tuple[str, ...]
    before: int
    after: int
    crossed: bool
    controlled: bool
    would_enter: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class AccessPlan:
    """The keysets, and which of them each holder carries, each door is keyed to, and each cylinder opens to.

    `top_issued` is False where nobody opens every door: the top master then exists in the books only and no
    cylinder is pinned to it. A holder's symbol is None who opens nothing. `exceptions`: the cylinders that levels
    alone would not make.
    """

    keysets: tuple[SystemKeyset, ...]
    holders: dict[str, str | None]
    doors: dict[str, str]
    cylinders: dict[str, tuple[str, ...]]
    levels: int
    roles: str
    top_issued: bool
    exceptions: tuple[AccessException, ...] = ()

    @property
    def crossed(self) -> tuple[str, ...]:
        """The doors that are cross-keyed."""
        return tuple(door for one in self.exceptions if one.crossed for door in one.doors)

    @property
    def keys(self) -> dict[str, Bitting]:
        """Symbol → bitting of every issued keyset."""
        issued = self.keysets if self.top_issued else self.keysets[1:]
        return {keyset.symbol: keyset.bitting for keyset in issued}


def key_matrix(
    spec: BittingSpec,
    tmk: Bitting | None,
    matrix: AccessMatrix,
    rng: Random,
    *,
    avoid: AbstractSet[Bitting] = frozenset(),
    seconds: float = 60.0,
    on_progress: Progress | None = None,
    relax: bool = True,
    clock: Callable[[], float] = by_the_clock,
) -> AccessPlan | MatrixSolution:
    """Key a matrix: an AccessPlan, or how the search ended when it did not find one.

    The keys go by levels under `tmk`, or a master drawn by chance, each exception crossed by itself; what levels do
    not hold, `solve_matrix` looks for. With `relax` an answer without a plan says what to allow or to drop.
    """
    limit, again = TimeLimit(seconds, clock), same_again(rng)
    if not matrix.keys:
        raise KeyingError("matrix", "Nobody opens anything: there is nothing to key.")
    tiers = Tiers.of(matrix)
    share = (
        CROWDED_SHARE if 2 * sum(one.is_exception for one in tiers.operators) > len(tiers.operators) else LEVELS_SHARE
    )
    best = HeldLevels((), ())
    for top in _tops(spec, rng, avoid) if tmk is None else [tmk]:
        check_master(spec, top)
        held = hold_levels(spec, top, tiers, rng, avoid, limit.part(share))
        if held is not None and not held.unwanted:
            return plan_access(tiers, held)
        if not best.top or (held is not None and len(held.unwanted) < len(best.unwanted)):
            best = held or HeldLevels((), top)

    def solves(changed: AccessMatrix, seconds: float) -> bool:
        if not changed.keys:
            return True
        found = key_matrix(spec, tmk, changed, again(), avoid=avoid, seconds=seconds, relax=False, clock=clock)
        return isinstance(found, AccessPlan)

    found = solve_matrix(
        spec,
        best.top,
        matrix,
        rng,
        start=dict(enumerate(best.bittings)),
        avoid=avoid,
        seconds=max(limit.left, LEAST_SECONDS),
        on_progress=on_progress,
        solves=solves if relax else None,
        any_parity=tmk is None,
        clock=clock,
    )
    if found.outcome is Outcome.SOLVED and found.bittings is not None:
        return plan_access(tiers, HeldLevels(found.bittings, best.top))
    return found


def _tops(spec: BittingSpec, rng: Random, avoid: AbstractSet[Bitting]) -> Iterator[Bitting]:
    """Give masters to key by levels under."""
    for _ in range(MASTERS_DRAWN):
        try:
            yield draw_master(spec, rng, avoid)
        except NoBittingsLeft:
            raise
        except KeyingError:  # no chamber has a second depth of its parity: there are no levels
            yield draw_single(spec, rng, avoid)


def plan_access(tiers: Tiers, held: HeldLevels) -> AccessPlan:
    """Name keysets and cylinders of a matrix that is keyed, and tell its exceptions.

    A cylinder is named by its own key where that and all above operate it, `AA1(NMK)` where that alone does. An
    exception is `XAA1` (N9), by the key that it is keyed to: that of its own door, else the first that operates it
    and names no other yet. Where each does, a number in parentheses behind tells them apart.
    """
    named = tiers.keysets()
    symbol_of = {number: keyset.symbol for keyset, number in named}
    keysets = tuple(
        replace(keyset, bitting=held.top if number is None else held.bittings[number]) for keyset, number in named
    )
    bittings = {keyset.symbol: keyset.bitting for keyset in keysets}
    operators = tiers.operators
    settled = {one.changes[0] for one in operators if len(one.changes) == 1}  # changes with a door of their own
    doors: dict[str, str] = {}
    cylinders: dict[str, tuple[str, ...]] = {}
    exceptions: list[AccessException] = []
    for number, (one, group) in enumerate(zip(operators, tiers.matrix.cylinders, strict=True)):
        claims = [key for key in one.changes if len(one.changes) == 1 or key not in settled]
        owns = claims if len(claims) == 1 else one.lowest
        own = next((key for key in owns if f"X{symbol_of[key]}" not in cylinders), owns[0])
        chain = tuple(symbol_of[key] for key in tiers.chain(own) if key in one.keys)
        also = tuple(symbol_of[key] for key in one.keys if symbol_of[key] not in chain)
        name = symbol_of[own] + ("(NMK)" if len(chain) < len(tiers.chain(own)) else "")
        if one.is_exception:
            name = f"X{name}"
            if name in cylinders:
                name += f" ({sum(each.startswith(name) for each in cylinders) + 1})"
            before, after = (
                count_combinations([bittings[symbol] for symbol in them]) for them in (chain, chain + also)
            )
            would_enter = tuple(symbol_of[key] for key in held.would_enter.get(number, ()))
            exceptions.append(
                AccessException(
                    name, group.doors, chain + also, also, before, after, one.crossed, one.controlled, would_enter
                )
            )
        cylinders[name] = chain + also
        doors.update(dict.fromkeys(group.doors, name))
    return AccessPlan(
        keysets, tiers.symbols(), doors, cylinders, tiers.levels, held.roles, tiers.top is not None, tuple(exceptions)
    )
