"""Extension: more masters, changes and cylinders in a system in service, no issued key touched.

From the system's array where it has one that holds enough. Else a search finds bittings with all keys in service
fixed: they need not lie in an array, and the search proves that they let nobody in who should not be.

Never without the list of bittings in use: then a cylinder is keyed single. (ALOA technical standard, quoted in
Keynotes, September 2014; it asks for the array besides, which the search does without.)
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from itertools import islice
from random import Random

from app.keying.additions import GrowingSystem, search_bittings
from app.keying.arrays import CHANGE, MASTER, LevelArray
from app.keying.auditing import check_system
from app.keying.errors import KeyingError, NoBittingsLeft, check_whole
from app.keying.levels import MOST_KEYSETS, ROLE_BELOW, SystemKeyset
from app.keying.matrix import AccessMatrix
from app.keying.progression import check_master
from app.keying.solving import MatrixSolution, Progress
from app.keying.spec import Bitting, BittingSpec
from app.keying.symbols import UPPER_LEVELS, SymbolLevel, change_symbol, masters_below, read_symbol
from app.validation import short_name

NOT_EXTENDED = (
    "A system cannot be extended without the list of all bittings in use. "
    "Key these cylinders single (SKD), or begin a new system."
)
NO_ARRAY = (
    "This system has no array to go on in. Search for bittings beside the keys in service, or key these cylinders "
    "single (SKD)."
)


@dataclass(frozen=True, slots=True)
class WantedKeysets:
    """The keysets to add, parents first: symbol, level, symbol above; and each change's operators, its own first."""

    keysets: tuple[tuple[str, SymbolLevel, str], ...]
    cylinders: dict[str, tuple[str, ...]]
    levels: int = 4


@dataclass(frozen=True, slots=True)
class Extension:
    """The keysets added, parents first, and the keys that operate each new change's cylinder."""

    keysets: tuple[SystemKeyset, ...]
    cylinders: dict[str, tuple[str, ...]]

    @classmethod
    def of(cls, wanted: WantedKeysets, bittings: Mapping[str, Bitting]) -> "Extension":
        """The keysets wanted, each with its bitting of those by symbol."""
        added = (SystemKeyset(symbol, level, above, bittings[symbol]) for symbol, level, above in wanted.keysets)
        return cls(tuple(added), wanted.cylinders)


def name_wanted(
    symbols: Collection[str],
    changes: Mapping[str, int],
    masters: Mapping[str, Sequence[int]],
    *,
    levels: int = 4,
    stamped: Collection[str] = (),
) -> WantedKeysets:
    """Name `changes` (key above → how many) and `masters` (key above → how many changes under each new master).

    They follow on the symbols that stand; new masters come first, each with its changes. A change directly under a
    grand (A1) or great grand (GGM1) takes the place of a master or grand that would have stood there. stamped: what
    is stamped on other keys, and no new keyset's symbol.

    >>> wanted = name_wanted(["A", "AA", "AA1"], {"AA": 1}, {"A": [1]})
    >>> [symbol for symbol, _, _ in wanted.keysets], wanted.cylinders["AB1"]
    (['AB', 'AB1', 'AA2'], ('AB1', 'AB', 'A'))
    """
    names = set(symbols)
    keysets: list[tuple[str, SymbolLevel, str]] = []
    cylinders: dict[str, tuple[str, ...]] = {}

    def add_changes(above: str, wanted: int) -> None:
        number = 1
        for _ in range(wanted):
            while (symbol := change_symbol(levels, above, number)) in names or symbol in stamped:
                number += 1
            names.add(symbol)
            keysets.append((symbol, SymbolLevel.CHANGE, above))
            cylinders[symbol] = _chain(symbol, names, levels)

    for grand, counts in masters.items():
        place = f"masters.{short_name(grand)}"
        over = read_symbol(grand, place, levels).level if grand in names and levels > 2 else SymbolLevel.CHANGE
        if over not in UPPER_LEVELS[:-1]:
            raise KeyingError(place, "There is no such grand master in this system.")
        level = UPPER_LEVELS[UPPER_LEVELS.index(over) + 1]
        for wanted in counts:
            check_whole(wanted, place, 0, MOST_KEYSETS)
            if wanted and level is not SymbolLevel.MASTER:
                raise KeyingError(
                    place, f"A new {level.value} gets masters first, and these their changes: enter none."
                )
            symbol = next((name for name in masters_below(grand) if name not in names and name not in stamped), "")
            if not symbol:
                raise KeyingError(place, f"There are no more letters for a {level.value} under {grand}.")
            names.add(symbol)
            keysets.append((symbol, level, grand))
            add_changes(symbol, wanted)
    for master, wanted in changes.items():
        place = f"changes.{short_name(master)}"
        check_whole(wanted, place, 0, MOST_KEYSETS)
        if master not in names or read_symbol(master, place, levels).level not in UPPER_LEVELS:
            raise KeyingError(place, "There is no such master in this system.")
        add_changes(master, wanted)
    return WantedKeysets(tuple(keysets), cylinders, levels)


def _chain(symbol: str, names: Collection[str], levels: int) -> tuple[str, ...]:
    """A symbol and those over it that there are."""
    chain = [symbol]
    while (parent := read_symbol(chain[-1], levels=levels).parent) is not None and parent in names:
        chain.append(parent)
    return tuple(chain)


def extend(
    spec: BittingSpec,
    array: LevelArray | None,
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    *,
    changes: Mapping[str, int] | None = None,
    masters: Mapping[str, Sequence[int]] | None = None,
    shearing: Collection[Sequence[Collection[int]]] = (),
    levels: int = 0,
    standing: Collection[str] = (),
    stamped: Collection[str] = (),
) -> Extension:
    """Add `changes` and `masters`, as `name_wanted` takes them, each with a bitting of the system's array.

    `keys` is the list of all bittings ever issued, retired ones too, by symbol; `cylinders` names the keys that
    operate each; `shearing` has further cylinders, per chamber the depths that shear; `standing` symbols of keys
    beside, which do not enter these cylinders, so that their bittings are had once more. A bitting that would operate
    a cylinder in service, or whose cylinder a key in service would operate, is passed over. Issued bittings stay
    as they are. `levels`: how many the system has, 0 where the array says it; `stamped` as `name_wanted` takes it.
    Raises NoBittingsLeft when they run out; then nothing is added.
    """
    if not keys:
        raise KeyingError("system", NOT_EXTENDED)
    if array is None:
        raise KeyingError("system", NO_ARRAY)
    check_master(spec, array.tmk)
    check_system(keys, cylinders)
    levels = levels or (4 if MASTER in array.roles else 2)
    wanted = name_wanted([*keys, *cylinders, *standing], changes or {}, masters or {}, levels=levels, stamped=stamped)
    below: dict[str, list[str]] = {}
    new_masters = {}
    for symbol, level, above in wanted.keysets:
        if level in UPPER_LEVELS:
            new_masters[symbol] = above
        else:
            below.setdefault(above, []).append(symbol)
    grown = _ArraySystem(spec, array, keys, cylinders, wanted.cylinders, shearing)
    for symbol, grand in new_masters.items():
        symbols = below.pop(symbol, [])
        if not grown.add_master(symbol, grand, ROLE_BELOW[read_symbol(grand, levels=levels).level], symbols):
            raise NoBittingsLeft(
                f"masters.{short_name(grand)}",
                f"No master is left under {grand} with room for {len(symbols):,} changes.",
            )
    for above, symbols in below.items():
        field_name = f"changes.{short_name(above)}"
        role = ROLE_BELOW[read_symbol(above, levels=levels).level]
        if above not in keys or role not in array.roles:
            raise KeyingError(field_name, "There is no such master in this system.")
        found = grown.free_changes(role, symbols)
        if len(found) < len(symbols):
            left = f"only {len(found):,}" if found else "none"
            raise NoBittingsLeft(
                field_name,
                f"{len(symbols):,} changes were asked for under {above}, but {left} are left that neither are issued "
                "nor clash with a cylinder in service.",
                asked=len(symbols),
                left=len(found),
            )
        for symbol, bitting in zip(symbols, found, strict=True):
            grown.issue_change(symbol, bitting)
    return Extension.of(wanted, grown.keys)


class _ArraySystem(GrowingSystem):
    """The same, fed from its array."""

    def __init__(
        self,
        spec: BittingSpec,
        array: LevelArray,
        keys: Mapping[str, Bitting],
        cylinders: Mapping[str, Sequence[str]],
        operators: Mapping[str, Sequence[str]],
        shearing: Collection[Sequence[Collection[int]]],
    ) -> None:
        self.spec, self.array = spec, array
        super().__init__(keys, cylinders, operators, shearing)

    def free(self, role: str, base: str) -> Iterator[Bitting]:
        """Give the bittings of a level under a key that are not issued and operate no cylinder."""
        return filter(self.is_free, self.array.under(self.spec, role, self.keys[base]))

    def free_changes(self, role: str, symbols: Sequence[str]) -> list[Bitting]:
        """Give bittings for changes under one key, as far as there are, whose cylinders no other key operates."""
        if not symbols:
            return []
        above = self.operators[symbols[0]][1:]
        opening, own = self.stack(above), self.bits(above)

        def is_clean(bitting: Bitting) -> bool:
            stack = [depths | {cut} for depths, cut in zip(opening, bitting, strict=True)]
            return not self.issued.meeting(stack) & ~own

        return list(islice(filter(is_clean, self.free(role, above[0])), len(symbols)))

    def issue_change(self, symbol: str, bitting: Bitting) -> None:
        """Have a new change, and its cylinder."""
        self.issue(symbol, bitting, (symbol,))

    def add_master(self, symbol: str, grand: str, role: str, below: Sequence[str]) -> bool:
        """Issue the first master under which all the changes are free, and these; tell whether there is one."""
        for bitting in self.free(role, grand):
            self.keys[symbol] = bitting
            found = self.free_changes(CHANGE, below)
            if len(found) == len(below):
                self.issue(symbol, bitting)
                for change, cuts in zip(below, found, strict=True):
                    self.issue_change(change, cuts)
                return True
            del self.keys[symbol]
        return False


@dataclass(frozen=True, slots=True)
class ExtensionSearch:
    """What the search came to: the extension where it found one, else how it ended and what clashes."""

    extension: Extension | None
    solution: MatrixSolution
    matrix: AccessMatrix = field(repr=False)


def search_extension(
    spec: BittingSpec,
    tmk: Bitting,
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    wanted: WantedKeysets,
    rng: Random,
    *,
    avoid: AbstractSet[Bitting] = frozenset(),
    shearing: Collection[Sequence[Collection[int]]] = (),
    seconds: float = 60.0,
    on_progress: Progress | None = None,
) -> ExtensionSearch:
    """Find a bitting for each keyset wanted, so that every key operates what lists it and nothing else.

    `keys` are fixed; they and the new ones operate `cylinders` and `wanted.cylinders` as listed and no other, and the
    new ones none of `shearing`, as `extend` takes them.
    """
    symbols = [symbol for symbol, _, _ in wanted.keysets]
    # A master that has no change yet is kept near the key above as if it had a cylinder of its own.
    listed = {one for meant in wanted.cylinders.values() for one in meant}
    names = {*keys, *symbols}
    lone = {symbol: _chain(symbol, names, wanted.levels) for symbol in symbols if symbol not in listed}
    search = search_bittings(
        spec,
        tmk,
        keys,
        cylinders,
        symbols,
        {**wanted.cylinders, **lone},
        rng,
        avoid=avoid,
        shearing=shearing,
        seconds=seconds,
        on_progress=on_progress,
    )
    found = Extension.of(wanted, search.bittings) if search.bittings is not None else None
    return ExtensionSearch(found, search.solution, search.matrix)
