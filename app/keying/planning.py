"""Planning a system: two or three ways to share its chambers out among the levels, or what would make it fit."""

import re
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import chain, islice
from math import prod
from random import Random

from app.keying.arrays import CHANGE, GRAND, HELD, MASTER, fewest_constants, progression_under
from app.keying.auditing import ALL_ENTER, Sections
from app.keying.counting import count_columns, count_refused, usable
from app.keying.errors import check_whole
from app.keying.issuing import draw_bitting
from app.keying.levels import COUNTED, MOST_KEYSETS, ROLES, LevelCounts, markings
from app.keying.progression import check_master, make_columns
from app.keying.selective import SelectiveMaster, selective_masters
from app.keying.shared_bittings import SharedBittings, share_bittings
from app.keying.spec import Bitting, BittingSpec

MOST_SCANNED = 400
MOST_MARKINGS = 20_000
MOST_WEIGHED = 400
ENOUGH, ENOUGH_DEEP = 24, 6
MASTERS_DRAWN = 12
LEVEL_WORDS = {
    CHANGE: "changes per master",
    MASTER: "masters per grand",
    GRAND: "grands",
    "4": "great grands",
    "5": "great great grands",
    "6": "great great great grands",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand(LevelCounts):
    """What a system must hold: how many of each level now, and how many more later: `room`, lowest level first.

    selective: whether it has a selective master besides.
    """

    room: tuple[int, ...] = ()
    selective: bool = False

    def __post_init__(self) -> None:
        LevelCounts.__post_init__(self)
        for name, more in zip(COUNTED, self.room, strict=False):
            check_whole(more, f"{name}_later", 0, MOST_KEYSETS)

    @property
    def now(self) -> dict[str, int]:
        """Per role of a chamber, how many are needed now; the lowest level first."""
        return dict(zip(ROLES[self.levels], reversed(self.downward), strict=True))

    @property
    def later(self) -> dict[str, int]:
        """Per role of a chamber, how many more are to find room later."""
        return dict(zip(ROLES[self.levels], (*self.room, *[0] * self.levels), strict=False))

    @property
    def needs(self) -> dict[str, int]:
        """Per role of a chamber, how many are needed in all."""
        return {role: count + self.later[role] for role, count in self.now.items()}

    def counting(self, bittings: Sequence[int]) -> "Demand":
        """The same with so many now, upper levels first."""
        counts = dict(zip(COUNTED, reversed(bittings), strict=False))
        return Demand(levels=self.levels, room=self.room, selective=self.selective, **counts)

    def one_level_less(self) -> "Demand":
        """The same changes without their masters, under the keys above these."""
        each, masters, *upper = self.needs.values()
        now, over, *rest = self.now.values()
        counts = dict(zip(COUNTED, (now * over, *rest), strict=False))
        room = (each * masters - now * over, *(more - count for more, count in zip(upper, rest, strict=True)))
        return Demand(levels=self.levels - 1, room=room, selective=self.selective, **counts)


@dataclass(frozen=True, slots=True)
class RuleCosts:
    """What each rule of a spec takes of its bittings within MACS, after those before it, and what is left.

    `changes`: the same of the changes under a master, on average of some drawn by chance.
    """

    bittings: dict[str, int]
    bittings_left: int
    changes: dict[str, int]
    changes_left: int


def rule_costs(spec: BittingSpec) -> RuleCosts:
    """Give what the rules of a spec cost; the same each time.

    >>> from app.keying import BittingRules
    >>> spec = BittingSpec(chambers=3, depths=4, macs=3, rules=BittingRules(least_depths=2, no_stairs=True))
    >>> found = rule_costs(spec)
    >>> found.bittings, found.bittings_left
    ({'least_depths': 4, 'no_stairs': 4}, 56)
    """
    taken, within = Counter[str](), 0
    for number in range(MASTERS_DRAWN):
        master = draw_bitting(spec, Random(number))  # noqa: S311 - to count under, no key
        columns = [column or (cut,) for column, cut in zip(make_columns(spec, master), master, strict=True)]
        taken.update(count_refused(spec, columns))
        within += count_columns(columns, spec.macs)
    every = count_refused(spec, [spec.all_depths] * spec.chambers)
    changes = {name: round(taken[name] / MASTERS_DRAWN) for name in every}
    return RuleCosts(every, usable(spec), changes, round(within / MASTERS_DRAWN) - sum(changes.values()))


@dataclass(frozen=True, slots=True)
class LevelCapacity:
    """Of one level: how many bittings are needed now and later, and how many the plan holds; `level` in words.

    `keys`: how many keys have those of now; more than `used` where some are used on several keyways.
    """

    level: str
    used: int
    capacity: int
    later: int = 0
    keys: int = 0

    @property
    def left(self) -> int:
        """How many are left beside what is needed now and later."""
        return self.capacity - self.used - self.later

    @property
    def left_percent(self) -> int:
        """What is left, in whole percent of the capacity."""
        return self.left * 100 // self.capacity if self.capacity else 0


@dataclass(frozen=True, slots=True)
class SystemPlan:
    """One way to build the system; `roles` as in `plan_levels`.

    `progressed` chambers carry a master pin each. With `constants` so many chambers are held at a time, their
    places moving on (rotating constants), instead of held for good. `scanned_all` is False where a level was
    counted only up to a limit, so it may hold more. `selective`: where a selective master was asked for, its place;
    its depth is of none of the capacities.
    """

    title: str
    roles: str
    levels: tuple[LevelCapacity, ...]
    progressed: int
    scanned_all: bool
    constants: int = 0
    selective: SelectiveMaster | None = None

    def with_keys(self, demand: Demand) -> "SystemPlan":
        """The same, each level with how many keys have its bittings."""
        keys = reversed(demand.downward)
        return replace(
            self, levels=tuple(replace(one, keys=count) for one, count in zip(self.levels, keys, strict=True))
        )

    @property
    def combinations(self) -> int:
        """How many bittings a cylinder lets in."""
        return 1 << self.progressed

    @property
    def spare(self) -> float:
        """How many times over the scarcest level holds what is needed."""
        return min(level.capacity / (level.used + level.later) for level in self.levels)


@dataclass(frozen=True, slots=True)
class Planning:
    """Two or three plans where the system fits; else none, with what would make it fit, each tried.

    `rotating`: the plan with rotating constants where that alone would do under this very master. `shared`: which
    masters have one bitting, where not each has its own.
    """

    plans: tuple[SystemPlan, ...]
    remedies: tuple[str, ...]
    sentence: str
    rotating: SystemPlan | None = None
    shared: SharedBittings | None = None

    @property
    def startable(self) -> tuple[SystemPlan, ...]:
        """Every plan by which the system can be started."""
        return self.plans or ((self.rotating,) if self.rotating else ())

    @property
    def fits(self) -> bool:
        """Whether the system fits at all."""
        return bool(self.plans)


def plan_system(spec: BittingSpec, tmk: Bitting, demand: Demand, sections: Sections = ALL_ENTER) -> Planning:
    """Give the plans for `demand` under `tmk`: most to spare, fewest master pins, most room for changes.

    Capacities are counted within MACS and rules, for this master. Alike plans are shown once. Where the array does
    not hold a bitting for each, masters that `sections` keeps apart share theirs, as `share_bittings` says: a key
    that nobody can put into a stranger's door by mistake either is the safer one.

    >>> spec = BittingSpec(chambers=6, depths=10, macs=9, step=2)
    >>> found = plan_system(spec, (4, 1, 7, 2, 5, 0), Demand(levels=3, masters=3, changes_per_master=12))
    >>> [(plan.title, plan.progressed) for plan in found.plans]
    [('most to spare', 5), ('fewest master pins', 3), ('most room for changes', 6)]
    """
    check_master(spec, tmk)
    plans = _plans(spec, tmk, demand)
    if plans:
        return Planning(plans, (), f"The system fits in {len(plans)} way{'s' if len(plans) > 1 else ''} shown.")
    needs, whole = demand.needs, demand
    if shared := share_bittings(demand.downward, sections):
        demand = demand.counting(shared.counts)
        if plans := _plans(spec, tmk, demand):
            plans = tuple(plan.with_keys(whole) for plan in plans)
            return Planning(plans, (), shared.words(whole.downward), shared=shared)
    remedies = tuple(_remedies(spec, tmk, demand, whole))
    asked = " × ".join(f"{count:,}" for count in needs.values())
    words = " × ".join(LEVEL_WORDS[role] for role in needs) + ", with room for later" * any(demand.room)
    sentence = f"{asked} ({words}) do not fit under this master"
    sentence += ", nor where masters on keyways apart share bittings." if shared else "."
    return Planning((), remedies, sentence, _rotating(spec, tmk, demand))


def _rotating(spec: BittingSpec, tmk: Bitting, demand: Demand) -> SystemPlan | None:
    """Give the plan of two levels with rotating constants, if they hold the changes."""
    if demand.levels != 2 or demand.selective or (found := fewest_constants(spec, tmk, demand.needs[CHANGE])) is None:
        return None
    constants = len(found.places[0])
    turned = spec.chambers - constants
    level = LevelCapacity(LEVEL_WORDS[CHANGE], demand.changes_per_master, found.usable, demand.later[CHANGE])
    return SystemPlan("rotating constants", CHANGE * spec.chambers, (level,), turned, True, constants)


def _plans(spec: BittingSpec, tmk: Bitting, demand: Demand) -> tuple[SystemPlan, ...]:
    sharings = _fitting_sharings(spec, tmk, demand)
    wanted: dict[str, Callable[[SystemPlan], tuple[float, float]]] = {
        "most to spare": lambda plan: (-plan.spare, plan.progressed),
        "fewest master pins": lambda plan: (plan.progressed, -plan.spare),
        "most room for changes": lambda plan: (-plan.levels[0].capacity, plan.progressed),
    }
    weighed: dict[str, SystemPlan | None] = {}
    chosen: dict[str, SystemPlan] = {}
    for title, rank in wanted.items():
        # The rough rank by theoretical counts says which sharings are worth an exact count.
        rough = sorted(sharings, key=rank)[:MOST_WEIGHED]
        exact = []
        for plan in rough:
            if plan.roles not in weighed:
                weighed[plan.roles] = _weigh(spec, tmk, demand, plan.roles)
            if (found := weighed[plan.roles]) is not None:
                exact.append(found)
                if len(exact) == (ENOUGH if demand.levels < 5 else ENOUGH_DEEP):
                    break
        if exact:
            best = min(sorted(exact, key=lambda plan: plan.roles), key=rank)
            chosen.setdefault(best.roles, replace(best, title=title))
    return tuple(chosen.values())


def _fitting_sharings(spec: BittingSpec, tmk: Bitting, demand: Demand) -> list[SystemPlan]:
    """Give every sharing-out that fits by theoretical counts, held chambers among them."""
    sizes = [len(column) for column in make_columns(spec, tmk)]
    fitting = []
    every = [markings(spec.chambers, (*demand.needs, HELD), MOST_MARKINGS)]
    if (len(demand.needs) + 1) ** spec.chambers > MOST_MARKINGS:  # then some are drawn, each with a chamber held
        every.append(markings(spec.chambers, (*demand.needs,), MOST_MARKINGS))
    for marks in chain.from_iterable(every):
        if any(mark != HELD and not size for mark, size in zip(marks, sizes, strict=True)):
            continue
        capacities = {
            role: prod(size for size, mark in zip(sizes, marks, strict=True) if mark == role) if role in marks else 0
            for role in demand.needs
        }
        if all(capacities[role] >= need for role, need in demand.needs.items()):
            fitting.append(_plan(demand, "".join(marks), capacities, True))
    return fitting


def _plan(demand: Demand, roles: str, capacities: dict[str, int], scanned_all: bool) -> SystemPlan:
    progressed = sum(mark != HELD for mark in roles)
    levels = tuple(
        LevelCapacity(LEVEL_WORDS[role], count, capacities[role], demand.later[role])
        for role, count in demand.now.items()
    )
    return SystemPlan("", roles, levels, progressed, scanned_all)


class _RoomBelow:
    """Counts the changes under a master; runs of change chambers count apart, so each is counted once."""

    def __init__(self, spec: BittingSpec, tmk: Bitting, roles: str) -> None:
        self._columns = make_columns(spec, tmk)
        self._under = partial(progression_under, spec, tmk, roles, CHANGE) if spec.rules.names else None
        self._macs = spec.macs
        self._runs = [match.span() for match in re.finditer(f"{CHANGE}+", roles)]
        self._known: dict[tuple[int, Sequence[int], Sequence[int]], int] = {}

    def __call__(self, master: Bitting) -> int:
        if self._under is not None:  # what the rules say of a key, they say of all its chambers
            return self._under(master).usable
        return prod(self._count(start, end, master) for start, end in self._runs)

    def _count(self, start: int, end: int, master: Bitting) -> int:
        before, after = master[max(0, start - 1) : start], master[end : end + 1]
        if (start, before, after) not in self._known:
            neighbors = [before] if before else []
            behind = [after] if after else []
            columns = [*neighbors, *self._columns[start:end], *behind]
            self._known[start, before, after] = count_columns(columns, self._macs)
        return self._known[start, before, after]


def _fits(spec: BittingSpec, tmk: Bitting, demand: Demand) -> bool:
    """Whether some sharing-out holds what is needed; no more than that is counted."""
    roomiest = sorted(_fitting_sharings(spec, tmk, demand), key=lambda plan: -plan.spare)[:MOST_WEIGHED]
    return any(_weigh(spec, tmk, demand, plan.roles, is_need_enough=True) for plan in roomiest)


def _weigh(
    spec: BittingSpec, tmk: Bitting, demand: Demand, roles: str, *, is_need_enough: bool = False
) -> SystemPlan | None:
    """Count a sharing-out exactly, with the selective master that leaves most to spare where one is asked for.

    is_need_enough: the counts end where what is needed is found.
    """
    if not demand.selective:
        return _weigh_plain(spec, tmk, demand, roles, is_need_enough)
    best: SystemPlan | None = None
    seen = set[str]()
    for one in selective_masters(spec, tmk, roles):
        if (role := roles[one.chamber - 1]) not in seen:  # the chambers of a level are alike enough
            seen.add(role)
            found = _weigh_plain(one.withheld_from(spec), tmk, demand, roles, is_need_enough)
            if found is not None and (best is None or found.spare > best.spare):
                best = replace(found, selective=one)
    return best


def _weigh_plain(
    spec: BittingSpec, tmk: Bitting, demand: Demand, roles: str, is_need_enough: bool
) -> SystemPlan | None:
    """Count a sharing-out exactly, within MACS and rules; None where it does not fit after all.

    Of the masters only those count that have room for the changes needed, of the grands those with room for
    the masters needed; a level holds what the poorest of these keys holds, whichever come into use.
    """
    needs = demand.needs
    count_room = _RoomBelow(spec, tmk, roles)

    def room_for_changes(master: Bitting) -> int:
        if spec.rules.names:  # they judge the whole key, not a run of its chambers
            return progression_under(spec, tmk, roles, CHANGE, master).usable
        return count_room(master)

    scanned_all = True

    def count_below(key: Bitting, levels: Sequence[str]) -> dict[str, int] | None:
        """How many of each level hang under a key, at the poorest; None where that is not enough."""
        nonlocal scanned_all
        role, *deeper = levels
        if not deeper:
            room = room_for_changes(key)
            return {role: room} if room >= needs[role] else None
        found = iter(progression_under(spec, tmk, roles, role, key))
        beyond = 8 + needs[role] if demand.levels < 6 else 4  # the levels multiply
        scanned = islice(found, MOST_SCANNED if role == MASTER else needs[role] + beyond)
        each = (below for one in scanned if (below := count_below(one, deeper)) is not None)
        holding = list(islice(each, needs[role] if is_need_enough else None))
        scanned_all &= next(found, None) is None
        if len(holding) < needs[role]:
            return None
        return {role: len(holding)} | {one: min(below[one] for below in holding) for one in deeper}

    capacities = count_below(tmk, ROLES[demand.levels][::-1])
    return None if capacities is None else _plan(demand, roles, capacities, scanned_all)


def _remedies(spec: BittingSpec, tmk: Bitting, demand: Demand, whole: Demand) -> Iterator[str]:
    """Give the changes of plan that were tried and make it fit; `whole`: where each key has a bitting of its own."""

    def _fits_without(role: str) -> bool:
        room = tuple(0 if one == role else more for one, more in demand.later.items())
        return _fits(spec, tmk, replace(demand, room=room))

    if demand.selective and _fits(spec, tmk, replace(demand, selective=False)):
        yield "Without the selective master it fits."
    if any(demand.room):
        least = [words for role, words in LEVEL_WORDS.items() if demand.later.get(role) and _fits_without(role)]
        if least:
            yield f"Without the room for more {' or '.join(least)} it fits."
        elif _fits(spec, tmk, replace(demand, room=())):
            yield "Without the room for later it fits."
    for name in spec.rules.names:
        if _fits(replace(spec, rules=spec.rules.without(name)), tmk, demand):
            yield f"Without the rule “{spec.rules.words[name]}” of the bitting spec it fits."
    if demand.levels > 2:
        changes = whole.needs[CHANGE] * whole.needs[MASTER]
        if changes <= MOST_KEYSETS and _fits(spec, tmk, whole.one_level_less()):
            yield f"With {demand.levels - 1} levels, the lowest masters given up, it fits."
    for chambers in range(spec.chambers + 1, min(spec.chambers + 2, 12) + 1):
        longer = replace(spec, chambers=chambers)
        if _fits(longer, tmk + (tmk[-1],) * (chambers - spec.chambers), demand):
            yield f"A spec of {chambers} chambers with the same depths holds it."
            break
    if spec.step == 2 and _fits(replace(spec, step=1), tmk, demand):
        yield (
            "A spec that progresses in single steps holds it; that asks for an increment of about .023 in "
            "or more (ALOA Keynotes, July 2017)."
        )
    if demand.levels == 2 and (turning := fewest_constants(spec, tmk, demand.needs[CHANGE])):
        yield f"Rotating constants, {len(turning.places[0])} held at a time, hold {turning.usable:,} changes."
