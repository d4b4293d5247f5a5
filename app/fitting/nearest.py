"""The legal part number nearest to a mistyped one, by edits, and the shortest one that begins as typed so far."""

import heapq
from dataclasses import dataclass
from itertools import count

from app.fitting.patterns import Pattern, SegmentChoice, merge, without_separators

MOST_STEPS = 20_000
Row = list[int]
# least cost through here, segments filled (negative: deeper first), order, row so far, choices, attributes
_Step = tuple[int, int, int, Row, tuple[SegmentChoice, ...], dict[str, str]]


@dataclass(frozen=True, slots=True)
class Nearest:
    """A legal number, its pieces by segment ('' when left out) and how many edits away it is."""

    part_number: str
    pieces: tuple[str, ...]
    distance: int


@dataclass(frozen=True, slots=True)
class Completion:
    """A legal number that begins as typed; `index` is the segment that is next, `begun` what of it is there."""

    part_number: str
    index: int
    begun: str


def _further(row: Row, piece: str, text: str) -> Row:
    """Edit-distance row after `piece`: entry p is the cost of having used text[:p]."""
    for letter in piece:
        fresh = [row[0] + 1]
        for place, given in enumerate(text):
            fresh.append(min(row[place] + (letter != given), row[place + 1] + 1, fresh[place] + 1))
        row = fresh
    return row


def _cost_to_end(pattern: Pattern, text: str) -> list[Row]:
    """For each segment and place in the text, the least edits to finish from there, rules aside."""
    length = len(text)
    mirrored = text[::-1]
    rows = [[length - place for place in range(length + 1)]]
    for segment in reversed(pattern.segments):
        after = rows[-1][::-1]
        least = [10**6] * (length + 1)
        for piece in {choice.text for choice in segment.choices}:
            row = _further(after, piece[::-1], mirrored)
            least = [min(pair) for pair in zip(least, row, strict=True)]
        rows.append(least[::-1])
    return rows[::-1]


def nearest_number(pattern: Pattern, text: str) -> Nearest | None:
    """The legal number with the fewest edits from `text`; None when none is found in a bounded search.

    Best-first over the segments with the exact rest cost as its guide, so without rules it walks straight to
    the answer; rules only turn branches away.
    """
    rest = _cost_to_end(pattern, text)
    order = count()
    start: Row = list(range(len(text) + 1))
    queue: list[_Step] = [(rest[0][0], 0, next(order), start, (), {})]
    steps = 0
    while queue and steps < MOST_STEPS:
        cost, depth, _number, row, written, values = heapq.heappop(queue)
        index = -depth
        if index == len(pattern.segments):
            return Nearest("".join(c.text for c in written), tuple(c.piece for c in written), cost)
        for choice in pattern.segments[index].choices:
            steps += 1
            merged = merge(values, choice)
            if merged is None or any(rule.broken_by(merged) for rule in pattern.rules_after[index]):
                continue
            further = _further(row, choice.text, text)
            least = min(here + there for here, there in zip(further, rest[index + 1], strict=True))
            heapq.heappush(queue, (least, depth - 1, next(order), further, (*written, choice), merged))
    return None


def completed_number(pattern: Pattern, text: str) -> Completion | None:
    """The shortest legal number that begins with `text`, separators aside; None when none is found in a bounded
    search, or when `text` is a whole number already.

    A number that is being typed is half there, and by edits alone quite another number can be nearer to it.
    """
    bare = without_separators(text)
    if not bare:
        return None
    ends = [0]
    for segment in reversed(pattern.segments):
        ends.append(ends[-1] + min(len(each) for each in segment.by_text))
    ends.reverse()  # ends[i]: the fewest characters that the segments from i on take
    order = count()
    queue: list[tuple[int, int, int, str, tuple[SegmentChoice, ...], dict[str, str]]] = [
        (ends[0], 0, next(order), "", (), {})
    ]
    steps = 0
    while queue and steps < MOST_STEPS:
        _, depth, _, said, written, values = heapq.heappop(queue)
        index = -depth
        if index == len(pattern.segments):
            if len(said) > len(bare):
                return _completion(written, bare)
            continue
        for choice in pattern.segments[index].choices:
            steps += 1
            longer = said + choice.bare
            merged = merge(values, choice) if longer.startswith(bare) or bare.startswith(longer) else None
            if merged is None or any(rule.broken_by(merged) for rule in pattern.rules_after[index]):
                continue
            taken = (*written, choice)
            least = sum(len(each.text) for each in taken) + ends[index + 1]
            heapq.heappush(queue, (least, depth - 1, next(order), longer, taken, merged))
    return None


def _completion(written: tuple[SegmentChoice, ...], bare: str) -> Completion:
    place = index = 0
    while place + len(written[index].bare) <= len(bare):
        place += len(written[index].bare)
        index += 1
    return Completion("".join(each.text for each in written), index, bare[place:])
