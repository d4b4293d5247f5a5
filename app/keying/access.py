"""From who opens what to a keyed system: by levels where the keys nest, else by a search."""

from collections import defaultdict
from collections.abc import Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from random import Random

from app.keying.arrays import Spread, progression_under
from app.keying.errors import KeyingError, NoBittingsLeft
from app.keying.levels import ROLES, Branch, SystemKeyset, name_branches, operating_chains, sharings
from app.keying.matrix import AccessMatrix, Clash, nest
from app.keying.progression import check_master
from app.keying.solving import MatrixSolution, Outcome, Progress, solve_matrix
from app.keying.spec import Bitting, BittingSpec
from app.keying.symbols import SymbolLevel


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
    tmk: Bitting,
    matrix: AccessMatrix,
    rng: Random,
    *,
    avoid: AbstractSet[Bitting] = frozenset(),
    seconds: float = 60.0,
    on_progress: Progress | None = None,
) -> AccessPlan | MatrixSolution:
    """Key a matrix: an AccessPlan, or how the search ended when it did not find one.

    Keys that nest are keyed by levels under `tmk`; others, and those that levels do not hold, by `solve_matrix`.
    Raises NoBittingsLeft where levels do not hold them and the search finds nothing in time.
    """
    full = None
    try:
        found = key_hierarchy(spec, tmk, matrix, avoid)
        if not isinstance(found, Clash):
            return found
    except NoBittingsLeft as error:
        full = error
    solution = solve_matrix(spec, tmk, matrix, rng, avoid=avoid, seconds=seconds, on_progress=on_progress)
    if full is not None and solution.outcome is Outcome.NOT_IN_TIME:
        raise full
    return _plan_of_solution(matrix, solution) if solution.outcome is Outcome.SOLVED else solution


def key_hierarchy(
    spec: BittingSpec, tmk: Bitting, matrix: AccessMatrix, used: AbstractSet[Bitting] = frozenset()
) -> AccessPlan | Clash:
    """Key a matrix whose keys nest under `tmk`, or give the clash that keeps them from nesting.

    Two to four levels, by how deep the keys nest. A key with others under it is a master or grand, one without
    is a change, directly under whichever key is above it. Raises NoBittingsLeft where they do not fit.
    """
    check_master(spec, tmk)
    parents = nest(matrix)
    if isinstance(parents, Clash):
        return parents
    if not matrix.keys:
        raise KeyingError("matrix", "Nobody opens anything: there is nothing to key.")
    branches = [Branch(number=number) for number in range(len(matrix.keys))]
    below: dict[int | None, list[Branch]] = defaultdict(list)
    for branch, parent in zip(branches, parents, strict=True):
        below[parent].append(branch)
    for branch in branches:
        branch.below = below[branch.number]
    roots = below[None]
    top = roots[0] if len(roots) == 1 and roots[0].below else Branch(below=roots)
    widths = _widths(top)
    levels = len(widths) + 1
    if levels > 4:
        raise KeyingError("matrix", f"The keys nest {levels} deep; a system has at most four levels.")
    roles = ROLES[levels][::-1]
    needs = {role: max(1, width) for role, width in zip(roles, widths, strict=True)}
    for sharing in sharings(spec, tmk, levels, needs):
        top.bitting = tmk
        if _assign(spec, tmk, sharing, roles, top, used):
            return _plan(matrix, top, levels, sharing)
    asked = " × ".join(f"{needs[role]:,}" for role in roles)
    raise NoBittingsLeft(
        "matrix",
        f"{len(matrix.keys):,} keysets, up to {asked} by level, do not fit under this master with {levels} levels. "
        "Use a spec with more chambers or depths, or fewer levels.",
        asked=len(matrix.keys),
    )


def _widths(top: Branch) -> list[int]:
    """Give per level below the top the most that hang under one key."""
    widths = []
    level = [top]
    while level := [node for node in level if node.below]:
        widths.append(max(len(node.below) for node in level))
        level = [below for node in level for below in node.below]
    return widths


def _assign(
    spec: BittingSpec, tmk: Bitting, sharing: str, roles: Sequence[str], node: Branch, used: AbstractSet[Bitting]
) -> bool:
    """Give bittings to all under a node, the fullest keys first to whichever bitting has room; tell if it fits."""
    if not node.below:
        return True
    role, *deeper = roles
    waiting = sorted(node.below, key=lambda below: -len(below.below))
    run = progression_under(spec, tmk, sharing, role, node.bitting)
    for bitting in run if deeper else Spread(run):
        if not waiting:
            break
        if bitting in used:
            continue
        room = 0
        if deeper and waiting[0].below:
            under = progression_under(spec, tmk, sharing, deeper[0], bitting)
            room = under.usable - sum(other in under for other in used)
        place = next((n for n, below in enumerate(waiting) if len(below.below) <= room), None)
        if place is not None:
            waiting.pop(place).bitting = bitting
    return not waiting and all(_assign(spec, tmk, sharing, deeper, below, used) for below in node.below)


def _plan(matrix: AccessMatrix, top: Branch, levels: int, sharing: str) -> AccessPlan:
    named = list(name_branches(top, levels))
    symbol_of = {branch.number: keyset.symbol for keyset, branch in named}
    holders: dict[str, str | None] = dict.fromkeys(matrix.without_doors)
    for keyset, branch in named:
        if branch.number is not None:
            holders.update(dict.fromkeys(matrix.keys[branch.number].holders, keyset.symbol))
    doors: dict[str, str] = {}
    for group in matrix.cylinders:
        # Of the keys that open a door the last in the chain opens the fewest: the door is keyed to it.
        own = min(group.keys, key=lambda key: len(matrix.keys[key].doors))
        doors.update(dict.fromkeys(group.doors, symbol_of[own]))
    keysets = tuple(keyset for keyset, _ in named)
    keyed = set(doors.values())
    chains = operating_chains({keyset.symbol: keyset.parent for keyset in keysets})
    unissued = symbol_of.get(None)  # the top that nobody carries
    cylinders = {
        symbol: tuple(above for above in chain if above != unissued)
        for symbol, chain in chains.items()
        if symbol in keyed
    }
    return AccessPlan(keysets, holders, doors, cylinders, levels, sharing, unissued is None)


def _plan_of_solution(matrix: AccessMatrix, solution: MatrixSolution) -> AccessPlan:
    """Give symbols to a solved matrix: AA for the key that opens all doors, if any, and 1AA, 2AA … for others.

    A cylinder of one key is keyed to that key, `(NMK)` where AA does not operate it; one of several keys is
    cross-keyed: X1X, X2X ….
    """
    bittings = solution.bittings or ()
    everything = frozenset(range(len(matrix.cylinders)))
    top = next((k for k, key in enumerate(matrix.keys) if key.doors == everything), None)
    symbol_of: dict[int, str] = {} if top is None else {top: "AA"}
    for key in range(len(matrix.keys)):
        symbol_of.setdefault(key, f"{len(symbol_of) + (top is None)}AA")
    keysets = [
        SystemKeyset(
            symbol,
            SymbolLevel.MASTER if key == top else SymbolLevel.CHANGE,
            None if key == top or top is None else "AA",
            bittings[key],
        )
        for key, symbol in symbol_of.items()
    ]
    doors: dict[str, str] = {}
    cylinders: dict[str, tuple[str, ...]] = {}
    crossed = 0
    for group in matrix.cylinders:
        others = [key for key in group.keys if key != top]
        if len(others) > 1:
            crossed += 1
            name = f"X{crossed}X"
        elif others:
            name = symbol_of[others[0]] + ("(NMK)" if top is not None and top not in group.keys else "")
        else:
            name = "AA"
        cylinders[name] = tuple(symbol_of[key] for key in (*others, *(k for k in group.keys if k == top)))
        doors.update(dict.fromkeys(group.doors, name))
    holders: dict[str, str | None] = dict.fromkeys(matrix.without_doors)
    for key, carriers in enumerate(matrix.keys):
        holders.update(dict.fromkeys(carriers.holders, symbol_of[key]))
    return AccessPlan(tuple(keysets), holders, doors, cylinders, 2, "", True)
