"""What a customer says at the counter, read into attributes: '1-1/4 rim satin chrome, six pin'."""

import re
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from app.errors import BitternError
from app.fitting.cylinder import CylinderAttributes
from app.fitting.inches import read_inches
from app.fitting.reference import finish_spoken, in_finish_speech

_NUMBERS = {"four": 4, "five": 5, "six": 6, "seven": 7, "eight": 8}
_COUNT = r"(four|five|six|seven|eight|[4-8])"
_LENGTH = re.compile(
    r"""(?<![\w.])(?P<length>
        [0-9]+(?:\s*-\s*|\s+)[0-9]+\s*/\s*[0-9]+ | [0-9]+\s*/\s*[0-9]+ | [0-9]*[½¼¾⅛⅜⅝⅞]
        | [0-9]+-[½¼¾⅛⅜⅝⅞] | [0-9]*\.[0-9]+ | [0-9]+(?=\s*(?:"|in\b|inch|mm\b))
    )(?![\w.]*[A-Za-z0-9/])(?P<unit>\s*(?:"|''|in\b\.?|inch(?:es)?\b|mm\b))?""",
    re.VERBOSE | re.IGNORECASE,
)
_LENGTH_MM = re.compile(r"(?<![\w.])[0-9]+(?:\.[0-9]+)?\s*mm\b", re.IGNORECASE)
_PINS = re.compile(rf"\b{_COUNT}[\s-]*(?:pins?|chambers?)\b", re.IGNORECASE)
_DRILLED = re.compile(rf"\bdrilled\s+(?:for\s+)?{_COUNT}\b", re.IGNORECASE)
SHORTEST_NAME = 4  # a shorter first word of a maker's name is too likely another word
_KEYWAY = re.compile(r"\bkeyway\s+([A-Za-z0-9]+)\b", re.IGNORECASE)
_PART = re.compile(r"\b([A-Za-z]+)[\s-]+(cam|tail ?piece|tail)\b", re.IGNORECASE)
_TYPES = (
    (re.compile(r"\b(?:sfic|small[\s-]format(?:\s+(?:ic\s+)?core)?)\b", re.IGNORECASE), "sfic"),
    (re.compile(r"\b(?:lfic|large[\s-]format(?:\s+(?:ic\s+)?core)?)\b", re.IGNORECASE), "lfic"),
    (re.compile(r"\bmort(?:ise|ice)?\b", re.IGNORECASE), "mortise"),
    (re.compile(r"\brim\b", re.IGNORECASE), "rim"),
    (re.compile(r"\b(?:bored\s+)?dead[\s-]?bolts?\b(?!\s+cyl)", re.IGNORECASE), "deadbolt"),
    (
        re.compile(
            r"\b(?<!in[\s-])(?:knob|lever)s?\b(?:[\s-]+(?:lock)?sets?\b|\s+locks?\b)?(?!\s+cyl)|\blocksets?\b",
            re.IGNORECASE,
        ),
        "lockset",
    ),
    (re.compile(r"\bpad[\s-]?locks?\b", re.IGNORECASE), "padlock"),
    (re.compile(r"\b(?:cabinet|cam)\s+locks?\b", re.IGNORECASE), "cabinet"),
    (
        re.compile(
            r"\b(?:bored(?:[\s-]lock)?|key[\s-]in[\s-](?:knob|lever)|(?:dead[\s-]?bolt|knob|lever)(?=\s+cyl))\b",
            re.IGNORECASE,
        ),
        "bored",
    ),
)
_FILLER = frozenset(
    {"a", "an", "and", "the", "for", "in", "with", "of", "to", "i", "want", "key", "keyway", "finish", "core"}
    | {"cylinder", "cylinders", "cyl"}
)
TAKEN = "\0"


@dataclass(frozen=True, slots=True)
class FreeText:
    """What was understood: attributes (`type` '' when not said), the finishes that would do, the words left
    over, and all words in the finish table's speech ('chrome' is chromium) to search descriptions with."""

    attributes: CylinderAttributes
    finishes: tuple[str, ...]
    words: tuple[str, ...]
    all_words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Heard:
    """A piece of a text that was understood: where it stands, of what it speaks, and what it says of that."""

    start: int
    end: int
    what: str
    value: Any


class Listener:
    """A text that is understood piece by piece. `text`: what is left of it, every piece in its place; `heard`: what
    was understood, in the order in which it was.
    """

    def __init__(self, text: str) -> None:
        self.text = text.replace(TAKEN, " ")
        self.heard: list[Heard] = []

    def take(self, what: str, found: re.Match[str] | None, value: Any) -> Any:
        """Take out what was found, as `value` of `what`; gives the value, None where nothing was found."""
        if found is None:
            return None
        self.heard.append(Heard(found.start(), found.end(), what, value))
        self.text = self.text[: found.start()] + TAKEN * (found.end() - found.start()) + self.text[found.end() :]
        return value

    def listen(self, what: str, pattern: re.Pattern[str], value: Callable[[re.Match[str]], Any]) -> Any:
        """Take out the first piece of a pattern, as the value that is made of it; None where there is none."""
        found = pattern.search(self.text)
        return self.take(what, found, value(found)) if found else None

    def listen_for(self, what: str, names: Mapping[str, Any]) -> Any:
        """Take out the longest of the names that stands in the text, its words parted by blanks or dashes, as what
        it means."""
        for name in sorted(names, key=len, reverse=True):
            if name.strip() and (found := _spoken(name).search(self.text)):
                return self.take(what, found, names[name])
        return None

    def listen_for_finish(self) -> tuple[str, ...]:
        """Take out a finish; gives the numbers that it can stand for."""
        found = finish_spoken(self.text)
        return self.take("finish", found[0], tuple(each.code for each in found[1])) if found else ()

    def listen_for_length(self) -> Any:
        """Take out a length, in inches."""
        for pattern in (_LENGTH_MM, _LENGTH):
            for found in pattern.finditer(self.text):
                try:
                    return self.take("length", found, read_inches(found[0]))
                except BitternError:
                    continue  # 9/0 is no length; it stays among the words
        return None

    def listen_for_type(self) -> Any:
        """Take out the type of a cylinder."""
        for pattern, name in _TYPES:
            if found := pattern.search(self.text):
                return self.take("type", found, name)
        return None

    def listen_for_pins(self) -> bool:
        """Take out how many chambers are pinned and drilled; whether any was said."""
        heard = len(self.heard)
        self.listen("chambers", _PINS, lambda found: _count(found[1]))
        self.listen("drilled", _DRILLED, lambda found: _count(found[1]))
        return len(self.heard) > heard


def _spoken(name: str) -> re.Pattern[str]:
    words = r"[\s-]+".join(re.escape(part) for part in re.split(r"[\s-]+", name.strip()))
    return re.compile(rf"(?<!\w){words}(?!\w)", re.IGNORECASE)


def _count(word: str) -> int:
    return _NUMBERS.get(word.lower()) or int(word)


def _words(text: str) -> tuple[str, ...]:
    """The words of a text but for the filler; 'two-stop' and '1-1/8' are one word each."""
    found = re.findall(r"[^\s,;\0]+", text.casefold())
    return tuple(word for word in found if word not in _FILLER and any(each.isalnum() for each in word))


def names_of_makers(makers: Iterable[str]) -> dict[str, str]:
    """Every way to say a maker's name, in full or by a first word that no other maker shares, and the maker."""
    listed = list(makers)
    first = [maker.split()[0] for maker in listed if maker.split()]
    shared = [word.casefold() for word in first]
    by_first = {
        word: maker
        for word, maker in zip(first, filter(str.split, listed), strict=True)
        if len(word) >= SHORTEST_NAME and shared.count(word.casefold()) == 1
    }
    return {**by_first, **{maker: maker for maker in listed}}


def read_free_text(
    text: str, keyways: Collection[str] = (), makers: Collection[str] = (), keyings: Collection[str] = ()
) -> FreeText:
    """Attributes from free text; words that mean nothing here are kept to search descriptions with.

    `keyways`, `makers` and `keyings` are the names that count as such without a word in front.

    >>> said = read_free_text("1-1/4 rim satin chrome, six pin")
    >>> said.attributes.type, str(said.attributes.length), said.attributes.chambers, said.finishes
    ('rim', '5/4', 6, ('626', '652'))
    """
    ear = Listener(text)
    maker = ear.listen_for("maker", names_of_makers(makers)) or ""
    ear.listen_for_pins()
    ear.listen_for_type()
    ear.listen("part", _PART, lambda found: (found[1].lower(), found[2].lower()))
    finishes = ear.listen_for_finish()
    if ear.listen("keyway", _KEYWAY, lambda found: found[1].upper()) is None:
        ear.listen_for("keyway", {name: name for name in keyways})
    ear.listen_for("keying", {name: name for name in keyings})
    ear.listen_for_length()
    said = {each.what: each.value for each in ear.heard if each.what not in ("part", "finish", "maker")}
    tail, sort = next((each.value for each in ear.heard if each.what == "part"), (None, ""))
    attributes = replace(CylinderAttributes("", maker=maker), **said)
    attributes = replace(attributes, cam=tail) if sort == "cam" else replace(attributes, tailpiece=tail)
    if len(finishes) == 1:
        attributes = replace(attributes, finish=finishes[0])
    named = set(_words(maker))
    all_words = tuple(word for word in _words(in_finish_speech(text)) if word not in named)
    return FreeText(attributes, finishes, _words(in_finish_speech(ear.text)), all_words)
