"""Is a pattern well-formed: no code twice, numbers that can be told apart, rules that can ever matter."""

from collections import deque
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cache

from app.errors import BitternError, Problem
from app.fitting.composing import any_combination
from app.fitting.patterns import Pattern, PatternRule, Segment, SegmentChoice, merge, pattern_parts, repeated_codes
from app.validation import Reader

MOST_STATES = 100_000
MOST_STEPS = 2_000_000  # a maker's own pattern takes some ten thousand


def check_pattern(pattern: Pattern) -> tuple[Problem, ...]:
    """All problems of a pattern, by segment or rule; empty when it is sound.

    Numbers can be told apart when no two legal combinations that mean different things are written the same;
    that is proved from the codes and the rules, without going through every combination.
    """
    problems = check_parts(pattern.segments, pattern.rules)
    if not any(problem.field.startswith("rules") for problem in problems):
        problems += _possible(pattern)
    problems += _alike(_without_repeated(pattern))
    return tuple(problems)


def check_rest(given: object) -> list[Problem]:
    """Of a pattern whose shape is at fault: what `check_pattern` can say of those parts that can be read."""
    _, segments, rules = pattern_parts(Reader(given))
    return check_parts(segments, rules)


def check_parts(segments: Sequence[Segment | None], rules: Sequence[PatternRule | None]) -> list[Problem]:
    """What is wrong with the segments and rules one by one; None stands for one that could not be read."""
    problems = []
    names: set[str] = set()
    for number, segment in enumerate(segments, 1):
        if segment is None:
            continue
        if segment.name.casefold() in names:
            text = f"Two segments are named '{segment.name}'; rename one."
            problems.append(Problem(f"segments[{number}].name", text))
        names.add(segment.name.casefold())
        problems += repeated_codes(segment.codes, f"segments[{number}].codes", f" in {segment.name}")
    whole = [segment for segment in segments if segment is not None]
    if whole and len(whole) == len(segments):
        problems += _unset(whole, rules)
    return problems


def _without_repeated(pattern: Pattern) -> Pattern:
    """The pattern with each code once: one that stands twice is told, and would be two readings of every number."""
    if not any(repeated_codes(segment.codes, "") for segment in pattern.segments):
        return pattern
    first = [{code.code.upper(): code for code in reversed(segment.codes)} for segment in pattern.segments]
    segments = zip(pattern.segments, first, strict=True)
    return replace(
        pattern, segments=tuple(replace(one, codes=tuple(reversed(codes.values()))) for one, codes in segments)
    )


def _unset(segments: Sequence[Segment], rules: Sequence[PatternRule | None]) -> list[Problem]:
    can: dict[str, set[str]] = {}
    for segment in segments:
        for choice in segment.choices:
            for name, value in choice.sets:
                can.setdefault(name, set()).add(value)
    problems = []
    if "type" not in can:
        problems.append(Problem("segments", "Nothing in this pattern says the cylinder's type."))
    for number, rule in enumerate(rules, 1):
        for name, values in (*rule.when, *rule.then) if rule else ():
            for value in values:
                if value and value not in can.get(name, set()):
                    text = f"No code gives {name} '{value}', so this rule says nothing; mend one of them."
                    problems.append(Problem(f"rules[{number}].{name}", text))
    return problems


def _possible(pattern: Pattern) -> list[Problem]:
    try:
        if not any_combination(pattern):
            return [Problem("rules", "The rules forbid every combination; loosen one of them.")]
    except BitternError:
        return [Problem("rules", "The rules forbid so much that no combination was found; loosen one.")]
    return []


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
        self.beginnings: dict[str, list[SegmentChoice]] = {}
        for choice in segment.choices:
            for end in range(len(choice.text) + 1):
                self.beginnings.setdefault(choice.text[:end], []).append(choice)

    def agreeing(self, text: str) -> Iterator[SegmentChoice]:
        """The choices that begin with `text` or that `text` begins with."""
        yield from self.beginnings.get(text, ())
        for end in range(len(text)):
            yield from self.segment.by_text.get(text[:end], ())


def _alike(pattern: Pattern) -> list[Problem]:
    """A problem for each way in which some text has two legal meanings: a search through pairs of readings of one
    text. Texts whose two meanings differ in the same attributes are told once, by the first of them."""
    tables = [_Table(segment) for segment in pattern.segments]
    may_begin = _beginnings(tables)
    watched = frozenset(name for rule in pattern.rules for name in rule.attributes)
    start = _Pair(0, "", False, frozenset(), frozenset())
    queue: deque[tuple[_Pair, str]] = deque([(start, "")])
    seen = {start}
    budget = _Budget(MOST_STEPS)
    found: dict[frozenset[str], str] = {}
    while queue:
        pair, written = queue.popleft()
        if pair.index == len(pattern.segments):
            if not pair.ahead and pair.first != pair.second:
                found.setdefault(frozenset(name for name, _ in pair.first ^ pair.second), written)
            continue
        for following, text in _next(pattern, tables[pair.index], watched, pair, budget):
            if following not in seen and may_begin(following.index, following.ahead):
                seen.add(following)
                queue.append((following, written + text))
        if len(seen) > MOST_STATES or budget.left < 0:
            if found:
                break
            return [Problem("segments", "Too many pieces run together to tell them apart. Add separators.")]
    # Where two ways come together, each of them is told already.
    least = sorted((names for names in found if not any(other < names for other in found)), key=sorted)
    return [
        Problem(
            "segments",
            f"{found[names]} can be read in two ways, by its {' and '.join(sorted(names))}: its pieces cannot be "
            "told apart. Add a separator.",
        )
        for names in least
    ]


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


def _step(pattern: Pattern, index: int, values: Values, choice: SegmentChoice) -> dict[str, str] | None:
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
