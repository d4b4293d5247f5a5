"""The whole-system check: every issued key against every cylinder, and the combinations nobody ordered.

A cylinder is, per chamber, a bit mask of the depths that shear. Most cylinders let in few combinations, so
those are written out and looked up among the keys: work in proportion to the cylinders. A cylinder that lets
in more combinations than there are keys is held against all keys at once, 64 to a machine word.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from app.keying.errors import KeyingError, check_whole
from app.keying.spec import Bitting
from app.validation import short_name

Masks: TypeAlias = NDArray[np.uint32]
Indices: TypeAlias = NDArray[np.int64]

BLOCK = 1 << 20  # combinations written out at a time: what fits a processor's cache pays
HELD_AT_ONCE = 50
FILTER_BITS = 22
MOST_PAIRS = 10_000_000
_SPREAD = np.uint64(0x9E3779B97F4A7C15)  # odd, so that multiplying scatters codes over the filter


@dataclass(frozen=True, slots=True)
class Audit:
    """What the check found, as symbols only.

    `unintended`: (cylinder, key) where the key operates and must not; the bench may start when there are none.
    `phantoms`: per cylinder, the combinations that shear and that no key that enters is cut to: to be kept small.
    `shut_out`: (cylinder, key) where the key is meant to operate and does not enter.
    """

    unintended: tuple[tuple[str, str], ...]
    phantoms: dict[str, int]
    shut_out: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Sections:
    """The keyways of cylinders and what keys enter: `plugs`, cylinder → its keyway; `entered`, key → keyways.

    A cylinder that is not named is entered by all, a key that is not named enters all.

    >>> apart = Sections({"1AA": "Q1", "1AB": "Q3"}, {"1AA": {"Q1"}, "1AB": {"Q3"}, "A": {"Q1", "Q3"}})
    >>> apart.enters("1AA", "1AB"), apart.enters("A", "1AB"), apart.enters("other", "1AB")
    (False, True, True)
    >>> apart.meet("1AA", "1AB"), apart.meet("1AA", "A")
    (False, True)
    """

    plugs: Mapping[str, str]
    entered: Mapping[str, Collection[str]]

    def enters(self, key: str, cylinder: str) -> bool:
        """Whether the key goes into the cylinder, whatever its cuts."""
        plug, entered = self.plugs.get(cylinder), self.entered.get(key)
        return plug is None or entered is None or plug in entered

    def meet(self, key: str, other: str) -> bool:
        """Whether both keys enter some keyway, so that one bitting cannot be the bitting of both."""
        entered, there = self.entered.get(key), self.entered.get(other)
        return entered is None or there is None or not set(entered).isdisjoint(there)

    def table(self, keys: Collection[str], cylinders: Collection[str]) -> tuple[NDArray[np.bool_], Indices]:
        """Whether each key (column) enters each keyway (row), and the row of each cylinder; the last is for all."""
        names = {name: row for row, name in enumerate(sorted(set(self.plugs.values())))}
        entering = np.ones((len(names) + 1, len(keys)), dtype=np.bool_)
        for column, key in enumerate(keys):
            if (entered := self.entered.get(key)) is not None:
                entering[:-1, column] = [name in entered for name in names]
        plugs = (self.plugs.get(cylinder) for cylinder in cylinders)
        rows = (len(names) if plug is None else names[plug] for plug in plugs)
        return entering, np.fromiter(rows, dtype=np.int64, count=len(cylinders))


ALL_ENTER = Sections({}, {})


@dataclass(frozen=True, slots=True)
class NearMiss:
    """A key that does not operate a cylinder, but would if one of its cuts were off by the tolerance."""

    cylinder: str
    key: str


def audit(
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    sections: Sections = ALL_ENTER,
) -> Audit:
    """Check each key of the system against each cylinder that it enters.

    `keys` is symbol → bitting; `cylinders` is symbol → the symbols of the keys meant to operate it, from which
    it is pinned. Findings come in the order given.

    >>> found = audit({"AA": (1, 1), "1AA": (3, 3), "2AA": (3, 1)}, {"1AA": ["AA", "1AA"], "2AA": ["AA", "2AA"]})
    >>> found.unintended, found.phantoms
    ((('1AA', '2AA'),), {'1AA': 1, '2AA': 0})
    """
    check_system(keys, cylinders)
    masks = _masks(keys, cylinders)
    number = {symbol: row for row, symbol in enumerate(keys)}
    key_names, cylinder_names = list(keys), list(cylinders)
    index = KeyIndex(list(keys.values()))
    entering, plug = sections.table(keys, cylinders)
    rows, found = index.operating(masks)
    is_in = entering[plug[rows], found]
    rows, found = rows[is_in], found[is_in]
    pairs = rows * len(keys) + found
    wanted = np.fromiter(
        (row * len(keys) + number[symbol] for row, meant in enumerate(cylinders.values()) for symbol in meant),
        dtype=np.int64,
    )
    unintended = np.setdiff1d(pairs, wanted)
    shut_out = np.setdiff1d(wanted, pairs)  # its cuts always operate what is pinned to it
    combinations = np.bitwise_count(masks).astype(np.int64).prod(axis=1)
    cut_to = np.unique(rows * len(keys) + index.first_alike[found])  # several keys may have one bitting
    phantoms = combinations - np.bincount(cut_to // max(len(keys), 1), minlength=len(cylinders))

    def named(pairs: Indices) -> tuple[tuple[str, str], ...]:
        return tuple((cylinder_names[pair // len(keys)], key_names[pair % len(keys)]) for pair in pairs.tolist())

    return Audit(named(unintended), dict(zip(cylinder_names, phantoms.tolist(), strict=True)), named(shut_out))


def operated_by(
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    symbol: str,
    sections: Sections = ALL_ENTER,
) -> tuple[str, ...]:
    """Give the cylinders that one key operates, whether it is meant to or not."""
    check_system(keys, cylinders)
    names = list(cylinders)
    rows, _ = KeyIndex([keys[symbol]]).operating(_masks(keys, cylinders))
    return tuple(names[row] for row in rows if sections.enters(symbol, names[row]))


def near_misses(
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    tolerance: int = 1,
    sections: Sections = ALL_ENTER,
) -> tuple[NearMiss, ...]:
    """Give the keys that would operate a foreign cylinder if one cut were off by up to `tolerance` increments.

    Off either way: a worn cut is deeper than its number, a loose plug forgives a shallow one. `audit` tells of the
    keys that operate as they are; they are no near misses.
    """
    check_whole(tolerance, "tolerance", 1, 15)
    check_system(keys, cylinders)
    masks = _masks(keys, cylinders)
    wide = masks.copy()
    for off in range(1, tolerance + 1):
        wide |= (masks << np.uint32(off)) | (masks >> np.uint32(off))
    index = KeyIndex(list(keys.values()))
    found = [np.zeros((0, 2), dtype=np.int64)]
    # Each chamber is widened by itself: all at once would let in nearly every key of a large system.
    for chamber in range(masks.shape[1]):
        widened = masks.copy()
        widened[:, chamber] = wide[:, chamber]
        found.append(np.stack(index.operating(widened), axis=1))
    pairs = np.unique(np.concatenate(found), axis=0)
    rows, columns = pairs[:, 0], pairs[:, 1]
    shears = masks[rows] >> index.bittings[columns].astype(np.uint32) & np.uint32(1)
    entering, plug = sections.table(keys, cylinders)
    pairs = pairs[~shears.all(axis=1) & entering[plug[rows], columns]]
    cylinder_names, key_names = list(cylinders), list(keys)
    return tuple(NearMiss(cylinder_names[row], key_names[key]) for row, key in pairs.tolist())


def _masks(keys: Mapping[str, Bitting], cylinders: Mapping[str, Sequence[str]]) -> Masks:
    """Give masks of cylinders pinned to the keys that each names; none is empty."""
    chambers = len(next(iter(keys.values()), ()))
    if not cylinders:
        return np.zeros((0, chambers), dtype=np.uint32)
    number = {symbol: row for row, symbol in enumerate(keys)}
    bits = np.left_shift(np.uint32(1), np.array(list(keys.values()), dtype=np.uint32).reshape(len(keys), chambers))
    listed = np.fromiter((number[symbol] for meant in cylinders.values() for symbol in meant), dtype=np.int64)
    starts = np.cumsum([0, *map(len, cylinders.values())])[:-1]
    merged: Masks = np.bitwise_or.reduceat(bits[listed], starts, axis=0)
    return merged


def check_system(keys: Mapping[str, Bitting], cylinders: Mapping[str, Sequence[str]]) -> None:
    """Refuse keys of unlike lengths, a cylinder without keys, and a cylinder that names an unknown key."""
    if len({len(bitting) for bitting in keys.values()}) > 1:
        raise KeyingError("keys", "All keys of a system need the same number of cuts.")
    for cylinder, meant in cylinders.items():
        if not meant:
            raise KeyingError(
                f"cylinders.{short_name(cylinder)}", "Name at least one key that operates this cylinder."
            )
        for symbol in meant:
            if symbol not in keys:
                raise KeyingError(
                    f"cylinders.{short_name(cylinder)}",
                    f"There is no key {short_name(symbol)} in this system: correct the list.",
                )


class StackIndex:
    """Cylinders as the depths that shear in each chamber, ready to be asked about one key after the other.

    >>> index = StackIndex([[{1, 2}, {3}], [{1}, {4}]])
    >>> bin(index.meeting([{1}, {3, 4}])), index.meeting([{5}, {3}])
    ('0b11', 0)
    """

    def __init__(self, stacks: Iterable[Sequence[Iterable[int]]] = ()) -> None:
        self.count = 0
        self._bits: list[dict[int, int]] = []  # per chamber: depth → a bit for each stack that shears there
        for stack in stacks:
            self.add(stack)

    def add(self, stack: Sequence[Iterable[int]]) -> None:
        """Put one more cylinder in, of as many chambers as the others."""
        self._bits = self._bits or [{} for _ in stack]
        for chamber, depths in zip(self._bits, stack, strict=True):
            for depth in set(depths):
                chamber[depth] = chamber.get(depth, 0) | 1 << self.count
        self.count += 1

    def meeting(self, stack: Sequence[Iterable[int]]) -> int:
        """Give a bit for each that has one of these depths in every chamber; 0 where they have fewer chambers."""
        if not self._bits or len(stack) > len(self._bits):
            return 0
        found = (1 << self.count) - 1
        for chamber, depths in zip(self._bits, stack, strict=False):
            here = 0
            for depth in depths:
                here |= chamber.get(depth, 0)
            found &= here
            if not found:
                break
        return found


class KeyIndex:
    """The distinct bittings of some keys, ready to be asked which of them operate a cylinder.

    >>> index = KeyIndex([(1, 1), (3, 3), (1, 3)])
    >>> masks = np.array([[1 << 1, 1 << 1 | 1 << 3]], dtype=np.uint32)
    >>> [pairs.tolist() for pairs in index.operating(masks)]
    [[0, 0], [0, 2]]
    """

    def __init__(self, bittings: Sequence[Bitting]) -> None:
        chambers = len(bittings[0]) if bittings else 0
        self.bittings = np.array(bittings, dtype=np.uint8).reshape(len(bittings), chambers)
        codes = _codes(self.bittings)
        self._codes, self._first, inverse = np.unique(codes, return_index=True, return_inverse=True)
        self.first_alike: Indices = self._first[inverse]
        """Per key, the first that has its bitting."""
        # Keys of one bitting stand together: rows by code, and where each code's rows start.
        self._rows = np.argsort(inverse, kind="stable")
        self._counts = np.bincount(inverse, minlength=len(self._codes))
        self._starts = np.concatenate([[0], np.cumsum(self._counts)])
        self._filter = np.zeros(1 << FILTER_BITS, dtype=np.bool_)
        self._filter[_place(self._codes)] = True

    def operating(self, masks: Masks) -> tuple[Indices, Indices]:
        """Give pairs (row of `masks`, row of the keys), by cylinder and then by key."""
        cylinders, codes = self._operating_codes(masks)
        counts = self._counts[codes]
        _refuse_flood(int(counts.sum()))
        ends = np.cumsum(counts)
        within = np.arange(ends[-1] if len(ends) else 0) - np.repeat(ends - counts, counts)
        keys = self._rows[np.repeat(self._starts[codes], counts) + within]
        rows = np.repeat(cylinders, counts)
        order = np.lexsort((keys, rows))
        return rows[order], keys[order]

    def _operating_codes(self, masks: Masks) -> tuple[Indices, Indices]:
        """Give pairs (row of `masks`, number of a distinct bitting), in no set order."""
        none = np.zeros(0, dtype=np.int64)
        found: list[tuple[Indices, Indices]] = [(none, none)]
        seen = 0
        if len(masks) and len(self._codes):
            widths = np.bitwise_count(masks)
            products = widths.astype(np.int64).prod(axis=1)
            many = products > len(self._codes)
            if many.any():
                rows = np.flatnonzero(many)
                for start in range(0, len(rows), HELD_AT_ONCE):
                    found.append(self._held_against_all(masks, rows[start : start + HELD_AT_ONCE]))
                    seen += len(found[-1][0])
                    _refuse_flood(seen)
            few = np.flatnonzero(~many & (products > 0))
            shapes, shape_of = np.unique(widths[few], axis=0, return_inverse=True)
            by_shape = np.argsort(shape_of, kind="stable")
            bounds = np.searchsorted(shape_of[by_shape], np.arange(len(shapes) + 1))
            for number, shape in enumerate(shapes):
                rows = few[by_shape[bounds[number] : bounds[number + 1]]]
                step = max(1, BLOCK // int(shape.astype(np.int64).prod()))
                for start in range(0, len(rows), step):
                    found.append(self._written_out(masks, rows[start : start + step], shape))
                    seen += len(found[-1][0])
                    _refuse_flood(seen)
        return np.concatenate([a for a, _ in found]), np.concatenate([b for _, b in found])

    def _written_out(self, masks: Masks, rows: Indices, shape: NDArray[np.uint8]) -> tuple[Indices, Indices]:
        """Look up every combination of cylinders that have `shape` depths per chamber."""
        combinations = np.zeros((len(rows), 1), dtype=np.uint64)
        for chamber, width in enumerate(shape.tolist()):
            left = masks[rows, chamber]
            depths = np.empty((len(rows), width), dtype=np.uint64)
            for place in range(width):
                lowest = left & (~left + np.uint32(1))
                depths[:, place] = np.bitwise_count(lowest - np.uint32(1))
                left = left ^ lowest
            widened = combinations[:, :, None] | (depths << np.uint64(4 * chamber))[:, None, :]
            combinations = widened.reshape(len(rows), -1)
        flat = combinations.ravel()
        likely = np.flatnonzero(self._filter[_place(flat)])
        codes = flat[likely]
        place_in = np.minimum(np.searchsorted(self._codes, codes), len(self._codes) - 1)
        hit = self._codes[place_in] == codes
        return rows[likely[hit] // combinations.shape[1]], place_in[hit]

    def _held_against_all(self, masks: Masks, rows: Indices) -> tuple[Indices, Indices]:
        """Hold each cylinder against all distinct bittings at once, eight to a byte."""
        distinct = self.bittings[self._first]
        ready: dict[tuple[int, int], NDArray[np.uint8]] = {}

        def open_to(chamber: int, mask: int) -> NDArray[np.uint8]:
            if (chamber, mask) not in ready:
                if len(ready) > 4096:
                    ready.clear()
                ready[chamber, mask] = np.packbits(mask >> distinct[:, chamber].astype(np.uint32) & 1)
            return ready[chamber, mask]

        cylinders, codes = [], []
        for row in rows.tolist():
            alive = open_to(0, int(masks[row, 0]))
            for chamber in range(1, masks.shape[1]):
                alive = alive & open_to(chamber, int(masks[row, chamber]))
            bytes_alive = np.flatnonzero(alive)
            if len(bytes_alive):
                bits = np.unpackbits(alive[bytes_alive]).reshape(-1, 8)
                at, bit = np.nonzero(bits)
                hits = bytes_alive[at] * 8 + bit
                cylinders.append(np.full(len(hits), row, dtype=np.int64))
                codes.append(hits)
        none = np.zeros(0, dtype=np.int64)
        return np.concatenate([none, *cylinders]), np.concatenate([none, *codes])


def _refuse_flood(pairs: int) -> None:
    """Stop before the findings fill the memory: no system in its senses has so many keys in every cylinder."""
    if pairs > MOST_PAIRS:
        raise KeyingError(
            "cylinders",
            f"Keys operate cylinders more than {MOST_PAIRS:,} times: look for cylinders with far too many keys, "
            "or keys cut alike.",
        )


def _codes(bittings: NDArray[np.uint8]) -> NDArray[np.uint64]:
    """Write each bitting as one number, four bits a chamber: at most twelve chambers of sixteen depths."""
    codes = np.zeros(len(bittings), dtype=np.uint64)
    for chamber in range(bittings.shape[1]):
        codes |= bittings[:, chamber].astype(np.uint64) << np.uint64(4 * chamber)
    return codes


def _place(codes: NDArray[np.uint64]) -> NDArray[np.uint64]:
    with np.errstate(over="ignore"):
        spread: NDArray[np.uint64] = (codes * _SPREAD) >> np.uint64(64 - FILTER_BITS)
    return spread
