"""A system of two to four levels: which chambers serve which level, and every keyset's bitting."""

from collections.abc import Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from itertools import combinations, islice, pairwise, product
from math import log, prod

from app.keying.arrays import CHANGE, GRAND, HELD, MASTER, progression_under
from app.keying.errors import KeyingError, NoBittingsLeft, check_whole
from app.keying.progression import check_master, make_columns
from app.keying.spec import Bitting, BittingSpec
from app.keying.symbols import LETTERS, MOST_LEVELS, SymbolLevel, change_symbol, masters_below, top_symbol
from app.validation import short_name

MOST_KEYSETS = 100_000
MOST_TRIES = 24
MOST_CANDIDATES = 2_000
MOST_MARKINGS = 3**8
ROLES = {levels: (CHANGE, MASTER, GRAND, *"456")[: levels - 1] for levels in range(2, MOST_LEVELS + 1)}
"""Levels → the roles of their chambers, the lowest level first; above grands a digit, counted from below."""


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
    check_counts(levels, grands, masters, changes_per_master)
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
            keysets = tuple(keyset for keyset, _ in name_branches(top, levels))
            return LevelPlan(spec, tmk, levels, sharing, keysets)
        best_left = max(best_left, top.changes)
    raise NoBittingsLeft(
        "changes_per_master",
        f"{asked:,} changes ({grands} × {masters} × {changes_per_master:,}) were asked for, but at most "
        f"{best_left:,} fit under this master with {levels} levels. Ask for fewer, use fewer levels, or a spec "
        "with more chambers or depths.",
        asked=asked,
        left=best_left,
    )


def check_counts(levels: int, grands: int, masters: int, changes_per_master: int) -> None:
    """Refuse, each by its field, what is no number of levels and no count of a level."""
    check_whole(levels, "levels", 2, 4)
    check_whole(grands, "grands", 1, len(LETTERS) if levels == 4 else 1)
    check_whole(masters, "masters", 1, MOST_KEYSETS if levels > 2 else 1)
    check_whole(changes_per_master, "changes_per_master", 1, MOST_KEYSETS)


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


def _fill(
    spec: BittingSpec, tmk: Bitting, levels: int, sharing: str, needs: dict[str, int], used: AbstractSet[Bitting]
) -> Branch:
    """Give the tree with as many full branches as are needed; where they run out, the fullest there are."""

    def build(bitting: Bitting, roles: Sequence[str]) -> Branch:
        role, *deeper = roles
        run = progression_under(spec, tmk, sharing, role, bitting)
        free = (found for found in run if found not in used)
        if deeper:
            below = _take((build(found, deeper) for found in free), needs[role], prod(needs[one] for one in deeper))
            return Branch(bitting, below, sum(branch.changes for branch in below))
        # Counting is quick, so only a master with room enough has its changes listed.
        room = run.usable - sum(other in run for other in used)
        if room < needs[role]:
            return Branch(bitting, changes=room)
        return Branch(bitting, [Branch(found) for found in islice(free, needs[role])], needs[role])

    return build(tmk, ROLES[levels][::-1])


def _take(branches: Iterator[Branch], wanted: int, changes: int) -> list[Branch]:
    """Give the first `wanted` branches that hold `changes` each, or all of those and the roomiest others."""
    full: list[Branch] = []
    partial: list[Branch] = []
    for branch in islice(branches, MOST_CANDIDATES):
        (full if branch.changes == changes else partial).append(branch)
        if len(full) == wanted:
            return full
    partial.sort(key=lambda branch: -branch.changes)
    return full + partial[: wanted - len(full)]


def name_branches(top: Branch, levels: int) -> Iterator[tuple[SystemKeyset, Branch]]:
    """Give each key of a tree as a keyset, parents first, named by standard key coding."""

    def walk(
        branch: Branch, symbol: str, level: SymbolLevel, parent: str | None
    ) -> Iterator[tuple[SystemKeyset, Branch]]:
        yield SystemKeyset(symbol, level, parent, branch.bitting), branch
        number = 0
        names = masters_below(symbol)
        for below in branch.below:
            if below.below or below.is_master:
                name = next(names, "")
                if not name:
                    raise KeyingError("matrix", f"There are more than {len(LETTERS)} grand masters; symbols run out.")
                yield from walk(below, name, _NEXT.get(level, SymbolLevel.MASTER), symbol)
            else:
                number += 1
                yield from walk(below, change_symbol(levels, symbol, number), SymbolLevel.CHANGE, symbol)

    return walk(top, top_symbol(levels), _TOP_LEVELS.get(levels, SymbolLevel.GREAT_GRAND), None)


_TOP_LEVELS = {2: SymbolLevel.MASTER, 3: SymbolLevel.GRAND}
_NEXT = {SymbolLevel.GREAT_GRAND: SymbolLevel.GRAND}  # all others have masters below, however deep they stand
