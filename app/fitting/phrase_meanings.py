"""What a piece of a part number means, guessed from the words beside its codes: finish, length, keyway, cam …"""

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from app.errors import BitternError
from app.fitting.cylinder import CYLINDER_TYPES
from app.fitting.free_text import Listener
from app.fitting.inches import read_inches, write_inches
from app.fitting.reference import finishes_named

_MOST_OF_THEM = 0.6  # of a piece's codes have to be understood before the piece is said to mean that
_KEYINGS = re.compile(
    r"\b(?:zero|0)[\s-]?bitted\b|\buncombinated\b|\bunpinned\b|\bkeyed\b|\bmaster[\s-]?key|\bpinned\b", re.IGNORECASE
)
_WHOLE_INCHES = re.compile(r"\s*[1-9]\s*")
_ANY_TEXT = ("keyway", "cam", "tailpiece", "finish", "keying")  # attributes that a maker's own words can be
KEYWAY_WORDS = ("keyway", "kwy", "kw")  # common practice, no source
_NAMED = dict.fromkeys(KEYWAY_WORDS, "keyway") | {
    "cam": "cam",
    "cams": "cam",
    "tailpiece": "tailpiece",
    "tail": "tailpiece",
}


def meant(phrase: str) -> dict[str, str]:
    """What one phrase says of a cylinder, by attribute as patterns have it.

    >>> meant('1 1/8" mortise cylinder')
    {'type': 'mortise', 'length': '1-1/8'}
    >>> meant("US26D"), meant("keyway TQ4"), meant("long cam"), meant("boxed")
    ({'finish': '626'}, {'keyway': 'TQ4'}, {'cam': 'long'}, {})
    """
    said: dict[str, str] = {}
    ear = Listener(phrase)
    for name, value in _named_by_a_word(phrase).items():
        return {name: value}
    if found := _finish(phrase):
        return {"finish": found}
    ear.listen_for_pins()
    for each in ear.heard:
        said[each.what] = str(each.value)
    kind = ear.listen_for_type()
    if kind in CYLINDER_TYPES:
        said["type"] = kind
    if (length := ear.listen_for_length()) is not None:
        said["length"] = write_inches(length)
    if not said and (bare := _bare_inches(phrase)):
        said["length"] = bare
    if not said and _KEYINGS.search(phrase):
        said["keying"] = phrase.casefold()[:60]
    return said


def _named_by_a_word(phrase: str) -> dict[str, str]:
    words = phrase.split()
    for place in (0, len(words) - 1) if len(words) > 1 else ():
        name = _NAMED.get(words[place].casefold().strip(".:"))
        if name and not (name == "cam" and place == 0):
            rest = " ".join(words[:place] + words[place + 1 :])[:60]
            if rest.casefold() in ("no", "without", "less"):
                return {}
            return {name: rest.upper() if name == "keyway" else rest.casefold()}
    return {}


def _finish(phrase: str) -> str:
    """The number of the finish that a phrase names; its words where it may be one of several."""
    plain = re.sub(r"\bfinish\b[:\s]*|[()]", " ", phrase, flags=re.IGNORECASE)
    several = ""
    # Of words alone the first is no name: bright stainless is not bright brass.
    first = [word for word in plain.split()[:1] if any(map(str.isdigit, word))]
    for said in (plain, *re.split(r"[/,]", plain), *first):
        text = " ".join(said.split())
        if len(text) == 3 or (text and not text.isdecimal()):
            found = finishes_named(text)
            exact = [each for each in found if each.name == text.casefold()] or list(found)
            if len({each.us_code or each.code for each in exact}) == 1:  # the same on another metal
                return exact[0].code
            several = several or (text.casefold() if found else "")
    return several


def _said(code: str, words: str) -> dict[str, str]:
    """What a code says, by its words or by itself; by both where the words alone leave several finishes."""
    if not words:
        return _by_itself(code)
    said = meant(words)
    if "finish" in said and (named := finishes_named(said["finish"])):
        own = finishes_named(code.strip("-./_ :+"))
        said["finish"] = next((each.code for each in named if each in own), said["finish"])
    return said


def _bare_inches(phrase: str) -> str:
    if "/" not in phrase and "." not in phrase:
        return ""
    try:
        return write_inches(read_inches(phrase, ""))
    except BitternError:
        return ""


@dataclass(frozen=True, slots=True)
class PieceMeaning:
    """What a piece means: its name in words, the attribute that it tells (None where no known one), and what each
    code sets."""

    name: str
    attribute: str | None
    sets: Mapping[str, Mapping[str, str]]


def piece_meanings(pieces: Sequence[Mapping[str, str]], taken: Collection[str] = ()) -> list[PieceMeaning]:
    """What each piece means, from the meaning of each of its codes; no attribute is told by two pieces.

    `taken`: attributes that are said of every number already. A code without words can say it by itself, as the
    number of a finish does.
    """
    claims: list[tuple[float, int, str]] = []
    said: list[dict[str, dict[str, str]]] = []
    for index, codes in enumerate(pieces):
        by_code = {code: _said(code, words) for code, words in codes.items()}
        said.append(by_code)
        for name in sorted({name for each in by_code.values() for name in each}):
            values = [each[name] for each in by_code.values() if name in each]
            share = len(values) / len(codes)
            if share >= _MOST_OF_THEM and name not in taken:
                claims.append((share + _likely(name, values) + len(set(values)) / len(codes) / 4, -index, name))
    owners: dict[str, int] = {}
    main: dict[int, str] = {}
    for _, index, name in sorted(claims, reverse=True):
        if name not in owners:
            owners[name] = -index
            main.setdefault(-index, name)
    found = []
    names: dict[str, int] = {}
    for index, codes in enumerate(pieces):
        attribute = main.get(index)
        sets = {}
        for code, words in codes.items():
            kept = {name: value for name, value in said[index][code].items() if owners.get(name) == index}
            if attribute == "length" and not kept and _WHOLE_INCHES.fullmatch(words):
                kept = {"length": words.strip()}  # the 1 among 1-1/8 and 1-1/4
            if (
                attribute
                and attribute not in kept
                and attribute in ("keyway", "cam", "tailpiece", "finish", "keying")
            ):
                kept[attribute] = (words or code)[:60]
            sets[code] = kept
        name = attribute or _shared_word(list(codes.values())) or f"piece {index + 1}"
        names[name] = names.get(name, 0) + 1
        found.append(PieceMeaning(name if names[name] == 1 else f"{name} {names[name]}", attribute, sets))
    return found


def sets_of(codes: Mapping[str, str], attribute: str | None) -> dict[str, dict[str, str]]:
    """What each code sets, by its words or by itself, of a piece that means one attribute; nothing for None."""
    found: dict[str, dict[str, str]] = {}
    for code, words in codes.items():
        said = _said(code, words)
        value = said.get(attribute or "", (words or code)[:60] if code and attribute in _ANY_TEXT else "")
        found[code] = {attribute: value} if attribute and value else {}
    return found


def _by_itself(code: str) -> dict[str, str]:
    bare = code.strip("-./_ :+").upper()
    if len(bare) < 3 or not (found := finishes_named(bare)) or bare not in (found[0].code, found[0].us_code):
        return {}
    return {"finish": found[0].code}


def _likely(name: str, values: Sequence[str]) -> float:
    """Of two pieces in inches the longer one is the cylinder's length, the other a ring or the like."""
    if name != "length":
        return 0.0
    inches = [read_inches(value) for value in values]
    return 0.5 if max(inches) >= 1 and min(inches) >= 0.5 else 0.0


def _shared_word(meanings: Sequence[str]) -> str:
    """The word that all meanings have, such as 'hand' of left and right hand."""
    words = [[word.casefold().strip(".:") for word in meaning.split()] for meaning in meanings if meaning]
    if len(words) < 2:
        return ""
    return next((word for word in words[0][::-1] if word.isalpha() and all(word in each for each in words)), "")[:40]
