"""Which keys shear in which cylinders, for whole systems at once.

A cylinder is, per chamber, a bit mask of the depths that shear. Most cylinders let in few combinations, so
those are written out and looked up among the keys: work in proportion to the cylinders. A cylinder that lets
in more combinations than there are keys is held against all keys at once, 64 to a machine word.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from app.keying.errors import KeyingError
from app.keying.spec import Bitting

Masks: TypeAlias = NDArray[np.uint32]
Indices: TypeAlias = NDArray[np.int64]

BLOCK = 1 << 20  # combinations written out at a time: what fits a processor's cache pays
HELD_AT_ONCE = 50
FILTER_BITS = 22
MOST_PAIRS = 10_000_000
_SPREAD = np.uint64(0x9E3779B97F4A7C15)  # odd, so that multiplying scatters codes over the filter


def depth_masks(shear: Sequence[Sequence[Sequence[int]]], chambers: int) -> Masks:
    """Give masks, one row a cylinder, from the depths that shear in each chamber."""
    rows = [[sum(1 << depth for depth in set(depths)) for depths in cylinder] for cylinder in shear]
    return np.array(rows, dtype=np.uint32).reshape(len(rows), chambers)


def masks_of_lists(bittings: NDArray[np.uint8], lists: Sequence[Sequence[int]]) -> Masks:
    """Give masks of cylinders pinned to the listed keys; each list holds rows of `bittings`, none is empty."""
    if not lists:
        return np.zeros((0, bittings.shape[1]), dtype=np.uint32)
    flat = np.fromiter((row for rows in lists for row in rows), dtype=np.int64)
    starts = np.cumsum([0, *map(len, lists[:-1])])
    bits = np.left_shift(np.uint32(1), bittings[flat].astype(np.uint32))
    merged: Masks = np.bitwise_or.reduceat(bits, starts, axis=0)
    return merged


class KeyIndex:
    """The distinct bittings of some keys, ready to be asked which of them operate a cylinder.

    >>> index = KeyIndex([(1, 1), (3, 3), (1, 3)])
    >>> [pairs.tolist() for pairs in index.operating(depth_masks([[(1,), (1, 3)]], 2))]
    [[0, 0], [0, 2]]
    """

    def __init__(self, bittings: Sequence[Bitting]) -> None:
        chambers = len(bittings[0]) if bittings else 0
        self.bittings = np.array(bittings, dtype=np.uint8).reshape(len(bittings), chambers)
        codes = _codes(self.bittings)
        self._codes, self._first, inverse = np.unique(codes, return_index=True, return_inverse=True)
        self.is_first = np.zeros(len(bittings), dtype=np.bool_)
        """Per key, whether no earlier key has its bitting."""
        self.is_first[self._first] = True
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
