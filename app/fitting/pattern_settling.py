"""A learned pattern settled by hand, piece by piece: what a piece means, where it ends, what belongs together."""

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from app.errors import BitternError
from app.fitting.cylinder import ATTRIBUTES
from app.fitting.learned_pattern import LearnedPattern, LearnedSegment
from app.fitting.part_numbers import clean_number
from app.fitting.phrase_meanings import sets_of

_BY_HAND = ("Settled by hand.",)


def tell_attribute(pattern: LearnedPattern, index: int, attribute: str | None) -> LearnedPattern:
    """The pattern with what one piece means, None for nothing that a cylinder has; no other piece means the same.

    A code whose words say no value of it has its words as the value, where any text can be one.
    """
    if attribute is not None and attribute not in ATTRIBUTES:
        raise BitternError("attribute", f"Choose one of {', '.join(ATTRIBUTES)}.")
    segments = []
    for place, segment in enumerate(pattern.segments):
        if place == index:
            said = {**segment.codes, **({"": segment.missing} if segment.optional else {})}
            segments.append(replace(segment, attribute=attribute, sets=sets_of(said, attribute)))
        elif attribute is not None and segment.attribute == attribute:
            segments.append(replace(segment, attribute=None, sets={}))
        else:
            segments.append(segment)
    return replace(pattern, segments=tuple(segments))


def split_segment(pattern: LearnedPattern, index: int, at: int, numbers: Sequence[str]) -> LearnedPattern:
    """The pattern with a piece in two: each code's first `at` characters, and the rest of it; with `at` below 0, all
    but its last ones, and those. The words stay with the first."""
    whole = pattern.segments[index]
    halves = {code: (code[:at], code[at:]) for code in whole.codes}
    if at == 0 or any(not first for first, _ in halves.values()) or not any(rest for _, rest in halves.values()):
        raise BitternError("at", f"{whole.name} cannot be cut there: a code would be left without characters.")
    first: dict[str, str] = {}
    for code, (head, _) in halves.items():
        first.setdefault(head, whole.codes[code])
    one = replace(whole, codes=first, sure=1.0, doubts=_BY_HAND)
    rest = {tail: "" for _, tail in halves.values() if tail}
    has_short = any(not tail for _, tail in halves.values())
    name = _free_name(pattern, whole.name)
    two = LearnedSegment(name, rest, optional=whole.optional or has_short, doubts=_BY_HAND)
    made = replace(pattern, segments=(*pattern.segments[:index], one, two, *pattern.segments[index + 1 :]))
    return recounted(tell_attribute(made, index, whole.attribute), numbers)


def join_segments(pattern: LearnedPattern, index: int, numbers: Sequence[str]) -> LearnedPattern:
    """The pattern with a piece and the next one as one, whose codes are those that the numbers have."""
    one, two = pattern.segments[index], pattern.segments[index + 1]
    codes: dict[str, str] = {}
    missing = ""
    optional = False
    for number in numbers:
        reading = pattern.read(number)
        if reading is None:
            continue
        first, second = reading.get(one.name), reading.get(two.name)
        words = [
            one.codes[first] if first is not None else one.missing,
            two.codes[second] if second is not None else two.missing,
        ]
        said = ", ".join(word for word in words if word)
        code = (one.separator + first if first is not None else "") + two.before
        code += two.separator + second if second is not None else ""
        if code:
            codes.setdefault(code, said)
        else:
            optional, missing = True, said
    joined = LearnedSegment(one.name, codes, None, optional, one.before, "", missing, doubts=_BY_HAND)
    made = replace(pattern, segments=(*pattern.segments[:index], joined, *pattern.segments[index + 2 :]))
    return recounted(tell_attribute(made, index, one.attribute or two.attribute), numbers)


def recounted(pattern: LearnedPattern, numbers: Sequence[str]) -> LearnedPattern:
    """The pattern with how many of the numbers have each code."""
    readings = [reading for number in numbers if (reading := pattern.read(number)) is not None]
    segments = []
    for segment in pattern.segments:
        times = Counter(reading.get(segment.name, "") for reading in readings)
        segments.append(replace(segment, times=dict(times)))
    return replace(pattern, segments=tuple(segments))


def _free_name(pattern: LearnedPattern, name: str) -> str:
    names = {segment.name for segment in pattern.segments}
    number = 2
    while f"{name} {number}" in names:
        number += 1
    return f"{name} {number}"


def add_code(pattern: LearnedPattern, index: int, code: str, words: str) -> LearnedPattern:
    """The pattern with a code that no number of the list has, and what it means in words."""
    segment = pattern.segments[index]
    text = clean_number(code)
    if text in segment.codes:
        raise BitternError("code", f"{segment.name} has the code {text} already.")
    changed = replace(segment, codes={**segment.codes, text: ""}, times={**segment.times, text: 0})
    made = replace(pattern, segments=(*pattern.segments[:index], changed, *pattern.segments[index + 1 :]))
    return tell_meaning(made, index, text, words)


def tell_meaning(pattern: LearnedPattern, index: int, code: str, words: str) -> LearnedPattern:
    """The pattern with what one code of a piece means in words, and so what it sets; the code "" stands for the
    piece left out."""
    segment = pattern.segments[index]
    attributes = {name for sets in segment.sets.values() for name in sets} | {segment.attribute or ""}
    sets: dict[str, str] = {}
    for attribute in sorted(attributes - {""}):
        sets |= sets_of({code: words}, attribute)[code]
    codes, missing = ({**segment.codes, code: words}, segment.missing) if code else (segment.codes, words)
    changed = replace(segment, codes=codes, missing=missing, sets={**segment.sets, code: sets})
    return replace(pattern, segments=(*pattern.segments[:index], changed, *pattern.segments[index + 1 :]))
