"""Further keys and cylinders in a system whose keys are fixed, whatever array it came from, if any.

First each key gets the first bitting of the whole space that is free, masters before changes, bittings with the cuts
of its fellows before others, then in orders drawn by chance. Where that is not enough, `solve_matrix` looks for all
of them at once, or proves that there are none.
"""

from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import combinations, islice, takewhile
from random import Random

from app.errors import Problem, Problems
from app.keying.auditing import StackIndex, check_system
from app.keying.bitting_pool import LEAST_APART, BittingPool, PoolRun
from app.keying.errors import KeyingError
from app.keying.matrix import AccessMatrix, Clash, DoorGroup, KeyGroup
from app.keying.rules import BittingRules
from app.keying.solving import MatrixSolution, Outcome, Progress, solve_matrix
from app.keying.spec import Bitting, BittingSpec
from app.keying.symbols import levels_by, read_symbol
from app.keying.time_limit import by_the_clock
from app.validation import short_name

SECONDS = 20.0
TURNS = 12
MOST_NAMED = 8
_LOOKED_AT = 500
_PAIRS_A_SECOND = 3_000_000


class GrowingSystem:
    """The system as it grows: what is issued, which cylinders stand, and what shall operate the new ones."""

    def __init__(
        self,
        keys: Mapping[str, Bitting],
        cylinders: Mapping[str, Sequence[str]],
        operators: Mapping[str, Sequence[str]],
        shearing: Collection[Sequence[Collection[int]]],
    ) -> None:
        self.operators = operators
        self.keys: dict[str, Bitting] = {}
        self.places: dict[str, int] = {}
        self.taken: set[Bitting] = set()
        self.issued, self.cylinders = StackIndex(), StackIndex(shearing)
        for symbol, bitting in keys.items():
            self.issue(symbol, bitting)
        for meant in cylinders.values():
            self.cylinders.add(self.stack(meant))

    def stack(self, symbols: Iterable[str]) -> list[set[int]]:
        """The depths that shear in each chamber of a cylinder with these keys."""
        return [set(cuts) for cuts in zip(*(self.keys[symbol] for symbol in symbols), strict=True)]

    def issue(self, symbol: str, bitting: Bitting, cylinders: Iterable[str] = ()) -> None:
        """Have a key, and the new cylinders that it completes."""
        self.keys[symbol] = bitting
        self.places[symbol] = self.issued.count
        self.taken.add(bitting)
        self.issued.add([(cut,) for cut in bitting])
        for cylinder in cylinders:
            self.cylinders.add(self.stack(self.operators[cylinder]))

    def is_free(self, bitting: Bitting) -> bool:
        """Whether a bitting is not issued and operates no cylinder."""
        return bitting not in self.taken and not self.cylinders.meeting([(cut,) for cut in bitting])

    def bits(self, symbols: Iterable[str]) -> int:
        """These keys, as `issued` knows them; those that are not issued yet are left out."""
        return sum(1 << self.places[symbol] for symbol in symbols if symbol in self.places)

    def strangers(self, stack: Sequence[Collection[int]], symbols: Iterable[str]) -> list[str]:
        """The keys that operate a cylinder in which these depths shear, other than those meant to."""
        names = list(self.places)
        return [names[place] for place in _ones(self.issued.meeting(stack) & ~self.bits(symbols))]


def _ones(bits: int) -> Iterator[int]:
    """The places of the bits that are set."""
    while bits:
        yield (bits & -bits).bit_length() - 1
        bits &= bits - 1


@dataclass(frozen=True, slots=True)
class BittingSearch:
    """A bitting for each new key, or how the search ended and what clashes, in numbers of the matrix."""

    bittings: dict[str, Bitting] | None = field(repr=False)
    solution: MatrixSolution
    matrix: AccessMatrix = field(repr=False)


def search_bittings(
    spec: BittingSpec,
    pattern: Bitting,
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    new_keys: Sequence[str],
    new_cylinders: Mapping[str, Sequence[str]],
    rng: Random,
    *,
    avoid: AbstractSet[Bitting] = frozenset(),
    shearing: Collection[Sequence[Collection[int]]] = (),
    seconds: float = SECONDS,
    on_progress: Progress | None = None,
) -> BittingSearch:
    """Find a bitting for each new key, all different and unlike `keys`, so that nothing unintended operates.

    `pattern` is a bitting of the system's parity. The new keys operate the new cylinders as listed and no other, and
    none of `shearing`, per chamber the depths that shear; no key operates a new cylinder that does not list it. What
    operates in service that should not is left as it is.
    """
    start = by_the_clock()
    given = _GivenSystem(keys, cylinders, new_keys, new_cylinders, shearing)
    pool = BittingPool.of(spec, pattern, rng)
    matrix = given.matrix()
    if pool.is_whole:
        clash = given.clash(pool, avoid, start + seconds * 0.5)
        if clash is not None:
            never = MatrixSolution(Outcome.IMPOSSIBLE, None, (), clash, False, by_the_clock() - start)
            return BittingSearch(None, never, matrix)
    found = given.place(pool, rng, avoid, start + seconds * 0.7)
    outcome = MatrixSolution(Outcome.SOLVED, None, (), None, False, by_the_clock() - start)
    left = start + seconds - by_the_clock()
    if found is None and len(matrix.keys) * len(matrix.cylinders) > left * _PAIRS_A_SECOND:
        outcome = replace(outcome, outcome=Outcome.NOT_IN_TIME)  # the time would be over before the solver began
    elif found is None:
        fixed, sound = dict(enumerate(keys.values())), next(iter(pool.rows.tolist()), pattern)
        outcome = solve_matrix(
            spec,
            tuple(sound),
            matrix,
            rng,
            fixed=fixed,
            avoid={*avoid, *keys.values()},
            seconds=left,
            on_progress=on_progress,
        )
        if outcome.outcome is Outcome.SOLVED and outcome.bittings is not None:
            found = dict(zip(new_keys, outcome.bittings[len(keys) :], strict=True))
            if not given.is_clean(spec, found):  # it knows of no cylinder beyond the matrix
                found, outcome = None, replace(outcome, outcome=Outcome.NOT_IN_TIME)
    return BittingSearch(found, outcome, matrix)


class _GivenSystem:
    """What is in service and what is wanted."""

    def __init__(
        self,
        keys: Mapping[str, Bitting],
        cylinders: Mapping[str, Sequence[str]],
        new_keys: Sequence[str],
        new_cylinders: Mapping[str, Sequence[str]],
        shearing: Collection[Sequence[Collection[int]]],
    ) -> None:
        self.keys, self.cylinders, self.shearing = keys, cylinders, shearing
        self.new_keys, self.new_cylinders = new_keys, new_cylinders
        self.cylinders_of = {
            symbol: [name for name, meant in new_cylinders.items() if symbol in meant] for symbol in new_keys
        }
        # A key of many cylinders, a master, comes first: each of its cylinders is complete with its last key.
        self.order = sorted(new_keys, key=lambda symbol: -len(self.cylinders_of[symbol]))
        self.completes: dict[str, list[str]] = {symbol: [] for symbol in new_keys}
        for name, meant in new_cylinders.items():
            if last := [symbol for symbol in self.order if symbol in meant][-1:]:
                self.completes[last[0]].append(name)

    def grown(self) -> GrowingSystem:
        """The system in service, with the new cylinders that no new key operates."""
        system = GrowingSystem(self.keys, self.cylinders, self.new_cylinders, self.shearing)
        for meant in self.new_cylinders.values():
            if all(symbol in self.keys for symbol in meant):
                system.cylinders.add(system.stack(meant))
        return system

    def takes(self, system: GrowingSystem, symbol: str, bitting: Bitting) -> bool:
        """Whether a key can have a bitting beside all that stands, the cylinders that it completes too."""
        if not system.is_free(bitting):
            return False
        for name in self.completes[symbol]:
            meant = self.new_cylinders[name]
            stack = [{cut} for cut in bitting]
            for other in meant:
                if other != symbol:
                    for depths, cut in zip(stack, system.keys[other], strict=True):
                        depths.add(cut)
            if system.issued.meeting(stack) & ~system.bits(meant):
                return False
        return True

    def others(self, system: GrowingSystem, symbol: str) -> list[Bitting]:
        """The keys that are known by now of those that operate a new key's cylinders besides it."""
        meant = (one for name in self.cylinders_of[symbol] for one in self.new_cylinders[name])
        return [system.keys[one] for one in dict.fromkeys(meant) if one in system.keys]

    def fellows(self, system: GrowingSystem, symbol: str) -> list[Bitting]:
        """Bittings whose cuts a new key had best have: of keys in service in cylinders such as its own.

        A change under a new master has those of other masters' changes, moved under its own. Of a master, or what
        stands in a master's place, they are the masters below the same keys, and these keys.
        """
        own = [{*self.new_cylinders[name]} for name in self.cylinders_of[symbol]]
        above = set.intersection(*own) - {symbol} if own else set()
        lists = [set(meant) for meant in self.cylinders.values()]
        if len(own) == 1:
            beside = [meant - above for meant in lists if above <= meant]
            if like := [self.keys[one] for rest in beside if len(rest) == 1 for one in rest]:
                return like
        count = Counter(one for meant in lists for one in meant)
        there = {one for one in above if one in self.keys}
        if len(own) == 1 and len(above - there) == 1 and (above - there) <= system.keys.keys():
            new = system.keys[next(iter(above - there))]
            pairs = (meant - there for meant in lists if there <= meant)
            ranked = [sorted(pair, key=lambda one: count[one]) for pair in pairs if len(pair) == 2]
            return [
                tuple(
                    here if cut == old else cut
                    for cut, old, here in zip(self.keys[c], self.keys[m], new, strict=True)
                )
                for c, m in ranked
            ]
        astray = {one for meant in lists if not there <= meant for one in meant}
        under = {one for name, meant in self.cylinders.items() if name in meant for one in meant if one != name}
        masters = [one for one, times in count.items() if (times > 1 or one in under) and one not in astray | there]
        return [self.keys[one] for one in (*masters, *there)] if masters else []

    def place(
        self, pool: BittingPool, rng: Random, avoid: AbstractSet[Bitting], until: float
    ) -> dict[str, Bitting] | None:
        """Give each key the first bitting that it can have, in some orders; None where none of them does for all."""
        for turn in range(TURNS):
            system = self.grown()
            system.taken |= avoid
            runs: dict[object, PoolRun] = {}
            if turn:
                pool = pool.shuffled(rng)
            for symbol in self.order:
                own = self.cylinders_of[symbol]
                alike = frozenset(self.new_cylinders[own[0]]) - {symbol} if len(own) == 1 else symbol
                if alike not in runs:
                    like = self.fellows(system, symbol)
                    run = pool if turn % 2 else pool.beside(self.others(system, symbol), like)
                    in_time = takewhile(lambda _: by_the_clock() <= until, run)
                    runs[alike] = PoolRun(in_time, like, 1 if turn else LEAST_APART)
                bitting = runs[alike].take(partial(self.takes, system, symbol))
                if by_the_clock() > until:
                    return None
                if bitting is None:
                    break
                system.issue(symbol, bitting, self.completes[symbol])
            else:
                return {symbol: system.keys[symbol] for symbol in self.new_keys}
        return None

    def clash(self, pool: BittingPool, avoid: AbstractSet[Bitting], until: float) -> Clash | None:
        """What keeps a new key from every bitting of the pool, were it the only new one; None where nothing does.

        Only its cylinders without another new key are looked at.
        """
        system = self.grown()
        system.taken |= avoid
        seen = set()
        for symbol in self.new_keys:
            alone = {
                name: meant
                for name, meant in self.new_cylinders.items()
                if symbol in meant and all(one == symbol or one in self.keys for one in meant)
            }
            kind = frozenset(frozenset(meant) - {symbol} for meant in alone.values())
            if kind in seen:
                continue
            seen.add(kind)
            lone = _GivenSystem(self.keys, self.cylinders, [symbol], alone, self.shearing)
            for bitting in pool:
                if lone.takes(system, symbol, bitting):
                    break
                if by_the_clock() > until:
                    return None
            else:
                return lone.reasons(system, pool, symbol)
        return None

    def reasons(self, system: GrowingSystem, pool: BittingPool, symbol: str) -> Clash:
        """Name the cylinders that most bittings turn and the keys that they let in."""
        turned: Counter[str] = Counter()
        let_in: Counter[str] = Counter()
        allowed, names = 0, [*[""] * len(self.shearing), *self.cylinders]
        for bitting in islice(pool, _LOOKED_AT):
            allowed += 1
            places = _ones(system.cylinders.meeting([(cut,) for cut in bitting]))
            turned.update(names[place] for place in places if place < len(names) and names[place])
            for meant in self.new_cylinders.values():
                others = [system.keys[one] for one in meant if one != symbol]
                let_in.update(system.strangers([set(cuts) for cuts in zip(bitting, *others, strict=True)], meant))
        doors, holders = [name for name, _ in turned.most_common(4)], [key for key, _ in let_in.most_common(4)]
        told = [f"turns a cylinder in service ({', '.join(doors)})"] if doors else []
        told += [f"lets a key in ({', '.join(holders)})"] if holders else []
        sentence = (
            f"No bitting is left for {short_name(symbol)}: each that the spec allows "
            + " or ".join(["is issued", *told])
            + "."
            if allowed
            else f"No bitting of the spec can be given to {short_name(symbol)}."
        )
        rows, columns = [*self.keys, symbol], [*self.cylinders, *self.new_cylinders]
        numbers = tuple(rows.index(one) for one in [symbol, *holders])
        return Clash(numbers, tuple(columns.index(name) for name in doors), sentence)

    def matrix(self) -> AccessMatrix:
        """One row a key and one column a cylinder, those in service first; keys that open the same stay apart.

        Whatever operates a cylinder in service is listed there, meant or not: nothing about it can change.
        """
        symbols = [*self.keys, *self.new_keys]
        number = {symbol: row for row, symbol in enumerate(symbols)}
        system = GrowingSystem(self.keys, self.cylinders, {}, ())
        columns = [
            (name, [*meant, *system.strangers(system.stack(meant), meant)]) for name, meant in self.cylinders.items()
        ]
        columns += [(name, list(meant)) for name, meant in self.new_cylinders.items()]
        # A cylinder of its own that no other new key operates keeps a key unlike the others.
        columns += [
            (symbol, [symbol])
            for symbol in self.new_keys
            if not any(
                sum(one in number and one not in self.keys for one in self.new_cylinders[name]) == 1
                for name in self.cylinders_of[symbol]
            )
        ]
        opens: list[set[int]] = [set() for _ in symbols]
        for column, (_, operators) in enumerate(columns):
            for symbol in operators:
                opens[number[symbol]].add(column)
        return AccessMatrix(
            tuple(KeyGroup((symbol,), frozenset(opened)) for symbol, opened in zip(symbols, opens, strict=True)),
            tuple(DoorGroup((name,), tuple(number[one] for one in meant)) for name, meant in columns),
        )

    def is_clean(self, spec: BittingSpec, found: Mapping[str, Bitting]) -> bool:
        """Whether bittings that were found otherwise can stand together."""
        system = self.grown()
        for symbol in self.order:
            if not spec.allows(found[symbol]) or not self.takes(system, symbol, found[symbol]):
                return False
            system.issue(symbol, found[symbol], self.completes[symbol])
        return True


@dataclass(frozen=True, slots=True)
class AddedCylinder:
    """A cylinder to add: its symbol, and the keys that operate it. Its own key is new where there is none yet."""

    symbol: str
    operators: tuple[str, ...]


def add_cylinders(
    spec: BittingSpec,
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    added: Sequence[AddedCylinder],
    rng: Random,
    *,
    seconds: float = SECONDS,
) -> dict[str, Bitting]:
    """Give a bitting for each new key of the added cylinders; the keys in service stay as they are.

    Raises Problems or KeyingError that names what clashes: `add[2].operators`, `rules`, or `add`.

    >>> spec = BittingSpec(chambers=4, depths=6, macs=5, step=2)
    >>> keys = {"AA": (1, 1, 1, 1), "1AA": (3, 3, 3, 3)}
    >>> added = add_cylinders(spec, keys, {"1AA": ["1AA", "AA"]}, [AddedCylinder("2AA", ("2AA", "AA"))], Random(1))
    >>> list(added), {cut % 2 for cut in added["2AA"]}
    (['2AA'], {1})
    """
    start = by_the_clock()
    check_system(keys, cylinders)
    new_keys = _read_added(keys, added)
    _refuse_known_clashes(keys, cylinders, added)
    operated = Counter(symbol for meant in cylinders.values() for symbol in meant)
    pattern = keys[max(keys, key=lambda symbol: operated[symbol])]
    new_cylinders = {one.symbol: one.operators for one in added}

    def search(rules: BittingRules, limit: float) -> BittingSearch:
        ruled = replace(spec, rules=rules)
        return search_bittings(ruled, pattern, keys, cylinders, new_keys, new_cylinders, rng, seconds=limit)

    found = search(spec.rules, seconds)
    if found.bittings is not None:
        return found.bittings
    names = spec.rules.names
    for name in names:
        left = start + seconds - by_the_clock()
        loose = spec.rules.only([one for one in names if one != name])
        if left > 0 and search(loose, left / len(names)).bittings is not None:
            raise KeyingError("rules", f"No bittings obey these rules; without {name} there are some: loosen it.")
    raise KeyingError(*_what_clashes(found, added, seconds))


def _read_added(keys: Mapping[str, Bitting], added: Sequence[AddedCylinder]) -> list[str]:
    """Give the symbols of the new keys; Problems for what can be no cylinder."""
    new_keys = [one.symbol for one in added if one.symbol in one.operators and one.symbol not in keys]
    problems = [] if added else [Problem("add", "Name at least one cylinder to add.")]
    seen: set[str] = set()
    for number, one in enumerate(added, start=1):
        if one.symbol in seen:
            problems.append(Problem(f"add[{number}].symbol", f"{short_name(one.symbol)} stands twice: name it anew."))
        seen.add(one.symbol)
        if not one.operators:
            problems.append(Problem(f"add[{number}].operators", "Name at least one key that operates this cylinder."))
        unknown = [short_name(key) for key in dict.fromkeys(one.operators) if key not in keys and key not in new_keys]
        if unknown:
            told = (
                f"There is no key {', '.join(unknown[:MOST_NAMED])}, neither in service nor new: a new key is listed "
            )
            problems.append(Problem(f"add[{number}].operators", told + "by a cylinder of its own symbol."))
    if problems:
        raise Problems(problems)
    return new_keys


def _refuse_known_clashes(
    keys: Mapping[str, Bitting], cylinders: Mapping[str, Sequence[str]], added: Sequence[AddedCylinder]
) -> None:
    """Refuse cylinders that leave masters out, or that the keys in service already let somebody into."""
    over = _Standing(keys, cylinders, added)
    system = GrowingSystem(keys, {}, {}, ())
    problems = []
    for number, one in enumerate(added, start=1):
        fixed = [key for key in one.operators if key in keys]
        left_out = over.left_out(one.operators)
        strangers = system.strangers(system.stack(fixed), fixed) if fixed else []
        told = []
        if left_out:
            told.append(
                f"is crossed without the masters over its keys, whose cuts come in: list {_few(left_out)} too"
            )
        if others := [key for key in strangers if key not in left_out]:
            told.append(f"lets {_few(others)} in by the cuts of its keys: list what comes in, or leave a key out")
        if told:
            problems.append(Problem(f"add[{number}].operators", f"{short_name(one.symbol)} {'; it '.join(told)}."))
    if problems:
        raise Problems(problems)


class _Standing:
    """Which keys stand over which: by the cylinders that they operate, and by their symbols."""

    def __init__(
        self, keys: Mapping[str, Bitting], cylinders: Mapping[str, Sequence[str]], added: Sequence[AddedCylinder]
    ) -> None:
        self.keys = keys
        self.levels = levels_by([*keys, *(one.symbol for one in added)])
        self.opened = _opened(cylinders)
        self.opened_new = _opened({one.symbol: one.operators for one in added})
        # Who opens all that two or more other keys open is a master, where keys do not cross.
        below = _keys_below(self.opened)
        self.masters_by_doors = {key for key, mine in self.opened.items() if below.get(mine, 0) > 1}
        by_symbol = {
            above
            for key, mine in self.opened.items()
            for above in self.ancestors(key)
            if mine <= self.opened.get(above, frozenset())
        }
        self.masters = self.masters_by_doors | by_symbol

    def over(self, key: str) -> set[str]:
        """The keys in service over one in service."""
        mine, none = self.opened.get(key, frozenset()), frozenset[str]()
        above = {
            other for other in self.ancestors(key) if other in self.keys and mine <= self.opened.get(other, none)
        }
        return above | {other for other in self.masters_by_doors if mine and mine < self.opened[other]}

    def ancestors(self, symbol: str) -> list[str]:
        """The symbols over one by the standard key coding, nearest first; none of one that is no standard symbol."""
        found: list[str] = []
        with suppress(KeyingError):
            while (above := read_symbol(found[-1] if found else symbol, levels=self.levels).parent) is not None:
                found.append(above)
        return found

    def is_over(self, other: str, key: str) -> bool:
        """Whether `other` stands over `key`, new or not."""
        if key in self.keys:
            return other in self.over(key)
        mine, theirs = self.opened_new[key], self.opened_new[other]
        return mine <= theirs and (mine < theirs or other in self.masters or other in self.ancestors(key))

    def left_out(self, operators: Sequence[str]) -> list[str]:
        """The masters that a cylinder of these keys has to have besides; none where it is not crossed."""
        crossed = any(
            not self.is_over(one, other) and not self.is_over(other, one) for one, other in combinations(operators, 2)
        )
        needed = {above for key in operators if crossed and key in self.keys for above in self.over(key)}
        return [key for key in self.keys if key in needed and key not in operators]


def _keys_below(opened: Mapping[str, frozenset[str]]) -> dict[frozenset[str], int]:
    """For each set of cylinders that a key opens, how many keys open part of it; nothing where keys cross."""
    keys = Counter(opened.values())
    smallest: dict[str, frozenset[str]] = {}  # the smallest set so far with a cylinder
    above: dict[frozenset[str], frozenset[str] | None] = {}
    by_size = sorted(keys, key=len, reverse=True)
    for mine in by_size:
        over = {smallest.get(cylinder) for cylinder in mine}
        if len(over) > 1:
            return {}
        above[mine] = next(iter(over), None)
        smallest.update(dict.fromkeys(mine, mine))
    below: dict[frozenset[str], int] = {}
    for mine in reversed(by_size):
        if (over_it := above[mine]) is not None:
            below[over_it] = below.get(over_it, 0) + below.get(mine, 0) + keys[mine]
    return below


def _few(symbols: Sequence[str]) -> str:
    return ", ".join(map(short_name, symbols[:MOST_NAMED])) + (" and more" if len(symbols) > MOST_NAMED else "")


def _opened(cylinders: Mapping[str, Sequence[str]]) -> dict[str, frozenset[str]]:
    found: dict[str, set[str]] = {}
    for name, meant in cylinders.items():
        for key in meant:
            found.setdefault(key, set()).add(name)
    return {key: frozenset(names) for key, names in found.items()}


def _what_clashes(found: BittingSearch, added: Sequence[AddedCylinder], seconds: float) -> tuple[str, str]:
    """The field and the sentence of a search that found nothing."""
    clash = found.solution.clash
    if clash is None:
        unwanted = [
            f"{found.matrix.keys[key].holders[0]} in {found.matrix.cylinders[cylinder].doors[0]}"
            for key, cylinder in found.solution.unwanted[:MOST_NAMED]
        ]
        still = f" The best so far still lets {', '.join(unwanted)}." if unwanted else ""
        return "add", f"No bittings were found in {seconds:g} seconds: allow more time, or add fewer.{still}"
    named = {holder for key in clash.keys for holder in found.matrix.keys[key].holders}
    named |= {door for number in clash.cylinders for door in found.matrix.cylinders[number].doors}
    numbers = [number for number, one in enumerate(added, start=1) if one.symbol in named]
    return f"add[{numbers[0]}].operators" if len(numbers) == 1 else "add", clash.sentence
