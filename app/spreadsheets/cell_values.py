"""What stands in a cell as a value: money, days, codes and whole numbers as people and spreadsheets write them.

What can be read in one way only is read; everything else is refused with what to do. What one cell leaves open, such
as which of 03/04/2026 is the month, the other cells of its column may settle.
"""

import re
from collections.abc import Iterable
from datetime import date

from app.errors import BitternError
from app.validation import FIRST_YEAR, LAST_YEAR

MOST_CENTS = 100_000_000_00
_SHORTENED = re.compile(r"\d(?:[.,]\d+)?[Ee]\+\d+")
_CLOCK = re.compile(r"[ T]\d{1,2}:\d\d(:\d\d(\.\d+)?)?")
_DATED = re.compile(r"\d{4}-\d\d-\d\d(?:[ T]\d\d:\d\d:\d\d(?:\.\d+)?)?")
_MADE_A_DAY = re.compile(
    r"(\d{1,2}-)?(jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)(-\d\d)?(?<=.{5})", re.IGNORECASE
)
_CURRENCY = re.compile(r"(?i)^(?:us)?[$€£]|^usd\b|(?:us)?[$€£]$|\busd$|\bea\.?$")
_WHOLE_OF_FLOAT = re.compile(r"(\d+)\.0+")
_CHANGED = re.compile(
    "|".join(one.pattern for one in (_DATED, _MADE_A_DAY, _SHORTENED, _WHOLE_OF_FLOAT)), re.IGNORECASE
)
_CHANGED_BEGIN = frozenset("0123456789jfmasondJFMASOND")
_PLAIN_AMOUNT = re.compile(r"\$?(\d{0,9}|\d{1,3}(?:,\d{3}){1,2})\.(\d\d)")  # whatever its column's sign is
_POINT = re.compile(r"\d+(?:\.\d+)?|\d{1,3}(?:,\d{3})+(?:\.\d+)?")
_COMMA = re.compile(r"\d+(?:,\d+)?|\d{1,3}(?:\.\d{3})+(?:,\d+)?")


def cell_code(text: str, field: str) -> str:
    """A number or code as it was written. BitternError where a spreadsheet made a day or a power of ten of it.

    >>> cell_code("1042.0", "code"), cell_code("1E5", "code")
    ('1042', '1E5')
    >>> cell_code("2026-03-04 00:00:00", "code")
    Traceback (most recent call last):
    ...
    app.errors.BitternError: code: The cell holds the day 2026-03-04. Format the column as text and write it again.
    """
    if text.isalnum():
        return text
    if _DATED.fullmatch(text) or _MADE_A_DAY.fullmatch(text):
        raise BitternError(
            field, f"The cell holds the day {text[:10]}. Format the column as text and write it again."
        )
    if _SHORTENED.fullmatch(text):
        raise _shortened(text, field)
    found = _WHOLE_OF_FLOAT.fullmatch(text)
    return found[1] if found else text


def changed_cells(cells: Iterable[str]) -> set[str]:
    """The cells that `cell_code` does not give as they stand.

    >>> sorted(changed_cells(["1042.0", "H-1042", "4-Mar"]))
    ['1042.0', '4-Mar']
    """
    begin = _CHANGED_BEGIN
    return {cell for cell in cells if cell[:1] in begin and not cell.isalnum() and _CHANGED.fullmatch(cell)}


def _shortened(text: str, field: str) -> BitternError:
    return BitternError(
        field, f"A spreadsheet shortened it to {text[:20]}. Format the column as text or number and write it in full."
    )


def money_style(cells: Iterable[str]) -> str:
    """Which sign stands before the cents in a column: "." or ","; "" where no cell tells.

    >>> money_style(["1.234", "2,90"]), money_style(["$1,234.50"]), money_style(["1,234", "1.234"])
    (',', '.', '')
    """
    points = commas = 0
    for cell in cells:
        if _PLAIN_AMOUNT.fullmatch(cell):
            points += 1
            continue
        bare = _bare_amount(cell)
        last_point, last_comma = bare.rfind("."), bare.rfind(",")
        if last_point >= 0 and last_comma >= 0:
            points, commas = points + (last_point > last_comma), commas + (last_comma > last_point)
        elif last_point >= 0 and (len(bare) - last_point != 4 or bare.startswith("0.")):
            points += bare.count(".") == 1
            commas += bare.count(".") > 1
        elif last_comma >= 0 and (len(bare) - last_comma != 4 or bare.startswith("0,")):
            commas += bare.count(",") == 1
            points += bare.count(",") > 1
        elif bare.count(".") > 1 or bare.count(",") > 1:
            commas, points = commas + (last_point >= 0), points + (last_comma >= 0)
    return "." if points and not commas else "," if commas and not points else ""


def _bare_amount(text: str) -> str:
    bare = _CURRENCY.sub("", _CURRENCY.sub("", text.strip()).strip()).strip()
    return bare.replace(" ", "").replace("\xa0", "").replace("\u202f", "").replace("'", "")


def cell_money(text: str, field: str, decimal: str = "") -> int:
    """Whole cents. decimal: the column's own sign before the cents, by `money_style`; "" where nothing tells.

    >>> cell_money("$1,234.50", "list"), cell_money("1.234,50", "list"), cell_money(".50", "list")
    (123450, 123450, 50)
    >>> cell_money("(12.00)", "list")
    Traceback (most recent call last):
    ...
    app.errors.BitternError: list: An amount below zero cannot stand here; it is written as (12.00).
    """
    if plain := _PLAIN_AMOUNT.fullmatch(text):
        return int(plain[1].replace(",", "") + plain[2])
    bare = _bare_amount(text)
    if (bare.startswith("(") and bare.endswith(")")) or bare[:1] in "-−–" or bare[-1:] in "-−–":
        if any(sign.isdigit() for sign in bare):
            raise BitternError(field, f"An amount below zero cannot stand here; it is written as {text[:20]}.")
        raise _no_amount(text, field)
    if _DATED.fullmatch(text) or _MADE_A_DAY.fullmatch(text):
        raise BitternError(field, f"The cell holds the day {text[:10]}. Write the amount again.")
    if _SHORTENED.fullmatch(bare):
        raise _shortened(text, field)
    point, comma = _POINT.fullmatch(bare), _COMMA.fullmatch(bare)
    sign = decimal
    if point and comma and "." not in bare and "," not in bare:
        sign = "."
    elif not decimal:
        sign = money_style([text]) or ("." if "," in bare else "")
        if not sign:  # 1.234 with nothing in its column that tells
            if not (point or comma):
                raise _no_amount(text, field)
            raise BitternError(
                field, f"{text[:20]!r} is thousands, or has parts of a cent: write it with two decimals."
            )
    elif decimal == "." and comma and not point:
        sign = "," if money_style([text]) == "," else "."
    elif decimal == "," and point and not comma:
        sign = "." if money_style([text]) == "." else ","
    if not (point if sign == "." else comma):
        raise _no_amount(text, field)
    units, _, parts = bare.replace("," if sign == "." else ".", "").partition(sign)
    if len(units) > 12:
        raise BitternError(field, "This amount is too large.")
    return int(units) * 100 + _cents(parts, text, field)


def _cents(parts: str, text: str, field: str) -> int:
    """Cents of the digits behind the decimal sign; the noise of a computed number is none of them."""
    if len(parts.rstrip("0")) <= 2:
        return int(parts[:2].ljust(2, "0")) if parts else 0
    scale: int = 10 ** len(parts)
    whole = (int(parts) * 100 + scale // 2) // scale
    if len(parts) >= 9 and abs(int(parts) * 100 - whole * scale) * 1_000_000 < scale:
        return whole
    raise BitternError(field, f"{text[:20]} has parts of a cent: round it to two decimals.")


def _no_amount(text: str, field: str) -> BitternError:
    return BitternError(field, f"Enter an amount such as 1,234.50, not {text[:20]!r}.")


def cell_whole(text: str, field: str, least: int = 0, most: int = 1_000_000) -> int:
    """A whole number: '1,200', '12.0'. BitternError for a part of one, a day, a shortened number.

    >>> cell_whole("12.0", "count"), cell_whole("1,200", "count")
    (12, 1200)
    """
    bare = cell_code(text.strip().replace(" ", ""), field)
    if re.fullmatch(r"\d{1,3}([,.'])\d{3}(?:\1\d{3})*", bare):
        bare = re.sub(r"[,.']", "", bare)
    if not (bare.isascii() and bare.isdecimal() and len(bare) < 13 and least <= int(bare) <= most):
        raise BitternError(field, f"Enter a whole number from {least:,} to {most:,}, not {text[:20]!r}.")
    return int(bare)


def says_cents(heading: str) -> bool:
    """Whether the amounts under a heading are whole cents.

    >>> says_cents("list_cents"), says_cents("Cost (cents)"), says_cents("List price")
    (True, True, False)
    """
    return bool(re.search(r"[\W_]cents\W*$", heading.casefold()))


def cell_whole_cents(text: str, field: str) -> int:
    """Whole cents under a heading that says cents. BitternError for what looks like dollars.

    >>> cell_whole_cents("1480", "list")
    1480
    """
    if re.search(r"[.,]\d\d$", text):
        told = f"The heading says cents, and {text[:20]} looks like dollars: mend the heading, or write whole cents."
        raise BitternError(field, told)
    return cell_whole(text, field, most=MOST_CENTS)


_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})")
_NUMBERS = re.compile(r"(\d{1,2})([-/.])(\d{1,2})\2(\d{4}|\d{2})")
_DAY_FIRST = re.compile(r"(\d{1,2})(?:st|nd|rd|th)?[ -]([a-z]{3,9})\.?,?[ -](\d{4}|\d{2})")
_MONTH_FIRST = re.compile(r"([a-z]{3,9})\.? (\d{1,2})(?:st|nd|rd|th)?,? (\d{4}|\d{2})")
MONTH_FIRST, DAY_FIRST = "month first", "day first"


def day_order(cells: Iterable[str]) -> str | None:
    """Whether days of a column, such as 03/04/2026, name the month first; "" where no cell is such a day.

    None where every one can be read both ways and they differ, so that somebody has to say.

    >>> day_order(["03/04/2026", "03/14/2026"]), day_order(["03/04/2026"]), day_order(["2026-03-04"])
    ('month first', None, '')
    """
    is_month_first = is_day_first = is_open = False
    for cell in cells:
        found = _NUMBERS.fullmatch(_CLOCK.sub("", cell.strip()))
        if found is None:
            continue
        first, second = int(found[1]), int(found[3])
        if found[2] == "." or first > 12:
            is_day_first = True
        elif second > 12:
            is_month_first = True
        elif first != second:
            is_open = True
    if is_month_first != is_day_first:
        return MONTH_FIRST if is_month_first else DAY_FIRST
    return None if is_open else ""


def cell_day(text: str, field: str, order: str | None = "") -> date:
    """A day in one of the usual forms. order: `MONTH_FIRST` or `DAY_FIRST` for what the text leaves open.

    >>> cell_day("Mar 4, 2026", "due"), cell_day("4-Mar-26", "due"), cell_day("03/04/2026", "due", "day first")
    (datetime.date(2026, 3, 4), datetime.date(2026, 3, 4), datetime.date(2026, 4, 3))
    """
    bare = _CLOCK.sub("", " ".join(text.split())).casefold()
    try:
        day = _day(bare, order)
    except ValueError as error:
        raise BitternError(field, f"There is no day {text[:20]!r}; write it as 2026-01-31.") from error
    if day is None:
        raise BitternError(field, f"Write the day as 2026-01-31, not {text[:20]!r}.")
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise BitternError(field, f"Enter a day from {FIRST_YEAR} to {LAST_YEAR}, not {text[:20]!r}.")
    return day


def _day(bare: str, order: str | None) -> date | None:
    if found := _ISO.fullmatch(bare):
        return date(*map(int, found.groups()))
    if found := re.fullmatch(r"((?:19|20)\d\d)(\d\d)(\d\d)", bare):
        return date(*map(int, found.groups()))
    if found := _NUMBERS.fullmatch(bare):
        first, second, year = int(found[1]), int(found[3]), _year(found[4])
        if found[2] == "." or first > 12 or (order == DAY_FIRST and second <= 12):
            return date(year, second, first)
        if second > 12 or order == MONTH_FIRST or first == second:
            return date(year, first, second)
        return None
    if found := _DAY_FIRST.fullmatch(bare):
        return date(_year(found[3]), _month(found[2]), int(found[1]))
    if found := _MONTH_FIRST.fullmatch(bare):
        return date(_year(found[3]), _month(found[1]), int(found[2]))
    return None


def _year(text: str) -> int:
    return int(text) if len(text) == 4 else 2000 + int(text) if int(text) < 70 else 1900 + int(text)


def _month(word: str) -> int:
    return _MONTHS.index(word[:3]) + 1
