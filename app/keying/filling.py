"""Bittings for a planned system: keys with room enough below, masters apart, changes in their order of issue."""

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Sequence
from collections.abc import Set as AbstractSet
from itertools import islice, product
from math import inf, prod
from random import Random

from app.keying.apart import NearIndex, choose_apart
from app.keying.arrays import CHANGE, HELD, LevelArray, progression_under
from app.keying.errors import KeyingError, NoBittingsLeft, check_whole
from app.keying.issuing import draw_allowed
from app.keying.levels import (
    MOST_KEYSETS,
    ROLES,
    Branch,
    LevelCounts,
    LevelPlan,
    columns_by_role,
    least_near,
    name_branches,
    sharings,
    wanted_apart,
)
from app.keying.progression import Progression, check_master, make_columns
from app.keying.shared_bittings import SharedBittings
from app.keying.spec import Bitting, BittingSpec
from app.keying.time_limit import by_the_clock

MOST_POOLED = 20_000
LEAST_DRAWN = 400
MOST_FILLED = 6


class TimeUp(KeyingError):
    """The time that a plan may take is over."""


def plan_levels(
    spec: BittingSpec,
    tmk: Bitting,
    *,
    used: AbstractSet[Bitting] = frozenset(),
    roles: str | None = None,
    held: Collection[int] = (),
    shared: SharedBittings | None = None,
    **asked: int,
) -> LevelPlan:
    """Choose which chambers serve which level, and give every keyset its bitting; `asked` as `LevelCounts` takes it.

    Two levels: `tmk` is AA; three: A with `masters` under it; four: GGM with `grands`, each with `masters`; and so
    on. Given `roles` (a character a chamber) are kept; the chambers `held`, from 0, have the top's cut in every key.
    `shared`: which masters have one bitting, as `share_bittings` gives it for these counts; else each has its own.
    Raises NoBittingsLeft with how many changes were asked for and the most that any sharing of the chambers gives.
    """
    counted = LevelCounts(**asked)
    counts, levels, own = counted.downward, counted.levels, ROLES[counted.levels]
    check_whole(prod(counts) + prod(counts[:-1]), "changes_per_master", 1, MOST_KEYSETS)
    check_master(spec, tmk)
    if roles is not None and (len(roles) != spec.chambers or not {*own} <= {*roles} <= {*own, *"CMG", HELD}):
        raise KeyingError("roles", f"Give one of C, M, G or - for each of {spec.chambers} chambers.")
    bittings = shared.counts if shared else counts
    try:
        filling = fill_levels(spec, tmk, bittings, used=used, roles=roles, held=held)
    except NoBittingsLeft as short:
        raise NoBittingsLeft(
            "changes_per_master",
            f"{short.asked:,} changes ({' × '.join(f'{one:,}' for one in bittings)}) were asked for, but at most "
            f"{short.left:,} fit under this master with {levels} levels. Ask for fewer, use fewer levels, or a spec "
            "with more chambers or depths.",
            asked=short.asked,
            left=short.left,
        ) from short
    filling.list_changes()
    if shared:
        filling.top = shared.unfolded(filling.top, counts)
    return filling.plan


def fill_levels(
    spec: BittingSpec,
    tmk: Bitting,
    counts: Sequence[int],
    *,
    spare: Sequence[int] = (),
    used: AbstractSet[Bitting] = frozenset(),
    roles: str | None = None,
    held: Collection[int] = (),
    rng: Random | None = None,
    until: float = inf,
    is_counted: bool = True,
) -> "Filling":
    """Choose the masters of a system: `counts` keys a level under each key above, upper first, `spare` kept free.

    Of the sharings that hold it all it takes one where the fewest masters stand near another. Without `rng` the
    top alone says which bittings are taken. Raises NoBittingsLeft, with how many changes were asked for and, where
    that `is_counted`, the most that a sharing gives, and TimeUp after `until` where none was found by then.
    """
    levels = len(counts) + 1
    if rng is None:
        rng = Random(repr(tmk))  # noqa: S311  the top's own secret, no lot
    targets = [count + more for count, more in zip(counts, spare or [0] * len(counts), strict=True)]
    needs = dict(zip(ROLES[levels], reversed(targets), strict=True))
    wanted = dict(zip(ROLES[levels], reversed(counts), strict=True))
    sizes = [len(column) for column in make_columns(spec, tmk)]
    best: Filling | None = None
    most, filled = 0, 0
    for sharing in [roles] if roles is not None else sharings(spec, tmk, levels, needs, rng, held):
        filling = Filling(spec, tmk, sharing, counts, targets, used, rng, until, is_counted)
        try:
            holds = filling.held(0, tmk)
            most = max(most, holds)
            if holds < prod(targets):
                continue
            filling.choose_masters()
        except TimeUp:
            if best is None:
                raise
            break
        filled += 1
        filling.fewest_near = least_near(spec, columns_by_role(sizes, sharing, ROLES[levels][1:]), wanted)
        if best is None or filling.nearer < best.nearer:
            best = filling
        if best.nearer <= best.fewest_near or filled == MOST_FILLED:
            break
    if best is not None:
        return best
    asked = prod(targets)
    raise NoBittingsLeft("changes", f"{asked:,} changes were asked for; {most:,} fit.", asked=asked, left=most)


class Filling:
    """A system being filled under one sharing of the chambers; levels are numbered from 0, the top's masters."""

    def __init__(
        self,
        spec: BittingSpec,
        tmk: Bitting,
        roles: str,
        counts: Sequence[int],
        targets: Sequence[int],
        used: AbstractSet[Bitting],
        rng: Random,
        until: float,
        is_counted: bool,
    ) -> None:
        self.spec, self.tmk, self.roles = spec, tmk, roles
        self.counts, self.targets, self.rng = counts, targets, rng
        self.until, self._is_counted = until, is_counted
        self.order = ROLES[len(counts) + 1][::-1]
        self.nearer = self.fewest_near = 0
        self.top = Branch(tmk)
        columns = make_columns(spec, tmk)
        self.used = {one for one in used if all(d == t or d in c for d, t, c in zip(one, tmk, columns, strict=True))}
        self._pools: dict[tuple[int, Bitting], list[Bitting]] = {}
        self._whole: set[tuple[int, Bitting]] = set()
        self._held: dict[tuple[int, Bitting], int] = {}
        self._made = [
            {apart: NearIndex(apart) for apart in range(2, wanted_apart(spec) + 1)} for _ in self.order[:-1]
        ]

    def check_time(self) -> None:
        """Raise TimeUp where the time is over."""
        if by_the_clock() > self.until:
            raise TimeUp("seconds", "No plan was found in this time; allow more seconds, or ask for less.")

    def run(self, level: int, above: Bitting) -> Progression:
        """The array of a level under a key."""
        return progression_under(self.spec, self.tmk, self.roles, self.order[level], above)

    def pool(self, level: int, above: Bitting, is_whole: bool = False) -> list[Bitting]:
        """The masters to choose from under a key: all of the array, or of a large one some that are drawn.

        With `is_whole` all of it is listed from then on, where it is not larger than anybody could go through.
        """
        place, run = (level, above), self.run(level, above)
        is_whole &= run.theoretical <= MOST_POOLED
        if place not in self._pools or (is_whole and place not in self._whole):
            drawn = 12 * self.targets[level] + LEAST_DRAWN
            found: Iterable[Bitting] = run
            if is_whole or run.theoretical <= 2 * drawn:
                self._whole.add(place)
            elif run.usable:
                found = dict.fromkeys(draw_allowed(run.choices, self.spec, self.rng) for _ in range(drawn))
            self._pools[place] = [one for one in found if one not in self.used]
        return self._pools[place]

    def held(self, level: int, above: Bitting) -> int:
        """How many changes a key can have under it, up to as many as are aimed at."""
        if (level, above) not in self._held:
            self.check_time()
            self._held[level, above] = self._count_held(level, above)
        return self._held[level, above]

    def _count_held(self, level: int, above: Bitting) -> int:
        if level == len(self.order) - 1:
            return min(self.targets[level], self.room(above))
        found = self._count_held_in(level, self.pool(level, above))
        if found < prod(self.targets[level:]) and (level, above) not in self._whole:
            found = self._count_held_in(level, self.pool(level, above, is_whole=True))
        return found

    def _count_held_in(self, level: int, pool: Sequence[Bitting]) -> int:
        target, each = self.targets[level], prod(self.targets[level + 1 :])
        full, partly = 0, []
        for number, bitting in enumerate(pool):
            if not self._is_counted and full + len(pool) - number < target:
                break
            held = self.held(level + 1, bitting)
            if held == each:
                full += 1
                if full == target:
                    return target * each
            else:
                partly.append(held)
        return full * each + sum(sorted(partly, reverse=True)[: target - full])

    def room(self, master: Bitting) -> int:
        """How many changes are free under a lowest master."""
        run = self.run(len(self.order) - 1, master)
        return run.usable - sum(one in run and self.spec.allows(one) for one in self.used)

    def holds(self, level: int, master: Bitting) -> bool:
        """Whether a master of a level holds what is aimed at below."""
        return self.held(level + 1, master) == prod(self.targets[level + 1 :])

    def choose_masters(self) -> None:
        """Give every master its bitting."""
        self.top = self._branch(0, self.tmk)

    def _branch(self, level: int, above: Bitting) -> Branch:
        self.check_time()
        if level == len(self.order) - 1:
            return Branch(above)
        return Branch(above, [self._branch(level + 1, one) for one in self._choose(level, above)])

    def list_changes(self) -> None:
        """Give every change its bitting."""
        array = LevelArray(self.tmk, self.roles)
        for master in self._level(len(self.order) - 1):
            self.check_time()
            run = array.under(self.spec, CHANGE, master.bitting)
            free = (one for one in run if one not in self.used)
            master.below = [Branch(one) for one in islice(free, self.counts[-1])]

    def _choose(self, level: int, above: Bitting) -> list[Bitting]:
        """Choose the masters under a key: as far apart as they can be, from those under other keys too."""
        wanted, made = self.counts[level], self._made[level]
        chambers = [chamber - 1 for chamber in self.run(level, above).order]
        chosen: list[Bitting] = []
        for apart, is_whole in product(sorted(made, reverse=True), (False, True)):
            if len(chosen) < wanted and not (is_whole and (level, above) in self._whole):
                pool = self.pool(level, above, is_whole)
                clear = [one for one in pool if not made[apart].is_near(one)]
                found = choose_apart(clear, chambers, wanted, apart, lambda one: self.holds(level, one), self.rng)
                chosen = max(chosen, found, key=len)
                self.check_time()
        pool = self.pool(level, above)
        if made:
            self.nearer += wanted - max(1, len(chosen))
        if len(chosen) < wanted:
            chosen += islice(self._nearest_best(level, pool, chambers, chosen), wanted - len(chosen))
        for index in made.values():
            for one in chosen:
                index.add(one)
        return chosen

    def _nearest_best(
        self, level: int, pool: Sequence[Bitting], chambers: Sequence[int], chosen: Sequence[Bitting]
    ) -> Iterator[Bitting]:
        """Give the masters that are left, in an order that spares the neighbors where one chamber is all there is."""
        rest = sorted(set(pool) - set(chosen), key=lambda one: [one[chamber] for chamber in chambers])
        groups = [rest[::2], rest[1::2]] if len(chambers) == 1 else [rest]
        for group in groups:
            self.rng.shuffle(group)
        order = [one for group in groups for one in group]
        if 2 in self._made[level]:
            order.sort(key=self._made[level][2].is_near)
        return (one for one in order if self.holds(level, one))

    def _level(self, level: int) -> list[Branch]:
        """The keys above a level."""
        branches = [self.top]
        for _ in range(level):
            branches = [below for branch in branches for below in branch.below]
        return branches

    def left(self) -> tuple[tuple[int, ...], bool]:
        """Per level what the poorest key above still holds, each with what is aimed at below; False where it is more.

        Of an array beyond what can be gone through, and of what the time does not suffice for, a part is counted.
        """
        found, is_exact, until = [], True, self.until
        for level in reversed(range(len(self.counts))):
            above = self._level(level)
            poorest = None
            for number, branch in enumerate(above):
                now = by_the_clock()
                self.until = now + (until - now) / ((level + 1) * (len(above) - number))
                count, is_whole = self._left_under(level, branch)
                poorest = count if poorest is None else min(poorest, count)
                is_exact &= is_whole
            found.append(max(poorest or 0, self.targets[level] - self.counts[level]))
        return tuple(reversed(found)), is_exact

    def _left_under(self, level: int, branch: Branch) -> tuple[int, bool]:
        if level == len(self.counts) - 1:
            return self.room(branch.bitting) - self.counts[level], True
        made = {below.bitting for below in branch.below}
        pool, found = self.pool(level, branch.bitting, is_whole=True), 0
        for one in pool:
            try:
                found += one not in made and self.holds(level, one)
            except TimeUp:
                return found, False
        return found, (level, branch.bitting) in self._whole

    def refused(self) -> tuple[dict[str, int], bool]:
        """Rule → what MACS allows and it refuses, of all arrays under the keys; False where the time was over."""
        found: Counter[str] = Counter(dict.fromkeys(self.spec.rules.names, 0))
        for level in range(len(self.counts)):
            for branch in self._level(level):
                if by_the_clock() > self.until:
                    return dict(found), False
                found.update(self.run(level, branch.bitting).refused)
        return dict(found), True

    @property
    def plan(self) -> LevelPlan:
        """The plan as it is filled."""
        levels = len(self.order) + 1
        keysets = tuple(keyset for keyset, _ in name_branches(self.top, levels))
        return LevelPlan(self.spec, self.tmk, levels, self.roles, keysets)
