"""The parts of a maker's numbers while they are worked out: what varies, and the fixed characters between."""

import re
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field, replace

from app.fitting.number_pieces import ABSENT
from app.fitting.patterns import SEPARATORS

NO_COLUMN = -1
_LEFT_OUT = re.compile(
    r"(?:no|not|none|without|w/o|less|omit|omitted|standard|regular|plain|n/a)\b|-+$", re.IGNORECASE
)


@dataclass(slots=True)
class NumberPart:
    """A part of the numbers: fixed `text`, or a piece with `codes` by the value of its column of words; one that no
    words tell has NO_COLUMN and its codes in any order. `seen` has the values that the list has in the column."""

    text: str = ""
    column: int = NO_COLUMN
    codes: dict[int, str] = field(default_factory=dict)
    varies: bool = False
    seen: frozenset[int] = frozenset()

    @property
    def has_words(self) -> bool:
        """Whether a column of words tells the piece."""
        return self.column != NO_COLUMN

    @property
    def written(self) -> set[str]:
        """All that it is written as, "" where it can be left out."""
        return set(self.codes.values()) | ({""} if ABSENT in self.seen else set())

    def rewritten(self, turn: Callable[[str], str]) -> "NumberPart":
        """The part with each code turned into another."""
        return replace(self, codes={value: turn(code) for value, code in self.codes.items()})


def shared_beginning(codes: Collection[str]) -> str:
    """What all codes begin with.

    >>> shared_beginning(["Q12", "Q1", "Q15"])
    'Q1'
    """
    first, last = min(codes, default=""), max(codes, default="")
    length = 0
    while length < min(len(first), len(last)) and first[length] == last[length]:
        length += 1
    return first[:length]


def shared_end(codes: Collection[str]) -> str:
    """What all codes end with."""
    return shared_beginning([code[::-1] for code in codes])[::-1]


def tidied(parts: Sequence[NumberPart], meanings: Sequence[Sequence[str]]) -> list[NumberPart]:
    """The parts with fixed characters where a person would put them: separators apart and in front of what may be
    left out, no half codes. `meanings` are the columns' words by value."""
    apart: list[NumberPart] = []
    for part in parts:
        if not part.varies:
            _add_fixed(apart, part.text)
            continue
        front = shared_beginning(part.written)
        back = shared_end([code[len(front) :] for code in part.written])
        _add_fixed(apart, front)
        if part.written != {front}:  # else it does not vary after all
            apart.append(part.rewritten(_cut(len(front), len(back))))
            _add_fixed(apart, back)
    for part in [part for part in apart if part.varies and "" in part.written]:
        _turn_separator(apart, next(index for index, each in enumerate(apart) if each is part))
    _attach(apart, meanings)
    return [part for part in apart if part.varies or part.text]


def _cut(front: int, back: int) -> Callable[[str], str]:
    return lambda code: code[front : len(code) - back]


def _followed_by(text: str) -> Callable[[str], str]:
    return lambda code: code + text


def _add_fixed(parts: list[NumberPart], text: str) -> None:
    if parts and not parts[-1].varies:
        parts[-1].text += text
    else:
        parts.append(NumberPart(text))


def _turn_separator(parts: list[NumberPart], index: int) -> None:
    """Of `-K-01` and `-01`: what may be left out is `-K`, not `K-`."""
    part, before = parts[index], parts[index - 1]
    codes = [code for code in part.written if code]
    back = shared_end(codes)
    mark = back[len(back.rstrip(SEPARATORS)) :]
    if mark and not before.varies and before.text.endswith(mark) and all(len(code) > len(mark) for code in codes):
        before.text = before.text[: -len(mark)]
        parts[index] = part.rewritten(lambda code: mark + code[: -len(mark)] if code else "")
        if index + 1 < len(parts) and not parts[index + 1].varies:
            parts[index + 1].text = mark + parts[index + 1].text
        else:
            parts.insert(index + 1, NumberPart(mark))


def _attach(parts: list[NumberPart], meanings: Sequence[Sequence[str]]) -> None:
    """Give each code back the fixed characters that look like a part of it: the 6 of 605, 613 and 626."""
    varying = [index for index, part in enumerate(parts) if part.varies]
    # A piece of which one code is nothing needs them most.
    for index in sorted(varying, key=lambda index: "" not in parts[index].written):
        part = parts[index]
        has_nothing = "" in part.written
        if has_nothing and _may_be_left_out(part, meanings):
            continue
        before = parts[index - 1] if index and not parts[index - 1].varies else None
        behind = parts[index + 1] if index + 1 < len(parts) and not parts[index + 1].varies else None
        if before and (run := _last_run(before.text)):
            is_mark = index == 1 and run == before.text and run.isalpha()  # letters at the beginning are the maker's
            is_field = before.text[: -len(run)][-1:] in tuple(SEPARATORS)  # the Q of -Q1, -Q2 and -Q3
            alike = {_kind(code[:1]) for code in part.written} == {_kind(run[0])}
            if has_nothing or is_field or (alike and not is_mark):
                before.text = before.text[: -len(run)]
                part = parts[index] = part.rewritten(run.__add__)
        lacks = "" in part.written
        run = _last_run(behind.text[::-1])[::-1] if behind and (lacks or not has_nothing) else ""
        if behind and run and (lacks or {_kind(code[-1:]) for code in part.written} == {_kind(run[0])}):
            behind.text = behind.text[len(run) :]
            parts[index] = part.rewritten(_followed_by(run))


def _may_be_left_out(part: NumberPart, meanings: Sequence[Sequence[str]]) -> bool:
    """Whether the code that is nothing says that the piece is left out."""
    if ABSENT in part.seen or not part.has_words:
        return True
    meaning = next(meanings[part.column][value] for value, code in part.codes.items() if not code)
    return _LEFT_OUT.match(meaning) is not None


def _last_run(text: str) -> str:
    """The letters or the digits that a text ends with."""
    length = 0
    while length < len(text) and _kind(text[-1 - length]) == _kind(text[-1]) != "":
        length += 1
    return text[len(text) - length :] if length else ""


def _kind(character: str) -> str:
    return "9" if character.isdigit() else "A" if character.isalpha() else ""
