"""A system of two to four levels: which chambers serve which level, and every keyset's bitting."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from itertools import combinations, islice, pairwise, product
from math import log, prod

from app.keying.arrays import CHANGE, GRAND, HELD, MASTER, progression_under
from app.keying.errors import KeyingError, NoBittingsLeft, check_whole
from app.keying.progression import check_master, make_columns
from app.keying.spec import Bitting, BittingSpec
from app.keying.symbols import LETTERS, SymbolLevel, change_symbol, master_names
from app.validation import short_name

MOST_KEYSETS = 100_000
MOST_TRIES = 24
MOST_CANDIDATES = 2_000
MOST_MARKINGS = 3**8
ROLES = {2: (CHANGE,), 3: (CHANGE, MASTER), 4: (CHANGE, MASTER, GRAND)}
"""Levels → the roles of their chambers, the lowest level first."""


@dataclass(frozen=True, slots=True)
class PlannedKeyset:
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
    keysets: tuple[PlannedKeyset, ...]

    @property
    def keys(self) -> dict[str, Bitting]:
        """Symbol → bitting of every keyset."""
        return {keyset.symbol: keyset.bitting for keyset in self.keysets}

    @property
    def cylinders(self) -> dict[str, tuple[str, ...]]:
        """Change → the symbols of the keys that operate its cylinder: its own and all above it."""
        chains = operating_chains({keyset.symbol: keyset.parent for keyset in self.keysets})
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


def plan_levels(
    spec: BittingSpec,
    tmk: Bitting,
    *,
    levels: int,
    masters: int = 1,
    changes_per_master: int,
    grands: int = 1,
    used: AbstractSet[Bitting] = frozenset(),
    roles: str | None = None,
) -> LevelPlan:
    """Choose which chambers serve changes, masters and grands, and give every keyset its bitting.

    Two levels: `tmk` is AA; three: A with `masters` under it; four: GGM with `grands`, each with `masters`.
    Of all ways to share the chambers out it takes the one whose scarcest level keeps most to spare, with
    MACS and `used` reckoned. Given `roles` (a character a chamber) are kept. Raises NoBittingsLeft with how
    many changes were asked for and the most that any sharing of the chambers gives.
    """
    check_whole(levels, "levels", 2, 4)
    check_whole(grands, "grands", 1, len(LETTERS) if levels == 4 else 1)
    check_whole(masters, "masters", 1, MOST_KEYSETS if levels > 2 else 1)
    check_whole(changes_per_master, "changes_per_master", 1, MOST_KEYSETS)
    check_whole(grands * masters * (changes_per_master + 1), "changes_per_master", 1, MOST_KEYSETS)
    check_master(spec, tmk)
    if roles is not None and (len(roles) != spec.chambers or not set(ROLES[levels]) <= set(roles) <= set("CMG-")):
        raise KeyingError("roles", f"Give one of C, M, G or - for each of {spec.chambers} chambers.")
    needs = {CHANGE: changes_per_master, MASTER: masters, GRAND: grands}
    asked = grands * masters * changes_per_master
    best_left = 0
    for sharing in [roles] if roles is not None else sharings(spec, tmk, levels, needs):
        top = _fill(spec, tmk, levels, sharing, needs, used)
        if top.changes == asked:
            return LevelPlan(spec, tmk, levels, sharing, tuple(_name(top, levels)))
        best_left = max(best_left, top.changes)
    raise NoBittingsLeft(
        "changes_per_master",
        f"{asked:,} changes ({grands} × {masters} × {changes_per_master:,}) were asked for, but at most "
        f"{best_left:,} fit under this master with {levels} levels. Ask for fewer, use fewer levels, or a spec "
        "with more chambers or depths.",
        asked=asked,
        left=best_left,
    )


def sharings(spec: BittingSpec, tmk: Bitting, levels: int, needs: Mapping[str, int]) -> list[str]:
    """Give the ways to share out the chambers that fit by theoretical count, the most to spare first."""
    wanted = ROLES[levels]
    sizes = [len(column) for column in make_columns(spec, tmk)]

    def spare(sharing: str) -> float:
        return min(
            log(prod(n for n, mark in zip(sizes, sharing, strict=True) if mark == role) / needs[role])
            for role in wanted
        )

    free = [chamber for chamber, size in enumerate(sizes) if size]
    fitting = []
    for marks in markings(len(free), wanted, MOST_MARKINGS):
        sharing = [HELD] * spec.chambers
        for chamber, mark in zip(free, marks, strict=True):
            sharing[chamber] = mark
        text = "".join(sharing)
        if all(role in text for role in wanted):
            fitting.append((-spare(text), text))
    fitting.sort()
    enough = [text for score, text in fitting if score <= 0][:MOST_TRIES]
    return enough or [text for _, text in fitting[:1]]  # the roomiest, only to say how much it holds


def markings(chambers: int, roles: Sequence[str], most: int) -> Iterator[Sequence[str]]:
    """Give every way to mark chambers with `roles`, or, beyond `most`, those where each role's stand together."""
    if len(roles) ** chambers <= most:
        yield from product(roles, repeat=chambers)
        return
    for cuts in combinations(range(chambers + 1), len(roles) - 1):
        bounds = (0, *cuts, chambers)
        yield [role for role, (a, b) in zip(roles, pairwise(bounds), strict=True) for _ in range(b - a)]


@dataclass(frozen=True, slots=True)
class _Branch:
    """A master with its changes, or a grand with its masters."""

    bitting: Bitting
    below: tuple[_Branch, ...]
    changes: int  # how many hang under it; a change counts as one


def _fill(
    spec: BittingSpec, tmk: Bitting, levels: int, roles: str, needs: dict[str, int], used: AbstractSet[Bitting]
) -> _Branch:
    """Give the tree with as many full branches as are needed; where they run out, the fullest there are."""

    def free(role: str, base: Bitting) -> Iterator[Bitting]:
        return (bitting for bitting in progression_under(spec, tmk, roles, role, base) if bitting not in used)

    def master(bitting: Bitting) -> _Branch:
        # Counting is quick, so only a master with room enough has its changes listed.
        below = progression_under(spec, tmk, roles, CHANGE, bitting)
        room = below.usable - sum(other in below for other in used)
        if room < needs[CHANGE]:
            return _Branch(bitting, (), room)
        changes = tuple(_Branch(b, (), 1) for b in islice(free(CHANGE, bitting), needs[CHANGE]))
        return _Branch(bitting, changes, len(changes))

    def grand(bitting: Bitting) -> _Branch:
        below = _take(map(master, free(MASTER, bitting)), needs[MASTER], needs[CHANGE])
        return _Branch(bitting, below, sum(branch.changes for branch in below))

    def great(bitting: Bitting) -> _Branch:
        below = _take(map(grand, free(GRAND, bitting)), needs[GRAND], needs[MASTER] * needs[CHANGE])
        return _Branch(bitting, below, sum(branch.changes for branch in below))

    return {2: master, 3: grand, 4: great}[levels](tmk)


def _take(branches: Iterator[_Branch], wanted: int, changes: int) -> tuple[_Branch, ...]:
    """Give the first `wanted` branches that hold `changes` each, or all of those and the roomiest others."""
    full: list[_Branch] = []
    partial: list[_Branch] = []
    for branch in islice(branches, MOST_CANDIDATES):
        (full if branch.changes == changes else partial).append(branch)
        if len(full) == wanted:
            return tuple(full)
    partial.sort(key=lambda branch: -branch.changes)
    return tuple(full + partial[: wanted - len(full)])


def _name(top: _Branch, levels: int) -> Iterator[PlannedKeyset]:
    """Give the keysets of the tree with their standard symbols, parents first."""

    def under_master(symbol: str, branch: _Branch, parent: str | None) -> Iterator[PlannedKeyset]:
        yield PlannedKeyset(symbol, SymbolLevel.MASTER, parent, branch.bitting)
        for number, change in enumerate(branch.below, start=1):
            yield PlannedKeyset(change_symbol(levels, symbol, number), SymbolLevel.CHANGE, symbol, change.bitting)

    def under_grand(symbol: str, branch: _Branch, parent: str | None) -> Iterator[PlannedKeyset]:
        yield PlannedKeyset(symbol, SymbolLevel.GRAND, parent, branch.bitting)
        for name, master in zip(master_names(symbol), branch.below, strict=False):
            yield from under_master(name, master, symbol)

    if levels == 2:
        yield from under_master("AA", top, None)
    elif levels == 3:
        yield from under_grand("A", top, None)
    else:
        yield PlannedKeyset("GGM", SymbolLevel.GREAT_GRAND, None, top.bitting)
        for letter, grand in zip(LETTERS, top.below, strict=False):
            yield from under_grand(letter, grand, "GGM")
