"""Money: whole cents in, whole cents out, and the one place that knows how an amount is read and printed."""

import re
from decimal import Decimal
from fractions import Fraction
from typing import Annotated, Any

from app.errors import BitternError
from app.validation import Form

MAX_CENTS = 1_000_000_000
"""Ten million dollars: more than any line of this trade, and it fits a 32-bit column."""

_AMOUNT = re.compile(r"\$? ?([0-9]{1,3}(?:,[0-9]{3})+|[0-9]+)(?:\.([0-9]{1,2}))?")
_PERCENT = re.compile(r"([0-9]{1,3})(?:\.([0-9]{1,4}))? ?%?")
_TOO_LONG = 40


def read_cents(text: str, field: str) -> int:
    """Whole cents from what a person typed; `BitternError` on `field` says what is wrong.

    >>> read_cents("$1,234.50", "unit_price"), read_cents("12", "unit_price"), read_cents(" 0.5 ", "unit_price")
    (123450, 1200, 50)
    >>> read_cents(".5", "unit_price")
    Traceback (most recent call last):
    ...
    app.errors.BitternError: unit_price: Write the dollars before the point, as in 0.50.
    """
    typed = text.strip() if isinstance(text, str) else ""
    if not typed:
        raise BitternError(field, "Enter an amount in dollars, as in 12.50.")
    if len(typed) <= _TOO_LONG and (found := _AMOUNT.fullmatch(typed)):
        dollars, cents = found.groups()
        amount = int(dollars.replace(",", "")) * 100 + int((cents or "0").ljust(2, "0"))
        if amount > MAX_CENTS:
            raise BitternError(field, f"An amount may not be above {show_cents(MAX_CENTS)}.")
        return amount
    raise BitternError(field, _why_not_an_amount(typed))


def _why_not_an_amount(typed: str) -> str:
    if len(typed) > _TOO_LONG:
        return f"That is too long for an amount; nothing above {show_cents(MAX_CENTS)} is taken."
    if re.fullmatch(r"\(.*\)|[-−–].*|\$ ?[-−–].*", typed):
        return "An amount may not be negative; enter a discount or a credit where one is asked for."
    if re.fullmatch(r"\$? ?\.[0-9]+", typed):
        return "Write the dollars before the point, as in 0.50."
    if re.fullmatch(r"\$? ?[0-9,]+\.[0-9]{3,}", typed):
        return "An amount has at most two decimals, as in 12.50."
    if re.fullmatch(r"\$? ?[0-9,]+", typed) or re.fullmatch(r"\$? ?[0-9,]+\.[0-9]{0,2}", typed):
        return "Write the amount as 1234.50 or 1,234.50."
    return "This is not an amount in dollars; enter digits, as in 12.50."


def read_json_cents(value: Any) -> int:
    """Whole cents out of JSON."""
    if type(value) is not int or not 0 <= value <= MAX_CENTS:
        raise BitternError("", f"Enter whole cents from 0 to {MAX_CENTS:,}, as 1250 for $12.50.")
    return value


Cents = Annotated[int, Form(read_json_cents)]


def read_percent(text: str, field: str) -> Decimal:
    """A percentage from 0 to 100, at most four decimals, from what a person typed.

    >>> read_percent("8.25 %", "rate")
    Decimal('8.25')
    """
    typed = text.strip() if isinstance(text, str) else ""
    found = _PERCENT.fullmatch(typed) if len(typed) <= _TOO_LONG else None
    if found is None:
        raise BitternError(field, "Enter a percentage from 0 to 100, at most four decimals, as in 8.25.")
    percent = Decimal(f"{found[1]}.{found[2]}") if found[2] else Decimal(found[1])
    if percent > 100:
        raise BitternError(field, "A percentage may not be above 100.")
    return percent


def _read_json_percent(value: Any) -> Decimal:
    if type(value) is int and 0 <= value <= 100:
        return Decimal(value)
    return read_percent(value if isinstance(value, str) else "", "")


Percent = Annotated[Decimal, Form(_read_json_percent, str)]


def show_cents(cents: int) -> str:
    """The amount as it prints everywhere, a true minus sign in front of a negative one.

    >>> show_cents(123450), show_cents(-300), show_cents(5)
    ('$1,234.50', '−$3.00', '$0.05')
    """
    dollars, rest = divmod(abs(cents), 100)
    return f"{'−' if cents < 0 else ''}${dollars:,}.{rest:02d}"


def half_up(exact: Fraction | Decimal) -> int:
    """The nearest whole number, a half going away from zero: a credit rounds as its charge does.

    The same as Python's `decimal.ROUND_HALF_UP`.

    >>> half_up(Fraction(5, 2)), half_up(Decimal("-2.5")), half_up(Decimal("2.4999"))
    (3, -3, 2)
    """
    value = Fraction(exact)
    doubled, denominator = abs(value.numerator) * 2, value.denominator
    rounded = (doubled + denominator) // (2 * denominator)
    return -rounded if value < 0 else rounded
