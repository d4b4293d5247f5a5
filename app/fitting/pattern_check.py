"""Is a pattern well-formed: no code twice, numbers that can be told apart, rules that can ever matter."""

from __future__ import annotations

__all__ = ["check_pattern"]

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache

from app.errors import BitternError, Problem
from app.fitting.composing import any_combination
from app.fitting.patterns import Choice, Pattern, Segment, merge

MOST_STATES = 100_000
MOST_STEPS = 2_000_000  # a maker's own pattern takes some ten thousand


def check_pattern(pattern: Pattern) -> tuple[Problem, ...]:
    """All problems of a pattern, by segment or rule; empty when it is sound.

    Numbers can be told apart when no two legal combinations that mean different things are written the same;
    that is proved from the codes and the rules, without going through every combination.
    """
    problems = [*_repeated(pattern), *_unset(pattern)]
    if not problems:
        problems.extend(_alike(pattern))
    return tuple(problems)


def _repeated(pattern: Pattern) -> list[Problem]:
    problems = []
    names: set[str] = set()
    for number, segment in enumerate(pattern.segments, 1):
        field = f"segments[{number}]"
        if segment.name.casefold() in names:
            problems.append(Problem(f"{field}.name", f"Two segments are named '{segment.name}'; rename one."))
        names.add(segment.name.casefold())
        seen: dict[str, int] = {}
        for row, code in enumerate(segment.codes, 1):
            key = code.code.upper()
            if key in seen:
                text = f"Code {code.code} stands twice in {segment.name}, in rows {seen[key]} and {row}."
                problems.append(Problem(f"{field}.codes[{row}]", text))
            seen.setdefault(key, row)
    return problems


def _unset(pattern: Pattern) -> list[Problem]:
    can: dict[str, set[str]] = {}
    for segment in pattern.segments:
        for choice in segment.choices:
            for name, value in choice.sets:
                can.setdefault(name, set()).add(value)
    problems = []
    if "type" not in can:
        problems.append(Problem("segments", "Nothing in this pattern says the cylinder's type."))
    for number, rule in enumerate(pattern.rules, 1):
        for name, values in (*rule.when, *rule.then):
            for value in values:
                if value and value not in can.get(name, set()):
                    text = f"No code gives {name} '{value}', so this rule says nothing; mend one of them."
                    problems.append(Problem(f"rules[{number}].{name}", text))
    if problems:
        return problems
    try:
        if not any_combination(pattern):
            problems.append(Problem("rules", "The rules forbid every combination; loosen one of them."))
    except BitternError:
        problems.append(Problem("rules", "The rules forbid so much that no combination was found; loosen one."))
    return problems


Values = frozenset[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class _Pair:
    """Two readings of one text so far: `ahead` is what the first has written more (or the second, if `swap`).

    Only the attributes that a rule looks at or that differ are kept, so that alike pairs fall together.
    """

    index: int
    ahead: str
    swap: bool
    first: Values
    second: Values


class _Table:
    """A segment's choices by every beginning of their text."""

    def __init__(self, segment: Segment) -> None:
        self.segment = segment
        self.beginnings: dict[str, list[Choice]] = {}
        for choice in segment.choices:
            for end in range(len(choice.text) + 1):
                self.beginnings.setdefault(choice.text[:end], []).append(choice)

    def agreeing(self, text: str) -> Iterator[Choice]:
        """The choices that begin with `text` or that `text` begins with."""
        yield from self.beginnings.get(text, ())
        for end in range(len(text)):
            yield from self.segment.by_text.get(text[:end], ())


def _alike(pattern: Pattern) -> list[Problem]:
    """One problem when some text has two legal meanings: a search through pairs of readings of one text."""
    tables = [_Table(segment) for segment in pattern.segments]
    may_begin = _beginnings(tables)
    watched = frozenset(name for rule in pattern.rules for name in rule.attributes)
    start = _Pair(0, "", False, frozenset(), frozenset())
    queue: deque[tuple[_Pair, str]] = deque([(start, "")])
    seen = {start}
    budget = _Budget(MOST_STEPS)
    while queue:
        pair, written = queue.popleft()
        if pair.index == len(pattern.segments):
            if not pair.ahead and pair.first != pair.second:
                text = f"{written} can be read in two ways: its pieces cannot be told apart. Add a separator."
                return [Problem("segments", text)]
            continue
        for following, text in _next(pattern, tables[pair.index], watched, pair, budget):
            if following not in seen and may_begin(following.index, following.ahead):
                seen.add(following)
                queue.append((following, written + text))
        if len(seen) > MOST_STATES or budget.left < 0:
            return [Problem("segments", "Too many pieces run together to tell them apart. Add separators.")]
    return []


def _beginnings(tables: Sequence[_Table]) -> Callable[[int, str], bool]:
    """A test whether the segments from an index on can be written so that they begin with a text, rules aside:
    without it, two readings that parted for good would be followed to the end."""

    @cache
    def may_begin(index: int, text: str) -> bool:
        if not text:
            return True
        if index == len(tables):
            return False
        if text in tables[index].beginnings:
            return True
        pieces = tables[index].segment.by_text
        return any(text[:end] in pieces and may_begin(index + 1, text[end:]) for end in range(len(text)))

    return may_begin


@dataclass(slots=True)
class _Budget:
    """How many pieces may still be held against each other: a page waits for the answer."""

    left: int


def _next(
    pattern: Pattern, table: _Table, watched: frozenset[str], pair: _Pair, budget: _Budget
) -> Iterator[tuple[_Pair, str]]:
    """Each pair of choices that keeps the two texts alike; the longer text's growth comes with it. Ends early with
    the budget."""
    leader, follower = (pair.second, pair.first) if pair.swap else (pair.first, pair.second)
    for chosen in table.segment.choices:
        budget.left -= 1
        if budget.left < 0:
            return
        led = _step(pattern, pair.index, leader, chosen)
        if led is None:
            continue
        long = pair.ahead + chosen.text
        for other in table.agreeing(long):
            budget.left -= 1
            followed = _step(pattern, pair.index, follower, other)
            if followed is None:
                continue
            lead, follow = _kept(led, followed, watched)
            first, second = (follow, lead) if pair.swap else (lead, follow)
            if len(other.text) <= len(long):
                rest, swap = long[len(other.text) :], pair.swap
            else:
                rest, swap = other.text[len(long) :], not pair.swap
            swap = swap and bool(rest)
            grown = max(long, other.text, key=len)[len(pair.ahead) :]
            yield _Pair(pair.index + 1, rest, swap, first, second), grown


def _step(pattern: Pattern, index: int, values: Values, choice: Choice) -> dict[str, str] | None:
    merged = merge(dict(values), choice)
    if merged is None or any(rule.broken_by(merged) for rule in pattern.rules_after[index]):
        return None
    return merged


def _kept(one: dict[str, str], other: dict[str, str], watched: frozenset[str]) -> tuple[Values, Values]:
    differing = {name for name in one.keys() | other.keys() if one.get(name) != other.get(name)}
    keep = watched | differing
    return (
        frozenset(item for item in one.items() if item[0] in keep),
        frozenset(item for item in other.items() if item[0] in keep),
    )
