"""How many bittings there are: all of them, and those within the MACS; exact, by transfer matrix."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from itertools import accumulate
from math import prod

from app.keying.spec import BittingSpec


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


def count_theoretical_columns(columns: Sequence[Collection[int]]) -> int:
    """Count all ways to take one depth from each column."""
    return prod(len(column) for column in columns)
