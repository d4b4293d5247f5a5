"""The legal part number nearest to a mistyped one, by edits (a letter added, dropped or changed)."""

from __future__ import annotations

__all__ = ["Nearest", "nearest_number"]

import heapq
from dataclasses import dataclass
from itertools import count

from app.fitting.patterns import Choice, Pattern, merge

MOST_STEPS = 20_000
Row = list[int]
# least cost through here, segments filled (negative: deeper first), order, row so far, choices, attributes
_Step = tuple[int, int, int, Row, tuple[Choice, ...], dict[str, str]]


@dataclass(frozen=True, slots=True)
class Nearest:
    """A legal number, its pieces by segment ('' when left out) and how many edits away it is."""

    part_number: str
    pieces: tuple[str, ...]
    distance: int


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
