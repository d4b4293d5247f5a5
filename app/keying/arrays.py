"""The arrays that new bittings come from: a progression under a key, spread, or with rotating constants.

Total position progression at each level of a system: a master has the top master's cuts in all chambers that lower
levels progress; a change shares no cut with the top master in a progressed chamber.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from hashlib import sha256
from itertools import combinations, product
from typing import Protocol

from app.keying.errors import KeyingError, check_whole
from app.keying.progression import Columns, Progression, check_master, make_columns, progress, run_choices
from app.keying.spec import Bitting, BittingSpec, withholding

MOST_SORTED = 10_000
LOOKED_FOR = 4
CHANGE, MASTER, GRAND, HELD = "C", "M", "G", "-"
"""What a chamber serves, one character a chamber in `roles`."""
SELECTIVE = "S"
"""In place of a role: the chambers that turn right under a selective master."""

_PRIMES = (2, 3, 5, 7, 11, 13, 17)  # the largest is no smaller than sixteen depths


class Array(Protocol):
    """A progression or rotating constants: what can be counted, and asked whether a bitting is its own."""

    @property
    def usable(self) -> int: ...

    def gains(self) -> dict[str, int]: ...

    def own_cuts(self, bitting: Bitting) -> Bitting: ...

    def __contains__(self, bitting: object) -> bool: ...

    def __iter__(self) -> Iterator[Bitting]: ...


def progression_under(
    spec: BittingSpec,
    tmk: Bitting,
    roles: str,
    role: str,
    base: Bitting,
) -> Progression:
    """Give the progression of the chambers that serve `role`, all other chambers cut as `base` (the key above).

    With role C and a master as base: that master's changes. With M and a grand: its masters. The bow's chamber
    turns fastest.
    """
    full = make_columns(spec, tmk)
    served: Columns = tuple(column if mark == role else () for column, mark in zip(full, roles, strict=True))
    progressed = tuple(chamber for chamber, column in enumerate(served, start=1) if column)
    return Progression(spec, base, served, progressed)


@dataclass(frozen=True, slots=True)
class Spread:
    """A progression in the order that its changes are handed out: from the whole array, keys of one job unlike.

    In plain sequence one change follows the other by one step in one chamber, from the shallowest on, so that a worn
    key of one door is nearly the key of the next. Number each chamber's depths from 0, in an order drawn from the
    array itself and the key above it: the same each time, and the first change never the shallowest. Changes whose
    numbers add up to the same sum (modulo a prime no smaller than any column or than the chambers) come one after
    the other: two of them never differ in one chamber alone, since one number cannot change and leave the sum. Of
    those, the ones whose numbers times their chambers' places also add up to the same sum stand together: two of
    them differ in three chambers or more, since with two chambers changed both sums stay only if neither changed.
    Where a sum ends, what differs from the one before in one chamber waits its turn. (reasoned here, no source)

    >>> array = progress(BittingSpec(chambers=3, depths=6, macs=9, step=2), (1, 1, 2))
    >>> list(array) == list(Spread(array)), sorted(array) == sorted(Spread(array))
    (False, True)
    """

    progression: Progression = field(repr=False)

    @property
    def usable(self) -> int:
        """The combinations that the spec allows."""
        return self.progression.usable

    def gains(self) -> dict[str, int]:
        """Rule, in words → how many combinations more there are with it off."""
        return self.progression.gains()

    def own_cuts(self, bitting: Bitting) -> Bitting:
        """The cuts of a bitting in the chambers that progress."""
        return self.progression.own_cuts(bitting)

    def __contains__(self, bitting: object) -> bool:
        return bitting in self.progression

    def __iter__(self) -> Iterator[Bitting]:
        before: Bitting | None = None
        waiting: list[Bitting] = []
        for bitting in self._parts():
            waiting.append(bitting)
            while (one := next((w for w in waiting if before is None or _differ(before, w) > 1), None)) is not None:
                waiting.remove(one)
                yield one
                before = one
        yield from waiting

    def _parts(self) -> Iterator[Bitting]:
        """Part after part; the two fastest chambers take what is left of a part's two sums."""
        columns = self._drawn_columns()
        chambers = [chamber for chamber, column in enumerate(columns) if column]
        place_of = {chamber: place for place, chamber in enumerate(chambers)}
        number_of = {c: {depth: number for number, depth in enumerate(columns[c])} for c in chambers}
        prime = next(number for number in _PRIMES if number >= max(len(chambers), *map(len, columns), 2))
        slowest_first = [chamber - 1 for chamber in reversed(self.progression.order)]

        def keeping(plain_sum: int, weighted_sum: int) -> Callable[[int, Sequence[int]], int]:
            def narrow(level: int, cuts: Sequence[int]) -> int:
                further = slowest_first[level + 1 :]
                if len(further) > 1:
                    return -1
                plain, weighted = plain_sum, weighted_sum
                for chamber in slowest_first[:level]:
                    number = number_of[chamber][cuts[chamber]]
                    plain, weighted = plain - number, weighted - place_of[chamber] * number
                chamber, mask = slowest_first[level], 0
                for depth, number in number_of[chamber].items():
                    rest, weighted_rest = plain - number, weighted - place_of[chamber] * number
                    if further:  # the last chamber's number is the rest
                        fits = (weighted_rest - place_of[further[0]] * rest) % prime == 0
                    else:
                        fits = rest % prime == 0 and weighted_rest % prime == 0
                    mask |= fits << depth
                return mask

            return narrow

        drawn = replace(self.progression, columns=columns)
        spec, sums = self.progression.spec, list(product(range(prime), repeat=2))
        is_small = drawn.theoretical <= MOST_SORTED
        for plain, weighted in sums[:LOOKED_FOR] if is_small else sums:
            yield from run_choices(drawn.choices, spec, slowest_first, keeping(plain, weighted))
        if is_small:  # whoever asks for many gets a small array sooner by going through it once
            parts: dict[tuple[int, int], list[Bitting]] = defaultdict(list)
            for bitting in run_choices(drawn.choices, spec, slowest_first):
                numbers = [number_of[chamber][bitting[chamber]] for chamber in chambers]
                weighted = sum(place * number for place, number in enumerate(numbers))
                parts[sum(numbers) % prime, weighted % prime].append(bitting)
            for plain, weighted in sums[LOOKED_FOR:]:
                yield from parts[plain, weighted]

    def _drawn_columns(self) -> Columns:
        columns, cuts = self.progression.columns, self.progression.tmk
        secret = repr((cuts, columns)).encode()
        drawn = [
            tuple(sorted(column, key=lambda depth: sha256(b"%d %d " % (chamber, depth) + secret).digest()))
            for chamber, column in enumerate(columns)
        ]
        first = next((chamber for chamber, column in enumerate(drawn) if len(column) > 1), None)
        if first is not None and drawn[first][0] == min(drawn[first]):
            drawn[first] = (*drawn[first][1:], drawn[first][0])
        return tuple(drawn)


def _differ(one: Bitting, other: Bitting) -> int:
    """In how many chambers two bittings differ."""
    return sum(a != b for a, b in zip(one, other, strict=True))


@dataclass(frozen=True, slots=True)
class RotatingConstants:
    """Changes that match their master in a set number of cuts, whose places move on in order.

    `places` has the held chambers (from 1) of each turn, `turns` the progression of each, which is handed out
    spread. Two changes with as many constants each never operate each other's cylinders: the one's cuts apart from
    the master would have to be among the other's, and they are as many. (LIST, paraphrased at
    metrolock.com/?p=2053)
    """

    places: tuple[tuple[int, ...], ...]
    turns: tuple[Progression, ...] = field(repr=False)

    @property
    def usable(self) -> int:
        """The combinations that the spec allows."""
        return sum(turn.usable for turn in self.turns)

    def gains(self) -> dict[str, int]:
        """Rule, in words → how many combinations more there are with it off."""
        found = Counter[str]()
        for turn in self.turns:
            found.update(turn.gains())
        return dict(found.most_common())

    def own_cuts(self, bitting: Bitting) -> Bitting:
        """The whole bitting: each chamber progresses in some turn."""
        return bitting

    def __contains__(self, bitting: object) -> bool:
        return any(bitting in turn for turn in self.turns)

    def __iter__(self) -> Iterator[Bitting]:
        for turn in self.turns:
            yield from Spread(turn)


def rotate(
    spec: BittingSpec,
    tmk: Bitting,
    constants: int,
    places: tuple[tuple[int, ...], ...] | None = None,
) -> RotatingConstants:
    """Give the changes under `tmk` that match it in exactly `constants` chambers, place after place.

    Without `places` the held chambers run through all sets of that size, the bow's first. A place whose other
    chambers have nothing to progress is refused.

    >>> spec = BittingSpec(chambers=6, depths=10, macs=9, step=2)
    >>> found = rotate(spec, (4, 1, 7, 2, 5, 0), constants=4)
    >>> len(found.places), found.usable
    (15, 240)
    """
    check_master(spec, tmk)
    check_whole(constants, "constants", 1, spec.chambers - 1)
    held_in_turn = tuple(combinations(range(1, spec.chambers + 1), constants)) if places is None else places
    turns = []
    for held in held_in_turn:
        turn = progress(spec, tmk, held=held)
        if sum(1 for column in turn.columns if column) != spec.chambers - constants:
            raise KeyingError("places", "A chamber that is to progress has no other depth of the master's parity.")
        turns.append(turn)
    return RotatingConstants(held_in_turn, tuple(turns))


def turning_places(spec: BittingSpec, tmk: Bitting, constants: int) -> tuple[tuple[int, ...], ...]:
    """Give the sets of `constants` held chambers, a chamber that has no other depth being held in each.

    >>> turning_places(BittingSpec(chambers=4, depths=3, macs=2, step=2), (1, 0, 2, 0), 2)
    ((1, 2), (1, 3), (1, 4))
    """
    still = {chamber for chamber, column in enumerate(make_columns(spec, tmk), start=1) if not column}
    return tuple(held for held in combinations(range(1, spec.chambers + 1), constants) if still <= set(held))


def fewest_constants(spec: BittingSpec, tmk: Bitting, wanted: int) -> RotatingConstants | None:
    """Give the rotation with the fewest constants whose turns hold `wanted` changes; None where none does."""
    for constants in range(1, spec.chambers):
        places = turning_places(spec, tmk, constants)
        if places and (found := rotate(spec, tmk, constants, places)).usable >= wanted:
            return found
    return None


@dataclass(frozen=True, slots=True)
class LevelArray:
    """The key bitting array of a system: its top master, and what each chamber serves (C, M, G or -). A secret.

    `constants`: of a system of two levels, how many chambers are held at a time (rotating constants); else 0.
    `withheld`: the chamber (from 1) and the depth there that only the selective master is cut to.
    """

    tmk: Bitting = field(repr=False)
    roles: str
    constants: int = 0
    withheld: tuple[int, int] | None = field(default=None, repr=False)

    def drawn_by(self, spec: BittingSpec) -> BittingSpec:
        """Give the spec that bittings are drawn by: without the depth that is withheld."""
        return spec if self.withheld is None else withholding(spec, *self.withheld)

    def under(self, spec: BittingSpec, role: str, base: Bitting) -> Array:
        """Give the bittings of a level (C, M or G) under the key above it: masters in sequence, changes spread.

        SELECTIVE gives the changes right under the selective master.

        As `progression_under`; with constants, every change matches its master in so many chambers whose places
        move on.

        >>> spec = BittingSpec(chambers=6, depths=10, macs=9, step=2)
        >>> LevelArray((4, 1, 7, 2, 5, 0), "CCCCCC", constants=4).under(spec, "C", (4, 1, 7, 2, 5, 0)).usable
        240
        """
        spec = self.drawn_by(spec)
        if self.constants and role == CHANGE:
            return rotate(spec, base, self.constants, turning_places(spec, base, self.constants))
        roles = self.roles
        if role == SELECTIVE and self.withheld is not None:  # its changes have its own depth
            chamber, role = self.withheld[0], CHANGE
            roles = roles[: chamber - 1] + HELD + roles[chamber:]
        run = progression_under(spec, self.tmk, roles, role, base)
        return Spread(run) if role == CHANGE else run
