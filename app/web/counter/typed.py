"""The counter page as typed: texts alone, from a posted form or a kept draft, and back."""

from __future__ import annotations

import dataclasses
import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

from app.ledger.tables import LineKind

MOST_POSTED = 1000
"""More lines than this in one post are no clerk's work; they are not read at all."""

_ANSWER = re.compile(r"answer-([a-z][a-z-]{0,59})")
_MOST_ANSWERS, _LONGEST_ANSWER = 60, 200
_LINE_FIELD = re.compile(r"lines-([0-9]{1,4})-([a-z_]{1,20})")
UNWRITABLE = "\N{REPLACEMENT CHARACTER}"
"""Stands where a character was sent that no paper can show; the field that holds it is refused."""


@dataclass(frozen=True, slots=True)
class TypedLine:
    """One line's boxes as typed. `key` is the number in its field names: `lines-<key>-quantity`."""

    key: int
    kind: str
    quantity: str = "1"
    maker: str = ""
    type: str = ""
    length: str = ""
    chambers: str = ""
    keyway: str = ""
    tail: str = ""  # cam of a mortise cylinder, tailpiece of the others
    finish: str = ""
    part_number: str = ""
    symbol: str = ""
    price_code: str = ""
    keying: str = ""
    set_size: str = ""
    master: str = ""
    keys_each: str = "2"
    unit_price: str = ""
    price_reason: str = ""  # for the house alone
    remark: str = ""
    need_by: str = ""
    replaces: str = ""  # what is on the door now: a part number, or a maker
    replaces_finish: str = ""
    face_asked: str = ""  # what the pane showed to be asked when the answer was pressed
    face_answer: str = ""
    fit_lock: str = ""
    fit_door: str = ""
    fit_trim: str = ""  # outside
    fit_trim_in: str = ""
    fit_stile: str = ""
    fit_hole: str = ""
    fit_key: str = ""  # the number on the bow of the customer's key
    fit_cuts: str = ""
    fit_finishes: str = ""  # of the other hardware on the door
    fit_reach_least: str = ""  # how far a tailpiece must stand past the door
    fit_reach_most: str = ""
    fit_supplied: str = ""  # the tailpiece's length as supplied
    fit_notch: str = ""
    fit_lock_hole: str = ""  # threaded, for a mortise cylinder
    fit_lock_threads: str = ""
    standing: str = ""  # ids of the cylinders on record that a rekey line is for

    @property
    def sort(self) -> LineKind:
        """The kind; a forged one is taken for a part number."""
        return LineKind(self.kind) if self.kind in _KINDS else LineKind.PART

    @property
    def is_blank(self) -> bool:
        """Whether what the line is about has not been said yet."""
        if self.sort in (LineKind.CYLINDER, LineKind.REKEY):
            return not (self.type or self.maker or self.keyway or self.length or self.finish or self.chambers)
        if self.sort is LineKind.PART:
            return not self.part_number
        return self.sort is not LineKind.KEYS and not self.price_code


@dataclass(frozen=True, slots=True)
class TypedPage:
    """The whole page as typed. `token`: this page's own; `find`: the search for a customer."""

    token: str = ""
    find: str = ""
    customer_id: str = ""
    is_new_customer: str = ""
    customer_name: str = ""
    customer_phone: str = ""
    customer_email: str = ""
    customer_address: str = ""
    customer_tier: str = ""
    customer_tax_place: str = ""
    customer_exempt_certificate: str = ""
    customer_exempt_until: str = ""
    site_id: str = ""
    site: str = ""  # a new one's name
    title: str = ""
    need_by: str = ""
    system_id: str = ""
    system_name: str = ""
    system_levels: str = ""
    system_grands: str = "1"
    system_masters: str = "1"
    keyed_at: str = ""
    override_reason: str = ""
    option_b: str = ""  # shop or factory: a second way offered on the same quote
    lost_reason: str = ""  # why the owner keys under a lost key
    replaced: str = ""  # symbols of the keysets that a rekey plan replaces
    answers: tuple[tuple[str, str], ...] = ()  # to questions about missing lines: code, why it is not needed
    lines: tuple[TypedLine, ...] = ()

    @property
    def is_blank(self) -> bool:
        """Whether nothing worth keeping has been typed."""
        return not self.lines and self == TypedPage(token=self.token, find=self.find)

    @property
    def next_key(self) -> int:
        """A number that no line of the page has."""
        return max((line.key for line in self.lines), default=-1) + 1

    def line(self, key: int) -> TypedLine | None:
        """The line with this number in its field names."""
        return next((line for line in self.lines if line.key == key), None)

    def with_line(self, line: TypedLine, after: int | None = None) -> TypedPage:
        """The page with one more line, at its end or right after the line with key `after`."""
        keys = [each.key for each in self.lines]
        place = keys.index(after) + 1 if after in keys else len(keys)
        return replace(self, lines=(*self.lines[:place], line, *self.lines[place:]))

    def with_changed(self, line: TypedLine) -> TypedPage:
        """The page with this line in the place of the one with its key."""
        return replace(self, lines=tuple(line if each.key == line.key else each for each in self.lines))

    def without_line(self, key: int) -> TypedPage:
        """The page without the line with this key."""
        return replace(self, lines=tuple(line for line in self.lines if line.key != key))

    def renumbered(self) -> TypedPage:
        """The page with its lines' keys 0, 1, 2 … in the order shown, for a page that is written anew."""
        return replace(self, lines=tuple(replace(line, key=key) for key, line in enumerate(self.lines)))


_KINDS = {kind.value for kind in LineKind}
_PAGE_FIELDS = tuple(field.name for field in dataclasses.fields(TypedPage) if field.name not in ("lines", "answers"))
_LINE_FIELDS = tuple(field.name for field in dataclasses.fields(TypedLine) if field.name != "key")
FIT_BOXES = tuple(name for name in _LINE_FIELDS if name.startswith("fit_"))
"""The boxes about a line's door, its lock and the customer's key."""


def from_form(items: Iterable[tuple[str, str]]) -> TypedPage:
    """The page out of a posted form's (name, value) pairs; lines stand in the order in which they come.

    >>> page = from_form([("title", "Two doors"), ("lines-4-kind", "trip"), ("lines-4-quantity", "1")])
    >>> page.title, page.lines[0].key, page.lines[0].kind
    ('Two doors', 4, 'trip')
    """
    head: dict[str, str] = {}
    lines: dict[int, dict[str, str]] = {}
    answers: list[tuple[str, str]] = []
    for name, value in items:
        found = _LINE_FIELD.fullmatch(name)
        if found and found[2] in _LINE_FIELDS:
            if int(found[1]) in lines or len(lines) < MOST_POSTED:
                lines.setdefault(int(found[1]), {}).setdefault(found[2], _clean(value))
        elif name in _PAGE_FIELDS:
            head.setdefault(name, _clean(value))
        elif answer := _ANSWER.fullmatch(name):
            answers.append((answer[1], value))
    rows = tuple(TypedLine(key, row.pop("kind", ""), **row) for key, row in lines.items())
    return TypedPage(**head, answers=_answers(answers), lines=rows)


def _answers(pairs: Iterable[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    """The first answer of each question, cut to what fits; empty ones are left out."""
    found: dict[str, str] = {}
    for code, why in pairs:
        said = _clean(why).replace(UNWRITABLE, "")[:_LONGEST_ANSWER].strip()
        if said and len(found) < _MOST_ANSWERS:
            found.setdefault(code, said)
    return tuple(found.items())


def to_draft(page: TypedPage) -> dict[str, Any]:
    """The page as plain JSON values; the token stays with the draft itself."""
    given = dataclasses.asdict(page)
    return {**given, "token": "", "lines": list(given["lines"]), "answers": dict(page.answers)}


def from_draft(kept: Mapping[str, Any], token: str) -> TypedPage:
    """The page that `to_draft` wrote, by this version or an earlier one, under a token."""
    head = {name: _clean(str(kept[name])) for name in _PAGE_FIELDS if kept.get(name) is not None}
    rows = kept.get("lines")
    lines = [
        TypedLine(key, **{name: _clean(str(row[name])) for name in _LINE_FIELDS if row.get(name) is not None})
        for key, row in enumerate(map(_with_reason_apart, rows) if isinstance(rows, list) else [])
        if isinstance(row, dict) and "kind" in row
    ]
    said = kept.get("answers")
    pairs = [(str(code), str(why)) for code, why in said.items()] if isinstance(said, dict) else []
    return TypedPage(**{**head, "token": token}, answers=_answers(pairs), lines=tuple(lines[:MOST_POSTED]))


def _with_reason_apart(row: Any) -> Any:
    """A line of an earlier version's draft: the remark on its own price was the reason, which no paper prints now."""
    if isinstance(row, dict) and row.get("unit_price") and "price_reason" not in row:
        return {**row, "price_reason": row.get("remark"), "remark": ""}
    return row


def _clean(value: str) -> str:
    """The text on one line, what cannot be written (NUL and its kin) made visible."""
    if value.isprintable():
        return value.strip()
    made = (UNWRITABLE if unicodedata.category(letter) in ("Cc", "Cs", "Cn") else letter for letter in _spaced(value))
    return "".join(made).strip()


def _spaced(value: str) -> str:
    return " ".join(re.split(r"[\t\r\n\v\f]+", value))
