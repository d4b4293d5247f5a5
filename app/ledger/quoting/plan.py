"""What accepting a quote does: each cylinder's keyset, the keys that come with it, what is ordered; never a bitting.

A plan is a value: the counter shows it, a quote freezes it, its acceptance makes it again and says what has changed.
"""

import hashlib
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Annotated

from app.keying import SymbolLevel, read_symbol
from app.ledger.keysystems.construction import CONSTRUCTION_SYMBOL, control_of, is_construction_symbol
from app.ledger.keysystems.control import CONTROL_SYMBOL
from app.ledger.keysystems.keysets import symbols_in_words
from app.pricing import show_day
from app.validation import Form, JsonDataclass, counted, form_of

_LEVELS = [*SymbolLevel]  # from the top down


@dataclass(frozen=True, slots=True)
class KeysetOnLine(JsonDataclass):
    """A keyset and how many of a line's cylinders are on it, with how many keys in all.

    operators: the further symbols that turn them, nearest first. is_new: made when the quote is accepted.
    """

    symbol: str
    system: str
    cylinders: int
    keys: int
    operators: tuple[str, ...] = ()
    is_new: bool = True


@dataclass(frozen=True, slots=True)
class PlannedLine(JsonDataclass):
    """A line's goods. keyed_at: shop or factory, "" where nothing is keyed. to_order: how many are neither on the
    shelf nor on their way; on_order: how many orders on their way bring. here_on: when the last of those is here,
    None where that is not known. is_counted: whether anybody counts them. share: at most which share of all bittings
    turns each of its cylinders, in words; "" where nobody can say before they are keyed.
    """

    number: int
    part_number: str
    quantity: int
    keyed_at: str
    ready_on: date | None
    to_order: int
    keysets: tuple[KeysetOnLine, ...]
    on_order: int = 0
    here_on: date | None = None
    is_counted: bool = True
    share: str = ""

    @property
    def on_shelf(self) -> int:
        """How many are there."""
        return self.quantity - self.to_order - self.on_order

    @property
    def stock_words(self) -> str:
        """Where its goods come from, for the counter.

        >>> PlannedLine(1, "A1", 46, "shop", None, 10, (), 6, date(2026, 3, 10)).stock_words
        '30 on the shelf, 6 on order, 10 to order: here on Tuesday 10 March 2026'
        >>> [PlannedLine(1, "A1", 2, "", None, count, ()).stock_words for count in (0, 2)]
        ['2 on the shelf', '2 to order, the day to be confirmed']
        """
        if not self.part_number:
            return ""  # the customer's own
        if self.keyed_at == "factory":
            day = f": here on {show_day(self.here_on)}" if self.here_on else ", the day to be confirmed"
            return f"{self.quantity:,} to order, keyed at the factory{day}"
        if not self.is_counted:
            return "never counted, taken as there"
        counts = ((self.on_shelf, "on the shelf"), (self.on_order, "on order"), (self.to_order, "to order"))
        said = ", ".join(f"{count:,} {where}" for count, where in counts if count)
        if not (self.on_order or self.to_order):
            return said
        return f"{said}: here on {show_day(self.here_on)}" if self.here_on else f"{said}, the day to be confirmed"

    @property
    def words(self) -> str:
        """The line's keysets, their system, and what turns their cylinders besides; "" where it has none.

        >>> PlannedLine(1, "", 1, "shop", None, 0, (KeysetOnLine("AB7", "North Hall", 1, 2, ("AB", "A")),)).words
        'AB7 of North Hall, under AB and A'
        >>> PlannedLine(1, "", 1, "shop", None, 0, (KeysetOnLine("1AA", "Slipway", 1, 2, ("AA", "2AA")),)).words
        '1AA of Slipway, under AA, cross-keyed with 2AA'
        """
        groups: dict[tuple[str, tuple[str, ...]], list[str]] = {}
        for one in self.keysets:
            groups.setdefault((one.system, one.operators), []).append(one.symbol)
        return "; ".join(
            f"{symbols_in_words(symbols)} of {system}{_turned_by(operators)}"
            for (system, operators), symbols in groups.items()
        )


@dataclass(frozen=True, slots=True)
class PlannedKeys(JsonDataclass):
    """Keys of one keyset that come with the job; symbol `own`: copies of the customer's own key."""

    symbol: str
    system: str
    count: int


@dataclass(frozen=True, slots=True)
class PlannedBlanks(JsonDataclass):
    """Key blanks that the shop cuts keys of, by the chambers of the keys and the keyway, or keyways, that they
    enter: in JSON "AQ1" or "AQ1, AQ3".
    """

    keyway: Annotated[tuple[str, ...], Form(lambda given: tuple(form_of(str).read(given).split(", ")), ", ".join)]
    chambers: int
    count: int


@dataclass(frozen=True, slots=True)
class Plan(JsonDataclass):
    """What accepting does. lines: those with cylinders; goods: those with other things, which are sold as they are.
    begins: the master-keyed systems that are started for it. blanks: of the keys that are cut here.
    """

    lines: tuple[PlannedLine, ...] = ()
    keys: tuple[PlannedKeys, ...] = ()
    begins: tuple[str, ...] = ()
    blanks: tuple[PlannedBlanks, ...] = ()
    goods: tuple[PlannedLine, ...] = ()

    @property
    def sentences(self) -> tuple[str, ...]:
        """What accepting does besides giving the lines their keysets, a sentence each.

        >>> made = Plan((), (PlannedKeys("1AA", "Flats", 2), PlannedKeys("AA", "Flats", 3)), ("Flats",)).sentences
        >>> made[0], made[1]
        ('The key system Flats is started.', '5 keys come with it: 2 to 1AA; 3 to AA.')
        >>> made[2]
        'Keys of Flats by level: master 3, change 2.'
        """
        said = [f"The key system {name} is started." for name in self.begins]
        if self.keys:
            total = sum(one.count for one in self.keys)
            said.append(
                f"{counted(total, 'key')} {'comes' if total == 1 else 'come'} with it: {self._keys_in_words}."
            )
        said += filter(None, map(self._by_level, self.begins))
        symbols = {one.symbol for one in self.keys}
        said += [
            f"{one.symbol} of {one.system} turns the construction cores of the site until they are swapped."
            if control_of(one.symbol) in symbols
            else f"{one.symbol} of {one.system} turns the cylinders of the site until each is made dead to it."
            for one in self.keys
            if is_construction_symbol(one.symbol) and one.symbol.startswith(CONSTRUCTION_SYMBOL)
        ]
        if to_order := sum(line.to_order for line in self.lines):
            said.append(f"{counted(to_order, 'cylinder')} {'is' if to_order == 1 else 'are'} to be ordered.")
        shares: dict[str, list[str]] = {}
        for line in self.lines:
            shares.setdefault(line.share, []).append(str(line.number))
        said += [
            f"At most {share} turns each cylinder of {'line' if len(lines) == 1 else 'lines'} {_listed(lines)}."
            for share, lines in shares.items()
            if share
        ]
        said += [f"Line {line.number}: {line.stock_words}." for line in self.goods if line.to_order or line.on_order]
        return tuple(said)

    def _by_level(self, system: str) -> str:
        """How many keys of each level a system that is begun comes with, and which master over its cylinders has
        none.
        """
        over = {one: 0 for line in self.lines for k in line.keysets if k.system == system for one in k.operators}
        counts = {**over, **{one.symbol: one.count for one in self.keys if one.system == system}}
        levels: Counter[str] = Counter()
        for symbol, count in counts.items():
            if is_construction_symbol(symbol):
                levels["construction"] += count
                continue
            levels["control" if symbol == CONTROL_SYMBOL else read_symbol(symbol).level.value] += count
        said = [f"{level.value} {levels[level.value]:,}" for level in _LEVELS if level.value in levels]
        said += [f"construction {levels['construction']:,}"] if "construction" in levels else []
        bare = sorted((one for one in over if not counts[one]), key=lambda one: _LEVELS.index(read_symbol(one).level))
        none = f"; none to {symbols_in_words(bare)}" if bare else ""
        return f"Keys of {system} by level: {', '.join(said)}{none}." if said else ""

    @property
    def _keys_in_words(self) -> str:
        """How many to which keyset, with its system where they are of several."""
        groups: dict[tuple[str, int], list[str]] = {}
        for one in self.keys:
            groups.setdefault((one.system, one.count), []).append(one.symbol)
        is_several = len({system for system, _ in groups if system}) > 1
        said = []
        for (system, count), symbols in groups.items():
            if not system:
                said.append(f"{count:,} to the customer's own")
                continue
            each = " each" if len(symbols) > 1 else ""
            said.append(f"{count:,}{each} to {symbols_in_words(symbols)}" + f" of {system}" * is_several)
        return "; ".join(said)

    @property
    def mark(self) -> str:
        """Tells whether a plan that was looked at is still the one that is carried out; 64 hex digits."""
        return hashlib.sha256(repr(self).encode()).hexdigest()

    def changes(self, now: "Plan") -> tuple[str, ...]:
        """What accepting does otherwise now than this plan says, a sentence each."""
        said = []
        today = {line.number: line for line in (*now.lines, *now.goods)}
        for before in (*self.lines, *self.goods):
            after = today.get(before.number, before)
            if before.words != after.words:
                was = symbols_in_words(one.symbol for one in before.keysets)
                said.append(f"Line {before.number} gets {after.words}; it was to get {was}.")
            if after.to_order > before.to_order:
                more = f"{after.to_order:,} are to be ordered now, not {before.to_order:,}"
                said.append(f"Line {before.number}: {more}.")
            if after.keyed_at != before.keyed_at:
                said.append(f"Line {before.number} is keyed at the {after.keyed_at}, not at the {before.keyed_at}.")
            if after.ready_on != before.ready_on:
                day = f"is ready on {show_day(after.ready_on)}" if after.ready_on else "has no day yet"
                was = f", not on {show_day(before.ready_on)}" if before.ready_on else ""
                said.append(f"Line {before.number} {day}{was}.")
        return tuple(said)


def _turned_by(operators: Sequence[str]) -> str:
    named = [one for one in operators if not is_construction_symbol(one)]
    crossing = [one for one in named if one[0].isdigit() or one[-1].isdigit()]  # a change; masters bear no number
    over = [one for one in named if one not in crossing]
    under = f", under {_listed(over)}" if over else ""
    return f"{under}, cross-keyed with {_listed(crossing)}" if crossing else under


def _listed(words: Sequence[str]) -> str:
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1])))
