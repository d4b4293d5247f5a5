"""Form fields for what every house writes: a day, an amount of money, a whole number, a percentage."""

from __future__ import annotations

from datetime import date
from decimal import Decimal
from typing import Any

from wtforms import StringField

from app.errors import BitternError
from app.pricing import read_cents, read_percent, show_cents

FIRST_YEAR, LAST_YEAR = 1970, 2199


class TextField(StringField):
    """A one-line field whose `data` is a value, None while it is empty; what was typed stays as it was typed."""

    data: Any  # the value, not the text
    typed: str | None = None

    def read(self, text: str) -> Any:
        """The value of a text that is not empty; ValueError or BitternError with the sentence to show."""
        raise NotImplementedError

    def show(self, value: Any) -> str:
        """How a value stands in the field."""
        return str(value)

    def _value(self) -> str:
        if self.typed is not None:
            return self.typed
        return "" if self.data is None else self.show(self.data)

    def process_formdata(self, valuelist: list[Any]) -> None:
        self.typed = " ".join(str(valuelist[0]).split()) if valuelist else ""
        self.raw_data = [self.typed] if valuelist else []  # blanks alone are no input to InputRequired either
        self.data = None
        if not self.typed:
            return
        try:
            self.data = self.read(self.typed)
        except BitternError as error:
            raise ValueError(error.message) from error


class DayField(TextField):
    """A day, written 2026-01-31; the browser's own calendar where it has one."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        options.setdefault("render_kw", {"type": "date"})
        super().__init__(*arguments, **options)

    def read(self, text: str) -> date:
        try:
            day = date.fromisoformat(text)
        except ValueError as error:
            raise ValueError("Write the day as 2026-01-31.") from error
        if not FIRST_YEAR <= day.year <= LAST_YEAR:
            raise ValueError(f"Enter a day from {FIRST_YEAR} to {LAST_YEAR}.")
        return day

    def show(self, value: date) -> str:
        return value.isoformat()


class CentsField(TextField):
    """An amount of money, held in whole cents."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        options.setdefault("render_kw", {"inputmode": "decimal", "class": "amount"})
        super().__init__(*arguments, **options)

    def read(self, text: str) -> int:
        return read_cents(text, self.short_name)

    def show(self, value: int) -> str:
        return show_cents(value).replace("$", "")


class PercentField(TextField):
    """A percentage, held as Decimal."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        options.setdefault("render_kw", {"inputmode": "decimal", "class": "amount"})
        super().__init__(*arguments, **options)

    def read(self, text: str) -> Decimal:
        return read_percent(text, self.short_name)


class WholeField(TextField):
    """A whole number from `least` to `most`."""

    def __init__(self, label: str, *arguments: Any, least: int = 0, most: int = 1_000_000, **options: Any) -> None:
        self.least, self.most = least, most
        options.setdefault("render_kw", {"inputmode": "numeric", "class": "amount"})
        super().__init__(label, *arguments, **options)

    def read(self, text: str) -> int:
        plain = text.replace(",", "")
        if not (plain.isascii() and plain.isdecimal() and len(plain) <= 12 and self.least <= int(plain) <= self.most):
            raise ValueError(f"Enter a whole number from {self.least:,} to {self.most:,}.")
        return int(plain)
