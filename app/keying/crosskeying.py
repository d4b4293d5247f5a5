"""Cross-keying: what it costs in combinations, what it lets in, and bittings that keep it free of interchange."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from time import monotonic

import numpy as np

from app.keying.auditing import audit, check_system
from app.keying.errors import KeyingError
from app.keying.pinning import count_combinations
from app.keying.spec import Bitting

TRIES = 200_000


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another way in words, and how many cylinders the key that it hands out opens."""

    words: str
    opens: int


@dataclass(frozen=True, slots=True)
class CrossCost:
    """What it costs to let more keys operate a cylinder, before it is saved.

    `before` and `after` are its combinations; `unintended` the keys that would operate and must not;
    `alternatives` other ways that add no combination, the key that opens fewest cylinders first.
    """

    before: int
    after: int
    unintended: tuple[str, ...]
    alternatives: tuple[Alternative, ...]

    @property
    def extra(self) -> int:
        """The combinations that the cross-keying adds."""
        return self.after - self.before


def cross_cost(
    keys: Mapping[str, Bitting], cylinders: Mapping[str, Sequence[str]], cylinder: str, more: Sequence[str]
) -> CrossCost:
    """Give the cost of letting the keys `more` operate `cylinder` beside those that do.

    >>> keys = {"AA": (1, 1, 1), "1AA": (3, 3, 3), "2AA": (5, 5, 3)}
    >>> cost = cross_cost(keys, {"1AA": ["AA", "1AA"]}, "1AA", ["2AA"])
    >>> cost.before, cost.after, cost.extra, cost.alternatives[0].words
    (8, 18, 10, 'Hand AA to the holders of 2AA.')
    """
    if cylinder not in cylinders:
        raise KeyingError("cylinder", "There is no such cylinder in this system.")
    listed = list(dict.fromkeys([*cylinders[cylinder], *more]))
    check_system(keys, {cylinder: listed})
    before = count_combinations([keys[symbol] for symbol in cylinders[cylinder]])
    found = audit(keys, {cylinder: listed})
    after = count_combinations([keys[symbol] for symbol in listed])
    unintended = tuple(key for _, key in found.unintended)
    return CrossCost(before, after, unintended, _alternatives(cylinders, cylinder, more))


def _alternatives(
    cylinders: Mapping[str, Sequence[str]], cylinder: str, more: Sequence[str]
) -> tuple[Alternative, ...]:
    """Give the ways to let the same people in that add no combination: hand out a key that opens already."""
    holders = ", ".join(dict.fromkeys(more))
    ways = [
        Alternative(
            f"Hand {symbol} to the holders of {holders}.", sum(symbol in meant for meant in cylinders.values())
        )
        for symbol in dict.fromkeys(cylinders[cylinder])
    ]
    return tuple(sorted(ways, key=lambda way: way.opens)[:3])


@dataclass(frozen=True, slots=True)
class BittingChoice:
    """The outcome of a search: bittings for every open keyset, or None; `exhausted` says that none exist."""

    bittings: dict[str, Bitting] | None = field(repr=False)
    exhausted: bool


def choose_bittings(
    keys: Mapping[str, Bitting],
    candidates: Mapping[str, Sequence[Bitting]],
    cylinders: Mapping[str, Sequence[str]],
    tries: int = TRIES,
    *,
    seconds: float = 3600.0,
    on_progress: Callable[[int, float], None] | None = None,
) -> BittingChoice:
    """Choose a bitting for each open keyset so that every cylinder is free of interchange.

    `keys` are fixed; `candidates` has, per open symbol, the bittings it may take, best first; `cylinders` may
    name both. A cylinder only ever opens to more as its keys are chosen, so a clash is final when first seen
    and the search turns back there. Gives up after `tries` candidates or `seconds`: then `exhausted` is False.
    `on_progress` gets how many keysets still lack a bitting, at best, and the share of the time that has gone.
    """
    taken = set(keys.values())
    if set(keys) & set(candidates):
        raise KeyingError("candidates", "A keyset is both fixed and open.")
    check_system({**keys, **{symbol: listed[0] for symbol, listed in candidates.items() if listed}}, cylinders)
    symbols = [*keys, *candidates]
    number = {symbol: row for row, symbol in enumerate(symbols)}
    chambers = len(next(iter(keys.values()), None) or next(iter(candidates.values()))[0])
    listed = np.zeros((len(cylinders), len(symbols)), dtype=np.bool_)
    for row, meant in enumerate(cylinders.values()):
        listed[row, [number[symbol] for symbol in meant]] = True
    bits = np.zeros((len(symbols), chambers), dtype=np.uint32)  # zero: not yet chosen, operates nothing
    masks = np.zeros((len(cylinders), chambers), dtype=np.uint32)

    def place(row: int, bitting: Bitting) -> bool:
        """Set a key; tell whether no cylinder is clashed with by it."""
        bits[row] = np.left_shift(np.uint32(1), np.array(bitting, dtype=np.uint32))
        own = np.flatnonzero(listed[:, row])
        masks[own] |= bits[row]
        others = ~listed[:, row]
        if ((masks[others] & bits[row]) != 0).all(axis=1).any():
            return False
        operates = ((masks[own, None, :] & bits[None, :, :]) != 0).all(axis=2)
        return not (operates & ~listed[own]).any()

    for symbol, bitting in keys.items():
        if not place(number[symbol], bitting):
            return BittingChoice(None, True)
    chosen: dict[str, Bitting] = {}
    left, start, reported, fewest = tries, monotonic(), 0.0, len(candidates)
    order = sorted(candidates, key=lambda symbol: -int(listed[:, number[symbol]].sum()))

    def search(level: int) -> bool:
        nonlocal left, masks, reported, fewest
        fewest = min(fewest, len(order) - level)
        if level == len(order):
            return True
        symbol = order[level]
        row = number[symbol]
        for bitting in candidates[symbol]:
            if bitting in taken:
                continue
            left -= 1
            gone = monotonic() - start
            if left < 0 or gone > seconds:
                left = -1
                return False
            if on_progress is not None and gone - reported > 0.2:
                on_progress(fewest, gone / seconds)
                reported = gone
            before = masks.copy()
            taken.add(bitting)
            chosen[symbol] = bitting
            if place(row, bitting) and search(level + 1):
                return True
            taken.discard(bitting)
            del chosen[symbol]
            bits[row] = 0
            masks = before
        return False

    found = search(0)
    return BittingChoice({symbol: chosen[symbol] for symbol in candidates} if found else None, found or left >= 0)
