"""What a customer says at the counter, read into attributes: '1-1/4 rim satin chrome, six pin'."""

import re
from collections.abc import Collection
from dataclasses import dataclass, replace

from app.errors import BitternError
from app.fitting.cylinder import CylinderAttributes
from app.fitting.inches import read_inches
from app.fitting.reference import all_finishes, finishes_by_us_code

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
_US_CODE = re.compile(r"\bUS\s?[0-9]{1,2}[A-Z]?\b|\bUSP\b", re.IGNORECASE)
_SHORT_US_CODE = re.compile(r"\b(?:10B|26D|32D)\b", re.IGNORECASE)  # with its letter it can be nothing else
_KEYWAY = re.compile(r"\bkeyway\s+([A-Za-z0-9]+)\b", re.IGNORECASE)
_PART = re.compile(r"\b([A-Za-z]+)[\s-]+(cam|tail ?piece|tail)\b", re.IGNORECASE)
_TYPES = (
    (re.compile(r"\b(?:sfic|small[\s-]format(?:\s+(?:ic\s+)?core)?)\b", re.IGNORECASE), "sfic"),
    (re.compile(r"\b(?:lfic|large[\s-]format(?:\s+(?:ic\s+)?core)?)\b", re.IGNORECASE), "lfic"),
    (re.compile(r"\bmort(?:ise|ice)?\b", re.IGNORECASE), "mortise"),
    (re.compile(r"\brim\b", re.IGNORECASE), "rim"),
    (re.compile(r"\bbored(?:[\s-]lock)?\b", re.IGNORECASE), "bored"),
)
# How the counter says it, and how the finish table says it.
_SPEECH = (
    (re.compile(r"\bchrome\b", re.IGNORECASE), "chromium"),
    (re.compile(r"\b(?:dull|brushed)\b", re.IGNORECASE), "satin"),
    (re.compile(r"\bpolished\b", re.IGNORECASE), "bright"),
    (re.compile(r"\baluminium\b", re.IGNORECASE), "aluminum"),
    (re.compile(r"\boil[\s-]rubbed\b", re.IGNORECASE), "oil-rubbed"),
    (re.compile(r"\bstainless steel\b", re.IGNORECASE), "stainless"),
)
_FILLER = frozenset(
    {"a", "an", "and", "the", "for", "in", "with", "of", "to", "i", "want", "key", "keyway", "finish", "core"}
    | {"cylinder", "cylinders", "cyl"}
)


@dataclass(frozen=True, slots=True)
class FreeText:
    """What was understood: attributes (`type` '' when not said), the finishes that would do, the words left
    over, and all words in the finish table's speech ('chrome' is chromium) to search descriptions with."""

    attributes: CylinderAttributes
    finishes: tuple[str, ...]
    words: tuple[str, ...]
    all_words: tuple[str, ...]


def _take(pattern: re.Pattern[str], text: str) -> tuple[re.Match[str] | None, str]:
    found = pattern.search(text)
    if found is None:
        return None, text
    return found, f"{text[: found.start()]} , {text[found.end() :]}"


def _count(word: str) -> int:
    return _NUMBERS.get(word.lower()) or int(word)


def _take_finish(text: str) -> tuple[tuple[str, ...], str]:
    """The finish numbers that the words can stand for: a US code or a name covers several base metals."""
    code, text = _take(_US_CODE, text)
    if code:
        return tuple(each.code for each in finishes_by_us_code(code[0])), text
    code, rest = _take(_SHORT_US_CODE, text)
    if code:
        return tuple(each.code for each in finishes_by_us_code("US" + code[0])), rest
    for each in all_finishes():
        number, rest = _take(re.compile(rf"\b{each.code}\b"), text)
        if number:
            return (each.code,), rest
    for each in sorted(all_finishes(), key=lambda one: -len(one.name)):
        named, rest = _take(re.compile(rf"\b{re.escape(each.name)}\b", re.IGNORECASE), text)
        if named:
            return tuple(one.code for one in all_finishes() if one.name.startswith(each.name)), rest
    return (), text


def _take_length(text: str) -> tuple[str | None, str]:
    for pattern in (_LENGTH_MM, _LENGTH):
        found, rest = _take(pattern, text)
        if found:
            return found[0], rest
    return None, text


def _words(text: str) -> tuple[str, ...]:
    """The words of a text but for the filler; 'two-stop' and '1-1/8' are one word each."""
    found = re.findall(r"[^\s,;]+", text.casefold())
    return tuple(word for word in found if word not in _FILLER and any(each.isalnum() for each in word))


def _take_name(names: Collection[str], text: str) -> tuple[str | None, str]:
    """The first of the names that stands in the text, its words parted by a blank or a dash."""
    for name in names:
        spoken = r"[\s-]+".join(re.escape(part) for part in re.split(r"[\s-]+", name.strip()))
        found, rest = _take(re.compile(rf"(?<!\w){spoken}(?!\w)", re.IGNORECASE), text)
        if found:
            return name, rest
    return None, text


def _take_maker(makers: Collection[str], text: str) -> tuple[str, str]:
    """The maker that is named, in full or by a first word that no other maker shares; "" for none."""
    name, rest = _take_name(makers, text)
    if name is not None:
        return name, rest
    first = [maker.split()[0].casefold() for maker in makers if maker.split()]
    for maker in makers:
        word = maker.split()[0] if maker.split() else ""
        if len(word) >= SHORTEST_NAME and first.count(word.casefold()) == 1:
            found, rest = _take_name((word,), text)
            if found:
                return maker, rest
    return "", text


def read_free_text(
    text: str, keyways: Collection[str] = (), makers: Collection[str] = (), keyings: Collection[str] = ()
) -> FreeText:
    """Attributes from free text; words that mean nothing here are kept to search descriptions with.

    `keyways`, `makers` and `keyings` are the names that count as such without a word in front.

    >>> said = read_free_text("1-1/4 rim satin chrome, six pin")
    >>> said.attributes.type, str(said.attributes.length), said.attributes.chambers, said.finishes
    ('rim', '5/4', 6, ('626', '652'))
    """
    attributes = CylinderAttributes("")
    for pattern, word in _SPEECH:
        text = pattern.sub(word, text)
    all_words = _words(text)
    found, text = _take(_PINS, text)
    if found:
        attributes = replace(attributes, chambers=_count(found[1]))
    found, text = _take(_DRILLED, text)
    if found:
        attributes = replace(attributes, drilled=_count(found[1]))
    for pattern, name in _TYPES:
        found, text = _take(pattern, text)
        if found:
            attributes = replace(attributes, type=name)
            break
    found, text = _take(_PART, text)
    if found and found[2].lower() == "cam":
        attributes = replace(attributes, cam=found[1].lower())
    elif found:
        attributes = replace(attributes, tailpiece=found[1].lower())
    finish_codes, text = _take_finish(text)
    if len(finish_codes) == 1:
        attributes = replace(attributes, finish=finish_codes[0])
    found, text = _take(_KEYWAY, text)
    if found:
        attributes = replace(attributes, keyway=found[1].upper())
    if attributes.keyway is None:
        keyway, text = _take_name(keyways, text)
        attributes = replace(attributes, keyway=keyway)
    keying, text = _take_name(keyings, text)
    maker, text = _take_maker(makers, text)
    attributes = replace(attributes, keying=keying, maker=maker)
    length, rest = _take_length(text)
    if length:
        try:
            attributes, text = replace(attributes, length=read_inches(length)), rest
        except BitternError:
            length = None  # 9/0 is no length; it stays among the words
    named = set(_words(maker))
    return FreeText(attributes, finish_codes, _words(text), tuple(word for word in all_words if word not in named))
