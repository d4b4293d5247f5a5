"""Form fields for what every house writes: a text, a length, a day, an amount of money, a whole number."""

import re
import unicodedata
from collections.abc import Mapping
from datetime import date, time
from decimal import Decimal
from fractions import Fraction
from types import MappingProxyType
from typing import Any

from wtforms import StringField

from app.errors import BitternError
from app.fitting import read_inches, show_inches
from app.pricing import read_cents, read_percent, show_cents
from app.validation import FIRST_YEAR, LAST_YEAR, fault_of_length

UNWRITABLE = "\N{REPLACEMENT CHARACTER}"
"""Stands where a character was sent that no paper can show; the field that holds it is refused."""
_TIME = re.compile(r"([0-9]{1,2})(?::([0-9]{2})(?::00)?)?(?: ?([ap])\.?m\.?)?")
_US_DAY = re.compile(r"([0-9]{1,2})/([0-9]{1,2})/([0-9]{4})")


class TextField(StringField):
    """A one-line field whose `data` is a value, None while it is empty; what was typed stays as it was typed."""

    data: Any  # the value, not the text
    typed: str | None = None
    look: Mapping[str, str] = MappingProxyType({})
    """Attributes of the input, where the form says no others."""

    def __init__(self, label: str = "", *arguments: Any, **options: Any) -> None:
        super().__init__(label, *arguments, **{"render_kw": dict(self.look), **options})

    def read(self, text: str) -> Any:
        """The value of a text that is not empty; ValueError or BitternError with the sentence to show."""
        raise NotImplementedError

    def show(self, value: Any) -> str:
        """How a value stands in the field."""
        return str(value)

    @property
    def kept(self) -> str:
        """What of it is kept with a page that is not finished: what was typed."""
        return self.typed or ""

    def _value(self) -> str:
        if self.typed is not None:
            return self.typed
        return "" if self.data is None else self.show(self.data)

    def process_formdata(self, valuelist: list[Any]) -> None:
        self.typed = writable(" ".join(str(valuelist[0]).split())) if valuelist else ""
        self.raw_data = [self.typed] if valuelist else []  # blanks alone are no input to InputRequired either
        self.data = None
        if not self.typed:
            return
        if UNWRITABLE in self.typed:
            raise ValueError(f"This holds a character that cannot be written, shown as {UNWRITABLE}: delete it.")
        try:
            self.data = self.read(self.typed)
        except BitternError as error:
            raise ValueError(error.message) from error


def writable(text: str) -> str:
    if text.isprintable():
        return text
    return "".join(UNWRITABLE if unicodedata.category(letter) in ("Cc", "Cs", "Cn") else letter for letter in text)


class ShortField(TextField):
    """A text of at most `most` characters, "" where nothing is typed."""

    def __init__(self, label: str = "", most: int | None = None, **options: Any) -> None:
        self.most = most
        super().__init__(label, **options)

    def process_formdata(self, valuelist: list[Any]) -> None:
        try:
            super().process_formdata(valuelist)
        finally:
            self.data = self.data or ""

    def read(self, text: str) -> str:
        if self.most is not None and (fault := fault_of_length(text, self.most)):
            raise ValueError(fault)
        return text


class InchesField(TextField):
    """A length, held as a Fraction of inches."""

    look = MappingProxyType({"class": "measure", "autocomplete": "off"})

    def read(self, text: str) -> Fraction:
        return read_inches(text, self.short_name)

    def show(self, value: Fraction) -> str:
        return show_inches(value)


class DayField(TextField):
    """A day, written 2026-01-31 or 1/31/2026; the browser's own calendar where it has one."""

    look = MappingProxyType({"type": "date"})

    def __init__(self, *arguments: Any, how: str = "Write the day as 2026-01-31.", **options: Any) -> None:
        self.how = how
        super().__init__(*arguments, **options)

    def read(self, text: str) -> date:
        try:
            if found := _US_DAY.fullmatch(text):
                day = date(int(found[3]), int(found[1]), int(found[2]))
            else:
                day = date.fromisoformat(text)
        except ValueError as error:
            raise ValueError(self.how) from error
        if not FIRST_YEAR <= day.year <= LAST_YEAR:
            raise ValueError(f"Enter a day from {FIRST_YEAR} to {LAST_YEAR}.")
        return day

    def show(self, value: date) -> str:
        return value.isoformat()


class TimeField(TextField):
    """A time of day, written 14:30, 2:30 pm or 9 am; the browser's own clock where it has one."""

    look = MappingProxyType({"type": "time"})

    def read(self, text: str) -> time:
        found = _TIME.fullmatch(text.lower())
        hour, minute = (int(found[1]), int(found[2] or 0)) if found else (0, 60)
        if found and found[3] and 1 <= hour <= 12:
            hour = hour % 12 + (12 if found[3] == "p" else 0)
        elif found and (found[3] or not found[2]):
            minute = 60  # 14 pm, or a bare 9
        if hour > 23 or minute > 59:
            raise ValueError("Write the time as 14:30 or 2:30 pm.")
        return time(hour, minute)

    def show(self, value: time) -> str:
        return value.isoformat("minutes")


class CentsField(TextField):
    """An amount of money, held in whole cents."""

    look = MappingProxyType({"inputmode": "decimal", "class": "amount"})

    def read(self, text: str) -> int:
        return read_cents(text, self.short_name)

    def show(self, value: int) -> str:
        return show_cents(value).replace("$", "")


class PercentField(TextField):
    """A percentage, held as Decimal."""

    look = MappingProxyType({"inputmode": "decimal", "class": "amount"})

    def read(self, text: str) -> Decimal:
        return read_percent(text, self.short_name)


class WholeField(TextField):
    """A whole number from `least` to `most`; how: what to do instead, where the two bounds do not say it."""

    look = MappingProxyType({"inputmode": "numeric", "class": "amount"})

    def __init__(
        self, label: str, *arguments: Any, least: int = 0, most: int = 1_000_000, how: str = "", **options: Any
    ) -> None:
        self.least, self.most, self.how = least, most, how
        super().__init__(label, *arguments, **options)

    def read(self, text: str) -> int:
        digits = text.replace(",", "")
        if not (digits.isascii() and digits.isdecimal()):
            raise ValueError(self._instead())
        if len(digits) > 12 or int(digits) > self.most:
            raise ValueError(f"This number is too large. {self.how}" if self.how else self._instead())
        if int(digits) < self.least:
            raise ValueError(self._instead())
        return int(digits)

    def _instead(self) -> str:
        return self.how or f"Enter a whole number from {self.least:,} to {self.most:,}."
