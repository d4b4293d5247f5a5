"""Exact inches and millimetres as the bench reads them: decimals, rounded to even places."""

from __future__ import annotations

from decimal import ROUND_HALF_EVEN, Decimal
from fractions import Fraction

_MM_PER_INCH = Fraction(254, 10)


def inches_text(value: Fraction) -> str:
    """Inches to four places, without needless zeros beyond the third.

    >>> inches_text(Fraction("0.3165")), inches_text(Fraction(1, 4))
    ('0.3165', '0.250')
    """
    text = _rounded(value, 4)
    return text[:-1] if text.endswith("0") else text


def millimetres_text(inches: Fraction) -> str:
    """The same length in millimetres to two places.

    >>> millimetres_text(Fraction("0.25"))
    '6.35'
    """
    return _rounded(inches * _MM_PER_INCH, 2)


def _rounded(value: Fraction, places: int) -> str:
    exact = Decimal(value.numerator) / Decimal(value.denominator)
    return str(exact.quantize(Decimal(1).scaleb(-places), rounding=ROUND_HALF_EVEN))
