"""A system of two to seven levels: its keysets, and the ways to share out its chambers among the levels."""

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations, islice, pairwise, product
from math import log, prod
from random import Random

from app.keying.arrays import CHANGE, GRAND, HELD, MASTER, SELECTIVE, progression_under
from app.keying.counting import count_columns
from app.keying.errors import KeyingError, check_whole
from app.keying.progression import make_columns
from app.keying.spec import Bitting, BittingSpec
from app.keying.symbols import (
    LETTERS,
    MOST_LEVELS,
    UPPER_LEVELS,
    SymbolLevel,
    change_symbol,
    master_level,
    masters_below,
    top_symbol,
)
from app.validation import short_name

MOST_KEYSETS = 100_000
MOST_TRIES = 60
MOST_ALIKE = 10
MOST_MARKINGS = 3**8
DRAWN_MARKINGS = 3_000
ROLES = {levels: (CHANGE, MASTER, GRAND, *"456")[: levels - 1] for levels in range(2, MOST_LEVELS + 1)}
"""Levels → the roles of their chambers, the lowest level first; above grands a digit, counted from below."""
ROLE_BELOW: dict[str, str] = dict(zip(reversed(UPPER_LEVELS), ROLES[MOST_LEVELS], strict=True))
ROLE_BELOW["selective master"] = SELECTIVE
"""The level of a master, in the trade's words → which chambers of an array turn right under it."""


@dataclass(frozen=True, slots=True)
class SystemKeyset:
    """A symbol with its level, the symbol above it (None at the top) and its bitting."""

    symbol: str
    level: SymbolLevel
    parent: str | None
    bitting: Bitting = field(repr=False)


@dataclass(frozen=True, slots=True)
class LevelPlan:
    """A planned system: `roles` has one of C, M, G, - a chamber, bow to tip; keysets stand parents first."""

    spec: BittingSpec
    tmk: Bitting = field(repr=False)
    levels: int
    roles: str
    keysets: tuple[SystemKeyset, ...]

    @property
    def keys(self) -> dict[str, Bitting]:
        """Symbol → bitting of every keyset."""
        return {keyset.symbol: keyset.bitting for keyset in self.keysets}

    @property
    def chains(self) -> dict[str, tuple[str, ...]]:
        """Symbol → itself and all above it."""
        return operating_chains({keyset.symbol: keyset.parent for keyset in self.keysets})

    @property
    def cylinders(self) -> dict[str, tuple[str, ...]]:
        """Change → the symbols of the keys that operate its cylinder: its own and all above it."""
        chains = self.chains
        return {keyset.symbol: chains[keyset.symbol] for keyset in self.keysets if keyset.level is SymbolLevel.CHANGE}


def operating_chains(parents: Mapping[str, str | None]) -> dict[str, tuple[str, ...]]:
    """Give per symbol the keys that operate its cylinder: its own and all above it, from symbol → parent.

    Refuses a parent that is not there and parents that run in a circle.

    >>> operating_chains({"AA": None, "1AA": "AA"})
    {'AA': ('AA',), '1AA': ('1AA', 'AA')}
    """
    chains: dict[str, tuple[str, ...]] = {}
    for symbol in parents:
        chain = [symbol]
        while (parent := parents[chain[-1]]) is not None:
            if parent not in parents:
                raise KeyingError(
                    f"parent.{short_name(chain[-1])}", f"There is no keyset {short_name(parent)} above it."
                )
            if parent in chain:
                raise KeyingError(f"parent.{short_name(symbol)}", "Its parents run in a circle; correct one.")
            chain.append(parent)
        chains[symbol] = tuple(chain)
    return chains


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelCounts:
    """How many keys a system of 2 to 7 levels has of each level, under one key of the level above; refused by field.

    A level that the system lacks counts one. Of four levels and more at most 22, a letter each, stand under the top.
    """

    levels: int
    changes_per_master: int
    masters: int = 1
    grands: int = 1
    great_grands: int = 1
    second_grands: int = 1
    third_grands: int = 1

    def __post_init__(self) -> None:
        check_whole(self.levels, "levels", 2, MOST_LEVELS)
        for place, name in enumerate(COUNTED, start=1):
            most = MOST_KEYSETS if place < self.levels else 1
            if place == self.levels - 1 > 2:
                most = len(LETTERS)
            check_whole(getattr(self, name), name, 1, most)

    @property
    def downward(self) -> tuple[int, ...]:
        """The counts, upper levels first, changes last."""
        return tuple(getattr(self, name) for name in COUNTED[self.levels - 2 :: -1])


def parents_of_masters(counts: Sequence[int]) -> dict[str, str | None]:
    """Give per symbol of a system's masters the one above, the top first; `counts` as `LevelCounts.downward`.

    >>> parents_of_masters([2, 1, 9])
    {'GGM': None, 'A': 'GGM', 'B': 'GGM', 'AA': 'A', 'BA': 'B'}
    """
    row = [top_symbol(len(counts) + 1)]
    found: dict[str, str | None] = {row[0]: None}
    for count in counts[:-1]:
        below = {name: above for above in row for name in islice(masters_below(above), count)}
        found |= below
        row = [*below]
    return found


COUNTED = ("changes_per_master", "masters", "grands", "great_grands", "second_grands", "third_grands")
"""What the counts of a system's levels are called, the lowest level first."""


def sharings(
    spec: BittingSpec,
    tmk: Bitting,
    levels: int,
    needs: Mapping[str, int],
    rng: Random | None = None,
    held: Collection[int] = (),
) -> list[str]:
    """Give the ways to share out the chambers, but those `held`, that fit by theoretical count, the best first.

    First those with the fewest keys that would have to stand near another, then those whose scarcest level keeps the
    most to spare, within MACS under the top itself; alike ones in an order by chance.
    """
    wanted = ROLES[levels]
    sizes = [len(column) for column in make_columns(spec, tmk)]
    free = [chamber for chamber, size in enumerate(sizes) if size and chamber not in held]
    scored = []
    for marks in markings(len(free), wanted, MOST_MARKINGS):
        if set(marks) >= set(wanted):
            sharing = [HELD] * spec.chambers
            for chamber, mark in zip(free, marks, strict=True):
                sharing[chamber] = mark
            columns = columns_by_role(sizes, sharing, wanted)
            spare = min(log(prod(columns[role]) / needs[role]) for role in wanted)
            scored.append((spare, least_near(spec, columns, needs), "".join(sharing)))
    (rng or Random(0)).shuffle(scored)  # noqa: S311  alike sharings, nobody's secret
    scored.sort(key=lambda one: (-one[0], one[1]))
    fitting = [one for one in scored if one[0] >= 0]
    best = {sharing: near for _, near, sharing in _unlike(sorted(fitting, key=lambda one: one[1])) + _unlike(fitting)}

    def weigh(sharing: str) -> tuple[int, float]:
        runs = (progression_under(spec, tmk, sharing, role, tmk) for role in wanted)
        usable = (count_columns(run.choices, spec.macs) for run in runs)
        spare = min(count / needs[role] for count, role in zip(usable, wanted, strict=True))
        return best[sharing], -spare

    # Where none fits, the roomiest says how much it holds.
    return sorted(best, key=weigh) or [sharing for _, _, sharing in scored[:1]]


def columns_by_role(sizes: Sequence[int], sharing: Sequence[str], roles: Sequence[str]) -> dict[str, list[int]]:
    """Give per role the numbers of depths in its chambers."""
    return {role: [size for size, mark in zip(sizes, sharing, strict=True) if mark == role] for role in roles}


def _unlike(scored: Sequence[tuple[float, int, str]]) -> list[tuple[float, int, str]]:
    """Give the first of a list, only some of which have as many chambers a level as another."""
    alike: Counter[str] = Counter()
    found = []
    for one in scored:
        counts = "".join(sorted(one[2]))
        alike[counts] += 1
        if alike[counts] <= MOST_ALIKE:
            found.append(one)
    return found[: MOST_TRIES // 2]


def least_near(spec: BittingSpec, columns: dict[str, list[int]], needs: Mapping[str, int]) -> int:
    """How many keys, of the columns' sizes alone, cannot stand apart from the others of their level.

    Of bittings that differ in two of some chambers there are no more than all without the largest chamber; and so on.
    """
    apart = wanted_apart(spec)
    near, above = 0, 1
    for role in reversed(columns):  # the upper levels first
        sizes = sorted(columns[role])
        most = prod(sizes[: len(sizes) - apart + 1]) if len(sizes) >= apart else 1
        if role == CHANGE:
            near += above * needs[role] * (len(sizes) < apart)  # a change and its master differ in all of these
        else:
            near += above * max(0, needs[role] - most)
        above *= needs[role]
    return near


def wanted_apart(spec: BittingSpec) -> int:
    """In how many chambers masters, and a change and every master, differ where the array allows."""
    return 2 if spec.rules.least_apart is None else spec.rules.least_apart


def markings(chambers: int, roles: Sequence[str], most: int) -> Iterator[Sequence[str]]:
    """Give every way to mark chambers with `roles`, or, beyond `most`, those where each role's stand together and
    some that are drawn.
    """
    if len(roles) ** chambers <= most:
        yield from product(roles, repeat=chambers)
        return
    if chambers < len(roles):
        return
    for cuts in combinations(range(chambers + 1), len(roles) - 1):
        bounds = (0, *cuts, chambers)
        yield [role for role, (a, b) in zip(roles, pairwise(bounds), strict=True) for _ in range(b - a)]
    rng = Random(chambers)  # noqa: S311  nobody's secret
    for _ in range(DRAWN_MARKINGS):
        marks = [*roles, *rng.choices(roles, k=chambers - len(roles))]
        rng.shuffle(marks)
        yield marks


@dataclass(slots=True)
class Branch:
    """A key in the tree of a system, with those under it: a change where it has none, unless it `is_master`.

    `changes`: how many hang under it, a change counting as one. `number`: the key's in a matrix that is keyed.
    """

    bitting: Bitting = ()
    below: "Sequence[Branch]" = ()
    changes: int = 1
    number: int | None = None
    is_master: bool = False


def name_branches(top: Branch, levels: int) -> Iterator[tuple[SystemKeyset, Branch]]:
    """Give each key of a tree as a keyset, parents first, named by standard key coding."""

    def walk(branch: Branch, symbol: str, depth: int, parent: str | None) -> Iterator[tuple[SystemKeyset, Branch]]:
        yield SystemKeyset(symbol, master_level(levels, depth), parent, branch.bitting), branch
        number = 0
        names = masters_below(symbol)
        for below in branch.below:
            if below.below or below.is_master:
                name = next(names, "")
                if not name:
                    raise KeyingError(
                        "matrix",
                        f"There are more than {len(LETTERS)} grand masters under one key, and symbols run out: key "
                        "each building by itself, or put some of them under one head.",
                    )
                yield from walk(below, name, depth + 1, symbol)
            else:
                number += 1
                change = change_symbol(levels, symbol, number)
                yield SystemKeyset(change, SymbolLevel.CHANGE, symbol, below.bitting), below

    return walk(top, top_symbol(levels), 0, None)
