"""Total position progression: the key bitting array under a master, its bittings in sequence, and how many there are.

Counts are exact, by transfer matrix.
"""

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache, reduce
from itertools import accumulate, pairwise
from math import prod
from operator import or_
from typing import TypeAlias

from app.keying.errors import KeyingError, check_whole
from app.keying.spec import Bitting, BittingSpec

Columns: TypeAlias = tuple[tuple[int, ...], ...]
"""The key bitting array below its master: the depths that changes may use, a column a chamber."""


def count_bittings(chambers: int, depths: int, macs: int) -> int:
    """Count bittings of `chambers` cuts from `depths` depths whose adjacent cuts differ by at most `macs`.

    Exact at any size, in time proportional to chambers × depths.

    >>> count_bittings(6, 10, 4), count_bittings(19, 10, 3)
    (198034, 1289792038765742)
    """
    if chambers == 0:
        return 1
    endings = [1] * depths  # bittings so far that end in each depth
    for _ in range(chambers - 1):
        sums = [0, *accumulate(endings)]
        endings = [sums[min(depths, d + macs + 1)] - sums[max(0, d - macs)] for d in range(depths)]
    return sum(endings)


def count_columns(columns: Sequence[Collection[int]], macs: int) -> int:
    """Count the ways to take one depth from each column so that neighbors differ by at most `macs`.

    >>> count_columns([(1, 3), (5,), (1, 9)], 4)
    4
    """
    endings: dict[int, int] = dict.fromkeys(columns[0], 1)
    for column in columns[1:]:
        endings = {d: sum(n for e, n in endings.items() if abs(d - e) <= macs) for d in column}
    return sum(endings.values())


def theoretical(spec: BittingSpec) -> int:
    """Count all bittings of the spec, the MACS left aside."""
    return prod([spec.depths] * spec.chambers)


def usable(spec: BittingSpec) -> int:
    """Count the bittings of the spec that obey its MACS."""
    return count_bittings(spec.chambers, spec.depths, spec.macs)


@dataclass(frozen=True, slots=True)
class Progression:
    """A key bitting array that can be counted and run through; iterating gives its bittings within MACS.

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
        """The combinations within the MACS."""
        return count_columns(self.choices, self.spec.macs)

    def __contains__(self, bitting: object) -> bool:
        return (
            isinstance(bitting, tuple)
            and len(bitting) == self.spec.chambers
            and all(depth in column for depth, column in zip(bitting, self.choices, strict=True))
            and self.spec.within_macs(bitting)
        )

    def __iter__(self) -> Iterator[Bitting]:
        slowest_first = [chamber - 1 for chamber in reversed(self.order)]
        return run_choices(self.choices, self.spec.macs, slowest_first)


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


def run_choices(choices: Columns, macs: int, slowest_first: Sequence[int]) -> Iterator[Bitting]:
    """Give the legal bittings in sequence, never walking into a dead end.

    Cuts form a chain, so a partial bitting can be finished exactly when each two neighboring chambers that
    are set can be joined, and the outermost ones can reach their ends: one mask a chamber answers that.
    """
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
        if level == len(tables) - 1:
            for depth in allowed(chamber, mask):
                cuts[chamber] = depth
                yield tuple(cuts)
        else:
            for depth in allowed(chamber, mask):
                cuts[chamber] = depth
                yield from descend(level + 1)

    return descend(0)


def make_columns(spec: BittingSpec, tmk: Bitting, held: Collection[int] = ()) -> Columns:
    """Make the key bitting array under `tmk`: per chamber, ascending, every depth but the master's own.

    With step 2 only the depths of the master's parity; a chamber in `held` (from 1) gets none.
    (ALOA Keynotes, July 2017)

    >>> make_columns(BittingSpec(chambers=3, depths=10, macs=9, step=2), (4, 1, 7), held=[2])
    ((0, 2, 6, 8), (), (1, 3, 5, 9))
    """
    return tuple(
        () if chamber in held else tuple(d for d in spec.all_depths if d != cut and (d - cut) % spec.step == 0)
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
