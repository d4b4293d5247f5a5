"""How many bittings there are within MACS and rules: exact at any size, nothing listed.

By transfer matrix, chamber after chamber. Of the bittings so far it keeps how many end in each depth and, where a
rule asks for it, with how long a run of equal cuts and which different depths, until those are enough. What a rule
about the shallowest and the deepest cut refuses lies in narrower columns, and is counted there; stairs are so few
that each is looked at. A small array is looked at whole, which is faster.
"""

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from dataclasses import replace
from functools import cache, lru_cache
from itertools import accumulate
from math import prod

import numpy as np
from numpy.typing import NDArray

from app.keying.errors import KeyingError
from app.keying.rules import BittingRules
from app.keying.spec import BittingSpec

MOST_AT_ONCE = 20_000


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


def theoretical(spec: BittingSpec) -> int:
    """Count all bittings of the spec, the MACS left aside."""
    return prod([spec.depths] * spec.chambers)


def check_rules(spec: BittingSpec) -> None:
    """Refuse, by its field, a rule that no bitting of a spec can obey, or rules that leave none together."""
    spec.check_rules()
    if not usable(spec):
        freed = {name: usable(replace(spec, rules=spec.rules.without(name))) for name in spec.rules.names}
        most = max(freed, key=lambda name: freed[name])
        fix = name_gains(spec_gains(spec)) or " Turn some off."
        raise KeyingError(f"rules.{most}", f"Together these rules leave no bitting of this spec.{fix}")


@lru_cache(maxsize=256)
def usable(spec: BittingSpec) -> int:
    """Count the bittings of the spec that obey its MACS and its rules."""
    if not spec.rules.names:
        return count_bittings(spec.chambers, spec.depths, spec.macs)
    return count_allowed(spec, (tuple(spec.all_depths),) * spec.chambers)


def spec_gains(spec: BittingSpec) -> dict[str, int]:
    """The same of all bittings of a spec."""
    return count_gains(spec.rules, lambda rules: usable(replace(spec, rules=rules)))


def count_columns(columns: Sequence[Collection[int]], macs: int) -> int:
    """Count the ways to take one depth from each column so that neighbors differ by at most `macs`.

    >>> count_columns([(1, 3), (5,), (1, 9)], 4)
    4
    """
    endings: dict[int, int] = dict.fromkeys(columns[0], 1)
    for column in columns[1:]:
        endings = {d: sum(n for e, n in endings.items() if abs(d - e) <= macs) for d in column}
    return sum(endings.values())


def count_allowed(spec: BittingSpec, columns: Sequence[Collection[int]]) -> int:
    """Count the ways to take one depth from each column, a chamber each, so that the spec allows the bitting."""
    return _count(columns, spec, spec.rules)


def count_refused(spec: BittingSpec, columns: Sequence[Collection[int]]) -> dict[str, int]:
    """Count, of what the MACS allows, the bittings whose first broken rule is each one that is on.

    >>> spec = BittingSpec(chambers=3, depths=4, macs=3, rules=BittingRules(least_depths=2, no_stairs=True))
    >>> count_refused(spec, [range(4)] * 3)
    {'least_depths': 4, 'no_stairs': 4}
    """
    names = spec.rules.names
    kept = [_count(columns, spec, spec.rules.only(names[:judging])) for judging in range(len(names) + 1)]
    return {name: before - after for name, before, after in zip(names, kept[:-1], kept[1:], strict=True)}


def count_gains(rules: BittingRules, count: Callable[[BittingRules], int]) -> dict[str, int]:
    """Rule, in words → how many more there are with it off; the one that brings most first, none that brings none.

    count: how many there are under rules.
    """
    now = count(rules)
    gains = {rules.words[name]: count(rules.without(name)) - now for name in rules.names}
    return {words: gain for words, gain in sorted(gains.items(), key=lambda one: -one[1]) if gain}


def name_gains(gains: Mapping[str, int]) -> str:
    """The sentence, with a space before it, that says which rule to loosen and what that brings; "" for none.

    >>> name_gains({"a span of at least 3": 18, "no plain stairs": 2})
    ' Without the rule “a span of at least 3” there would be 18 more, without “no plain stairs” 2.'
    """
    if not gains:
        return ""
    (first, most), *others = gains.items()
    further = "".join(f", without “{words}” {gain:,}" for words, gain in others[:2])
    return f" Without the rule “{first}” there would be {most:,} more{further}."


def _count(columns: Sequence[Collection[int]], spec: BittingSpec, rules: BittingRules) -> int:
    if not rules.names:
        return count_columns(columns, spec.macs)
    if not all(columns):
        return 0
    if prod(map(len, columns)) <= MOST_AT_ONCE:
        return _count_each(columns, spec, rules)
    low, high = min(map(min, columns)), max(map(max, columns))
    found = _count_spanned(columns, spec.macs, rules, low, high)
    if rules.no_uncut:
        found -= _count_spanned(columns, spec.macs, rules, low, spec.first_depth + 1)
    if rules.no_stairs:
        others = rules.only([name for name in rules.names if name != "no_stairs"])
        stairs = _stairs(columns, spec.macs)
        found -= sum(others.first_broken(bitting, spec.first_depth) is None for bitting in stairs)
    return found


def _count_each(columns: Sequence[Collection[int]], spec: BittingSpec, rules: BittingRules) -> int:
    """Count a small array by looking at each of its bittings, all at once."""
    shape = tuple(map(len, columns))
    cuts = np.empty((len(columns), *shape), dtype=np.int16)
    for chamber, column in enumerate(columns):
        cuts[chamber] = np.reshape(list(column), (-1, *[1] * (len(columns) - chamber - 1)))
    cuts = cuts.reshape(len(columns), -1)
    steps = np.diff(cuts, axis=0)
    kept = (np.abs(steps) <= spec.macs).all(axis=0)
    kept &= _sets_allowed(rules.least_depths or 0, rules.least_span or 0, rules.no_uncut, spec.first_depth)[
        np.bitwise_or.reduce(np.left_shift(1, cuts, dtype=np.int32), axis=0)
    ]
    longest = rules.most_equal_neighbors
    if longest is not None and longest < len(columns):
        equal = steps == 0
        windows = [equal[at : at + longest].all(axis=0) for at in range(len(steps) - longest + 1)]
        kept &= ~np.logical_or.reduce(windows)
    if rules.no_stairs:
        kept &= (steps != steps[0]).any(axis=0) | (steps[0] == 0)
    return int(np.count_nonzero(kept))


@cache
def _sets_allowed(least_depths: int, least_span: int, no_uncut: bool, first_depth: int) -> NDArray[np.bool_]:
    """By the bit mask of the depths that a bitting has: whether they are enough, wide enough and deep enough."""
    masks = np.arange(1 << 16)
    bits = masks[:, None] >> np.arange(16) & 1 == 1
    deepest, shallowest = 15 - bits[:, ::-1].argmax(axis=1), bits.argmax(axis=1)
    kept: NDArray[np.bool_] = (bits.sum(axis=1) >= least_depths) & (deepest - shallowest >= least_span)
    if no_uncut:
        kept &= deepest > first_depth + 1
    return kept


def _stairs(columns: Sequence[Collection[int]], macs: int) -> Iterator[list[int]]:
    for start in columns[0]:
        for second in columns[1]:
            step = second - start
            bitting = [start + place * step for place in range(len(columns))]
            if 0 < abs(step) <= macs and all(d in column for d, column in zip(bitting, columns, strict=True)):
                yield bitting


def _count_spanned(columns: Sequence[Collection[int]], macs: int, rules: BittingRules, low: int, high: int) -> int:
    """Count with depths from `low` to `high`: all, less those of each shallowest cut that reach not deep enough."""

    def within(shallowest: int, deepest: int) -> int:
        narrow = [[d for d in column if shallowest <= d <= deepest] for column in columns]
        return _count_varied(narrow, macs, rules) if all(narrow) else 0

    found = within(low, high)
    reach = (rules.least_span or 0) - 1
    if reach >= 0:
        for depth in range(low, high + 1):
            found -= within(depth, min(depth + reach, high)) - within(depth + 1, min(depth + reach, high))
    return found


def _count_varied(columns: Sequence[Collection[int]], macs: int, rules: BittingRules) -> int:
    """Count what has depths enough and no run of equal cuts that is too long.

    A row a set of depths that is still too small, the last row for all that are large enough; a column a depth that
    the bittings so far end in; a layer a length of the run there.
    """
    least, longest = rules.least_depths or 0, rules.most_equal_neighbors
    if least <= 1 and longest is None:
        return count_columns(columns, macs)
    depths = sorted(set().union(*columns))
    if len(depths) < least:
        return 0
    every = np.arange(1 << len(depths) if least > 1 else 0)
    sizes = sum((every >> bit & 1 for bit in range(len(depths))), np.zeros_like(every))
    sets = every[sizes < least]
    enough = len(sets)
    row_of = np.full(len(every), enough)
    row_of[sets] = np.arange(enough)
    rows_with = [np.append(row_of[sets | 1 << bit], enough) for bit in range(len(depths))]
    layers = longest or 1
    # A number holds up to 16 depths in 12 chambers, under 2**49.
    ways = np.zeros((enough + 1, len(depths), layers), dtype=np.int64)
    for bit, depth in enumerate(depths):
        if depth in columns[0]:
            ways[rows_with[bit][0], bit, 0] = 1  # the first row is the empty set
    for column in columns[1:]:
        ending = ways.sum(axis=2)
        after = np.zeros_like(ways)
        for bit, depth in enumerate(depths):
            if depth not in column:
                continue
            near = [one for one, other in enumerate(depths) if abs(other - depth) <= macs]
            fresh = ending[:, near[0] : near[-1] + 1].sum(axis=1)
            if longest is not None:
                fresh -= ending[:, bit]
                after[:, bit, 1:] = ways[:, bit, :-1]
            np.add.at(after[:, bit, 0], rows_with[bit], fresh)
        ways = after
    return int(ways[enough].sum())
