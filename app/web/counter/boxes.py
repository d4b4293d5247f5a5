"""Read single boxes of a form: each gives a value, or notes what is wrong and gives a harmless one."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import date
from fractions import Fraction

from app.errors import BitternError, Problem
from app.fitting import read_inches
from app.pricing import read_cents
from app.web.counter.typed import UNWRITABLE

_LONGEST = 10_000  # longer texts are kept as typed, but not looked at
_CHAMBERS = re.compile(r"([0-9]{1,2})(?:\s*(/|drilled|drilled for)\s*([0-9]{1,2}))?")
_US_DAY = re.compile(r"([0-9]{1,2})/([0-9]{1,2})/([0-9]{4})")


class Notes:
    """Problems gathered while reading."""

    def __init__(self) -> None:
        self.problems: list[Problem] = []

    def add(self, name: str, message: str) -> None:
        self.problems.append(Problem(name, message))

    def check_writable(self, form: object, names: Iterable[str]) -> None:
        """Refuse each text of `form` that holds a character no paper can show."""
        for name in names:
            value = getattr(form, name)
            if isinstance(value, str) and UNWRITABLE in value:
                self.add(name, f"This holds a character that cannot be written, shown as {UNWRITABLE}: delete it.")


def record_id(typed: str) -> int:
    """The number of a record, 0 (which no record has) for anything else."""
    return int(typed) if re.fullmatch(r"[0-9]{1,9}", typed, re.ASCII) else 0


def whole(typed: str, name: str, notes: Notes, how: str, *, least: int = 0) -> int:
    """A whole number up to nine digits; a thousands comma is allowed."""
    digits = typed[:_LONGEST].replace(",", "")
    if re.fullmatch(r"[0-9]+", digits, re.ASCII):
        if len(digits.lstrip("0")) > 9:
            notes.add(name, f"This number is too large. {how}")
            return least
        if int(digits) >= least:
            return int(digits)
    notes.add(name, how)
    return least


def short(typed: str, name: str, most: int, notes: Notes) -> str:
    """The text where it fits its column; what is longer is refused, and stays typed."""
    if len(typed) > most:
        notes.add(name, f"At most {most} characters fit here; this has {len(typed):,}.")
        return ""
    return typed


def day(typed: str, name: str, notes: Notes) -> date | None:
    """A day as a browser sends it (2026-12-31) or as people write it (12/31/2026)."""
    if not typed:
        return None
    try:
        if found := _US_DAY.fullmatch(typed):
            return date(int(found[3]), int(found[1]), int(found[2]))
        if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", typed, re.ASCII):
            return date.fromisoformat(typed)
    except ValueError:
        pass
    notes.add(name, "There is no such day; write it as 12/31/2026 or 2026-12-31.")
    return None


def cents(typed: str, notes: Notes) -> int | None:
    try:
        return read_cents(typed, "unit_price") if typed else None
    except BitternError as error:
        notes.add("unit_price", error.message)
        return None


def inches(typed: str, notes: Notes) -> Fraction | None:
    try:
        return read_inches(typed) if typed else None
    except BitternError as error:
        notes.add("length", error.message)
        return None


def chambers(typed: str, notes: Notes) -> tuple[int | None, int | None]:
    """Chambers pinned and drilled: '6', or '5/6' for five pinned in six drilled."""
    if not typed:
        return None, None
    found = _CHAMBERS.fullmatch(typed.lower())
    if found is None or not 1 <= int(found[1]) <= 12 or (found[3] and not int(found[1]) <= int(found[3]) <= 12):
        notes.add("chambers", "Enter the chambers that are pinned, as in 6; or 5/6 for five in a body drilled six.")
        return None, None
    return int(found[1]), int(found[3]) if found[3] else None
