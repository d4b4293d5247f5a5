"""The symbols of somebody's list: those of the standard coding as they read, and next free ones for its own names."""

import re
from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace

from app.keying.errors import KeyingError
from app.keying.symbols import (
    LETTERS,
    LONGEST_SYMBOL,
    MOST_LEVELS,
    UPPER_LEVELS,
    KeySymbol,
    SymbolLevel,
    change_symbol,
    levels_by,
    master_names,
    read_symbol,
    single_symbol,
)

CONTROL_OF_LISTS = "CTR"
GREAT = "GGM"
USUAL_SELECTIVE = "ENG"


LIST_LEVELS = tuple(level for level in SymbolLevel if level is not SymbolLevel.CROSS)
"""What a list says of a key."""
_WORDS = {
    SymbolLevel.TOP: "top master|top|tmk|tm|top master key",
    SymbolLevel.GREAT_GRAND: "great grand master|great grand|ggmk|ggm|great grand master key",
    SymbolLevel.GRAND: "grand master|grand|gmk|gm|grand master key|grandmaster|grandmaster key",
    SymbolLevel.MASTER: "master|mk|master key|submaster|sub master|sub-master|floor master|department master",
    SymbolLevel.CHANGE: "change|change key|individual|individual key|operating key|day key|user key|room key",
    SymbolLevel.SINGLE: "single keyed|single|skd|single key|keyed single",
    SymbolLevel.CONTROL: "control|ctr|ck|control key|core key",
    SymbolLevel.SELECTIVE: "selective master|selective|selective master key|selective key",
}
_LEVEL_OF = {word: level for level, words in _WORDS.items() for word in words.split("|")}
_OVER = (SymbolLevel.TOP, *UPPER_LEVELS)
_ABBREVIATION = re.compile(r"([MGTC])(?:K|M)\d*")
_NUMBER_LAST = re.compile(r"(X?[A-Z](?:[A-Z0-9]*[A-Z])?)[-‐‑–._]?0*([1-9]\d*)(\([A-Z]+\))?")
_NUMBER_FIRST = re.compile(r"0*([1-9]\d*)[-‐‑–._]?([A-Z][A-Z0-9]*[A-Z])(\([A-Z]+\))?")
_HEADINGS = frozenset(("bitting", "bittings", "cuts", "keycuts", "combination", "depths", "keycode", "keybitting"))


@dataclass(frozen=True, slots=True)
class SentRow:
    """A row as somebody's list has it: its number there, and its cells."""

    row: int
    symbol: object = ""
    bitting: object = field(default="", repr=False)
    level: object = ""


@dataclass(frozen=True, slots=True)
class NamedKey:
    """A key by what its symbol and level say. own: as the list said it. symbol: of the standard coding, "" where it
    has none yet. level: never TOP, None where nobody knows. is_placed: its parent is told by the order of rows alone.
    """

    own: str
    symbol: str = ""
    level: SymbolLevel | None = None
    parent: str | None = None
    is_placed: bool = False


@dataclass(frozen=True, slots=True)
class KeyAside:
    """A row that is not taken, and why. could_matter: whether there may be a key of it whose cuts no row tells for
    sure, so that a new key could be cut like it.
    """

    row: int
    key: NamedKey
    reason: str
    could_matter: bool = True


@dataclass(frozen=True, slots=True)
class KeyAsked:
    """A row of which somebody has to say something: `asks` is bitting, level or symbol. zero: the cuts with the zero
    back that was lost, where that may be all.
    """

    row: int
    key: NamedKey
    asks: str
    question: str
    zero: str = field(default="", repr=False)


def level_of(words: object) -> SymbolLevel | None:
    """What a list's word for a level means by the trade's usage; None where that is not plain.

    >>> level_of("GMK"), level_of("Change keys"), level_of("level 2")
    (<SymbolLevel.GRAND: 'grand master'>, <SymbolLevel.CHANGE: 'change'>, None)
    """
    word = " ".join(str(words or "").casefold().replace(".", "").split())
    return _LEVEL_OF.get(word) or _LEVEL_OF.get(word.removesuffix("s"))


def is_control_symbol(text: str) -> bool:
    """Whether a symbol names a control key: CTR as lock makers print it, or CK.

    >>> is_control_symbol("ck"), is_control_symbol("AA1")
    (True, False)
    """
    return text.strip().upper() in ("CONTROL", "CK", CONTROL_OF_LISTS)


def cell_words(cell: object) -> str:
    """A cell as text; a spreadsheet's 101.0 is 101."""
    text = "" if cell is None or isinstance(cell, bool) else " ".join(str(cell).split())
    return text[:-2] if re.fullmatch(r"\d+\.0", text) else text


def why_no_key(row: SentRow) -> str:
    """Why a row is none of a key; "" for one that is."""
    cells = [cell_words(row.symbol), cell_words(row.bitting), cell_words(row.level)]
    if not any(cells):
        return "The row is empty."
    is_heading = "".join(cells[1].casefold().split()) in _HEADINGS
    return "The headings stand here again." if is_heading else ""


def _standard(text: str) -> KeySymbol | None:
    """A symbol of the standard coding, also with a hyphen or zeros before its number; None of another name."""
    plain = "".join(text.upper().split())
    if last := _NUMBER_LAST.fullmatch(plain):
        plain = f"{last[1]}{last[2]}{last[3] or ''}"
    elif first := _NUMBER_FIRST.fullmatch(plain):
        plain = f"{first[1]}{first[2]}{first[3] or ''}"
    try:
        return read_symbol(plain)
    except KeyingError:
        return None


def _deep(text: str) -> KeySymbol | None:
    """A symbol of a system of five levels and more; None of another name."""
    for levels in range(5, MOST_LEVELS + 1):
        with suppress(KeyingError):
            return read_symbol(text, levels=levels)
    return None


def levels_of_list(symbols: Iterable[str]) -> int:
    """How many levels symbols of the standard coding make: by their top's, else by the most letters of one.

    >>> levels_of_list(["GGGM", "A", "AA"]), levels_of_list(["A", "AA", "AAA1"]), levels_of_list(["A", "SKD1", "CTR"])
    (5, 5, 4)
    """
    known = [one for one in symbols if not re.fullmatch("(?:GGM|SKD|CTR)[0-9]*", one)]
    if (by_top := levels_by(known)) > 4:
        return by_top
    deepest = max((sum(map(str.isalpha, one)) for one in known), default=0)
    return max(4, deepest + 2 if deepest > 2 else 4)


class ListCoding:
    """The symbols of a list: those that it says, and the next free ones for names of its own."""

    def __init__(self, rows: Sequence[SentRow], *, has_own_names: bool) -> None:
        self._read: dict[str, KeySymbol] = {}
        said = dict.fromkeys(cell_words(row.symbol) for row in rows if not why_no_key(row))
        self._behind: set[str] = set()
        """What stands in parentheses behind symbols of the list: its selective master."""
        if not has_own_names:
            self._read_standard(said)
        self._used = {one.own_key for one in self._read.values()}
        self._given: dict[str, NamedKey] = {}
        self._master = self._grand = self._selective = ""
        self._questions: dict[int, KeyAsked | KeyAside] = {}
        self._names: dict[int, NamedKey] = {}
        self._numbers: dict[str | None, int] = {}
        levels: dict[str, SymbolLevel] = {}
        for row in rows:
            if not why_no_key(row) and (level := self._level(row)) is not None:
                levels.setdefault(self._same(cell_words(row.symbol)) or f"row {row.row}", level)
        self._shape(levels)
        keys = [row for row in rows if not why_no_key(row) and row.row not in self._questions]
        for row in keys:
            self._place(row)
        self._place_selective(keys)
        self._place_changes([row for row in keys if row.row not in self._questions])

    def _read_standard(self, said: Iterable[str]) -> None:
        read = {own: one for own in said if own and not is_control_symbol(own) and (one := _standard(own))}
        short = {own: _ABBREVIATION.fullmatch(one.own_key) for own, one in read.items()}
        grands = {one.own_key.lstrip("0123456789")[:1] for own, one in read.items() if not short[own]}
        self._read = {own: one for own, one in read.items() if not (found := short[own]) or found[1] in grands}
        known = {one.own_key for one in self._read.values()}
        self._behind = {one.selective for one in self._read.values()} - {""}
        for own in said:
            if own in read or not own or own.upper() in self._behind:
                continue
            if (deep := _deep(own)) is None:
                continue
            letters = deep.own_key.rstrip("0123456789")
            if letters[0] == letters[1] == "G" or any(letters[:end] in known for end in range(1, len(letters))):
                self._read[own] = deep
        if (levels := levels_of_list(one.own_key for one in self._read.values())) > 4:
            for own, one in list(self._read.items()):
                with suppress(KeyingError):  # a symbol that is too deep for the list's top keeps its own reading
                    self._read[own] = read_symbol(one.text, levels=levels)

    @staticmethod
    def _same(own: str) -> str:
        return "".join(own.casefold().split())

    def _level(self, row: SentRow) -> SymbolLevel | None:
        """The level of a row's key; what keeps it from being known is noted as the row's question."""
        own, said = cell_words(row.symbol), cell_words(row.level)
        named = level_of(said)
        read = self._read.get(own)

        def ask(field: str, words: str) -> None:
            key = NamedKey(own[:LONGEST_SYMBOL], read.own_key if read else "")
            self._questions[row.row] = KeyAsked(row.row, key, field, words)

        if len(own) > LONGEST_SYMBOL or not (own == "" or own.isprintable()):
            ask("symbol", f"A symbol has at most {LONGEST_SYMBOL} characters, all of which can be printed.")
        elif read is not None and read.level is SymbolLevel.CROSS:
            has_cuts = bool(cell_words(row.bitting))
            words = f"{read.text} is a crossed cylinder without a key of its own: cross-key it on the system's page"
            words += "; yet a bitting stands beside it." if has_cuts else "."
            self._questions[row.row] = KeyAside(row.row, NamedKey(own), words, has_cuts)
        elif read is not None:
            by_code = read.level
            is_alike = named in (None, by_code) or (named in _OVER and by_code in _OVER)
            if is_alike or (named, by_code) == (SymbolLevel.CHANGE, SymbolLevel.SINGLE):
                return by_code
            ask("level", f"{read.text} is the symbol of a {by_code.value}, and the list calls it {said[:40]}.")
        elif named is None and said:
            ask("level", f"What level is {said[:40]!r}?")
        else:
            bare = own.rstrip("0123456789").rstrip(" -#.") if own else ""
            by_name = SymbolLevel.CONTROL if is_control_symbol(own) else level_of(bare)
            level = named or (SymbolLevel.SELECTIVE if own.upper() in self._behind else by_name)
            if level is None:
                ask("level", f"What level is {own[:40]}? Nothing says so." if own else "Neither symbol nor level.")
            return level
        return None

    def _shape(self, levels: Mapping[str, SymbolLevel]) -> None:
        """Which symbols the levels of names that are the list's own get."""
        there = [*levels.values()]
        symbols = [one.own_key for one in self._read.values()]
        self._has_great = SymbolLevel.GREAT_GRAND in there
        has_grand = self._has_great or SymbolLevel.GRAND in there
        counted = there.count(SymbolLevel.MASTER) + there.count(SymbolLevel.TOP)
        is_last = any(one.number and one.own_key[0].isalpha() and one.parent for one in self._read.values())
        is_first = any(symbol[0].isdigit() for symbol in symbols)
        self._is_two = is_first or not (has_grand or is_last or counted > 1)
        self._top = "AA" if self._is_two else GREAT if has_grand else "A"
        if is_first and SymbolLevel.TOP in there:
            self._top = next(str(one.parent) for one in self._read.values() if one.own_key[0].isdigit())
        self._has_great |= self._top == GREAT and SymbolLevel.TOP in there
        self._masters = there.count(SymbolLevel.MASTER)
        self._grands = there.count(SymbolLevel.GRAND)

    def _place(self, row: SentRow) -> None:
        """Name a row's key, with its symbol where it is a master's or the list says it; changes of own names wait."""
        own, read, level = cell_words(row.symbol), self._read.get(cell_words(row.symbol)), self._level(row)
        if level is None:
            return
        if read is not None:
            key = NamedKey(own, read.own_key, level, self._parent(read))
        elif own and (known := self._given.get(self._same(own))):
            key = replace(known, own=own)
        elif level in _OVER:
            found = self._master_key(own, level)
            if found is None:
                words = f"A second top master, beside {self._top}: do two systems stand in this list?"
                self._questions[row.row] = KeyAsked(row.row, NamedKey(own), "level", words)
                return
            key = found
            self._used.add(key.symbol)
            if own:
                self._given[self._same(own)] = key
        elif level is SymbolLevel.CONTROL:
            key = NamedKey(own, CONTROL_OF_LISTS, level)
        elif level is SymbolLevel.SELECTIVE:
            key = NamedKey(own, own.upper() if own.isalpha() else USUAL_SELECTIVE, level)
        elif level is SymbolLevel.SINGLE:
            key = NamedKey(own, "", level)
        else:
            return
        if key.level is SymbolLevel.GRAND:
            self._grand = key.symbol
        self._names[row.row] = key

    def _place_selective(self, rows: Sequence[SentRow]) -> None:
        """Put the selective master, one at most, under the top master, whose cuts it has but for one chamber."""
        top = next((one.symbol for one in self._names.values() if one.level in _OVER and one.parent is None), None)
        for row in rows:
            key = self._names.get(row.row)
            if key is None or key.level is not SymbolLevel.SELECTIVE:
                continue
            if top is None:
                words = "The list has no top master, under which a selective master stands."
                self._questions[row.row] = KeyAside(row.row, key, words)
            elif self._selective not in ("", key.symbol):
                words = f"A second selective master, beside {self._selective}: a system has at most one."
                self._questions[row.row] = KeyAsked(row.row, replace(key, symbol="", level=None), "symbol", words)
            else:
                self._selective = key.symbol
                self._names[row.row] = replace(key, parent=top)

    def _parent(self, read: KeySymbol) -> str | None:
        """The key over a symbol of the list's own coding, as far as the list has such a level."""
        if read.level is SymbolLevel.MASTER and read.parent and len(read.parent) == 1:
            return None if self._is_two else read.parent
        if read.parent and re.fullmatch("G{3,}M", read.parent):
            return read.parent if read.parent in self._used else None
        if read.level is SymbolLevel.GRAND and read.parent == GREAT:
            return GREAT if self._has_great else None
        return read.parent

    def _master_key(self, own: str, level: SymbolLevel) -> NamedKey | None:
        """A master by its own name; None for a second top master."""
        if level in (SymbolLevel.TOP, SymbolLevel.GREAT_GRAND):
            symbol = self._top if level is SymbolLevel.TOP else GREAT
            if symbol in self._used:
                return None
            real = (
                SymbolLevel.MASTER
                if self._is_two
                else SymbolLevel.GRAND
                if symbol == "A"
                else SymbolLevel.GREAT_GRAND
            )
            return NamedKey(own, symbol, real)
        over = GREAT if self._has_great else None
        if level is SymbolLevel.GRAND:
            free = next((letter for letter in LETTERS if letter not in self._used), None)
            return NamedKey(own, free, level, over) if free else None
        grand = self._grand or next((one for one in sorted(self._used) if len(one) == 1), "A")
        free = next(name for name in master_names(grand) if name not in self._used)
        return NamedKey(own, free, level, None if self._is_two else grand, self._grands > 1)

    def _place_changes(self, rows: Sequence[SentRow]) -> None:
        """Put each change of the list's own names under the master before it, else under the first there is."""
        levels = (SymbolLevel.MASTER,) if self._masters else (SymbolLevel.GRAND, SymbolLevel.GREAT_GRAND)
        over = dict.fromkeys(one.symbol for one in self._names.values() if one.level in levels)
        none = self._top if self._is_two or self._has_great else "AA"
        before = next(iter(over), none)
        for row in rows:
            if key := self._names.get(row.row):
                before = key.symbol if key.symbol in over else before
            else:
                self._names[row.row] = NamedKey(cell_words(row.symbol), "", SymbolLevel.CHANGE, before, len(over) > 1)

    def name(self, row: SentRow) -> NamedKey | KeyAsked | KeyAside:
        """What the key of a row is, or why that is not known."""
        return self._questions.get(row.row) or self._names[row.row]

    def give(self, key: NamedKey) -> NamedKey:
        """The key with its symbol, the next free one where it has none."""
        if key.symbol:
            return key
        if key.own and (known := self._given.get(self._same(key.own))):
            return replace(known, own=key.own)
        under = key.parent if key.level is SymbolLevel.CHANGE else None
        number = self._numbers.get(under, 1)
        levels = 2 if self._is_two else 3

        def made(number: int) -> str:
            return change_symbol(levels, under, number) if under else single_symbol(number)

        while made(number) in self._used:
            number += 1
        self._numbers[under] = number
        return replace(key, symbol=made(number))

    def keep(self, key: NamedKey) -> NamedKey:
        """Note that a key is taken by its symbol."""
        self._used.add(key.symbol)
        if key.own:
            self._given.setdefault(self._same(key.own), key)
        return key
