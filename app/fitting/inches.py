"""How inches are read and how they print: exact fractions, trade notation, 25.4 mm to the inch exactly."""

import re
import unicodedata
from fractions import Fraction

from app.errors import BitternError
from app.validation import quoted

MM_PER_INCH = Fraction(254, 10)  # exact by definition of the international inch
LONGEST_TEXT = 40
MOST_INCHES = 1000  # no door, stile or cylinder is longer; stops 10**30 before it reaches a screen

_INCH_MARKS = str.maketrans({"″": '"', "”": '"', "“": '"', "„": '"', "＂": '"'})
_DASHES = str.maketrans(dict.fromkeys("‐‑‒–—−﹣－", "-"))
_UNIT = re.compile(r"""\s*(?P<unit>mm|millimet(?:er|re)s?|"|''|in\.?|inch(?:es)?)$""", re.IGNORECASE)
_MIXED = re.compile(r"([0-9]+)(?:\s*-\s*|\s+)([0-9]+)\s*/\s*([0-9]+)")
_FRACTION = re.compile(r"([0-9]+)\s*/\s*([0-9]+)")
_DECIMAL = re.compile(r"[0-9]+\.?[0-9]*|\.[0-9]+")
_HOW = "Write it like 1-1/8, 1 1/8, 1.125 or 28.6 mm."


def _plain(text: str) -> str:
    """The text with fraction characters spelled out, and one kind of dash and inch mark."""
    spelled = []
    for character in text.translate(_INCH_MARKS).translate(_DASHES):
        kind = unicodedata.decomposition(character).partition(" ")[0]
        if kind == "<fraction>":
            # A space in front, for without it 1⅛ would become 11/8.
            spelled.append(" " + unicodedata.normalize("NFKC", character))
        elif kind in ("<wide>", "<narrow>", "<noBreak>"):
            spelled.append(unicodedata.normalize("NFKC", character))
        else:
            spelled.append(character)  # not superscripts: 4² is no 42
    return "".join(spelled).replace("\N{FRACTION SLASH}", "/").strip()


def _number(text: str, field: str, given: object) -> Fraction:
    if mixed := _MIXED.fullmatch(text):
        whole, top, bottom = (int(part) for part in mixed.groups())
        if bottom == 0 or top >= bottom:
            raise BitternError(field, f"In {quoted(given)} the fraction must be less than one. {_HOW}")
        return whole + Fraction(top, bottom)
    if fraction := _FRACTION.fullmatch(text):
        top, bottom = (int(part) for part in fraction.groups())
        if bottom == 0:
            raise BitternError(field, f"{quoted(given)} divides by zero. {_HOW}")
        return Fraction(top, bottom)
    if _DECIMAL.fullmatch(text):
        return Fraction(text)
    raise BitternError(field, f"{quoted(given)} is not a length that can be read. {_HOW}")


def read_inches(value: object, field: str = "length") -> Fraction:
    """Inches, exactly, from what a person typed: 0 up to 1,000 in.

    Reads trade fractions, decimals, fraction characters, and millimeters when they say so. A whole number or
    a decimal from JSON is read by its digits. Anything else raises BitternError for `field`.

    >>> [str(read_inches(text)) for text in ("1-1/8", "1 1/8", "1.125", "1⅛", '1-1/8"', "28.575 mm")]
    ['9/8', '9/8', '9/8', '9/8', '9/8', '9/8']
    >>> read_inches("28.6 mm")
    Fraction(143, 127)
    """
    if isinstance(value, bool) or not isinstance(value, str | int | float | Fraction):
        raise BitternError(field, f"Enter a length here, not {quoted(value)}. {_HOW}")
    if isinstance(value, int | Fraction):
        inches = Fraction(value)
    else:
        # A JSON decimal is taken by the digits that were written, not by its binary neighbor.
        text = _plain(str(value)) if len(str(value)) <= LONGEST_TEXT else ""
        unit = _UNIT.search(text)
        inches = _number(text[: unit.start()].strip() if unit else text, field, value)
        if unit and unit["unit"].lower().startswith("m"):
            inches /= MM_PER_INCH
    if not 0 <= inches <= MOST_INCHES:
        raise BitternError(field, f"Enter a length from 0 to {MOST_INCHES} in, not {quoted(value)}.")
    return inches


def _decimal(value: Fraction, places: int) -> str:
    """`value` (not negative) rounded half up to `places`, trailing zeros dropped."""
    scaled = int(value * 10**places + Fraction(1, 2))
    whole, rest = divmod(scaled, 10**places)
    digits = f"{rest:0{places}d}".rstrip("0")
    return f"{whole}.{digits}" if digits else str(whole)


def _trade(value: Fraction) -> str:
    whole, rest = divmod(value, 1)
    if not rest:
        return str(whole)
    return f"{whole}-{rest}" if whole else str(rest)


def show_inches(value: Fraction) -> str:
    """Inches for a person, without the unit: a trade fraction down to sixty-fourths.

    Any other value prints as a decimal rounded half up to four places with trailing zeros dropped; use
    `write_inches` where the exact value must survive.

    >>> show_inches(Fraction(9, 8)), show_inches(Fraction(3, 64)), show_inches(Fraction(2))
    ('1-1/8', '3/64', '2')
    >>> show_inches(Fraction(143, 127)), show_inches(Fraction(-5, 8))
    ('1.126', '-5/8')
    """
    sign, size = ("-", -value) if value < 0 else ("", value)
    if size.denominator in (1, 2, 4, 8, 16, 32, 64):
        return sign + _trade(size)
    return sign + _decimal(size, 4)


def write_inches(value: Fraction) -> str:
    """Inches as text that `read_inches` reads back exactly: 1-1/8, or n/d where that is no trade fraction.

    >>> write_inches(Fraction(9, 8)), write_inches(Fraction(143, 127))
    ('1-1/8', '143/127')
    """
    return show_inches(value) if value.denominator in (1, 2, 4, 8, 16, 32, 64) else str(value)
