"""How money, inches, days and text print on paper: the filters of every document template."""

import unicodedata
from collections.abc import Callable, Mapping
from datetime import date
from fractions import Fraction
from typing import Any

from markupsafe import Markup

from app.fitting import show_inches
from app.pricing import half_up, show_cents
from app.validation import counted, first_of

_MONTHS = (
    "January", "February", "March", "April", "May", "June",
    "July", "August", "September", "October", "November", "December",
)  # fmt: skip
_OVERRIDES = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"  # they would turn what follows around


def show_day(day: date | None) -> str:
    """The day in words, the same on every machine whatever its locale; "" for None.

    >>> show_day(date(2031, 3, 4)), show_day(None)
    ('4 March 2031', '')
    """
    return f"{day.day} {_MONTHS[day.month - 1]} {day.year}" if day else ""


def show_cut(inches: Fraction) -> str:
    """Inches of a cut to four places, rounded half up, as a code machine or a caliper reads them.

    >>> show_cut(Fraction("0.335")), show_cut(Fraction(1, 3)), show_cut(Fraction("1.00005"))
    ('.3350', '.3333', '1.0001')
    """
    whole, rest = divmod(int(inches * 10_000 + Fraction(1, 2)), 10_000)
    return f"{whole or ''}.{rest:04d}"


def show_share(part_cents: int, whole_cents: int) -> str:
    """A share in percent to one place, rounded half up; "" of nothing.

    >>> show_share(1, 3), show_share(-50, 100), show_share(5, 0)
    ('33.3 %', '−50.0 %', '')
    """
    if whole_cents <= 0:
        return ""
    tenths = half_up(Fraction(part_cents * 1000, whole_cents))
    whole, rest = divmod(abs(tenths), 10)
    return f"{'−' if tenths < 0 else ''}{whole}.{rest} %"


def shorten(text: str, most: int) -> str:
    """The text on one line with at most `most` characters, an ellipsis at the end where something was left out.

    >>> shorten("Fenwick Quay\\nBuilders' Hardware", 15)
    'Fenwick Quay B…'
    """
    flat = " ".join(text.split())
    return flat if len(flat) <= most else flat[: most - 1] + "…"


def printable(value: Any) -> Any:
    """The value as a template puts it out: characters that cannot stand on paper become U+FFFD.

    Control characters and lone surrogates would stop the PDF or vanish from it unseen; overrides of the
    writing direction would make a name read as another.

    >>> printable("bell\\x07, tab\\t")
    'bell\ufffd, tab\\t'
    """
    if not isinstance(value, str) or isinstance(value, Markup) or value.isprintable():
        return value
    # A browser's text area sends CR LF for each new line.
    text = value.replace("\r\n", "\n").replace("\r", "\n")
    return "".join("\ufffd" if _is_unprintable(character) else character for character in text)


def _is_unprintable(character: str) -> bool:
    if character in "\n\t":
        return False
    return unicodedata.category(character) in ("Cc", "Cs") or character in _OVERRIDES


FILTERS: Mapping[str, Callable[..., str]] = {
    "counted": counted,
    "cents": show_cents,
    "cut": show_cut,
    "day": show_day,
    "first_of": first_of,
    "inches": show_inches,
    "share": show_share,
    "shorten": shorten,
}
