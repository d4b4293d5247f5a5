"""A lost key: every cylinder that it operates is exposed, and the least rekeying that shuts it out of all.

A plan is one whose new bittings were found and held against every cylinder and key.
"""

from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field, replace
from itertools import product
from operator import contains
from random import Random

from app.keying.auditing import ALL_ENTER, Sections, audit, check_system, operated_by
from app.keying.counting import count_allowed
from app.keying.errors import KeyingError
from app.keying.new_key import find_new_key
from app.keying.replacing import FIRST_EFFORT, LossTask, SystemsBeside, key_anew, move_branch, replace_keys
from app.keying.spec import Bitting, BittingSpec
from app.keying.time_limit import TimeLimit, solve_model
from app.validation import counted, first_of

SECONDS = 20.0
NOTHING_BESIDE = SystemsBeside()
MOST_SAID = 6
TOPS_TRIED = 3
FIRST_TOPS = 15  # of a whole system keyed anew by levels: each takes a moment, a longer search may take all the time
ROUNDS = 3
"""How often a plan is searched for that is clear of the old keys and pins, too."""


@dataclass(frozen=True, slots=True)
class LostKey:
    """What a lost key exposes, and the plan.

    `exposed`: the cylinders that it operates, whether meant or not. `replace`: the keysets that get a new bitting,
    `new`; `repin`: the cylinders to rekey, the exposed ones and others that a replaced key operates;
    `keys_to_cut`: copies to make anew. `proven` says that the new bittings were found and checked; else there is no
    plan. `reasons` say what was tried, and why the plan is larger or wider than one would think.
    """

    symbol: str
    exposed: tuple[str, ...]
    replace: tuple[str, ...]
    repin: tuple[str, ...]
    keys_to_cut: int
    proven: bool
    new: Mapping[str, Bitting] = field(repr=False, default_factory=dict)
    reasons: tuple[str, ...] = ()


def lost_key(
    spec: BittingSpec,
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    symbol: str,
    rng: Random,
    copies: Mapping[str, int] | None = None,
    seconds: float = SECONDS,
    beside: SystemsBeside = NOTHING_BESIDE,
    branch: Collection[str] = (),
    keeping: Callable[[AbstractSet[str]], AbstractSet[str]] | None = None,
    sections: Sections = ALL_ENTER,
) -> LostKey:
    """Give the cylinders exposed by the loss of a key, and the rekey plan with fewest cylinders, then fewest keys.

    A new bitting for the lost keyset is not always enough: where the keys that stay have all of the lost key's
    cuts between them, it still turns, and one of those keys must be replaced too; or no new bitting is clear of all
    keys that stay. Keysets of one bitting that enter a keyway both are lost together. `copies` is how many keys are
    out of each keyset (1 where not said). New keys turn nothing that stands `beside` this system, and no key from
    there turns what is here.

    `branch`: keysets that get new bittings whatever is least. `keeping`: which of those replaced keep their symbol;
    it asks for a plan that can be carried out in steps, with old keys and pins still about (`faults_meanwhile`).
    `sections`: what enters what, where cylinders are on several keyways; new keys enter what those before them do.

    >>> spec = BittingSpec(chambers=3, depths=6, macs=5, step=2)
    >>> keys = {"AA": (1, 1, 1), "1AA": (3, 3, 3), "2AA": (5, 5, 3)}
    >>> lost = lost_key(spec, keys, {"1AA": ["AA", "1AA"], "2AA": ["AA", "2AA"]}, "1AA", Random(1), {"1AA": 4})
    >>> lost.exposed, lost.replace, lost.repin, lost.keys_to_cut
    (('1AA',), ('1AA',), ('1AA',), 4)
    """
    limit = TimeLimit(seconds)
    check_system(keys, cylinders)
    if symbol not in keys:
        raise KeyingError("lost", "There is no such key in this system.")
    out = copies or {}
    exposed = operated_by(keys, cylinders, symbol, sections)
    alike = {name: tuple(dict.fromkeys(meant)) for name, meant in cylinders.items()}
    foreign = {f"\0{number}": cuts for number, cuts in enumerate(beside.keys)}
    entered = {**sections.entered, **dict(zip(foreign, beside.keys.values(), strict=True))}
    is_alike = (key for key, cuts in keys.items() if cuts == keys[symbol] and sections.meet(key, symbol))
    loss = LossTask(
        spec,
        {**keys, **foreign},
        Counter(alike.values()),
        keys[symbol],
        symbol,
        frozenset(is_alike),
        frozenset(alike[name] for name in exposed),
        # A key weighs more than all keysets.
        {key: out.get(key, 1) * (len(keys) + 1) + 1 for key in keys},
        beside,
        _plugs(alike, sections),
        Sections({}, entered),
    )
    for _ in range(ROUNDS):
        search = _SearchForPlan(loss, rng, limit)
        search.run(loss.ordered({*branch} | loss.gone) if branch else ())
        new = search.best
        if keeping is None or not new:
            break
        faults = faults_meanwhile(keys, alike, alike, new, keeping(new.keys()), loss.gone, sections)
        if not faults:
            break
        search.tried, new = [_said_meanwhile(faults)], {}
        loss = _with_old_about(loss, keys, search.best)
    reasons = [*search.reasons, *(_said_of(loss, new) if new else search.tried)]
    replaced = tuple(key for key in keys if key in new)
    repin = tuple(name for name, meant in alike.items() if not new.keys().isdisjoint(meant))
    to_cut = sum(out.get(key, 1) for key in replaced)
    return LostKey(symbol, exposed, replaced, repin, to_cut, bool(new), new, tuple(reasons))


def _plugs(cylinders: Mapping[str, tuple[str, ...]], sections: Sections) -> dict[tuple[str, ...], frozenset[str]]:
    """Operators → the keyways of the cylinders that have these; without those of which some is entered by all."""
    found: dict[tuple[str, ...], set[str | None]] = {}
    for name, operators in cylinders.items():
        found.setdefault(operators, set()).add(sections.plugs.get(name))
    return {one: frozenset(filter(None, names)) for one, names in found.items() if None not in names}


class _SearchForPlan:
    """The search from the smallest plan upward; one that widens no cylinder goes before another of the same size."""

    def __init__(self, loss: LossTask, rng: Random, limit: TimeLimit) -> None:
        self.loss, self.rng, self.limit = loss, rng, limit
        self.best: dict[str, Bitting] = {}
        self.reasons: list[str] = []
        self.tried: list[str] = []
        self.nearest: dict[str, Bitting] = {}
        self.floor, self.effort = 0, FIRST_EFFORT
        self.is_open = self.has_moved = False

    def run(self, branch: tuple[str, ...] = ()) -> None:
        """Find `best`, empty where nothing was found; `reasons` and `tried` tell of it. `branch`: all of these go."""
        loss = self.loss
        if not count_allowed(loss.spec, loss.columns):
            self.tried.append("No bitting of this system's parity is within MACS and the rules.")
            return
        if branch:
            self._replace_all(branch)
            return
        least, is_least = _least(loss, self.limit)
        first = loss.ordered(least)
        self.floor = loss.cost(least) if is_least else 0
        gone, more = _named(loss.ordered(loss.gone)), loss.ordered(least - loss.gone)
        if more:
            self.reasons.append(
                f"A new bitting for {gone} alone does not shut the lost key out: keys that stay have all of its cuts "
                f"between them. {_named(more)} {'goes' if len(more) == 1 else 'go'} too."
            )
        if len(first) == 1:
            self._try_one(first[0])
        else:
            self._move(first)
        while not self._is_done and self._search_on(first):
            self.effort *= 4
        if self.has_moved and not self.best:
            self.tried.append(
                "Other cuts for the whole branch of a master, and the whole system keyed anew: none found."
            )

    def _replace_all(self, branch: tuple[str, ...]) -> None:
        for _ in range(FIRST_TOPS):
            if not self.best and {*branch} == self.loss.costs.keys() and not self.limit.is_over:
                self.best = key_anew(self.loss, self.rng, self.limit.part(1 / 2), by_levels=True)
        if not self.best:
            self._move(branch)
        for is_bounded in (True, False):
            if not self.best and not self.limit.is_over:
                self._try(branch, is_bounded=is_bounded, all_of_them=True)

    @property
    def _is_done(self) -> bool:
        return self.limit.is_over or bool(self.best and self.loss.cost(self.best.keys()) <= self.floor)

    def _search_on(self, first: tuple[str, ...]) -> bool:
        """One round, from the smallest plan to the largest; tell whether more effort may find more."""
        loss, self.tried, self.is_open = self.loss, [], False
        if len(first) > 1:
            for is_bounded, apart in ((True, 2), (True, 1), (False, 1)):
                if not self.best:
                    self._try(first, is_bounded=is_bounded, apart=apart, all_of_them=True)
        if self.nearest:  # whoever would turn what it must not with it, or is turned by it, may get another too
            clashing = {
                key
                for operators, other in loss.operating({**loss.keys, **self.nearest})
                for key in (*operators, *([other] if other else []))
            }
            more = loss.ordered(clashing & loss.costs.keys() - self.nearest.keys())
            self._try(more, is_bounded=True, decided=self.nearest)
        if not self.best and self.effort == FIRST_EFFORT:
            self._move_more()
        near = loss.ordered(loss.gone | {key for one in loss.exposed for key in one})
        further = [one for one in dict.fromkeys([near, loss.ordered(loss.costs.keys())]) if one != first]
        for free, is_bounded in product(further, (True, False)):
            if not self._is_done:
                self._try(free, is_bounded=is_bounded)
        if not self.best and not self.limit.is_over:
            self.best = key_anew(loss, self.rng, self.limit.part(1 / 2), by_levels=False)
        return self.is_open and not self.best

    def _try_one(self, symbol: str) -> None:
        """A new bitting for one keyset, all others staying."""
        loss = self.loss
        found = find_new_key(loss, symbol, self.rng, self.limit)
        if found.bitting and not any(loss.operating({**loss.keys, symbol: found.bitting})):
            self.best = {symbol: found.bitting}
        elif found.bitting is None:
            ends = "there is none" if found.is_impossible else "none was found"
            self.reasons.append(f"A new bitting for {symbol} alone, all other keys staying: {ends}.")
        self.nearest = {symbol: found.nearest} if found.nearest else {}

    def _move(self, branch: tuple[str, ...]) -> None:
        for apart in (2, 1):
            if not self.best:
                self.best = move_branch(self.loss, branch, self.rng, apart, self.limit).new or {}

    def _move_more(self) -> None:
        """Other cuts for a whole branch that has what is exposed, the smallest first; else all keyed anew."""
        loss, self.has_moved = self.loss, True
        listing = {key: {one for one in loss.cylinders if key in one} for key in loss.costs}
        branches = set()
        for master in {key for one in loss.exposed for key in one}:
            under = {key for key, lists in listing.items() if lists and lists <= listing[master]} | {master}
            branches.add(loss.ordered(under | loss.gone))
        for branch in sorted(branches, key=lambda one: (loss.cost(frozenset(one)), one)):
            if not self.best and not self.limit.is_over:
                self._move(branch)
        for _ in range(TOPS_TRIED):
            if not self.best and not self.limit.is_over:
                self.best = key_anew(loss, self.rng, self.limit.part(1 / 4), by_levels=True)

    def _try(
        self,
        free: tuple[str, ...],
        *,
        is_bounded: bool,
        apart: int = 1,
        all_of_them: bool = False,
        decided: Mapping[str, Bitting] | None = None,
    ) -> None:
        found = replace_keys(
            self.loss,
            free,
            self.rng,
            self.limit,
            is_bounded=is_bounded,
            apart=apart,
            all_of_them=all_of_them,
            decided=decided,
            below=self.loss.cost(self.best.keys()) if self.best else None,
            effort=self.effort,
        )
        self.best = found.new or self.best
        self.is_open |= not found.is_impossible
        if not (found.new or is_bounded or decided):
            self._say(free, found.is_impossible)

    def _say(self, free: Sequence[str], is_impossible: bool) -> None:
        """What was tried, with what end."""
        ends = "there are no such bittings" if is_impossible else "none were found in time"
        self.tried.append(f"New bittings for {_named(free)}, all other keys staying: {ends}.")


def faults_meanwhile(
    keys: Mapping[str, Bitting],
    before: Mapping[str, Sequence[str]],
    after: Mapping[str, Sequence[str]],
    new: Mapping[str, Bitting],
    kept: AbstractSet[str],
    gone: AbstractSet[str],
    sections: Sections = ALL_ENTER,
) -> tuple[tuple[str, str], ...]:
    """Give the cylinders with the keys that operate them and must not, at any step from old bittings to `new` ones.

    A plan for many doors is carried out over days: cylinders stand as they were pinned (`before`, who operates each)
    beside new ones (`after`), and keys of both are about. Keysets that are `kept` get their new bitting on record
    under the old symbol at once, so that cylinders as the record then has them must be clear as well. `gone`: those
    whose key is lost; it operates no new cylinder. What operates now, in a cylinder as it stands, is not told again.

    >>> keys = {"AA": (1, 1, 1), "1AA": (3, 3, 3), "2AA": (5, 5, 3)}
    >>> doors = {"1AA": ("1AA", "AA"), "2AA": ("2AA", "AA")}
    >>> faults_meanwhile(keys, doors, doors, {"1AA": (5, 3, 5)}, set(), {"1AA"})
    ()
    >>> faults_meanwhile(keys, doors, doors, {"1AA": (5, 5, 1)}, set(), {"1AA"})
    (('2AA', '1AA'),)
    """
    now = {key: f"\1{key}" for key in new}
    cut = {**keys, **{now[key]: cuts for key, cuts in new.items()}}
    stands, meant = dict[str, Sequence[str]](), dict[str, set[str]]()
    for name, operators in before.items():
        on_record = [now[key] if key in kept else key for key in operators]
        final = [now.get(key, key) for key in after[name]]
        stands[f"0{name}"], meant[f"0{name}"] = operators, {*keys, *on_record}
        if on_record != [*operators]:
            stands[f"1{name}"], meant[f"1{name}"] = on_record, {*on_record, *kept}
        if final != [*operators]:
            still = {key for key in kept - gone if key in after[name]}
            stands[f"2{name}"], meant[f"2{name}"] = final, {*final, *still}
    entered = {**sections.entered, **{now[key]: sections.entered[key] for key in now if key in sections.entered}}
    plugs = {one: sections.plugs[one[1:]] for one in stands if one[1:] in sections.plugs}
    turning = audit(cut, stands, Sections(plugs, entered)).unintended
    return tuple(dict.fromkeys((one[1:], key.removeprefix("\1")) for one, key in turning if key not in meant[one]))


def _with_old_about(task: LossTask, keys: Mapping[str, Bitting], new: Mapping[str, Bitting]) -> LossTask:
    """The task where what these would replace is kept apart: old keys turn nothing new, new ones no old cylinder."""
    old = {f"\0old {key}": keys[key] for key in new}
    stands = {
        meant: tuple({keys[key][chamber] for key in meant} for chamber in range(task.spec.chambers))
        for meant in task.cylinders
        if not new.keys().isdisjoint(meant)
    }
    turns, entered = task.beside.turns, task.sections.entered

    def turns_old(symbol: str, cuts: Bitting) -> bool:
        return turns(symbol, cuts) or any(
            all(map(contains, pins, cuts)) and task.enters(symbol, meant) for meant, pins in stands.items()
        )

    return replace(
        task,
        keys={**task.keys, **old},
        beside=replace(task.beside, turns=turns_old),
        sections=Sections({}, {**entered, **{f"\0old {key}": entered[key] for key in new if key in entered}}),
    )


def _said_meanwhile(faults: Sequence[tuple[str, str]]) -> str:
    keys = _named([*dict.fromkeys(key for _, key in faults)])
    return f"With old keys and pins still about, keys of {keys} would operate what they must not."


def _said_of(loss: LossTask, new: Mapping[str, Bitting]) -> list[str]:
    """What is special about a plan: cylinders that let in more combinations than before."""
    if not (wider := loss.wider({**loss.keys, **new})):
        return []
    most, before, now = max(wider, key=lambda one: one[2] / one[1])
    count = sum(loss.cylinders[operators] for operators, _, _ in wider)
    lets = "lets" if count == 1 else "let"
    return [
        f"{counted(count, 'cylinder')} {lets} in more combinations than before: the one of {_named(most)} lets in "
        f"{now:,} instead of {before:,}."
    ]


def _named(keys: Sequence[str]) -> str:
    return first_of(keys, MOST_SAID)


def _least(loss: LossTask, limit: TimeLimit) -> tuple[AbstractSet[str], bool]:
    """Choose the least keysets to replace, bittings aside, and tell whether none are less.

    Per exposed cylinder some chamber loses every key with the lost cut.
    """
    keys, gone, lost = loss.keys, loss.gone, loss.lost
    if all(_is_shut_out(lost, [keys[key] for key in one if key not in gone]) for one in loss.exposed):
        return gone, True  # these have to go in any plan, so no plan is smaller
    from ortools.sat.python import cp_model  # heavy to load, so only here

    model = cp_model.CpModel()
    replaced = {key: model.new_bool_var("") for key in loss.costs}
    for key in gone:
        model.add(replaced[key] == 1)
    terms = [loss.costs[key] * chosen for key, chosen in replaced.items()]
    for operators, count in loss.cylinders.items():
        if operators in loss.exposed:
            chambers = []
            for chamber, cut in enumerate(lost):
                block = model.new_bool_var("")
                for key in operators:
                    if keys[key][chamber] == cut:
                        model.add_implication(block, replaced[key])
                chambers.append(block)
            model.add_bool_or(chambers)
        else:
            touch = model.new_bool_var("")
            for key in operators:
                model.add_implication(replaced[key], touch)
            terms.append(loss.weight * count * touch)
    model.minimize(sum(terms))
    status, solver = solve_model(model, limit)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):  # replacing every key of the exposed is always a plan
        return gone | {key for one in loss.exposed for key in one}, False
    return {key for key, chosen in replaced.items() if solver.value(chosen)}, status == cp_model.OPTIMAL


def _is_shut_out(lost: Bitting, staying: Sequence[Bitting]) -> bool:
    """Tell whether there is a chamber in which no key that stays has the lost key's cut."""
    return any(all(key[chamber] != cut for key in staying) for chamber, cut in enumerate(lost))
