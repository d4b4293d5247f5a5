"""Extension: more masters and changes in a system in service, no issued key touched.

First from the system's array. Where that holds no more, a search finds bittings with all keys in service fixed: they
need not lie in the array, and the search proves that they let nobody in who should not be.

Never without the system's key bitting array and the list of bittings in use: then a cylinder is keyed single.
(ALOA technical standard, quoted in Keynotes, September 2014)
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from itertools import islice
from random import Random

import numpy as np
from numpy.typing import NDArray

from app.keying.arrays import CHANGE, GRAND, MASTER, array_under
from app.keying.auditing import check_system
from app.keying.errors import KeyingError, NoBittingsLeft, check_whole
from app.keying.levels import MOST_KEYSETS, PlannedKeyset
from app.keying.matrix import AccessMatrix, DoorGroup, KeyGroup
from app.keying.progression import check_master
from app.keying.shearing import depth_masks
from app.keying.solving import MatrixSolution, Outcome, Progress, solve_matrix
from app.keying.spec import Bitting, BittingSpec
from app.keying.symbols import SymbolLevel, change_symbol, master_names, read_symbol
from app.validation import short_name

_BELOW = {SymbolLevel.MASTER: CHANGE, SymbolLevel.GRAND: MASTER, SymbolLevel.GREAT_GRAND: GRAND}
REFUSAL = (
    "A system cannot be extended without its key bitting array and the list of all bittings in use. "
    "Key these cylinders single (SKD), or begin a new system."
)


@dataclass(frozen=True, slots=True)
class LevelArray:
    """The key bitting array of a system: its top master, and which chamber serves which level.

    `roles` as in `plan_levels`. `constants`: how many chambers are held at a time, of rotating constants.
    """

    tmk: Bitting = field(repr=False)
    roles: str
    constants: int = 0


@dataclass(frozen=True, slots=True)
class Extension:
    """The keysets added, parents first, and the keys that operate each new change's cylinder."""

    keysets: tuple[PlannedKeyset, ...]
    cylinders: dict[str, tuple[str, ...]]


def extend(
    spec: BittingSpec,
    array: LevelArray | None,
    keys: Mapping[str, Bitting] | None,
    cylinders: Mapping[str, Sequence[str]],
    *,
    changes: Mapping[str, int] | None = None,
    masters: Mapping[str, Sequence[int]] | None = None,
    shearing: Collection[Sequence[Collection[int]]] = (),
) -> Extension:
    """Add `changes` (key above → how many) and `masters` (grand → how many changes under each new master).

    A change directly under a grand (A1) or great grand (GGM1) takes the place of a master or grand that would
    have stood there.

    `keys` is the list of all bittings ever issued, retired ones too, by symbol; `cylinders` names the keys that
    operate each; `shearing` has further cylinders, per chamber the depths that shear. A bitting that would operate
    a cylinder in service, or whose cylinder a key in service would operate, is passed over. Issued bittings stay
    as they are. Raises NoBittingsLeft when they run out; then nothing is added.
    """
    if array is None or not keys:
        raise KeyingError("system", REFUSAL)
    check_master(spec, array.tmk)
    check_system(keys, cylinders)
    work = _Extending(spec, array, dict(keys), cylinders, shearing)
    for grand, counts in (masters or {}).items():
        for wanted in counts:
            check_whole(wanted, f"masters.{short_name(grand)}", 0, MOST_KEYSETS)
            work.add_master(grand, wanted)
    for master, wanted in (changes or {}).items():
        check_whole(wanted, f"changes.{short_name(master)}", 0, MOST_KEYSETS)
        work.add_changes(master, wanted)
    return Extension(tuple(work.added), work.added_cylinders)


def chain_above(symbol: str, keys: Collection[str]) -> tuple[str, ...]:
    """Give a symbol and those above it among the symbols of a system, the nearest first."""
    found = [symbol]
    while (parent := read_symbol(found[-1]).parent) is not None and parent in keys:
        found.append(parent)
    return tuple(found)


class _Extending:
    """The system as it grows: what is issued, and each cylinder's shearing depths as bits."""

    def __init__(
        self,
        spec: BittingSpec,
        array: LevelArray,
        keys: dict[str, Bitting],
        cylinders: Mapping[str, Sequence[str]],
        shearing: Collection[Sequence[Collection[int]]],
    ) -> None:
        self.spec, self.array, self.keys = spec, array, keys
        self.two_levels = MASTER not in array.roles
        self.taken = set(keys.values())
        self.added: list[PlannedKeyset] = []
        self.added_cylinders: dict[str, tuple[str, ...]] = {}
        self.bits = [_bits(bitting) for bitting in keys.values()]
        self.masks = [
            np.bitwise_or.reduce([_bits(keys[symbol]) for symbol in meant], axis=0) for meant in cylinders.values()
        ]
        self.masks += list(depth_masks([[tuple(depths) for depths in stack] for stack in shearing], spec.chambers))
        self.names = set(cylinders) | set(keys)

    def chain(self, symbol: str) -> tuple[str, ...]:
        """Give a symbol and those above it that the system has."""
        return chain_above(symbol, self.keys)

    def under(self, role: str, base: str) -> Iterator[Bitting]:
        """Give the bittings of a level under a key that are not issued: masters in sequence, changes spread."""
        array = self.array
        run = array_under(
            self.spec,
            array.tmk,
            array.roles,
            role,
            self.keys[base],
            constants=array.constants,
        )
        return (bitting for bitting in run if bitting not in self.taken)

    def add_master(self, grand: str, wanted: int) -> None:
        field = f"masters.{short_name(grand)}"
        if grand not in self.keys or read_symbol(grand, field).level is not SymbolLevel.GRAND or self.two_levels:
            raise KeyingError(field, "There is no such grand master in this system.")
        symbol = next(name for name in master_names(grand) if name not in self.names)
        masks = self._all_masks()
        for bitting in self.under(MASTER, grand):
            if _operates_any(masks, bitting):
                continue
            self._issue(PlannedKeyset(symbol, SymbolLevel.MASTER, grand, bitting))
            found = self._clean_changes(symbol, wanted)
            if len(found) == wanted:
                self._issue_changes(symbol, found)
                return
            self._withdraw_last()
        raise NoBittingsLeft(field, f"No master is left under {grand} with room for {wanted:,} changes.")

    def add_changes(self, master: str, wanted: int) -> None:
        field = f"changes.{short_name(master)}"
        role = _BELOW.get(read_symbol(master, field).level)
        if master not in self.keys or role is None or role not in self.array.roles:
            raise KeyingError(field, "There is no such master in this system.")
        found = self._clean_changes(master, wanted, role)
        if len(found) < wanted:
            raise NoBittingsLeft(
                field,
                f"{wanted:,} changes were asked for under {master}, but only {len(found):,} are left that neither "
                "are issued nor clash with a cylinder in service.",
                asked=wanted,
                left=len(found),
            )
        self._issue_changes(master, found)

    def _clean_changes(self, master: str, wanted: int, role: str = CHANGE) -> list[Bitting]:
        above = np.bitwise_or.reduce([_bits(self.keys[symbol]) for symbol in self.chain(master)], axis=0)
        bits = np.array(self.bits)
        meant = set(self.chain(master))
        foreign = np.array([symbol not in meant for symbol in self.keys])
        masks = self._all_masks()
        clean = (
            bitting
            for bitting in self.under(role, master)
            if not _operates_any(masks, bitting)
            and not (((above | _bits(bitting)) & bits[foreign]) != 0).all(axis=1).any()
        )
        return list(islice(clean, wanted))

    def _all_masks(self) -> NDArray[np.uint32]:
        return np.array(self.masks, dtype=np.uint32).reshape(len(self.masks), self.spec.chambers)

    def _issue_changes(self, master: str, bittings: list[Bitting]) -> None:
        number = 1
        for bitting in bittings:
            while (symbol := change_symbol(2 if self.two_levels else 3, master, number)) in self.names:
                number += 1
            self._issue(PlannedKeyset(symbol, SymbolLevel.CHANGE, master, bitting))
            chain = (symbol, *self.chain(master))
            self.added_cylinders[symbol] = chain
            self.masks.append(np.bitwise_or.reduce([_bits(self.keys[above]) for above in chain], axis=0))

    def _issue(self, keyset: PlannedKeyset) -> None:
        self.added.append(keyset)
        self.keys[keyset.symbol] = keyset.bitting
        self.taken.add(keyset.bitting)
        self.names.add(keyset.symbol)
        self.bits.append(_bits(keyset.bitting))

    def _withdraw_last(self) -> None:
        keyset = self.added.pop()
        del self.keys[keyset.symbol]
        self.taken.discard(keyset.bitting)
        self.names.discard(keyset.symbol)
        self.bits.pop()


def _operates_any(masks: NDArray[np.uint32], bitting: Bitting) -> bool:
    return bool(((masks & _bits(bitting)) != 0).all(axis=1).any())


def _bits(bitting: Bitting) -> NDArray[np.uint32]:
    bits: NDArray[np.uint32] = np.left_shift(np.uint32(1), np.array(bitting, dtype=np.uint32))
    return bits


@dataclass(frozen=True, slots=True)
class WantedKeysets:
    """The keysets that a search is for, parents first: symbol, level, symbol above; and each change's operators."""

    keysets: tuple[tuple[str, SymbolLevel, str], ...]
    cylinders: dict[str, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class ExtensionSearch:
    """What the search came to: the extension where it found one, else how it ended and what clashes."""

    extension: Extension | None
    solution: MatrixSolution
    matrix: AccessMatrix = field(repr=False)


def name_wanted(
    symbols: Collection[str], changes: Mapping[str, int], masters: Mapping[str, Sequence[int]]
) -> WantedKeysets:
    """Name the keysets that `changes` and `masters` ask for, as `extend` takes them, beside those that stand.

    >>> wanted = name_wanted(["A", "AA", "AA1"], {"AA": 1}, {"A": [1]})
    >>> [symbol for symbol, _, _ in wanted.keysets], wanted.cylinders["AB1"]
    (['AB', 'AB1', 'AA2'], ('AB1', 'AB', 'A'))
    """
    names = set(symbols)
    two_levels = "A" not in names and "GGM" not in names
    keysets: list[tuple[str, SymbolLevel, str]] = []
    cylinders: dict[str, tuple[str, ...]] = {}

    def add(symbol: str, level: SymbolLevel, above: str) -> None:
        names.add(symbol)
        keysets.append((symbol, level, above))

    def add_changes(above: str, wanted: int) -> None:
        number = 1
        for _ in range(wanted):
            while (symbol := change_symbol(2 if two_levels else 3, above, number)) in names:
                number += 1
            add(symbol, SymbolLevel.CHANGE, above)
            cylinders[symbol] = chain_above(symbol, names)

    for grand, counts in masters.items():
        if grand not in names or two_levels or read_symbol(grand).level is not SymbolLevel.GRAND:
            raise KeyingError(f"masters.{short_name(grand)}", "There is no such grand master in this system.")
        for wanted in counts:
            symbol = next(name for name in master_names(grand) if name not in names)
            add(symbol, SymbolLevel.MASTER, grand)
            add_changes(symbol, wanted)
    for master, wanted in changes.items():
        if master not in names:
            raise KeyingError(f"changes.{short_name(master)}", "There is no such master in this system.")
        add_changes(master, wanted)
    return WantedKeysets(tuple(keysets), cylinders)


def search_extension(
    spec: BittingSpec,
    tmk: Bitting,
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    wanted: WantedKeysets,
    rng: Random,
    *,
    avoid: AbstractSet[Bitting] = frozenset(),
    seconds: float = 60.0,
    on_progress: Progress | None = None,
) -> ExtensionSearch:
    """Find a bitting for each keyset wanted, so that every key operates what lists it and nothing else.

    `keys` are fixed; they and the new ones operate `cylinders` and `wanted.cylinders` as listed and no other.
    """
    symbols = [*keys, *(symbol for symbol, _, _ in wanted.keysets)]
    number = {symbol: row for row, symbol in enumerate(symbols)}
    listed = {**cylinders, **wanted.cylinders}
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
        return ExtensionSearch(None, solution, matrix)
    added = tuple(
        PlannedKeyset(symbol, level, above, solution.bittings[number[symbol]])
        for symbol, level, above in wanted.keysets
    )
    return ExtensionSearch(Extension(added, dict(wanted.cylinders)), solution, matrix)
