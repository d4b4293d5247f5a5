"""Part numbers, both ways: a number to attributes piece by piece, and attributes to a number."""

import unicodedata
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from app.errors import BitternError
from app.fitting.cylinder import CylinderAttributes, from_texts, words
from app.fitting.nearest import Nearest, completed_number, nearest_number
from app.fitting.patterns import SEPARATORS, Pattern, PatternRule, Segment, SegmentChoice, merge, without_separators
from app.validation import quoted

LONGEST_NUMBER = 60
MOST_READINGS = 50
SLIPS_IN = 3  # one slip in so many characters: with more of them a number is not that maker's
MOST_STEPS = 100_000  # pieces that run together can be tried in more ways than a page can wait for
_DASHES = str.maketrans(dict.fromkeys("‐‑‒–—−", "-"))


@dataclass(frozen=True, slots=True)
class NumberPiece:
    """One piece of a number: its segment's name, its text ('' when left out), what it means and sets, and where its
    text starts and ends in the number; separators belong to no piece."""

    segment: str
    text: str
    words: str
    sets: tuple[tuple[str, str], ...]
    start: int
    end: int


@dataclass(frozen=True, slots=True)
class NumberReading:
    """One legal way to read a number; `part_number` is how the maker writes it."""

    part_number: str
    pattern: str
    pieces: tuple[NumberPiece, ...]
    attributes: CylinderAttributes
    warnings: tuple[str, ...]

    @property
    def words(self) -> str:
        """The whole in words."""
        return words(self.attributes)


class PartNumberError(BitternError):
    """A number that was not understood: the piece at fault, what was expected there, the nearest number.

    `is_beginning`: nothing is wrong with it so far, it only goes on; `nearest` then begins with it. `maker`: whose
    number the nearest is; `distance`: how many edits away. `is_near`: it can be that maker's number with a slip in
    it; one that is no more than nearest may well be another make's.
    """

    is_beginning = False
    maker = ""
    distance = 10**6
    is_near = False

    def __init__(
        self, message: str, segment: str, piece: str, expected: tuple[str, ...], nearest: str | None
    ) -> None:
        super().__init__("part_number", message)
        self.segment = segment
        self.piece = piece
        self.expected = expected
        self.nearest = nearest


def likeliest_refusal(refusals: Sequence[PartNumberError], number: str) -> PartNumberError:
    """Of all makers' refusals of one number the one that understood most of it. Where it can be none of theirs with a
    slip in it, a refusal that names no number: nobody is led into another maker's.
    """
    best = min(refusals, key=lambda each: (not each.is_beginning, not each.is_near, each.distance, len(each.piece)))
    if best.is_near:
        return best
    return PartNumberError(f"No maker on record has a part number like {quoted(number.strip())}.", "", "", (), None)


@dataclass(slots=True)
class _Trail:
    """The furthest place in the text that any attempt got to, the first and last segment tried there, and the
    rule that stopped an attempt."""

    first: int = 0
    segment: int = 0
    place: int = -1
    rule: PatternRule | None = None
    bare: bool = False
    steps_left: int = MOST_STEPS


def clean_number(given: object) -> str:
    """A typed number in capitals with one kind of dash; BitternError when there is none or it is too long."""
    if not isinstance(given, str) or not given.strip():
        raise BitternError("part_number", f"Enter a part number, not {quoted(given)}.")
    text = unicodedata.normalize("NFKC", given[: LONGEST_NUMBER * 4]).translate(_DASHES)
    text = " ".join(text.upper().split())
    if len(given.strip()) > LONGEST_NUMBER or len(text) > LONGEST_NUMBER:
        raise BitternError("part_number", f"A part number has at most {LONGEST_NUMBER} characters.")
    if not text.isascii() or not text.isprintable():
        raise BitternError("part_number", "Part numbers have plain letters, digits and separators only.")
    return text


def _walk(
    pattern: Pattern, text: str, trail: _Trail, index: int, place: int, values: dict[str, str]
) -> Iterator[tuple[SegmentChoice, ...]]:
    """Every way to fill the segments from `index` on with the text from `place` on."""
    if place > trail.place:
        trail.first, trail.segment, trail.place = index, index, place
    elif place == trail.place:
        trail.segment = max(trail.segment, index)
    if index == len(pattern.segments):
        if place == len(text):
            yield ()
        return
    segment = pattern.segments[index]
    table, lengths = (segment.by_bare, segment.bare_lengths) if trail.bare else (segment.by_text, segment.lengths)
    for length in lengths:
        end = place + length
        # Past the end the slice is shorter than `length` and can be no key of that length.
        for choice in table.get(text[place:end], ()) if end <= len(text) else ():
            trail.steps_left -= 1
            merged = merge(values, choice) if trail.steps_left > 0 else None
            if merged is None:
                continue
            broken = next((r for r in pattern.rules_after[index] if r.broken_by(merged)), None)
            if broken is not None:
                trail.rule = trail.rule or broken
                continue
            for rest in _walk(pattern, text, trail, index + 1, end, merged):
                yield (choice, *rest)


def _reading(pattern: Pattern, choices: tuple[SegmentChoice, ...], warnings: tuple[str, ...]) -> NumberReading:
    values: dict[str, str] = {}
    pieces = []
    number = ""
    for segment, choice in zip(pattern.segments, choices, strict=True):
        values.update(choice.sets)
        number += choice.text
        start = len(number) - len(choice.piece)
        pieces.append(NumberPiece(segment.name, choice.piece, choice.words, choice.sets, start, len(number)))
    return NumberReading(number, pattern.name, tuple(pieces), from_texts(values, pattern.maker), warnings)


def _readings(pattern: Pattern, text: str, trail: _Trail) -> list[NumberReading]:
    found: list[NumberReading] = []
    for choices in _walk(pattern, text, trail, 0, 0, {}):
        number = "".join(choice.text for choice in choices)
        warnings = () if number == text else (f"Read as {number}, the way the maker writes it.",)
        reading = _reading(pattern, choices, warnings)
        if all(reading.attributes != other.attributes for other in found):
            found.append(reading)
        if len(found) == MOST_READINGS:
            break
    # Fewer pieces left out first: what is printed says more than what is not.
    return sorted(found, key=lambda reading: sum(not piece.text for piece in reading.pieces))


def decode_any(patterns: Sequence[Pattern], text: object) -> list[NumberReading]:
    """All legal readings of a number by the patterns of one maker or of many, best first; never empty.

    Capitals and the maker's separators are not needed; a number read without them carries a warning with the
    maker's own writing. PartNumberError names the piece that was not understood, what was expected there and
    the nearest legal number.
    """
    number = clean_number(text)
    trails = []
    found: list[NumberReading] = []
    for pattern in patterns:
        trail = _Trail()
        found.extend(_readings(pattern, number, trail))
        trails.append((pattern, trail))
    if not found:
        for pattern in patterns:
            found.extend(_readings(pattern, without_separators(number), _Trail(bare=True)))
    if found:
        return found
    if not patterns:
        raise BitternError("maker", "This maker has no part-number pattern yet; enter one on its page.")
    raise _not_understood(number, trails)


def _shown(segment: Segment) -> tuple[str, ...]:
    if segment.kind == "number":
        return (f"{segment.least:0{segment.digits}d}", f"{segment.most:0{segment.digits}d}")
    return tuple(dict.fromkeys(choice.piece for choice in segment.choices if choice.piece))


def _expected_words(segment: Segment, shown: tuple[str, ...]) -> str:
    front = f" after '{segment.separator}'" if segment.separator else ""
    if segment.kind == "number":
        return f"{segment.digits} digits from {shown[0]} to {shown[1]}{front}"
    if len(shown) == 1:
        return f"'{shown[0]}'{front}"
    more = ", …" if len(shown) > 12 else ""
    return f"one of {', '.join(shown[:12])}{more}{front}"


def _not_finished(number: str, patterns: Sequence[Pattern]) -> PartNumberError | None:
    """What comes next in a number that is right as far as it goes; None when no number begins so."""
    begun = [(found, pattern) for pattern in patterns if (found := completed_number(pattern, number))]
    if not begun:
        return None
    found, pattern = min(begun, key=lambda each: len(each[0].part_number))
    segment = pattern.segments[found.index]
    shown = tuple(piece for piece in _shown(segment) if segment.kind == "number" or piece.startswith(found.begun))
    message = (
        f"{quoted(number)} is the beginning of a number; next is {segment.name}, "
        f"{_expected_words(segment, shown or _shown(segment))}. "
        f"The nearest legal number is {found.part_number}."
    )
    error = PartNumberError(message, segment.name, found.begun, shown or _shown(segment), found.part_number)
    error.is_beginning = error.is_near = True
    error.maker, error.distance = pattern.maker, 0
    return error


def _not_understood(number: str, trails: list[tuple[Pattern, _Trail]]) -> PartNumberError:
    unfinished = _not_finished(number, [pattern for pattern, _ in trails])
    if unfinished is not None:
        return unfinished
    near = [(nearest_number(pattern, number), pattern, trail) for pattern, trail in trails]
    # The pattern that comes closest is the one that was meant; then the one that got furthest.
    nearest, pattern, trail = min(near, key=lambda each: (each[0].distance if each[0] else 10**6, -each[2].place))
    error = _at_its_piece(number, nearest, pattern, trail)
    error.maker = pattern.maker
    if nearest is not None:
        error.distance = nearest.distance
        # A number of this maker begins as its numbers do, and most of it can be read.
        error.is_near = nearest.part_number[0] == number[0] and SLIPS_IN * nearest.distance <= len(number)
    return error


def _at_its_piece(number: str, nearest: Nearest | None, pattern: Pattern, trail: _Trail) -> PartNumberError:
    """The refusal that names the piece at fault and what was expected there."""
    advice = f" The nearest legal number is {nearest.part_number}." if nearest else ""
    close = nearest.part_number if nearest else None
    if trail.rule is not None and _reads_without_rules(pattern, number):
        names = trail.rule.attributes
        at_fault = [s for s in pattern.segments if names & {n for c in s.choices for n, _ in c.sets}]
        segment = at_fault[-1].name if at_fault else ""
        message = f"{quoted(number)} does not exist: {trail.rule.reason}{advice}"
        return PartNumberError(message, segment, "", (), close)
    place = max(trail.place, 0)
    at_fault_index = _at_fault(trail, nearest)
    if at_fault_index == len(pattern.segments):
        left = number[place:]
        message = f"{quoted(left)} is left over at the end of {quoted(number)}.{advice}"
        return PartNumberError(message, "", left, (), close)
    segment_at = pattern.segments[at_fault_index]
    piece = _piece_at(number, place)
    what = quoted(piece) if piece else "The end of the number"
    message = (
        f"{what} was not understood as {segment_at.name} in {quoted(number)}; "
        f"expected {_expected_words(segment_at, _shown(segment_at))}.{advice}"
    )
    return PartNumberError(message, segment_at.name, piece, _shown(segment_at), close)


def _at_fault(trail: _Trail, nearest: Nearest | None) -> int:
    """The segment that failed: of those tried at the furthest place, the first that the nearest number fills,
    so that an optional segment is not blamed for what follows it, nor what follows for a bad optional one."""
    if nearest is not None:
        for index in range(trail.first, min(trail.segment, len(nearest.pieces) - 1) + 1):
            if nearest.pieces[index]:
                return index
    return trail.segment


def _piece_at(number: str, place: int) -> str:
    """From `place` to the next separator, without the separator in front."""
    rest = number[place:].lstrip(SEPARATORS)
    for index, character in enumerate(rest):
        if character in SEPARATORS:
            return rest[:index]
    return rest


def _reads_without_rules(pattern: Pattern, number: str) -> bool:
    plain = Pattern(pattern.name, pattern.maker, pattern.segments)
    return next(_walk(plain, number, _Trail(), 0, 0, {}), None) is not None
