"""Cross-keying: what it costs in combinations, what it lets in, and bittings that keep it free of interchange."""

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from app.keying.auditing import audit, check_system
from app.keying.errors import KeyingError
from app.keying.pinning import count_combinations
from app.keying.spec import Bitting
from app.keying.time_limit import TimeLimit, by_the_clock

TRIES = 200_000
ANY_DEPTH = np.uint32(0xFFFFFFFF)


@dataclass(frozen=True, slots=True)
class Alternative:
    """Another way in words, and the doors that people would open by it besides this one and those they open now."""

    words: str
    opens: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class CrossCost:
    """What it costs to let more keys operate a cylinder, before it is saved.

    `before` and `after` are its combinations; `unintended` the keys that would operate and must not; `controlled`:
    whether all its keys hang under the same higher keys (ANSI/BHMA A156.28-2018, text extract). `alternatives` are
    other ways that add no combination: a keyset of its own first, then another door, then a key handed out that
    opens this one already, the one with fewest doors besides first. None of them costs nothing. `share`: which share
    of all bittings turns it then, in words; `passed`: the spec's bounds that it passes; where the asker says them.
    """

    before: int
    after: int
    unintended: tuple[str, ...]
    alternatives: tuple[Alternative, ...]
    controlled: bool = True
    share: str = ""
    passed: tuple[str, ...] = ()

    @property
    def extra(self) -> int:
        """The combinations that the cross-keying adds."""
        return self.after - self.before


def cross_cost(
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    cylinder: str,
    more: Sequence[str],
    *,
    doors: Mapping[str, Sequence[str]] = MappingProxyType({}),
    above: Mapping[str, Sequence[str]] = MappingProxyType({}),
) -> CrossCost:
    """Give the cost of letting the keys `more` operate `cylinder` too, which is keyed to the first of its own.

    `doors`: the doors of each way that cylinders are operated, the one that is asked about apart; its name where
    nobody says them. `above`: symbol → the keys over it, all of them known.

    >>> keys = {"AA": (1, 1, 1), "1AA": (3, 3, 3), "2AA": (5, 5, 3)}
    >>> cost = cross_cost(keys, {"1AA": ["1AA", "AA"], "2AA": ["2AA", "AA"], "3AA": ["AA"]}, "1AA", ["2AA"])
    >>> cost.before, cost.after, cost.extra
    (8, 18, 10)
    >>> [(way.words, way.opens) for way in cost.alternatives][-1]
    ('Hand AA to the holders of 2AA.', ('3AA',))
    """
    if cylinder not in cylinders:
        raise KeyingError("cylinder", "There is no such cylinder in this system.")
    listed = list(dict.fromkeys([*cylinders[cylinder], *more]))
    check_system(keys, {cylinder: listed})
    before = count_combinations([keys[symbol] for symbol in cylinders[cylinder]])
    found = audit(keys, {cylinder: listed})
    after = count_combinations([keys[symbol] for symbol in listed])
    unintended = tuple(key for _, key in found.unintended)
    higher = [set(above.get(symbol, ())) for symbol in (cylinders[cylinder][0], *more)]
    named = {way: doors.get(way, () if way == cylinder else (way,)) for way in cylinders}
    ways = _alternatives(cylinders, cylinder, list(dict.fromkeys(more)), named)
    return CrossCost(before, after, unintended, ways, all(one == higher[0] for one in higher))


def _alternatives(
    cylinders: Mapping[str, Sequence[str]], cylinder: str, more: Sequence[str], doors: Mapping[str, Sequence[str]]
) -> tuple[Alternative, ...]:
    """Give the ways to let the same people in that add no combination; `doors` of each way, the asked one apart."""
    holders = ", ".join(more)
    now = [way for way, meant in cylinders.items() if set(more) <= set(meant)]
    theirs = [door for way in now for door in doors[way]]
    first = cylinders[cylinder][0]
    ways = [
        Alternative(f"Give this door a keyset of its own, with a key to the holders of {first} and of {holders}.", ())
    ]
    if theirs:
        few = ", ".join(theirs[:3]) + (f" or {len(theirs) - 3} more" if len(theirs) > 3 else "")
        ways.append(Alternative(f"Have what they come for behind a door that {holders} opens: {few}.", ()))
    handed = []
    for symbol in dict.fromkeys(cylinders[cylinder]):
        opened = [
            door for way, meant in cylinders.items() if symbol in meant and way not in now for door in doors[way]
        ]
        handed.append(Alternative(f"Hand {symbol} to the holders of {holders}.", tuple(opened)))
    return (*ways, *sorted(handed, key=lambda way: len(way.opens))[:3])


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
    unseen: Mapping[str, Collection[int]] = MappingProxyType({}),
    seconds: float = 3600.0,
    on_progress: Callable[[int, float], None] | None = None,
    clock: Callable[[], float] = by_the_clock,
) -> BittingChoice:
    """Choose a bitting for each open keyset so that every cylinder is free of interchange.

    `keys` are fixed; `candidates` has, per open symbol, the bittings it may take, best first; `cylinders` may
    name both. `unseen`: which places of a bitting, from 0 at the bow, a cylinder with fewer chambers does not see, by
    its name. A cylinder only ever opens to more as its keys are chosen, so a clash is final when first seen
    and the search turns back there. Gives up after `tries` candidates or `seconds`: then `exhausted` is False.
    `on_progress` gets how many keysets still lack a bitting, at best, and the share of the time that has gone.
    """
    limit = TimeLimit(seconds, clock)
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
    for row, cylinder in enumerate(cylinders):
        masks[row, [*unseen.get(cylinder, ())]] = ANY_DEPTH

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
        if limit.is_over:
            return BittingChoice(None, False)
        if not place(number[symbol], bitting):
            return BittingChoice(None, True)
    chosen: dict[str, Bitting] = {}
    left, reported, fewest = tries, 0.0, len(candidates)
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
            gone = limit.gone
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
