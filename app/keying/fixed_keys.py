"""Extension by search: new keysets in a system whose keys are fixed, where its array holds no more of them.

Their bittings need not lie in the array; they let nobody in who should not be, which the search proves.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from random import Random

from app.keying.errors import KeyingError
from app.keying.extending import Extension, chain_above
from app.keying.given import short
from app.keying.levels import PlannedKeyset
from app.keying.matrix import AccessMatrix, DoorGroup, KeyGroup
from app.keying.solving import MatrixSolution, Outcome, Progress, solve_matrix
from app.keying.spec import Bitting, BittingSpec
from app.keying.symbols import Level, change_symbol, master_names, read_symbol


@dataclass(frozen=True, slots=True)
class FixedAsk:
    """The keysets that are wanted, parents first, as (symbol, level, symbol above), and each change's operators."""

    keysets: tuple[tuple[str, Level, str], ...]
    cylinders: dict[str, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class FixedFind:
    """What the search came to: the extension where it found one, else how it ended and what clashes."""

    extension: Extension | None
    solution: MatrixSolution
    matrix: AccessMatrix = field(repr=False)


def ask_fixed(symbols: Collection[str], changes: Mapping[str, int], masters: Mapping[str, Sequence[int]]) -> FixedAsk:
    """Name the keysets that `changes` and `masters` ask for, as `extend` takes them, beside those that stand.

    >>> asked = ask_fixed(["A", "AA", "AA1"], {"AA": 1}, {"A": [1]})
    >>> [symbol for symbol, _, _ in asked.keysets], asked.cylinders["AB1"]
    (['AB', 'AB1', 'AA2'], ('AB1', 'AB', 'A'))
    """
    names = set(symbols)
    two_levels = "A" not in names and "GGM" not in names
    keysets: list[tuple[str, Level, str]] = []
    cylinders: dict[str, tuple[str, ...]] = {}

    def add(symbol: str, level: Level, above: str) -> None:
        names.add(symbol)
        keysets.append((symbol, level, above))

    def add_changes(above: str, wanted: int) -> None:
        number = 1
        for _ in range(wanted):
            while (symbol := change_symbol(2 if two_levels else 3, above, number)) in names:
                number += 1
            add(symbol, Level.CHANGE, above)
            cylinders[symbol] = chain_above(symbol, names)

    for grand, counts in masters.items():
        if grand not in names or two_levels or read_symbol(grand).level is not Level.GRAND:
            raise KeyingError(f"masters.{short(grand)}", "There is no such grand master in this system.")
        for wanted in counts:
            symbol = next(name for name in master_names(grand) if name not in names)
            add(symbol, Level.MASTER, grand)
            add_changes(symbol, wanted)
    for master, wanted in changes.items():
        if master not in names:
            raise KeyingError(f"changes.{short(master)}", "There is no such master in this system.")
        add_changes(master, wanted)
    return FixedAsk(tuple(keysets), cylinders)


def extend_fixed(
    spec: BittingSpec,
    tmk: Bitting,
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    asked: FixedAsk,
    rng: Random,
    *,
    avoid: AbstractSet[Bitting] = frozenset(),
    seconds: float = 60.0,
    on_progress: Progress | None = None,
) -> FixedFind:
    """Find a bitting for each keyset asked, so that no key in service and none of them lets anybody in unasked.

    `keys` are fixed; they and the new ones operate `cylinders` and `asked.cylinders` as listed and no other.
    """
    symbols = [*keys, *(symbol for symbol, _, _ in asked.keysets)]
    number = {symbol: row for row, symbol in enumerate(symbols)}
    listed = {**cylinders, **asked.cylinders}
    opens: list[set[int]] = [set() for _ in symbols]
    for column, operators in enumerate(listed.values()):
        for symbol in operators:
            opens[number[symbol]].add(column)
    # One row a key and one column a cylinder: keys that open the same doors are put together nowhere here.
    matrix = AccessMatrix(
        tuple(KeyGroup((symbol,), frozenset(opened)) for symbol, opened in zip(symbols, opens, strict=True)),
        tuple(DoorGroup((name,), tuple(number[s] for s in operators)) for name, operators in listed.items()),
    )
    fixed = {number[symbol]: bitting for symbol, bitting in keys.items()}
    solution = solve_matrix(
        spec, tmk, matrix, rng, fixed=fixed, avoid=avoid, seconds=seconds, on_progress=on_progress
    )
    if solution.outcome is not Outcome.SOLVED or solution.bittings is None:
        return FixedFind(None, solution, matrix)
    added = tuple(
        PlannedKeyset(symbol, level, above, solution.bittings[number[symbol]])
        for symbol, level, above in asked.keysets
    )
    return FixedFind(Extension(added, dict(asked.cylinders)), solution, matrix)
