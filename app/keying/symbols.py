"""Standard key coding: symbols made for a system, and a symbol read back to its level and parent.

Levels: LIST Council levels table (schneiderlocksmith.com knowledge base, article 30). (NMK), X before a symbol,
(ENG): ANSI/BHMA A156.28-2018, text extract. Letters: a lock maker's technical manual, section 4,
manualarchiveguide.com manual 3603228 page=69. A2A and A1: from memory of DHI, Keying Systems and Nomenclature,
text not seen.
"""

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from itertools import count, islice

from app.keying.errors import KeyingError, check_whole
from app.validation import short_name

# I, O and Q read as digits; X marks cross-keying.
LETTERS = "ABCDEFGHJKLMNPRSTUVWYZ"
MOST_SYMBOLS = 1_000_000
LONGEST_SYMBOL = 60

# Older lists have Q and X too, but X never first: there it is the mark.
_FIRST, _LETTER = f"[{LETTERS}Q]", f"[{LETTERS}QX]"
_NUMBER = r"[1-9][0-9]{0,6}"
_TURN = "(?:[2-9]|[1-9][0-9]{1,3})?"
_MASTER = rf"(?P<grand>{_FIRST}){_TURN}{_LETTER}"
MOST_LEVELS = 7
_DEEP_FORMS = re.compile(
    rf"(?P<x>X)?(?P<master>G{{3,{MOST_LEVELS - 2}}}M|{_FIRST}(?:{_TURN}{_LETTER}){{0,{MOST_LEVELS - 3}}})"
    rf"(?P<number>{_NUMBER})?"
)
_PLACE = re.compile(_TURN + _LETTER)
_FORMS = re.compile(
    rf"""
    SKD(?P<single>{_NUMBER})
    | X(?P<cross>{_NUMBER})X
    | (?P<x>X)?(?:
        (?P<great>GGMK?)(?P<great_change>{_NUMBER})?
        | (?P<first>{_NUMBER})(?P<two_level>{_MASTER})
        | (?P<master>{_MASTER.replace("grand", "grand3")})(?P<last>{_NUMBER})?
        | (?P<only>{_FIRST})(?P<direct>{_NUMBER})?
    )
    """,
    re.VERBOSE,
)
_SUFFIX = re.compile(r"(.+)\(([A-Z]{1,10})\)")


class SymbolLevel(StrEnum):
    """What a symbol stands for; the text is the trade's word, which names masters from the changes upwards.

    TOP, the highest of a list whatever else it is called, CONTROL and SELECTIVE are said in lists; no symbol is read
    as one.
    """

    TOP = "top master"
    FOURTH_GRAND = "great great great great grand master"
    THIRD_GRAND = "great great great grand master"
    SECOND_GRAND = "great great grand master"
    GREAT_GRAND = "great grand master"
    GRAND = "grand master"
    MASTER = "master"
    CHANGE = "change"
    SINGLE = "single keyed"
    CROSS = "cross-keyed"
    CONTROL = "control"
    SELECTIVE = "selective master"


UPPER_LEVELS = tuple(SymbolLevel)[1:MOST_LEVELS]
"""The levels over the changes, from the top down."""


@dataclass(frozen=True, slots=True)
class KeySymbol:
    """A symbol read: its level, the symbol above it, its change number, and whether NMK or cross-keyed.

    `selective` is the master of some changes only that stands behind it in parentheses. `text` is the symbol in its
    plain form. `parent` is by the code alone: for a change of two levels (1AA) and for AA1 alike it is AA; AA's
    parent is A, which in a two-level system does not exist.
    """

    text: str
    level: SymbolLevel
    parent: str | None
    number: int | None = None
    nmk: bool = False
    crossed: bool = False
    selective: str = ""

    @property
    def own_key(self) -> str:
        """The symbol of the key alone: X before it and what stands in parentheses are for the cylinder.

        >>> read_symbol("XAA3").own_key, read_symbol("2BB(NMK)").own_key
        ('AA3', '2BB')
        """
        plain = self.text.partition("(")[0]
        return plain[1:] if self.crossed and self.level is not SymbolLevel.CROSS else plain


def read_symbol(text: object, field: str = "symbol", levels: int = 4) -> KeySymbol:
    """Read a symbol: AA1, 1AA, A2A3, A, A1, GGM, GGM1, SKD1, X2X, XAA1, 2BB(NMK), AA1(ENG).

    With `levels` above four it is one of a system of just so many: AAA1 under AAA under AA under A under GGGM. Such
    are not read unasked, since in a list of four levels STAFF and TMK are somebody's own words.

    >>> read_symbol("2BB(NMK)")  # doctest: +NORMALIZE_WHITESPACE
    KeySymbol(text='2BB(NMK)', level=<SymbolLevel.CHANGE: 'change'>, parent='BB', number=2,
              nmk=True, crossed=False, selective='')
    >>> read_symbol("A2A").parent
    'A'
    >>> read_symbol("AA", levels=5).level.value, read_symbol("AAA", levels=5).level.value
    ('grand master', 'master')
    """
    if not isinstance(text, str) or len(text) > LONGEST_SYMBOL:
        raise KeyingError(field, _REFUSAL)
    plain = "".join(text.upper().split())
    with_suffix = _SUFFIX.fullmatch(plain)
    bare, suffix = with_suffix.groups() if with_suffix else (plain, "")
    deep = _DEEP_FORMS.fullmatch(bare) if levels > 4 else None
    if deep is not None and (depth := _depth(deep["master"], levels)) is not None:
        level, parent, number, crossed = *_deep_meaning(deep, depth, levels), deep["x"] is not None
    elif (found := _FORMS.fullmatch(bare)) is not None:
        level, parent, number = _meaning(found)
        if found["great"] is not None:
            plain = plain.replace("GGMK", "GGM")
        crossed = found["x"] is not None or found["cross"] is not None
    else:
        raise KeyingError(field, _REFUSAL)
    nmk = suffix == "NMK"
    selective = "" if nmk else suffix
    if level in UPPER_LEVELS and (crossed or selective):
        raise KeyingError(
            field, "Only a change can be cross-keyed (X) or under a selective master; this symbol is a master's."
        )
    return KeySymbol(plain, level, parent, number, nmk, crossed, selective)


def _depth(master: str, levels: int) -> int | None:
    """How far below the top a master's symbol of a deep system stands; None where such a system has none."""
    if master == top_symbol(levels):
        return 0
    depth = len(_PLACE.findall(master))
    return depth if depth <= levels - 2 and not re.fullmatch("G{2,}M", master) else None


def _deep_meaning(found: re.Match[str], depth: int, levels: int) -> tuple[SymbolLevel, str | None, int | None]:
    if found["number"] is not None:
        return SymbolLevel.CHANGE, found["master"], int(found["number"])
    if depth < 2:
        return master_level(levels, depth), top_symbol(levels) if depth else None, None
    last = [*_PLACE.finditer(found["master"])][-1]
    return master_level(levels, depth), found["master"][: last.start()], None


def master_level(levels: int, depth: int) -> SymbolLevel:
    """Give what a master is that stands so many steps below the top: a master right over changes, a grand over these.

    >>> [master_level(5, depth).value for depth in range(4)]
    ['great great grand master', 'great grand master', 'grand master', 'master']
    """
    return UPPER_LEVELS[MOST_LEVELS - levels + depth]


MOST_IN_RANGE = 1_000


def read_operators(text: str, field: str) -> tuple[str, ...]:
    """Give the symbols that an 'operated by' names, a range of changes under one master in full.

    >>> read_operators("AC1 - AC3, AC10, AC a", "operated by")
    ('AC1', 'AC2', 'AC3', 'AC10', 'AC', 'A')
    """
    listed: list[str] = []
    for part in re.sub(r"\s*[-–—]\s*", "-", text.upper()).replace(",", " ").split():
        ends = part.split("-")
        listed += ends if len(ends) == 1 else _range(ends, field)
    return tuple(dict.fromkeys(listed))


def _range(ends: list[str], field: str) -> list[str]:
    try:
        first, last = (read_symbol(end) for end in ends)
        numbers = range(first.number or 0, (last.number or 0) + 1)[:MOST_IN_RANGE]
        levels = 2 if first.text[0].isdigit() else 3
        made = [change_symbol(levels, first.parent or "", number) for number in numbers]
        if first.parent and (made[0], made[-1]) == (first.text, last.text):
            return made
    except (KeyingError, ValueError, IndexError):
        pass
    raise KeyingError(
        field,
        f"{short_name('-'.join(ends))} is no range: write the first and the last change under one master, "
        "such as AC1 - AC5.",
    )


def read_symbol_text(value: object) -> str:
    """Give any text of 1 to 60 printable characters that somebody uses as a symbol, outer spaces dropped."""
    if not isinstance(value, str) or not value.strip() or len(value) > LONGEST_SYMBOL or not value.isprintable():
        raise KeyingError("", f"Enter a symbol of 1 to {LONGEST_SYMBOL} characters, such as AA1.")
    return value.strip()


_REFUSAL = (
    "This is not a standard key symbol. Use such as AA, AA1, 1AA, A1, GGM, SKD1, X1X, XAA1 or AA1(NMK); "
    "I and O are no letters of a symbol, and X before it marks a crossed cylinder."
)


def _meaning(found: re.Match[str]) -> tuple[SymbolLevel, str | None, int | None]:
    if found["great"] is not None:
        if found["great_change"] is None:
            return SymbolLevel.GREAT_GRAND, None, None
        return SymbolLevel.CHANGE, "GGM", int(found["great_change"])
    if found["single"] is not None:
        return SymbolLevel.SINGLE, None, int(found["single"])
    if found["cross"] is not None:
        return SymbolLevel.CROSS, None, int(found["cross"])
    if found["two_level"] is not None:
        return SymbolLevel.CHANGE, found["two_level"], int(found["first"])
    if found["master"] is not None:
        if found["last"] is None:
            return SymbolLevel.MASTER, found["grand3"], None
        return SymbolLevel.CHANGE, found["master"], int(found["last"])
    if found["direct"] is None:
        return SymbolLevel.GRAND, "GGM", None
    return SymbolLevel.CHANGE, found["only"], int(found["direct"])


def master_names(grand: str = "A") -> Iterator[str]:
    """Give the masters' symbols under a grand without end: AA … AZ, A2A … A2Z, A3A …

    >>> from itertools import islice
    >>> list(islice(master_names(), 20, 24))
    ['AY', 'AZ', 'A2A', 'A2B']
    """
    for letter in LETTERS:
        yield grand + letter
    for turn in count(2):
        for letter in LETTERS:
            yield f"{grand}{turn}{letter}"


def top_symbol(levels: int) -> str:
    """Give the top's symbol: AA of two levels, A of three, GGM of four, then one G a level more.

    Four levels are the last that the published table prints; five and more are from memory.
    """
    return "AA" if levels == 2 else "A" if levels == 3 else "G" * (levels - 2) + "M"


def masters_below(symbol: str) -> Iterator[str]:
    """Give the symbols of the masters directly under a key: A … Z under G … M, AA … under A, AAA … under AA.

    What stands for something else is passed over: GGM, SKD and CTR.
    """
    if re.fullmatch("G{2,}M", symbol):
        return iter(LETTERS)
    return (name for name in master_names(symbol) if not re.fullmatch("G{2,}M|SKD|CTR", name))


def levels_by(symbols: Iterable[str]) -> int:
    """Give how many levels a system has by its top's symbol (GGGM: five), 4 where no symbol says more.

    >>> levels_by(["GGGM", "A", "AA", "AAA"]), levels_by(["A", "AA"])
    (5, 4)
    """
    there = {*symbols}
    return max((levels for levels in range(5, MOST_LEVELS + 1) if top_symbol(levels) in there), default=4)


def change_symbol(levels: int, master: str, number: int) -> str:
    """Give a change's symbol: number first with two levels (1AA), last with more (AA1) and under a selective master.

    >>> change_symbol(2, "AA", 1), change_symbol(2, "ENG", 1)
    ('1AA', 'ENG1')
    """
    return f"{number}{master}" if levels == 2 and re.fullmatch(_MASTER, master) else f"{master}{number}"


def single_symbol(number: int) -> str:
    """Give the symbol of a single-keyed cylinder in the system's books: SKD1."""
    return f"SKD{number}"


def make_symbols(levels: int, masters: int, changes_per_master: int, grands: int = 1) -> list[str]:
    """Give all symbols of a system, each master followed by its changes, each grand by its masters.

    Levels 2: AA, 1AA …; 3: A, AA, AA1 …; 4: GGM, then A, AA … under each of `grands` grands. `masters` counts
    those under one grand.

    >>> make_symbols(2, 1, 2), make_symbols(3, 2, 1)
    (['AA', '1AA', '2AA'], ['A', 'AA', 'AA1', 'AB', 'AB1'])
    """
    check_whole(levels, "levels", 2, 4)
    check_whole(masters, "masters", 1, MOST_SYMBOLS)
    check_whole(changes_per_master, "changes_per_master", 0, MOST_SYMBOLS)
    check_whole(grands, "grands", 1, len(LETTERS))
    if levels < 4 and grands != 1:
        raise KeyingError("grands", "Several grands need four levels.")
    if grands * masters * (1 + changes_per_master) > MOST_SYMBOLS:
        raise KeyingError("changes_per_master", f"That is more than {MOST_SYMBOLS:,} symbols; ask for fewer.")
    symbols = ["GGM"] if levels == 4 else []
    for grand in LETTERS[:grands]:
        if levels > 2:
            symbols.append(grand)
        for master in islice(master_names(grand), masters):
            symbols.append(master)
            symbols.extend(change_symbol(levels, master, n) for n in range(1, changes_per_master + 1))
    return symbols
