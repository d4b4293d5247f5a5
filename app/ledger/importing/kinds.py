"""What an importable kind of rows is made of: columns, what its rows would change, how they are saved."""

from bisect import bisect_left
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import Enum, StrEnum
from types import MappingProxyType
from typing import Any, NamedTuple

from sqlalchemy.orm import Session

from app.ledger.store.work import Work
from app.ledger.tables import Import, Role
from app.spreadsheets import WantedColumn


class CellKind(Enum):
    """How a cell becomes a value. LINES: a text of several lines. CHOICE: one of the house's own words."""

    TEXT = "text"
    LINES = "lines"
    CODE = "code"
    MONEY = "money"
    DAY = "day"
    WHOLE = "whole number"
    YES_NO = "yes or no"
    CHOICE = "choice"


YES_NO = {"yes": "yes", "no": "no"}


@dataclass(frozen=True, slots=True, kw_only=True)
class ImportColumn(WantedColumn):
    """A column: how its cells are read, at most how many characters, whether each row has to say it.

    choices: the house's own words for it, each with what the page says; reads: which of them another word plainly
    means, "" for none. check: refuses what the form of this record
    would refuse, with a BitternError, and gives the value as it is kept.
    """

    words: str
    cell: CellKind = CellKind.TEXT
    most: int = 200
    is_needed: bool = False
    choices: Callable[[Session], Mapping[str, str]] | None = None
    reads: Callable[[str], str] | None = None
    check: Callable[[str, str], Any] | None = None

    @property
    def heads(self) -> tuple[str, ...]:
        """Every heading that means it."""
        return (self.name, self.words, *self.also)


class ImportRow(NamedTuple):
    """A row of the table as values by column; "" or None where its cell is empty."""

    row: int
    values: Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class ImportRows:
    """The rows of a table, kept by column; each is put together when it is asked for, since there may be many.

    today: from when holds what names no day.
    """

    numbers: Sequence[int] = ()
    columns: Mapping[str, Sequence[Any]] = field(default_factory=dict)
    today: date | None = None

    def __iter__(self) -> Iterator[ImportRow]:
        for number, values in zip(self.numbers, zip(*self.columns.values(), strict=True), strict=True):
            yield ImportRow(number, dict(zip(self.columns, values, strict=True)))

    def __contains__(self, column: object) -> bool:
        return column in self.columns

    def said(self, row: int) -> dict[str, Any]:
        """The values of a row, by its number in the file."""
        return self.at(bisect_left(self.numbers, row))

    def at(self, place: int) -> dict[str, Any]:
        """The values of a row, by its place among them."""
        return {name: values[place] for name, values in self.columns.items()}


class RowProblem(NamedTuple):
    """What is wrong with a row, and in which column, as the file has it."""

    row: int
    place: str
    message: str


NOTHING: Mapping[str, tuple[str, str]] = MappingProxyType({})


class RowState(StrEnum):
    """What saving a row would do."""

    NEW = "new"
    CHANGED = "changed"
    SAME = "as it is"


class RowPlan(NamedTuple):
    """What a row would do: of which record, and each field before and after. value: what `save` needs.

    A new one's fields may be left to what its row says.
    """

    row: int
    state: RowState
    title: str
    fields: Mapping[str, tuple[str, str]] = NOTHING
    value: Any = None


class RowPlans(Sequence[RowPlan]):
    """What the rows of a table would do, kept by column, as they are themselves: there may be many."""

    def __init__(self, plans: Iterable[RowPlan] = ()) -> None:
        self._columns: tuple[list[Any], ...] = ([], [], [], [], [])
        for plan in plans:
            self.add(*plan)

    def add(
        self,
        row: int,
        state: RowState,
        title: str,
        fields: Mapping[str, tuple[str, str]] = NOTHING,
        value: Any = None,
    ) -> None:
        """Add what one would do."""
        rows, states, titles, every, values = self._columns
        rows.append(row)
        states.append(state)
        titles.append(title)
        every.append(fields)
        values.append(value)

    def __len__(self) -> int:
        return len(self._columns[0])

    def __iter__(self) -> Iterator[RowPlan]:
        return map(RowPlan._make, zip(*self._columns, strict=True))

    def __getitem__(self, place: Any) -> Any:
        if isinstance(place, slice):
            return [self[at] for at in range(*place.indices(len(self)))]
        return RowPlan._make(column[place] for column in self._columns)


Refuse = Callable[[int, str, str], None]
"""Says of a row, by the name of one of its columns, what is wrong."""


@dataclass(frozen=True, slots=True)
class ImportKind:
    """A kind of rows. about: the noun of the one record that a table may be all about, whose columns `about_columns`
    are then not asked for. order: in which the columns stand where a table has no headings. has_first_day: whether
    what names no day of its own holds from one that is asked for.

    plan: what rows would do, those left out that it refuses. save: does it, by the use cases that a page would ask,
    inside the caller's transaction. leans, take_back: where what was written is undone otherwise than by deleting
    what is new and putting back what was there. is_secret: whether a table is kept under seal while it waits.
    Without columns it comes in by a page of its own alone.
    """

    name: str
    words: str
    noun: str
    columns: tuple[ImportColumn, ...]
    plan: Callable[[Session, int | None, ImportRows, Refuse], Sequence[RowPlan]]
    save: Callable[[Work, int | None, Sequence[RowPlan], ImportRows], None]
    leans: Callable[[Session, Import], tuple[str, ...]] | None = None
    take_back: Callable[[Work, Mapping[str, Any]], None] | None = None
    roles: tuple[Role, ...] = ()
    hint: str = ""
    order: tuple[str, ...] = ()
    has_first_day: bool = False
    is_secret: bool = False
    about: str = ""
    about_columns: tuple[str, ...] = ()

    def columns_for(self, about_id: int | None) -> tuple[ImportColumn, ...]:
        """The columns to ask for."""
        left_out = self.about_columns if about_id is not None else ()
        return tuple(column for column in self.columns if column.name not in left_out)
