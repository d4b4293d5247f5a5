"""Exact lengths of keys and pins, in inches: read from decimals, fractions or millimeters, and written."""

import re
from decimal import ROUND_HALF_EVEN, Decimal
from fractions import Fraction
from typing import Annotated, TypeAlias

from app.keying.errors import KeyingError
from app.validation import Form

MM_PER_INCH = Fraction(254, 10)
_NUMBER = re.compile(r"\d{0,6}\.\d{1,12}|\d{1,6}|\d{1,6}/[1-9]\d{0,5}", re.ASCII)
_MM = re.compile(r"(\d{1,3}|\d{0,3}\.\d{1,3})\s*mm", re.ASCII | re.IGNORECASE)


def read_inches(value: object, field: str = "") -> Fraction:
    """Give exact inches from 0.0125, ".0125", "1/64", a whole number, or millimeters: "8.51 mm".

    >>> read_inches(".0125"), read_inches("8.51 mm")
    (Fraction(1, 80), Fraction(851, 2540))
    """
    if isinstance(value, Fraction):
        return value
    # A JSON number such as 0.0125 arrives as a float; its shortest text is what was typed.
    text = repr(value) if isinstance(value, int | float) and not isinstance(value, bool) else value
    if isinstance(text, str) and (metric := _MM.fullmatch(text.strip())):
        return Fraction(metric[1]) / MM_PER_INCH
    if not isinstance(text, str) or not _NUMBER.fullmatch(text.strip().removesuffix('"').strip()):
        raise KeyingError(field, "Enter inches, such as 0.0125 or 1/64, or millimeters, such as 8.51 mm.")
    return Fraction(text.strip().removesuffix('"').strip())


def write_inches(value: Fraction) -> str:
    """Give exact inches as a decimal where it ends within 12 places, else as a fraction.

    >>> write_inches(Fraction(1, 80)), write_inches(Fraction(1, 3))
    ('0.0125', '1/3')
    """
    scaled = value * 10**12
    if scaled.denominator != 1:
        return f"{value.numerator}/{value.denominator}"
    digits = f"{scaled.numerator:013d}"
    return f"{digits[:-12]}.{digits[-12:]}".rstrip("0").rstrip(".")


def inches_text(value: Fraction) -> str:
    """Inches to four places, without needless zeros beyond the third.

    >>> inches_text(Fraction("0.3165")), inches_text(Fraction(1, 4)), inches_text(Fraction("-0.00002"))
    ('0.3165', '0.250', '0.000')
    """
    text = _rounded(value, 4)
    return text[:-1] if text.endswith("0") else text


def millimeters_text(inches: Fraction) -> str:
    """The same length in millimeters to two places.

    >>> millimeters_text(Fraction("0.25"))
    '6.35'
    """
    return _rounded(inches * MM_PER_INCH, 2)


def _rounded(value: Fraction, places: int) -> str:
    exact = Decimal(value.numerator) / Decimal(value.denominator)
    rounded = exact.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_EVEN)
    return str(rounded if rounded else abs(rounded))  # a hair under nothing is nothing, not less


def read_spec_inches(value: object) -> Fraction:
    """Give inches above 0 and at most 10, as a chart has them."""
    inches = read_inches(value)
    if not 0 < inches <= 10:
        raise KeyingError("", "Enter inches above 0 and at most 10, such as 0.0125 or 1/64.")
    return inches


Inches: TypeAlias = Annotated[Fraction, Form(read_spec_inches, write_inches)]
