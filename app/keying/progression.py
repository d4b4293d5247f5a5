"""Total position progression: the key bitting array under a master, and its bittings in sequence."""

from collections.abc import Callable, Collection, Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cache, reduce
from itertools import pairwise
from math import prod
from operator import or_
from typing import TypeAlias

from app.keying.counting import count_allowed, count_gains, count_refused
from app.keying.errors import KeyingError, check_whole
from app.keying.rules import BittingRules
from app.keying.spec import Bitting, BittingSpec, WithholdingSpec

Columns: TypeAlias = tuple[tuple[int, ...], ...]
"""The key bitting array below its master: the depths that changes may use, a column a chamber."""


@dataclass(frozen=True, slots=True)
class Progression:
    """A key bitting array that can be counted and run through; iterating gives the bittings that its spec allows.

    `columns` has one tuple of depths a chamber, empty where the chamber is held at the master's cut; `order`
    names the progressed chambers (from 1), the fastest first. Every bitting is made when it is asked for.
    """

    spec: BittingSpec
    tmk: Bitting = field(repr=False)
    columns: Columns = field(repr=False)
    order: tuple[int, ...]

    @property
    def choices(self) -> Columns:
        """The depths each chamber can take, a held chamber's single depth included."""
        return tuple(column or (cut,) for column, cut in zip(self.columns, self.tmk, strict=True))

    @property
    def theoretical(self) -> int:
        """All combinations of the array."""
        return prod(len(choices) for choices in self.choices)

    @property
    def usable(self) -> int:
        """The combinations that the spec allows: within its MACS and its rules."""
        return count_allowed(self.spec, self.choices)

    @property
    def refused(self) -> dict[str, int]:
        """Rule → how many combinations within MACS break it, and none before it."""
        return count_refused(self.spec, self.choices)

    def gains(self) -> dict[str, int]:
        """Rule, in words → how many combinations more there are with it off, the one that brings most first."""

        def count(rules: BittingRules) -> int:
            return replace(self, spec=replace(self.spec, rules=rules)).usable

        return count_gains(self.spec.rules, count)

    def own_cuts(self, bitting: Bitting) -> Bitting:
        """The cuts of a bitting in the chambers that progress."""
        return tuple(bitting[chamber - 1] for chamber in self.order)

    def __contains__(self, bitting: object) -> bool:
        """Whether a bitting within MACS is of this array: one in service may be older than the rules."""
        return (
            isinstance(bitting, tuple)
            and len(bitting) == self.spec.chambers
            and all(depth in column for depth, column in zip(bitting, self.choices, strict=True))
            and self.spec.within_macs(bitting)
        )

    def __iter__(self) -> Iterator[Bitting]:
        slowest_first = [chamber - 1 for chamber in reversed(self.order)]
        return run_choices(self.choices, self.spec, slowest_first)


def _reach(choices: Columns, macs: int, start: int, goal: int) -> dict[int, int]:
    """Depth at `start` → bit mask of the depths at `goal` that some legal run of cuts between them joins."""
    walk = 1 if goal > start else -1
    steps = []  # per chamber on the way: the depths it takes, with the mask of what may stand before each
    for chamber in range(start + walk, goal + walk, walk):
        before = choices[chamber - walk]
        steps.append([(1 << d, sum(1 << e for e in before if abs(d - e) <= macs)) for d in choices[chamber]])
    reached = {}
    for depth in choices[start]:
        here = 1 << depth
        for step in steps:
            here = sum(bit for bit, near in step if near & here)
        reached[depth] = here
    return reached


class _Outlook:
    """Whether the cuts that are set leave the rules a chance, whatever the other chambers take within their reach."""

    def __init__(self, choices: Columns, spec: BittingSpec, slowest_first: Sequence[int]) -> None:
        self._choices, self._spec, self._rules = choices, spec, spec.rules
        self._is_set = [
            [chamber not in slowest_first[level:] for chamber in range(len(choices))]
            for level in range(len(slowest_first) + 1)
        ]

    def is_open(self, cuts: Sequence[int], level: int) -> bool:
        rules, macs, is_set = self._rules, self._spec.macs, self._is_set[level]
        there = {cut for cut, is_one in zip(cuts, is_set, strict=True) if is_one}
        free = is_set.count(False)
        if rules.least_depths is not None and len(there) + free < rules.least_depths:
            return False
        if rules.most_equal_neighbors is not None:
            run, before = 0, -1
            for cut, is_one in zip(cuts, is_set, strict=True):
                run = (run + 1 if cut == before else 1) if is_one else 0
                before = cut if is_one else -1
                if run > rules.most_equal_neighbors:
                    return False
        if rules.least_span is None and not rules.no_uncut:
            return True
        shallowest, deepest = min(there), max(there)
        low, high = shallowest, deepest
        for chamber, column in enumerate(self._choices):
            if not is_set[chamber]:
                near = [(cuts[c], abs(c - chamber) * macs) for c, is_one in enumerate(is_set) if is_one]
                top, bottom = max(cut - way for cut, way in near), min(cut + way for cut, way in near)
                reached = [depth for depth in column if top <= depth <= bottom]
                low, high = min([low, *reached]), max([high, *reached])
        if rules.no_uncut and high <= self._spec.first_depth + 1:
            return False
        # One chamber may go to either end, but a single free chamber not to both.
        span = high - low if free > 1 else max(high - shallowest, deepest - low)
        return rules.least_span is None or span >= rules.least_span


def run_choices(
    choices: Columns,
    spec: BittingSpec,
    slowest_first: Sequence[int],
    narrow: Callable[[int, Sequence[int]], int] | None = None,
) -> Iterator[Bitting]:
    """Give the bittings that the spec allows in sequence, seldom walking into a dead end.

    narrow: by how many of `slowest_first` are set, and the cuts, a bit mask of the depths that the next may take.

    Cuts form a chain, so within MACS a partial bitting can be finished exactly when each two neighboring chambers
    that are set can be joined, and the outermost ones can reach their ends: one mask a chamber answers that. What
    the rules leave of it is looked at from afar (`_Outlook`).
    """
    macs, rules = spec.macs, spec.rules
    outlook = _Outlook(choices, spec, slowest_first) if rules.names else None
    last = len(choices) - 1
    cuts = [column[0] for column in choices]
    tables: list[tuple[int, int, dict[int, int], int, dict[int, int], int]] = []
    for level, chamber in enumerate(slowest_first):
        done = slowest_first[:level]
        left = max((c for c in done if c < chamber), default=-1)
        right = min((c for c in done if c > chamber), default=-1)
        free = sum(1 << d for d in choices[chamber])
        if left < 0 and chamber > 0:
            free &= reduce(or_, _reach(choices, macs, 0, chamber).values())
        if right < 0 and chamber < last:
            free &= reduce(or_, _reach(choices, macs, last, chamber).values())
        from_left = _reach(choices, macs, left, chamber) if left >= 0 else {}
        from_right = _reach(choices, macs, right, chamber) if right >= 0 else {}
        tables.append((chamber, left, from_left, right, from_right, free))

    @cache
    def allowed(chamber: int, mask: int) -> tuple[int, ...]:
        return tuple(d for d in choices[chamber] if mask >> d & 1)

    def descend(level: int) -> Iterator[Bitting]:
        chamber, left, from_left, right, from_right, mask = tables[level]
        if left >= 0:
            mask &= from_left[cuts[left]]
        if right >= 0:
            mask &= from_right[cuts[right]]
        if narrow is not None:
            mask &= narrow(level, cuts)
        if level == len(tables) - 1:
            for depth in allowed(chamber, mask):
                cuts[chamber] = depth
                if outlook is None or rules.first_broken(cuts, spec.first_depth) is None:
                    yield tuple(cuts)
        else:
            for depth in allowed(chamber, mask):
                cuts[chamber] = depth
                if outlook is None or outlook.is_open(cuts, level + 1):
                    yield from descend(level + 1)

    return descend(0)


def make_columns(spec: BittingSpec, tmk: Bitting, held: Collection[int] = ()) -> Columns:
    """Make the key bitting array under `tmk`: per chamber, ascending, every depth but the master's own.

    With step 2 only the depths of the master's parity; a chamber in `held` (from 1) gets none, nor does any the depth
    that the spec withholds. (ALOA Keynotes, July 2017)

    >>> make_columns(BittingSpec(chambers=3, depths=10, macs=9, step=2), (4, 1, 7), held=[2])
    ((0, 2, 6, 8), (), (1, 3, 5, 9))
    """
    kept_back = spec.withheld if isinstance(spec, WithholdingSpec) else None
    return tuple(
        tuple(
            d
            for d in spec.all_depths
            if d != cut and (d - cut) % spec.step == 0 and chamber not in held and (chamber, d) != kept_back
        )
        for chamber, cut in enumerate(tmk, start=1)
    )


def progress(
    spec: BittingSpec,
    tmk: Bitting,
    columns: Sequence[Sequence[int]] | None = None,
    order: Sequence[int] | None = None,
    held: Collection[int] = (),
) -> Progression:
    """Give the total position progression under `tmk`, checked.

    Without `columns` the array is made by `make_columns`, whose `held` chambers stay at the master's cut. Without
    `order` chamber 1 turns fastest, then 2 and so on. Refuses a master outside MACS, an array that holds the
    master's own depth, a depth twice or (step 2) the other parity, and an order that names a chamber twice or
    leaves a progressed one out.

    >>> spec = BittingSpec(chambers=3, depths=6, macs=3, step=2)
    >>> list(progress(spec, (1, 1, 2), held=[2]))
    [(3, 1, 0), (3, 1, 4)]
    """
    check_master(spec, tmk)
    for chamber in held:
        check_whole(chamber, "held", 1, spec.chambers)
    if columns is None:
        made = make_columns(spec, tmk, held)
    else:
        check_columns(spec, tmk, columns)
        made = tuple(tuple(column) for column in columns)
    progressed = tuple(chamber for chamber, column in enumerate(made, start=1) if column)
    if not progressed:
        raise KeyingError("array", "No chamber progresses: give at least one chamber depths below the master.")
    return Progression(spec, tmk, made, _read_order(spec, progressed, order))


def check_master(spec: BittingSpec, tmk: Bitting) -> None:
    """Refuse a master that does not fit the spec or breaks its MACS."""
    if len(tmk) != spec.chambers or any(depth not in spec.all_depths for depth in tmk):
        raise KeyingError("tmk", "The master does not fit this spec.")
    for chamber, (cut, following) in enumerate(pairwise(tmk), start=1):
        if abs(cut - following) > spec.macs:
            raise KeyingError(
                "tmk",
                f"The master's own cuts in chambers {chamber} and {chamber + 1} differ by more than the MACS "
                f"of {spec.macs}: choose another master.",
            )


def check_columns(spec: BittingSpec, tmk: Bitting, columns: Sequence[Sequence[int]]) -> None:
    if len(columns) != spec.chambers:
        raise KeyingError("array", f"The array has {len(columns)} columns; this spec has {spec.chambers} chambers.")
    for chamber, (column, cut) in enumerate(zip(columns, tmk, strict=True), start=1):
        if any(depth not in spec.all_depths for depth in column):
            raise KeyingError("array", f"Chamber {chamber}: a depth is not one of this spec's.")
        if cut in column:
            raise KeyingError("array", f"Chamber {chamber}: the master's own depth stands below it; remove it.")
        if len(set(column)) != len(column):
            raise KeyingError("array", f"Chamber {chamber}: a depth stands twice in its column.")
        if spec.step == 2 and any((depth - cut) % 2 for depth in column):
            raise KeyingError(
                "array",
                f"Chamber {chamber}: in a two-step progression every depth keeps the master's parity, odd or even.",
            )


def _read_order(spec: BittingSpec, progressed: tuple[int, ...], order: Sequence[int] | None) -> tuple[int, ...]:
    if order is None:
        return progressed
    for chamber in order:
        check_whole(chamber, "order", 1, spec.chambers)
    if len(set(order)) != len(order):
        raise KeyingError("order", "The order names a chamber twice; name each progressed chamber once.")
    left_out = [chamber for chamber in progressed if chamber not in order]
    if left_out:
        raise KeyingError("order", f"The order leaves out progressed chamber {left_out[0]}; name each once.")
    return tuple(chamber for chamber in order if chamber in progressed)
