"""Words beside part numbers that run on without commas, parted by what they mean: inches, finish, keyway, pins."""

import re
from collections import Counter
from collections.abc import Collection, Iterator, Sequence
from functools import lru_cache

from app.fitting.free_text import TAKEN, Listener
from app.fitting.phrase_meanings import KEYWAY_WORDS
from app.fitting.reference import finishes_named

_ALWAYS = 0.9  # of the rows have a word before it is one that says nothing
_LONGEST = 4  # words
_SHORTEST_LOOK = 4  # letters: the dark of dark bronze, not the name of a keyway
_BORDERS = re.compile(r"\s+[-–/|]\s+|[;|]")

Phrases = tuple[str, ...]


def part_running_words(rows: Sequence[Phrases]) -> list[Phrases]:
    """The rows' phrases, each parted where one meaning ends and another begins, and where words that all rows have
    stand beside such as vary.

    >>> rows = [("Mortise cylinder 1 in keyway A satin chrome",), ("Mortise cylinder 1-1/8 in keyway B brass",)]
    >>> part_running_words(rows)[1]
    ('Mortise cylinder', '1-1/8 in', 'keyway B', 'brass')
    """
    cut = [tuple(tuple(part.split()) for phrase in row for part in _BORDERS.split(phrase) if part) for row in rows]
    told = sum(map(bool, cut))
    times = Counter(word for row in cut for word in {word.casefold() for part in row for word in part})
    always = {word for word, number in times.items() if number >= _ALWAYS * told}
    sides = Counter(side for row in set(cut) for part in row for side in _sides(part, always))
    parted = {part: tuple(_parted(part, always, sides)) for part in {part for row in cut for part in row}}
    return [tuple(phrase for part in row for phrase in parted[part]) for row in cut]


def _sides(words: Phrases, always: Collection[str]) -> Iterator[int]:
    """Where a word such as 'keyway' has its name on one side alone: that place, seen from it."""
    for place in range(len(words)):
        names = _names(words, place, always)
        if len(names) == 1:
            yield names[0]


def _names(words: Phrases, place: int, always: Collection[str]) -> list[int]:
    """The places beside a word such as 'keyway' in which its name may stand: 1 behind it, -1 before it."""
    if _plain(words[place]) not in KEYWAY_WORDS:
        return []
    found = []
    for side in (1, -1):
        beside = place + side
        if 0 <= beside < len(words) and words[beside].casefold() not in always:
            near = words[beside : beside + _LONGEST] if side > 0 else words[max(0, beside - _LONGEST + 1) : place]
            spans = (near[:end] if side > 0 else near[end - 1 :] for end in range(1, len(near) + 1))
            if not any(_means_one(span) for span in spans):
                found.append(side)
    return found


def _parted(words: Phrases, always: Collection[str], sides: Counter[int]) -> Iterator[str]:
    """The phrases of words that no mark parts; as they are where none of them means one thing."""
    if not any(_span(words, place, always, sides) for place in range(len(words))):
        yield " ".join(words)
        return
    run: list[str] = []
    place = 0
    while place < len(words):
        length = _span(words, place, always, sides)
        is_always = words[place].casefold() in always
        if run and (length or is_always != (run[-1].casefold() in always)):
            yield " ".join(run)
            run = []
        if length:
            yield " ".join(words[place : place + length])
        else:
            run.append(words[place])
        place += length or 1
    if run:
        yield " ".join(run)


def _span(words: Phrases, place: int, always: Collection[str], sides: Counter[int]) -> int:
    """How many words from a place on mean one thing; 0 where none do."""
    for at, side in ((place, 1), (place + 1, -1)):
        names = _names(words, at, always) if at < len(words) else []
        if side in names and (len(names) == 1 or side == (1 if sides[1] >= sides[-1] else -1)):
            return 2
    for length in range(min(_LONGEST, len(words) - place), 0, -1):
        if _means_one(words[place : place + length]):
            return length
    # A look that the finish table does not have: dark bronze is not satin bronze.
    look, beside = words[place], words[place + 1 : place + 2]
    is_look = look.isalpha() and len(look) >= _SHORTEST_LOOK and look.casefold() not in always
    return 2 if is_look and beside and finishes_named(beside[0]) and not beside[0].isdecimal() else 0


@lru_cache(maxsize=10_000)
def _means_one(words: Phrases) -> bool:
    """Whether words are a finish, a length or a number of pins and nothing besides."""
    text = " ".join(words)
    if (not text.isdecimal() or len(text) == 3) and finishes_named(text):
        return True
    for listen in (Listener.listen_for_length, Listener.listen_for_pins):
        ear = Listener(text)
        listen(ear)
        if not ear.text.strip(f"{TAKEN} "):
            return True
    return False


def _plain(word: str) -> str:
    return word.casefold().strip(".:")
