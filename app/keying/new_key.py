"""A new bitting for one keyset, while every other key stays: all that there are, held against the whole system."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice
from random import Random

import numpy as np
from numpy.typing import NDArray

from app.keying.auditing import Masks
from app.keying.counting import count_allowed
from app.keying.issuing import draw_from
from app.keying.progression import run_choices
from app.keying.replacing import LossTask
from app.keying.spec import Bitting
from app.keying.time_limit import TimeLimit

LISTABLE = 60_000
DRAWN = 20_000
WEIGHED = 400

Counts = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class FoundKey:
    """`bitting`: the best that is clear of the system, or None; `is_impossible`: none is, and all were looked at.

    `nearest`: what lets in fewest unintended operations where none is clear.
    """

    bitting: Bitting | None = field(repr=False)
    is_impossible: bool
    nearest: Bitting | None = field(repr=False)


def find_new_key(loss: LossTask, symbol: str, rng: Random, limit: TimeLimit) -> FoundKey:
    """Find a bitting for `symbol` in place of its own, which opens nothing with it.

    Of those that are clear it takes one with which no cylinder lets in more combinations than before, that differs
    from the old one in two chambers and from the keys over, or under, it in as many as the rules wish; else the
    nearest to that.
    """
    keys, cylinders, old = loss.keys, list(loss.cylinders), loss.keys[symbol]
    met = {key: cuts for key, cuts in keys.items() if loss.sections.meet(symbol, key)}
    candidates, are_all = _candidates(loss, rng, {*met.values()}, limit)
    if not len(candidates):
        return FoundKey(None, are_all, None)
    own = [one for one in cylinders if symbol in one]
    foreign = _masks(keys, [one for one in cylinders if symbol not in one and loss.enters(symbol, one)])
    rest = _masks(keys, [[key for key in one if key != symbol] for one in own])
    faults = np.zeros(len(candidates), dtype=np.int64)
    opens = _Opens(candidates)
    for mask in np.unique(foreign, axis=0).tolist():
        faults += opens(mask)
    number = {key: row for row, key in enumerate(keys)}
    cuts = np.array(list(keys.values()), dtype=np.uint32)
    patterns = _Patterns(candidates)
    entering = {
        plugs: np.array([loss.enters(key, one) for key in keys], dtype=np.bool_)
        for plugs, one in {frozenset(loss.plugs.get(one, ())): one for one in own}.items()
    }
    for one, mask in zip(own, rest, strict=True):
        if limit.is_over:
            return FoundKey(None, False, None)
        staying = entering[frozenset(loss.plugs.get(one, ()))].copy()
        staying[[number[key] for key in one]] = False
        staying[number[symbol]] = True  # the old key is shut out like any other
        patterns.add((mask >> cuts[staying] & 1) == 0, cuts[staying])
    faults += patterns.faults()
    clear = np.flatnonzero(faults == 0)
    fit = (row for row in clear.tolist() if not loss.beside.turns(symbol, tuple(candidates[row].tolist())))
    some = np.fromiter(islice(fit, WEIGHED), dtype=np.int64)
    if not len(some):
        nearest = None if len(clear) else tuple(candidates[int(faults.argmin())].tolist())
        return FoundKey(None, are_all, nearest)
    wider = _wider(candidates[some], rest, cuts[number[symbol]])
    near = (candidates[some] != np.array(old, dtype=np.uint8)).sum(axis=1) < 2
    apart = _too_near(loss.spec.rules.least_apart or 1, met, cylinders, symbol, candidates[some])
    best = int(np.lexsort((apart, near, wider))[0])
    return FoundKey(tuple(candidates[some[best]].tolist()), False, None)


def _candidates(loss: LossTask, rng: Random, taken: set[Bitting], limit: TimeLimit) -> tuple[NDArray[np.uint8], bool]:
    """The bittings that may be handed out in the system, in a drawn order, and whether they are all there are."""
    spec, columns = loss.spec, loss.columns
    if are_all := count_allowed(spec, columns) <= LISTABLE:
        found = set(run_choices(columns, spec, range(spec.chambers)))
    else:
        found = set()
        for _ in range(DRAWN):
            if limit.is_over:
                break
            drawn = draw_from(columns, spec.macs, rng)
            if spec.allows(drawn):
                found.add(drawn)
    ordered = sorted(found - taken)
    rng.shuffle(ordered)
    return np.array(ordered, dtype=np.uint8).reshape(len(ordered), spec.chambers), are_all


def _masks(keys: Mapping[str, Bitting], cylinders: Sequence[Sequence[str]]) -> Masks:
    """Per cylinder and chamber, a bit for each depth that shears."""
    chambers = len(next(iter(keys.values())))
    masks = np.zeros((len(cylinders), chambers), dtype=np.uint32)
    for row, operators in enumerate(cylinders):
        for key in operators:
            masks[row] |= np.left_shift(np.uint32(1), np.array(keys[key], dtype=np.uint32))
    return masks


class _Opens:
    """Tells which candidates turn a cylinder; cylinders share most of their chambers' depths."""

    def __init__(self, candidates: NDArray[np.uint8]) -> None:
        self._columns = candidates.T.astype(np.uint32)
        self._known: dict[tuple[int, int], NDArray[np.bool_]] = {}

    def __call__(self, mask: Sequence[int]) -> NDArray[np.bool_]:
        turning = np.ones(self._columns.shape[1], dtype=np.bool_)
        for chamber, depths in enumerate(mask):
            if (chamber, depths) not in self._known:
                self._known[chamber, depths] = (depths >> self._columns[chamber] & 1).astype(np.bool_)
            turning &= self._known[chamber, depths]
        return turning


class _Patterns:
    """What a new key must not have: in all the chambers that alone shut another key out, that key's cuts."""

    BATCH = 2_000_000

    def __init__(self, candidates: NDArray[np.uint8]) -> None:
        self._candidates = candidates.astype(np.int64)
        self._faults = np.zeros(len(candidates), dtype=np.int64)
        self._waiting: list[Counts] = []
        self._count = 0

    def add(self, blocks: NDArray[np.bool_], cuts: NDArray[np.uint32]) -> None:
        """Keys that a cylinder shuts out in these chambers, as long as the new key has not their cuts there."""
        chambers = np.arange(blocks.shape[1], dtype=np.int64)
        places = (blocks * np.left_shift(1, chambers)).sum(axis=1)
        depths = (blocks * np.left_shift(cuts.astype(np.int64), 4 * chambers)).sum(axis=1)
        self._waiting.append(np.left_shift(places, 4 * len(chambers)) | depths)
        self._count += len(depths)
        if self._count > self.BATCH:
            self._settle()

    def faults(self) -> Counts:
        """Per candidate, how many keys would operate what they must not."""
        self._settle()
        return self._faults

    def _settle(self) -> None:
        if not self._waiting:
            return
        chambers = self._candidates.shape[1]
        codes, counts = np.unique(np.concatenate(self._waiting), return_counts=True)
        self._waiting, self._count = [], 0
        shift = np.arange(chambers, dtype=np.int64)
        for place in np.unique(codes >> 4 * chambers).tolist():
            here = codes >> 4 * chambers == place
            known, many = codes[here] & ((1 << 4 * chambers) - 1), counts[here]
            there = (place >> shift & 1) == 1
            own = np.left_shift(self._candidates[:, there], 4 * shift[there]).sum(axis=1)
            at = np.minimum(np.searchsorted(known, own), len(known) - 1)
            self._faults += np.where(known[at] == own, many[at], 0)


def _wider(candidates: NDArray[np.uint8], rest: Masks, old: NDArray[np.uint32]) -> Counts:
    """Per candidate, how many of the cylinders let in more combinations than with the old key."""
    kinds, counts = np.unique(rest, axis=0, return_counts=True)
    before = np.bitwise_count(kinds | np.left_shift(np.uint32(1), old)).astype(np.int64).prod(axis=1)
    wider = np.zeros(len(candidates), dtype=np.int64)
    bits = np.left_shift(np.uint32(1), candidates.astype(np.uint32))
    for kind, combinations, count in zip(kinds, before.tolist(), counts.tolist(), strict=True):
        wider += count * (np.bitwise_count(kind | bits).astype(np.int64).prod(axis=1) > combinations)
    return wider


def _too_near(
    wished: int,
    keys: Mapping[str, Bitting],
    cylinders: Sequence[Sequence[str]],
    symbol: str,
    candidates: NDArray[np.uint8],
) -> Counts:
    """Per candidate, how many masters (for a master: keys) it differs from in fewer chambers than the rules wish."""
    opened: dict[str, int] = {}
    for operators in cylinders:
        for key in operators:
            opened[key] = opened.get(key, 0) + 1
    is_master = opened.get(symbol, 0) > 1
    others = [cuts for key, cuts in keys.items() if key != symbol and (is_master or opened.get(key, 0) > 1)]
    near = np.zeros(len(candidates), dtype=np.int64)
    for cuts in others if wished > 1 else ():
        near += (candidates != np.array(cuts, dtype=np.uint8)).sum(axis=1) < wished
    return near
