"""The whole-system check: every issued key against every cylinder, and the combinations nobody ordered."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from app.keying.errors import KeyingError
from app.keying.given import short, whole
from app.keying.shearing import Indices, KeyIndex, Masks, depth_masks, masks_of_lists
from app.keying.spec import Bitting

Shear: TypeAlias = Sequence[Sequence[int]]
"""Per chamber, bow to tip, the depths that shear."""


@dataclass(frozen=True, slots=True)
class Audit:
    """What the check found, as symbols only.

    `unintended`: (cylinder, key) where the key operates and must not. `missing`: the key must and does not.
    `phantoms`: per cylinder, the combinations that shear and that no issued key is cut to.
    """

    unintended: tuple[tuple[str, str], ...]
    missing: tuple[tuple[str, str], ...]
    phantoms: dict[str, int]

    @property
    def clean(self) -> bool:
        """Whether the bench may start: phantoms are a number to keep small, not a finding."""
        return not self.unintended and not self.missing


@dataclass(frozen=True, slots=True)
class NearMiss:
    """A key that does not operate a cylinder, but would if `cuts_off` of its cuts were off by the tolerance."""

    cylinder: str
    key: str
    cuts_off: int


def audit(
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    pinned: Mapping[str, Shear] | None = None,
) -> Audit:
    """Check each key of the system against each cylinder.

    `keys` is symbol → bitting; `cylinders` is symbol → the symbols of the keys meant to operate it, from which
    it is pinned, unless `pinned` says what depths really shear in it. Findings come in the order given.

    >>> found = audit({"AA": (1, 1), "1AA": (3, 3), "2AA": (3, 1)}, {"1AA": ["AA", "1AA"], "2AA": ["AA", "2AA"]})
    >>> found.unintended, found.missing, found.phantoms
    ((('1AA', '2AA'),), (), {'1AA': 1, '2AA': 0})
    """
    check_system(keys, cylinders)
    return _audit(keys, cylinders, _masks(keys, cylinders, pinned or {}))


def audit_added(
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    added: Collection[str],
    pinned: Mapping[str, Shear] | None = None,
) -> Audit:
    """Check only what `added` symbols of keys and cylinders can have changed in a system audited before.

    Cylinders that are new, or that an added key now operates, are held against every key; all others against
    the added keys. `phantoms` tells of the former only.
    """
    check_system(keys, cylinders)
    fresh = set(added)
    changed = {c: meant for c, meant in cylinders.items() if c in fresh or not fresh.isdisjoint(meant)}
    standing = {c: meant for c, meant in cylinders.items() if c not in changed}
    first = _audit(keys, changed, _masks(keys, changed, pinned or {}))
    new_keys = {symbol: bitting for symbol, bitting in keys.items() if symbol in fresh}
    second = _audit(new_keys, standing, _masks(keys, standing, pinned or {}), intended=dict.fromkeys(standing, ()))
    return Audit(first.unintended + second.unintended, first.missing, first.phantoms)


def operated_by(
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    symbol: str,
    pinned: Mapping[str, Shear] | None = None,
) -> tuple[str, ...]:
    """Give the cylinders that one key operates, whether it is meant to or not."""
    check_system(keys, cylinders)
    names = list(cylinders)
    rows, _ = KeyIndex([keys[symbol]]).operating(_masks(keys, cylinders, pinned or {}))
    return tuple(names[row] for row in rows)


def near_misses(
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    tolerance: int = 1,
    most_cuts_off: int | None = None,
    pinned: Mapping[str, Shear] | None = None,
) -> tuple[NearMiss, ...]:
    """Give the keys that would operate a foreign cylinder if cuts were off by up to `tolerance` increments.

    Off either way: a worn cut is deeper than its number, a loose plug forgives a shallow one. With
    `most_cuts_off` only those that need no more such cuts are told. Keys that operate as they are, are no near
    misses: `audit` tells them.
    """
    whole(tolerance, "tolerance", 1, 15)
    check_system(keys, cylinders)
    masks = _masks(keys, cylinders, pinned or {})
    wide = masks.copy()
    for off in range(1, tolerance + 1):
        wide |= (masks << np.uint32(off)) | (masks >> np.uint32(off))
    index = KeyIndex(list(keys.values()))
    rows, found = index.operating(wide) if most_cuts_off != 1 else _one_off(index, masks, wide)
    exact = masks[rows] >> index.bittings[found].astype(np.uint32) & np.uint32(1)
    cuts_off = exact.shape[1] - exact.sum(axis=1)
    kept = (cuts_off > 0) & (cuts_off <= (most_cuts_off or exact.shape[1]))
    cylinder_names, key_names = list(cylinders), list(keys)
    return tuple(
        NearMiss(cylinder_names[row], key_names[key], int(off))
        for row, key, off in zip(rows[kept], found[kept], cuts_off[kept], strict=True)
    )


def _one_off(index: KeyIndex, masks: Masks, wide: Masks) -> tuple[Indices, Indices]:
    """Give the pairs of cylinder and key that at most one cut keeps apart, each chamber widened by itself.

    Widening all at once would let nearly every key of a large system in, only to be sifted out again.
    """
    found = []
    for chamber in range(masks.shape[1]):
        opened = masks.copy()
        opened[:, chamber] = wide[:, chamber]
        found.append(np.stack(index.operating(opened), axis=1))
    pairs = np.unique(np.concatenate(found), axis=0) if found else np.zeros((0, 2), dtype=np.int64)
    return pairs[:, 0], pairs[:, 1]


def _masks(keys: Mapping[str, Bitting], cylinders: Mapping[str, Sequence[str]], pinned: Mapping[str, Shear]) -> Masks:
    chambers = len(next(iter(keys.values()), ()))
    number = {symbol: row for row, symbol in enumerate(keys)}
    bittings = np.array(list(keys.values()), dtype=np.uint8).reshape(len(keys), chambers)
    masks = masks_of_lists(bittings, [[number[symbol] for symbol in meant] for meant in cylinders.values()])
    for row, cylinder in enumerate(cylinders):
        if cylinder in pinned:
            masks[row] = depth_masks([pinned[cylinder]], chambers)[0]
    return masks


def _audit(
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    masks: Masks,
    intended: Mapping[str, Sequence[str]] | None = None,
) -> Audit:
    number = {symbol: row for row, symbol in enumerate(keys)}
    key_names, cylinder_names = list(keys), list(cylinders)
    index = KeyIndex(list(keys.values()))
    rows, found = index.operating(masks)
    pairs = rows * len(keys) + found
    lists = (intended or cylinders).values()
    wanted = np.fromiter(
        (row * len(keys) + number[symbol] for row, meant in enumerate(lists) for symbol in meant), dtype=np.int64
    )
    unintended = np.setdiff1d(pairs, wanted)
    missing = set(np.setdiff1d(wanted, pairs).tolist())
    in_order = dict.fromkeys(pair for pair in wanted.tolist() if pair in missing) if missing else {}
    combinations = np.bitwise_count(masks).astype(np.int64).prod(axis=1)
    phantoms = combinations - np.bincount(rows[index.is_first[found]], minlength=len(cylinders))

    def names(pair: int) -> tuple[str, str]:
        return cylinder_names[pair // len(keys)], key_names[pair % len(keys)]

    return Audit(
        tuple(names(pair) for pair in unintended.tolist()),
        tuple(names(pair) for pair in in_order),
        dict(zip(cylinder_names, phantoms.tolist(), strict=True)),
    )


def check_system(keys: Mapping[str, Bitting], cylinders: Mapping[str, Sequence[str]]) -> None:
    """Refuse keys of unlike lengths, a cylinder without keys, and a cylinder that names an unknown key."""
    if len({len(bitting) for bitting in keys.values()}) > 1:
        raise KeyingError("keys", "All keys of a system need the same number of cuts.")
    for cylinder, meant in cylinders.items():
        if not meant:
            raise KeyingError(f"cylinders.{short(cylinder)}", "Name at least one key that operates this cylinder.")
        for symbol in meant:
            if symbol not in keys:
                raise KeyingError(
                    f"cylinders.{short(cylinder)}",
                    f"There is no key {short(symbol)} in this system: correct the list.",
                )
