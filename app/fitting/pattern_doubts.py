"""How sure each piece of a learned pattern is, and in words why it is not surer."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from app.fitting.learned_pattern import LearnedPattern
from app.fitting.number_parts import NumberPart
from app.fitting.price_list_table import PriceListTable

MOST_READ_TWICE = 160  # numbers are read again for that many rows
_Doubt = tuple[float, str]


def with_doubts(table: PriceListTable, parts: Sequence[NumberPart], pattern: LearnedPattern) -> LearnedPattern:
    """The pattern with how sure each piece is; `parts` are what its segments were made of."""
    doubts: list[list[_Doubt]] = [[] for _ in parts]
    names = [segment.name for segment in pattern.segments]
    for index, part in enumerate(parts):
        if not part.has_words:
            doubts[index].append((0.4, "No words tell this piece: its borders are a guess."))
            continue
        codes = pattern.segments[index].codes
        once = [code for code in codes if pattern.segments[index].times.get(code, 0) == 1]
        if once:
            doubts[index].append((1 - 0.4 * len(once) / len(codes), f"In one number only: {', '.join(once[:8])}."))
        for other in range(index):
            if parts[other].has_words and _vary_together(table, part.column, parts[other].column):
                for one, another in ((index, other), (other, index)):
                    text = f"It always varies with {names[another]}: which characters belong to which cannot be told."
                    doubts[one].append((0.3, text))
    for left, right in pairwise(range(len(parts))):
        segment = pattern.segments[right]
        if not segment.before and not segment.separator and _border_may_move(table, parts[left], parts[right]):
            doubts[left].append((0.5, f"Where it ends and {names[right]} begins cannot be told."))
            doubts[right].append((0.5, f"Where {names[left]} ends and it begins cannot be told."))
    for index, number in _read_twice(table, pattern).items():
        doubts[index].append((0.5, f"{number} can be read in two ways."))
    segments = []
    for segment, found in zip(pattern.segments, doubts, strict=True):
        sure = 1.0
        for share, _ in found:
            sure *= share
        segments.append(replace(segment, sure=round(sure, 2), doubts=tuple(text for _, text in found)))
    return replace(pattern, segments=tuple(segments))


def _vary_together(table: PriceListTable, one: int, other: int) -> bool:
    """Whether each value of one column goes with one of the other, and the other way about."""
    pairs = {(table.columns[one][row], table.columns[other][row]) for row in table.base}
    return len(pairs) == len({first for first, _ in pairs}) == len({second for _, second in pairs})


def _border_may_move(table: PriceListTable, left: NumberPart, right: NumberPart) -> bool:
    """Whether a character at the border of two pieces could as well belong to the other one."""
    if not left.has_words or not right.has_words:
        return False
    for giver, taker, place in ((left, right, -1), (right, left, 0)):
        goes_with: dict[int, set[str]] = {}
        for row in table.base:
            code = giver.codes.get(table.columns[giver.column][row], "")
            value = table.columns[taker.column][row]
            if code and taker.codes.get(value):
                goes_with.setdefault(value, set()).add(code[place])
        told = [character for each in goes_with.values() for character in each]
        if len(told) == len(goes_with) and len(set(told)) > 1:
            return True
    return False


def _read_twice(table: PriceListTable, pattern: LearnedPattern) -> dict[int, str]:
    """The pieces that some number of the list can be read with in two ways, and the first such number."""
    found: dict[int, str] = {}
    for number in table.numbers[:MOST_READ_TWICE]:
        ways = pattern.ways(number)
        for index, codes in enumerate(zip(*ways, strict=True) if len(ways) > 1 else ()):
            if len(set(codes)) > 1:
                found.setdefault(index, number)
    return found
