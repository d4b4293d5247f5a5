"""Another shop's list of a key system, row by row: what is taken, what is asked about it, what stands aside and why.

Nothing is guessed. A symbol of the standard coding is taken as it reads, blanks, case, a hyphen and zeros before its
number aside. A name of the shop's own ('GMK', 'MK1', '101', 'Grand master') gets the next free symbol of its level,
which its column tells, else the name itself; where neither does, the row asks. MK, GM, TM and CK with or without a
number are such names, unless others of the list stand under a grand M, G, T or C. Five and more levels (AAA1) are
read where their letters lead up to a key of the list.

A master by its own name stands under the grand before it in the list, a change under the master before it, else
under the first there is: `is_placed` marks both where there are several, for the list does not say so. A change whose
master the list lacks is taken, the master named in `missing`. A second top master asks. A crossed cylinder without
a key of its own (X1X) stands aside; X and parentheses around a key are its cylinder's, and the key is taken. A symbol
or bitting that stands twice, however its blanks and letters are written, is taken where it stands first. Empty rows
and headings that stand again are aside.

What stands in parentheses behind a change, such as ENG behind AA1(ENG), names the selective master of the list.
"""

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from app.keying.errors import KeyingError
from app.keying.list_coding import (
    CONTROL_OF_LISTS,
    GREAT,
    KeyAside,
    KeyAsked,
    ListCoding,
    NamedKey,
    SentRow,
    cell_words,
    levels_of_list,
    why_no_key,
)
from app.keying.listed_cuts import CutsAsked, lost_zero, read_cuts
from app.keying.spec import Bitting, BittingSpec
from app.keying.symbols import SymbolLevel, read_symbol, top_symbol

MOST_LISTED_ROWS = 200_000


@dataclass(frozen=True, slots=True)
class KeyTaken:
    """A row that is taken, with its cuts, bow to tip."""

    row: int
    key: NamedKey
    cuts: Bitting = field(repr=False)


@dataclass(frozen=True, slots=True)
class OldList:
    """Each row in just one of taken, aside and asked. missing: masters over what is taken that are not taken. roots:
    the highest keys that the symbols speak of; with two and more, two systems may stand in the list.
    """

    taken: tuple[KeyTaken, ...]
    aside: tuple[KeyAside, ...]
    asked: tuple[KeyAsked, ...]
    missing: tuple[str, ...]
    roots: tuple[str, ...]

    @property
    def levels(self) -> int:
        """How many levels the symbols speak of, 1 where all stand alone."""
        said = {*self.missing, *_coded(self.taken)}
        if (deep := levels_of_list(said)) > 4 or GREAT in said:
            return deep
        if any(symbol[0].isdigit() for symbol in said):
            return 2
        return 3 if any(symbol.isalpha() and symbol != CONTROL_OF_LISTS for symbol in said) else 1

    @property
    def waiting(self) -> dict[str, int]:
        """The row of each missing master that the list has, which stands aside or asks."""
        rows = {one.key.symbol: one.row for one in self.aside} | {one.key.symbol: one.row for one in self.asked}
        return {symbol: rows[symbol] for symbol in self.missing if symbol in rows}

    def without(self, rows: Collection[int], reason: str = "", *, could_matter: bool = True) -> "OldList":
        """The same without some taken rows: aside for a reason, or gone where there is none."""
        gone = [one for one in self.taken if one.row in rows]
        aside = [KeyAside(one.row, one.key, reason, could_matter) for one in gone] if reason else []
        return _found([one for one in self.taken if one.row not in rows], [*self.aside, *aside], self.asked)

    def only_under(self, root: str) -> "OldList":
        """The same with what stands under one of its roots, and what stands under none: single keys, unread rows."""
        above = _parents(self.taken)
        others = {symbol for symbol in above if _root(symbol, above) not in (root, "")}
        left = self.without([one.row for one in self.taken if one.key.symbol in others])

        def is_ours(one: KeyAside | KeyAsked) -> bool:
            return one.key.symbol not in others and one.key.parent not in others

        return replace(left, aside=tuple(filter(is_ours, left.aside)), asked=tuple(filter(is_ours, left.asked)))

    def under_one_top(self) -> "OldList":
        """The same as one system, whose top master is missing over its roots."""
        if len(self.roots) < 2:
            return self
        levels = levels_of_list(_coded(self.taken))
        top = top_symbol(levels) if any(len(root) == 1 for root in self.roots) else "A"
        taken = tuple(
            replace(one, key=replace(one.key, parent=top)) if one.key.symbol in self.roots else one
            for one in self.taken
        )
        return replace(self, taken=taken, missing=(top, *self.missing), roots=(top,))


def read_old_list(
    spec: BittingSpec, rows: Sequence[SentRow], *, is_tip_first: bool = False, has_own_names: bool = False
) -> OldList:
    """Read a list. is_tip_first: cuts stand tip to bow. has_own_names: no symbol of it is of the standard coding.

    >>> spec = BittingSpec(chambers=6, depths=10, macs=7)
    >>> found = read_old_list(spec, [SentRow(1, "TMK", "4 1 7 2 5 0"), SentRow(2, "101", "275038", "change")])
    >>> [(one.key.symbol, one.key.own) for one in found.taken]
    [('AA', 'TMK'), ('1AA', '101')]
    """
    coding = ListCoding(rows, has_own_names=has_own_names)
    taken: dict[str, KeyTaken] = {}
    by_cuts: dict[Bitting, KeyTaken] = {}
    aside: list[KeyAside] = []
    asked: list[KeyAsked] = []
    for row in rows:
        if plain := why_no_key(row):
            aside.append(KeyAside(row.row, NamedKey(cell_words(row.symbol)), plain, could_matter=False))
            continue
        named = coding.name(row)
        if isinstance(named, KeyAside):
            aside.append(named)
            continue
        question = named if isinstance(named, KeyAsked) else None
        key = named.key if isinstance(named, KeyAsked) else named
        try:
            cuts = read_cuts(spec, row.bitting, is_tip_first=is_tip_first)
        except CutsAsked as error:
            zero = lost_zero(spec, row.bitting)
            words = f"{question.question} {error.message}" if question else error.message
            asked.append(KeyAsked(row.row, key, question.asks if question else "bitting", words, zero))
            continue
        except KeyingError as error:
            aside.append(KeyAside(row.row, key, error.message))
            continue
        if question:
            asked.append(question)
            continue
        given = coding.give(key)
        if first := taken.get(given.symbol):
            aside.append(KeyAside(row.row, given, *_again(given, cuts, first)))
        elif other := by_cuts.get(cuts):
            words = f"The same bitting as row {other.row}, {other.key.own or other.key.symbol}: one must be another."
            aside.append(KeyAside(row.row, key, words))
        else:
            taken[given.symbol] = by_cuts[cuts] = KeyTaken(row.row, coding.keep(given), cuts)
    return _found(taken.values(), aside, asked)


def _found(taken: Iterable[KeyTaken], aside: Iterable[KeyAside], asked: Iterable[KeyAsked]) -> OldList:
    every = tuple(taken)
    above, symbols = _parents(every), {one.key.symbol for one in every}
    chains = dict.fromkeys(parent for symbol in symbols for parent in _above(symbol, above))
    roots = dict.fromkeys(filter(None, (_root(one.key.symbol, above) for one in every)))
    missing = tuple(sorted(one for one in chains if one not in symbols))
    return OldList(every, tuple(sorted(aside, key=_row)), tuple(asked), missing, tuple(roots))


def _row(one: KeyAside) -> int:
    return one.row


def _again(key: NamedKey, cuts: Bitting, first: KeyTaken) -> tuple[str, bool]:
    """Why a key is not taken a second time, and whether it matters."""
    if cuts == first.cuts:
        return f"The same again as row {first.row}.", False
    is_told = key.own not in (first.key.own, key.symbol)
    said = f"{key.own} is {key.symbol}, as row {first.row} is" if is_told else f"As row {first.row}"
    return f"{said}, with other cuts: one must be another key.", True


def _coded(taken: Iterable[KeyTaken]) -> list[str]:
    """The symbols that tell levels: a selective master's letters do not."""
    return [one.key.symbol for one in taken if one.key.level is not SymbolLevel.SELECTIVE]


def _parents(taken: Collection[KeyTaken]) -> dict[str, str | None]:
    """Symbol → the one above it, of the masters too that the symbols alone speak of."""
    above = {one.key.symbol: one.key.parent for one in taken}
    is_two = any(symbol[0].isdigit() for symbol in above)
    levels = levels_of_list([*_coded(taken), *filter(None, above.values())])
    for parent in list(above.values()):
        while parent and parent not in above:
            over = _over(parent, levels)
            is_top = over is not None and re.fullmatch("G+M", over)
            above[parent] = None if is_two or (is_top and over not in above) else over
            parent = above[parent]
    return above


def _over(master: str, levels: int) -> str | None:
    """The key that stands over a master by its symbol; None where a system of so many levels has no such symbol."""
    try:
        return read_symbol(master, levels=levels).parent
    except KeyingError:
        return None


def _above(symbol: str, above: Mapping[str, str | None]) -> list[str]:
    chain: list[str] = []
    while (parent := above.get(symbol)) is not None:
        chain.append(parent)
        symbol = parent
    return chain


def _root(symbol: str, above: Mapping[str, str | None]) -> str:
    """The highest key over a symbol, itself where it is a master; "" of what stands alone."""
    if chain := _above(symbol, above):
        return chain[-1]
    return symbol if symbol != CONTROL_OF_LISTS and not symbol[-1:].isdigit() else ""
