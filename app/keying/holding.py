"""Bittings by levels for a matrix with exceptions: each key of its master's array, and no other comes in.

Masters come first, then the changes that exceptions concern, then all others. A change for which its master's array
has nothing, since a head or a colleague would come in through a crossed door, is cut outside that array, all others
staying.
"""

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from itertools import islice
from math import prod
from random import Random

import numpy as np
from numpy.typing import NDArray

from app.keying.apart import choose_apart
from app.keying.arrays import CHANGE, Array, LevelArray
from app.keying.auditing import Masks, audit
from app.keying.levels import MOST_TRIES, ROLES, Branch, sharings, wanted_apart
from app.keying.spec import Bitting, BittingSpec
from app.keying.tiers import Tiers
from app.keying.time_limit import TimeLimit

WINDOW = 256  # bittings looked at together, of which the one that opens a crossed door least is taken
MOST_LOOKED_AT = 20_000
MOST_ORDERS = 6
ROOM_FOR_EXCEPTIONS = (4, 2, 1)  # times as many changes as there are
MORE_SHARINGS = 3
MOST_WEIGHED = 40  # crossed cylinders of a key, and keys of each, when bittings are compared
ALL_BITS = np.uint32(0xFFFF)

Cuts = NDArray[np.int64]
Entering = dict[int, set[int]]


@dataclass(frozen=True, slots=True)
class HeldLevels:
    """Bittings by levels, one a key, under `top`; `roles` as in `plan_levels`, empty where a search found them.

    `outside`: keys cut outside their master's array. `would_enter`: cylinder → keys that it would let in with
    bittings from the arrays alone. `unwanted`: pairs (key, cylinder) that operate and must not; empty when all holds.
    """

    bittings: tuple[Bitting, ...] = field(repr=False)
    top: Bitting = field(repr=False)
    roles: str = ""
    outside: frozenset[int] = frozenset()
    would_enter: Mapping[int, tuple[int, ...]] = field(default_factory=dict)
    unwanted: tuple[tuple[int, int], ...] = ()


def hold_levels(
    spec: BittingSpec,
    tmk: Bitting,
    tiers: Tiers,
    rng: Random,
    avoid: AbstractSet[Bitting],
    limit: TimeLimit,
) -> HeldLevels | None:
    """Key a matrix by its levels under `tmk`, with as few bittings outside the arrays as are found.

    None where the levels do not hold so many keys. Stops at the limit with the best so far.
    """
    best: HeldLevels | None = None
    every = _sharings(spec, tmk, tiers)
    # Strictly first: only who is part of an exception may be cut outside the arrays.
    for roles, is_strict in [
        *((roles, True) for roles in every),
        *((roles, False) for roles in every[:MORE_SHARINGS]),
    ]:
        found = _hold(spec, tmk, tiers, roles, rng, avoid, limit.part(0.7), is_strict)
        if found is not None and (best is None or _rank(found) < _rank(best)):
            best = found
        if (best is not None and not best.unwanted) or limit.is_over:
            break
    return best


def _rank(held: HeldLevels) -> tuple[int, int]:
    return len(held.unwanted), len(held.outside)


def _sharings(spec: BittingSpec, tmk: Bitting, tiers: Tiers) -> Sequence[str]:
    if tiers.levels > spec.chambers + 1:
        return ()
    levels, needs = tiers.levels, dict(zip(ROLES[tiers.levels][::-1], tiers.widths, strict=True))
    # A crossed door shuts out more changes than those it lists, so first come sharings with room for more.
    factors = ROOM_FOR_EXCEPTIONS if any(one.is_exception for one in tiers.operators) else (1,)
    fitting = (sharings(spec, tmk, levels, {**needs, CHANGE: factor * needs[CHANGE]}) for factor in factors)
    found = [sharing for them in fitting for sharing in them]
    return tuple(dict.fromkeys(found))[:MOST_TRIES]


def _hold(
    spec: BittingSpec,
    tmk: Bitting,
    tiers: Tiers,
    roles: str,
    rng: Random,
    avoid: AbstractSet[Bitting],
    limit: TimeLimit,
    is_strict: bool,
) -> HeldLevels | None:
    """Key it by one sharing of the chambers; where a change finds no bitting, more tightly, then in another order."""
    first: list[int] = []
    best: HeldLevels | None = None
    for number in range(MOST_ORDERS):
        turn = _Turn(spec, tmk, tiers, roles, rng, avoid, limit, is_strict, is_tight=number > 0)
        if not turn.place_masters() or not turn.place_changes(first):
            if number:
                return best
            continue
        found = turn.outcome()
        if best is None or _rank(found) < _rank(best):
            best = found
        stuck = [key for key in turn.stuck if key not in first]
        # A key that would let a master in has to stand outside, however tightly the others are packed.
        others = len(found.outside - turn.let_masters_in)
        if (not found.unwanted and (number or others <= len(found.outside) // 10)) or limit.is_over:
            return best
        if number:
            if not stuck:
                return best
            first = [*stuck, *first]
    return best


class _Turn:
    """One try: bittings given out one by one, and what each cylinder lets in so far."""

    def __init__(
        self,
        spec: BittingSpec,
        tmk: Bitting,
        tiers: Tiers,
        roles: str,
        rng: Random,
        avoid: AbstractSet[Bitting],
        limit: TimeLimit,
        is_strict: bool,
        is_tight: bool,
    ) -> None:
        self.spec, self.tmk, self.tiers, self.roles, self.rng = spec, tmk, tiers, roles, rng
        self.matrix = matrix = tiers.matrix
        self.array, self.limit, self.is_strict, self.is_tight = LevelArray(tmk, roles), limit, is_strict, is_tight
        self.taken = set(avoid)
        self.cuts: dict[int, Bitting] = {}
        self.outside: set[int] = set()
        self.stuck: list[int] = []
        self.let_masters_in: set[int] = set()
        self._known_room: dict[tuple[str, Bitting], int] = {}
        self._known_grids: dict[tuple[tuple[int, ...], ...], Cuts] = {}
        self.entering: Entering = defaultdict(set)
        keys, cylinders = len(matrix.keys), len(matrix.cylinders)
        self.listed = matrix.listed
        self.bits = np.zeros((keys, spec.chambers), dtype=np.uint32)  # zero: not yet placed, operates nothing
        self.placed = np.zeros(keys, dtype=np.bool_)
        self.masks = np.zeros((cylinders, spec.chambers), dtype=np.uint32)
        self.watched = np.zeros(cylinders, dtype=np.bool_)
        self.watched[[number for number, one in enumerate(tiers.operators) if one.is_exception]] = True
        self.role_at: Sequence[str] = ROLES[tiers.levels][::-1]  # by steps below the top, from 1

    def place_masters(self) -> bool:
        """Place the top and all masters, the fullest first in whichever bitting has room; tell if all fit."""
        top = self.tiers.tree()
        if top.number is not None:
            self._place(top.number, self.tmk)
        self.taken.add(self.tmk)
        level = [(top, self.tmk)]
        for role, deeper in zip(self.role_at, [*self.role_at[1:], None], strict=True):
            following = []
            for node, base in level:
                waiting = sorted((one for one in node.below if one.is_master), key=lambda one: -len(one.below))
                for branch in self._place_under(role, deeper, base, waiting):
                    following.append((branch, self.cuts[branch.number or 0]))
                for branch in waiting:
                    number = branch.number or 0
                    if not self._place_outside(number):
                        return False
                    following.append((branch, self.cuts[number]))
            level = following
        return True

    def _place_under(self, role: str, deeper: str | None, base: Bitting, waiting: list[Branch]) -> Iterator[Branch]:
        """Place masters under a key, taking them off the list, while bittings with room for what they hold last."""
        if not waiting:
            return
        least = min(len(branch.below) for branch in waiting)
        pool = list(islice(self.array.under(self.spec, role, base), MOST_LOOKED_AT))
        chambers = [chamber for chamber, mark in enumerate(self.roles) if mark == role]

        def keeps(bitting: Bitting) -> bool:
            return bitting not in self.taken and (deeper is None or self._room(deeper, bitting) >= least)

        apart = choose_apart(pool, chambers, len(waiting), wanted_apart(self.spec), keeps, self.rng)
        for bitting in dict.fromkeys([*apart, *pool]):
            if self.limit.is_over:
                return
            if bitting in self.taken:
                continue
            room = 0
            if deeper is not None and waiting[0].below:
                room = self._room(deeper, bitting)
            for n, branch in enumerate(waiting):
                number = branch.number or 0
                if len(branch.below) <= room and self._fitting(number, np.array([bitting]))[0]:
                    self._place(number, bitting)
                    yield waiting.pop(n)
                    break
            if not waiting:
                return

    def _room(self, role: str, base: Bitting) -> int:
        """How many bittings of a level are free under a key."""
        if (role, base) not in self._known_room:
            under = self.array.under(self.spec, role, base)
            self._known_room[role, base] = under.usable - sum(other in under for other in self.taken)
        return self._known_room[role, base]

    def place_changes(self, first: Sequence[int]) -> bool:
        """Place all changes, `first` those, whom exceptions concern, then the rest; tell if bittings sufficed."""
        concerned: dict[int, None] = dict.fromkeys(first)
        crossed = np.flatnonzero(self.watched).tolist()
        for cylinder in sorted(crossed, key=lambda one: -len(self.matrix.cylinders[one].keys)):
            concerned.update(dict.fromkeys(self.matrix.cylinders[cylinder].keys))
        pools: dict[int | None, _Pool] = {}
        for key in [*concerned, *(key for key in range(len(self.matrix.keys)) if key not in concerned)]:
            if key in self.tiers.masters:
                continue
            above = self.tiers.parents[key]
            if above not in pools:
                base = self.tmk if above is None else self.cuts[above]
                pools[above] = _Pool(self.array.under(self.spec, self._role_of(key), base), self.taken)
            if self.limit.is_over or not self._place_change(key, pools[above]):
                return False
        return True

    def _role_of(self, key: int) -> str:
        steps = len(self.tiers.chain(key)) - (self.tiers.top is not None)
        return self.role_at[steps - 1]

    def _place_change(self, key: int, pool: "_Pool") -> bool:
        least: tuple[Bitting, list[tuple[int, int]]] | None = None
        for window in pool.windows(WINDOW if self.watched[self.listed[key]].any() else 16):
            if (chosen := self._choose(key, window)) is not None:
                self._place(key, chosen)
                return True
            if self.limit.is_over:
                return False
            if least is None:
                one = min(window[:32], key=lambda bitting: len(self._entering(key, bitting)))
                least = one, self._entering(key, one)
        for other, cylinder in least[1] if least else ():
            self.entering[cylinder].add(other)
            self.let_masters_in |= {key} if other in self.tiers.masters else set()
        if self._place_outside(key):
            return True
        if least is None:
            return False
        self.stuck.append(key)
        self._place(key, least[0])
        return True

    def _place_outside(self, key: int) -> bool:
        """Cut a key outside its master's array, all others staying; tell if a bitting was found."""
        if self.is_strict and not self.watched[self.listed[key]].any():
            return False
        for grid in self._grids(key):
            for start in range(0, len(grid), 4 * WINDOW):
                if self.limit.is_over:
                    return False
                part = grid[start : start + 4 * WINDOW]
                part = part[self._fitting(key, part, anywhere=True)]
                window = [one for one in map(tuple, part.tolist()) if one not in self.taken and self.spec.allows(one)]
                if window:
                    self._place(key, self._least_opening(key, window))
                    self.outside.add(key)
                    self.watched |= self.listed[key]
                    return True
        return False

    def _choose(self, key: int, window: Sequence[Bitting]) -> Bitting | None:
        fits = self._fitting(key, np.array(window))
        fitting = [bitting for bitting, is_fit in zip(window, fits.tolist(), strict=True) if is_fit]
        return self._least_opening(key, fitting) if fitting else None

    def _least_opening(self, key: int, fitting: Sequence[Bitting]) -> Bitting:
        """Give the bitting that adds fewest combinations to crossed cylinders.

        Last come bittings that are one cut off another key there, unless it has to be tight, and those that turn the
        cylinder unasked, or let a change of its list turn it so: taken off the list again, such a key would come in.
        """
        crossed = np.flatnonzero(self.watched & self.listed[key])[:MOST_WEIGHED]
        if not len(crossed):
            return fitting[0]
        fitting = fitting[:WINDOW]
        bits = np.left_shift(np.uint32(1), np.array(fitting, dtype=np.uint32))
        grown = np.zeros(len(fitting))
        near = np.zeros(len(fitting), dtype=np.bool_)
        for cylinder in crossed.tolist():
            grown += np.log(np.bitwise_count(self.masks[cylinder] | bits).astype(np.float64)).sum(axis=1)
            there = np.flatnonzero(self.listed[:, cylinder] & self.placed)[:MOST_WEIGHED]
            others = self.bits[there]
            if len(others) < MOST_WEIGHED:  # in a crowded cylinder each turns it anyway
                near |= _turns(bits, self._kept_by_one(there)).any(axis=1)
            apart = (bits[:, None, :] != others[None, :, :]).sum(axis=2)
            near |= ((apart < 2).any(axis=1) & (not self.is_tight)) | ((self.masks[cylinder] & bits) != 0).all(axis=1)
        return fitting[int(np.lexsort((grown.round(9), near))[0])]

    def _kept_by_one(self, listed: NDArray[np.int64]) -> Masks:
        """Give, for each change of a cylinder that would not turn it if it were not listed, what a new key must not
        have in all chambers: then it would.
        """
        bits = self.bits[listed]
        before, after = np.zeros_like(bits), np.zeros_like(bits)
        before[1:] = np.bitwise_or.accumulate(bits, axis=0)[:-1]
        after[:-1] = np.bitwise_or.accumulate(bits[::-1], axis=0)[::-1][1:]
        kept: Masks = np.where(((before | after) & bits) != 0, ALL_BITS, bits)
        is_change = np.array([key not in self.tiers.masters for key in listed.tolist()], dtype=np.bool_)
        found: Masks = kept[is_change & (kept != ALL_BITS).any(axis=1)]
        return found

    def _fitting(self, key: int, cuts: Cuts, anywhere: bool = False) -> NDArray[np.bool_]:
        """Tell which bittings for a key let no key into a cylinder that does not list it.

        Bittings from the arrays need a look at watched cylinders alone, and at keys cut outside the arrays.
        """
        bits = np.left_shift(np.uint32(1), cuts.astype(np.uint32))
        own = self.listed[key]
        fits = np.ones(len(cuts), dtype=np.bool_)
        foreign = self.masks[~own if anywhere else ~own & self.watched]
        if len(foreign):
            fits &= ~_turns(bits, foreign).any(axis=1)
        for cylinder in np.flatnonzero(own if anywhere else own & self.watched).tolist():
            self._keep_out(fits, bits, cylinder, self.bits[~self.listed[:, cylinder] & self.placed])
        if self.outside and not anywhere:
            outside = np.array(sorted(self.outside), dtype=np.int64)
            for cylinder in np.flatnonzero(own & ~self.watched).tolist():
                self._keep_out(fits, bits, cylinder, self.bits[outside[~self.listed[outside, cylinder]]])
        return fits

    def _keep_out(self, fits: NDArray[np.bool_], bits: Masks, cylinder: int, others: Masks) -> None:
        """Strike out the bittings for a key of a cylinder that would let others in.

        One comes in where the new bitting has its cut in each chamber that shut it out.
        """
        if not len(others) or not fits.any():
            return
        # Where a chamber shears for a key already, any new bitting leaves it so: all bits stand for that.
        open_to = np.where((self.masks[cylinder] & others) != 0, ALL_BITS, others)
        fits[fits] = ~_turns(bits[fits], open_to).any(axis=1)

    def _entering(self, key: int, bitting: Bitting) -> list[tuple[int, int]]:
        """Give who would come in where with this bitting for a key: pairs of key and cylinder."""
        bits = np.left_shift(np.uint32(1), np.array(bitting, dtype=np.uint32))
        own = self.listed[key]
        into = ((self.masks & bits) != 0).all(axis=1) & ~own
        found = [(key, cylinder) for cylinder in np.flatnonzero(into).tolist()]
        for cylinder in np.flatnonzero(own).tolist():
            shears = ((self.masks[cylinder] | bits) & self.bits) != 0
            entering = shears.all(axis=1) & ~self.listed[:, cylinder] & self.placed
            found += [(other, cylinder) for other in np.flatnonzero(entering).tolist()]
        return found

    def _grids(self, key: int) -> Iterator[Cuts]:
        """Give bittings outside the array: first with the cuts of higher levels kept, then any of the parity."""
        chain = self.tiers.chain(key)
        base = self.tmk if len(chain) < 2 else self.cuts[chain[1]]
        every = [[d for d in self.spec.all_depths if (d - cut) % self.spec.step == 0] for cut in self.tmk]
        steps = len(chain) - (self.tiers.top is not None)
        free = set(self.role_at[max(0, steps - 2) :])
        kept = [depths if role in free else [cut] for depths, role, cut in zip(every, self.roles, base, strict=True)]
        yield self._grid(kept)
        if kept != every:
            yield self._grid(every)

    def _grid(self, columns: Sequence[Sequence[int]]) -> Cuts:
        """Give bittings within MACS of these depths in an order drawn by chance, all or many."""
        known = tuple(map(tuple, columns))
        if known in self._known_grids:
            return self._known_grids[known]
        chance = np.random.default_rng(self.rng.getrandbits(64))
        if prod(map(len, columns)) <= MOST_LOOKED_AT:
            found = np.stack(np.meshgrid(*columns, indexing="ij"), axis=-1).reshape(-1, len(columns))
            chance.shuffle(found)
        else:
            found = np.stack([chance.choice(column, MOST_LOOKED_AT) for column in columns], axis=1)
        steps = np.abs(np.diff(found, axis=1))
        within: Cuts = found[(steps <= self.spec.macs).all(axis=1)]
        self._known_grids[known] = within
        return within

    def _place(self, key: int, bitting: Bitting) -> None:
        self.cuts[key] = bitting
        self.taken.add(bitting)
        self.bits[key] = np.left_shift(np.uint32(1), np.array(bitting, dtype=np.uint32))
        self.masks[self.listed[key]] |= self.bits[key]
        self.placed[key] = True

    def outcome(self) -> HeldLevels:
        """Give what was placed, checked once more: each key in each cylinder."""
        keys = {str(key): self.cuts[key] for key in range(len(self.matrix.keys))}
        cylinders = {str(n): [str(key) for key in group.keys] for n, group in enumerate(self.matrix.cylinders)}
        unwanted = sorted((int(key), int(cylinder)) for cylinder, key in audit(keys, cylinders).unintended)
        would_enter = {cylinder: tuple(sorted(them)) for cylinder, them in sorted(self.entering.items())}
        return HeldLevels(
            tuple(keys.values()), self.tmk, self.roles, frozenset(self.outside), would_enter, tuple(unwanted)
        )


def _turns(bits: Masks, masks: Masks) -> NDArray[np.bool_]:
    """Tell for each bitting whether each mask has its cut in every chamber."""
    found = np.ones((len(bits), len(masks)), dtype=np.bool_)
    for chamber in range(bits.shape[1]):  # one chamber at a time is much quicker than all along a last axis
        found &= (bits[:, chamber, None] & masks[None, :, chamber]) != 0
    return found


class _Pool:
    """The bittings of one master's array that are still free, drawn when they are asked for."""

    def __init__(self, array: Array, taken: set[Bitting]) -> None:
        self._run = islice(iter(array), MOST_LOOKED_AT)
        self._drawn: list[Bitting] = []
        self._taken = taken

    def windows(self, size: int) -> Iterator[list[Bitting]]:
        """Give the free bittings in order, some at a time."""
        self._drawn = [bitting for bitting in self._drawn if bitting not in self._taken]
        start = 0
        while True:
            if start + size > len(self._drawn):
                lacking = start + size - len(self._drawn)
                self._drawn += islice((bitting for bitting in self._run if bitting not in self._taken), lacking)
            if start >= len(self._drawn):
                return
            yield self._drawn[start : start + size]
            start += size
