"""The whole-system check: every issued key against every cylinder, and the combinations nobody ordered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from app.keying.errors import KeyingError, check_whole
from app.keying.shearing import KeyIndex, Masks, masks_of_lists
from app.keying.spec import Bitting
from app.validation import short_name


@dataclass(frozen=True, slots=True)
class Audit:
    """What the check found, as symbols only.

    `unintended`: (cylinder, key) where the key operates and must not; the bench may start when there are none.
    `phantoms`: per cylinder, the combinations that shear and that no issued key is cut to, a number to keep small.
    """

    unintended: tuple[tuple[str, str], ...]
    phantoms: dict[str, int]


@dataclass(frozen=True, slots=True)
class NearMiss:
    """A key that does not operate a cylinder, but would if one of its cuts were off by the tolerance."""

    cylinder: str
    key: str


def audit(
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
) -> Audit:
    """Check each key of the system against each cylinder.

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
    rows, found = index.operating(masks)
    pairs = rows * len(keys) + found
    wanted = np.fromiter(
        (row * len(keys) + number[symbol] for row, meant in enumerate(cylinders.values()) for symbol in meant),
        dtype=np.int64,
    )
    unintended = np.setdiff1d(pairs, wanted).tolist()
    combinations = np.bitwise_count(masks).astype(np.int64).prod(axis=1)
    phantoms = combinations - np.bincount(rows[index.is_first[found]])  # each cylinder has a key of its own
    return Audit(
        tuple((cylinder_names[pair // len(keys)], key_names[pair % len(keys)]) for pair in unintended),
        dict(zip(cylinder_names, phantoms.tolist(), strict=True)),
    )


def operated_by(
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    symbol: str,
) -> tuple[str, ...]:
    """Give the cylinders that one key operates, whether it is meant to or not."""
    check_system(keys, cylinders)
    names = list(cylinders)
    rows, _ = KeyIndex([keys[symbol]]).operating(_masks(keys, cylinders))
    return tuple(names[row] for row in rows)


def near_misses(
    keys: Mapping[str, Bitting], cylinders: Mapping[str, Sequence[str]], tolerance: int = 1
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
    cylinder_names, key_names = list(cylinders), list(keys)
    return tuple(NearMiss(cylinder_names[row], key_names[key]) for row, key in pairs[~shears.all(axis=1)].tolist())


def _masks(keys: Mapping[str, Bitting], cylinders: Mapping[str, Sequence[str]]) -> Masks:
    chambers = len(next(iter(keys.values()), ()))
    number = {symbol: row for row, symbol in enumerate(keys)}
    bittings = np.array(list(keys.values()), dtype=np.uint8).reshape(len(keys), chambers)
    return masks_of_lists(bittings, [[number[symbol] for symbol in meant] for meant in cylinders.values()])


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
