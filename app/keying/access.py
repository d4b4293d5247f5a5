"""From who opens what to a keyed system: by levels where the keys nest, else by a search."""

from __future__ import annotations

from collections.abc import Set as AbstractSet
from random import Random

from app.keying.errors import NoBittingsLeft
from app.keying.hierarchy import AccessPlan, key_hierarchy
from app.keying.levels import PlannedKeyset
from app.keying.matrix import AccessMatrix, Clash
from app.keying.solving import MatrixSolution, Outcome, Progress, solve_matrix
from app.keying.spec import Bitting, BittingSpec
from app.keying.symbols import Level


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
    return plan_of_solution(matrix, solution) if solution.outcome is Outcome.SOLVED else solution


def plan_of_solution(matrix: AccessMatrix, solution: MatrixSolution) -> AccessPlan:
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
        PlannedKeyset(
            symbol,
            Level.MASTER if key == top else Level.CHANGE,
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
