"""A person's words as keyed hashes, and the texts in which they stand: found and replaced without the words."""

import re
import unicodedata
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache
from itertools import pairwise
from typing import Any

from app.ledger.store.vault import Vault
from app.validation import JsonDataclass

_TOKEN = re.compile(r"[^\W_]+")
_DIGITS = re.compile("[0-9]+")
_CONTEXT = "personal data"
_MOST_BETWEEN = 4  # characters between two words of one name: a blank, a comma and a line end
_PHONE_BETWEEN = re.compile(r"[\s().+/-]{1,3}")
_LEAST_DIGITS = 6
_MOST_GROUPS = 7
_NATIONAL = 10  # digits of a phone number without its country


def tokens(text: str) -> list[str]:
    """The words of a text in small letters, without accents and what stands between them.

    >>> tokens("Zoë O'Neill, 12 Quay Lane"), tokens(" - ")
    (['zoe', 'o', 'neill', '12', 'quay', 'lane'], [])
    """
    return [_plain(found[0]) for found in _TOKEN.finditer(unicodedata.normalize("NFC", text))]


def _plain(word: str) -> str:
    apart = unicodedata.normalize("NFKD", word.casefold())
    return "".join(one for one in apart if not unicodedata.combining(one))


@dataclass(frozen=True, slots=True)
class Mark(JsonDataclass):
    """One name, address or number of a person, told by keyed hashes, and what takes its place.

    size: of how many words it is; 0 for a phone number. own: looked for in their own customer's records alone.
    """

    size: int
    first: str
    whole: str
    put: str
    own: bool = False


def words_mark(hasher: Vault, text: str, put: str, *, is_own: bool = False) -> Mark | None:
    """The mark of a name, an e-mail address or an address; None of what has no word to be told by."""
    found = tokens(text)
    if not found or len("".join(found)) < 2:
        return None
    return Mark(len(found), _hashed(hasher, found[0]), _hashed(hasher, " ".join(found)), put, is_own)


def phone_marks(hasher: Vault, phone: str, put: str) -> list[Mark]:
    """The marks of a phone number, with its country and without, however its digits are grouped."""
    digits = "".join(_DIGITS.findall(phone))
    ways = {digits, digits[-_NATIONAL:]}
    return [Mark(0, "", _hashed(hasher, one), put) for one in sorted(ways) if len(one) >= _LEAST_DIGITS]


def _hashed(hasher: Vault, text: str) -> str:
    return hasher.fingerprint(text, _CONTEXT).hex()


class Replacer:
    """Puts other words in the place of a person's, in texts and in JSON; everything else stays as it is."""

    def __init__(self, hasher: Vault, marks: Iterable[Mark]) -> None:
        self._words: dict[str, list[Mark]] = {}
        self._phones: dict[str, str] = {}
        for mark in marks:
            if mark.size:
                self._words.setdefault(mark.first, []).append(mark)
            else:
                self._phones[mark.whole] = mark.put
        for known in self._words.values():
            known.sort(key=lambda mark: -mark.size)  # the longest first: a firm's name may begin with a person's
        self._hashed: Callable[[str], str] = cache(lambda text: _hashed(hasher, text))

    def text(self, text: str) -> str:
        """The text with the person's words replaced."""
        spans = self._spans(text)
        for start, end, put in reversed(spans):
            text = text[:start] + put + text[end:]
        return text

    def value(self, value: Any) -> Any:
        """A JSON value with the person's words replaced in every text, names of fields too."""
        match value:
            case str():
                return self.text(value)
            case list():
                return [self.value(one) for one in value]
            case dict():
                return {self.text(name): self.value(one) for name, one in value.items()}
            case _:
                return value

    def _spans(self, text: str) -> list[tuple[int, int, str]]:
        found: list[tuple[int, int, str]] = []
        words = list(_TOKEN.finditer(text))
        plain = [_plain(one[0]) for one in words]
        at = 0
        while at < len(words):
            mark = self._mark_at(words, plain, at)
            if mark is not None:
                last = words[at + mark.size - 1]
                found.append((words[at].start(), last.end(), mark.put))
                at += mark.size
            else:
                at += 1
        if self._phones:
            found += [
                one for one in self._phone_spans(text) if not any(a < one[1] and one[0] < b for a, b, _ in found)
            ]
        return sorted(found)

    def _mark_at(self, words: list[re.Match[str]], plain: list[str], at: int) -> Mark | None:
        for mark in self._words.get(self._hashed(plain[at]), ()):
            run = words[at : at + mark.size]
            near = all(b.start() - a.end() <= _MOST_BETWEEN for a, b in pairwise(run))
            if len(run) == mark.size and near and self._hashed(" ".join(plain[at : at + mark.size])) == mark.whole:
                return mark
        return None

    def _phone_spans(self, text: str) -> list[tuple[int, int, str]]:
        """Runs of neighboring groups of digits that are one of the phone numbers."""
        found = []
        groups = list(_DIGITS.finditer(text))
        at = 0
        while at < len(groups):
            number, end = "", at
            for place in range(at, min(at + _MOST_GROUPS, len(groups))):
                between = text[groups[place - 1].end() : groups[place].start()]
                if place > at and not _PHONE_BETWEEN.fullmatch(between):
                    break
                number += groups[place][0]
                if len(number) >= _LEAST_DIGITS and self._hashed(number) in self._phones:
                    start = groups[at].start()
                    found.append((start, groups[place].end(), self._phones[self._hashed(number)]))
                    end = place
                    break
            at = max(end, at) + 1
        return found


def pattern_of_words(text: str) -> str:
    """What a text that holds these words is like, in SQL and in JSON: a first, coarse choice.

    Accents of the words are left open; one that stands in a text alone is missed, and is another way to write them.
    """
    runs = re.findall("[a-z0-9]+", text.lower()) if text.isascii() else _sure(text)
    # Two pieces at most: a database tries every way to lay many of them into a long text.
    places = sorted(sorted(range(len(runs)), key=lambda place: -len(runs[place]))[:2])
    return f"%{'%'.join(runs[place] for place in places)}%"


def _sure(text: str) -> list[str]:
    """The runs of plain letters between those that may be written in several ways, and may be escaped in JSON."""
    return [
        one for one in re.findall("[a-z0-9]+", re.sub("[a-z0-9]?[^\x00-\x7f]+", " ", text.lower())) if len(one) > 1
    ]


def patterns_of_phone(phone: str) -> list[str]:
    """The same of a phone number: its last four digits, or two pairs with something between them."""
    last = "".join(_DIGITS.findall(phone))[-4:]
    return [f"%{last}%", f"%{last[:2]}_{last[2:]}%"]
