"""A table by its columns: which means what, the sender's words, and each row as values with every problem."""

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import compress
from typing import Any

from sqlalchemy.orm import Session

from app.errors import BitternError
from app.ledger.importing.kinds import YES_NO, CellKind, ImportColumn, ImportKind, ImportRows, RowProblem
from app.spreadsheets import (
    FoundColumn,
    FoundTable,
    cell_code,
    cell_day,
    cell_money,
    cell_whole,
    cell_whole_cents,
    changed_cells,
    day_order,
    guess_columns,
    heading_key,
    money_style,
    says_cents,
)
from app.validation import JsonDataclass, fault_of_length

_YES = frozenset({"yes", "y", "x", "true", "1", "t"})
_NO = frozenset({"no", "n", "false", "0", "-", "f"})
_MOST_WORDS = 60  # words of a column that somebody is asked about


@dataclass(frozen=True, slots=True)
class TableChoice(JsonDataclass):
    """How a table is read: the place of each column, what the sender's words mean, whether days name the month first.

    A word that means "" leaves its cell empty.
    """

    columns: Mapping[str, int] = field(default_factory=dict)
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    day_order: str = ""


@dataclass(frozen=True, slots=True)
class TableQuestions:
    """What somebody has to say before a table can be read: columns that are needed and not found, by their words;
    words of which nobody knows the meaning, by column; whether days such as 03/04/2026 name the month first.
    """

    missing: tuple[str, ...]
    words: Mapping[str, tuple[str, ...]]
    asks_day_order: bool
    day_samples: tuple[str, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Whether nothing is to be asked."""
        return not (self.missing or self.words or self.asks_day_order)


@dataclass(frozen=True, slots=True)
class ReadTable:
    """The rows that can be read, and every problem so far."""

    rows: ImportRows
    problems: list[RowProblem]
    places: Mapping[str, str]  # column → where the file has it, or its words

    def refuse(self, row: int, column: str, message: str) -> None:
        """Say what is wrong with a row."""
        self.problems.append(RowProblem(row, self.places.get(column, column), message))


def guess_choice(kind: ImportKind, about_id: int | None, table: FoundTable) -> tuple[TableChoice, bool]:
    """Which column is which by the table itself, and whether that is certain."""
    wanted = kind.columns_for(about_id)
    if kind.order and not any(column.heading for column in table.columns):
        places = [column.place for column in table.columns]
        by_name = {column.name: column for column in wanted}
        found = {
            name: place
            for name, place in zip(kind.order, places, strict=False)
            if (reads := by_name[name].reads) is None or _mostly(map(reads, table.cells(place)))
        }
        return TableChoice(found), False
    guesses = guess_columns(table, [_with_its_words(column) for column in wanted])
    columns = {name: guess.place for name, guess in guesses.items()}
    return TableChoice(columns), all(guess.is_sure for guess in guesses.values())


def _mostly(read: Iterable[str]) -> bool:
    """Whether most cells of a column are its words."""
    every = [*read]
    return 2 * sum(map(bool, every)) > len(every)


def _with_its_words(column: ImportColumn) -> ImportColumn:
    """The column with its own words among the headings that mean it."""
    return replace(column, also=(column.words, *column.also))


def options_of(session: Session, column: ImportColumn) -> Mapping[str, str]:
    """The house's own words for a column of choices, each with what the page says."""
    if column.cell is CellKind.YES_NO:
        return YES_NO
    return column.choices(session) if column.choices else {}


def questions_of(
    session: Session, kind: ImportKind, about_id: int | None, table: FoundTable, choice: TableChoice
) -> TableQuestions:
    """What is left to be said about a table."""
    wanted = kind.columns_for(about_id)
    missing = tuple(one.words for one in wanted if one.is_needed and one.name not in choice.columns)
    words: dict[str, tuple[str, ...]] = {}
    samples: list[str] = []
    for column in wanted:
        place = choice.columns.get(column.name)
        if place is None:
            continue
        if column.cell in (CellKind.CHOICE, CellKind.YES_NO):
            means = _means(session, column, choice.words.get(column.name, {}))
            unknown = dict.fromkeys(cell for cell in table.cells(place) if cell and means(cell) is None)
            if unknown:
                words[column.name] = tuple(unknown)[:_MOST_WORDS]
        elif column.cell is CellKind.DAY and not choice.day_order and day_order(cells := table.cells(place)) is None:
            samples += [*dict.fromkeys(filter(None, cells))][:3]
    return TableQuestions(missing, words, bool(samples), tuple(samples))


def _means(session: Session, column: ImportColumn, said: Mapping[str, str]) -> Callable[[str], str | None]:
    """What a word of a column means; None where nobody knows."""
    options = options_of(session, column)
    known = {label.casefold(): word for word, label in options.items()}
    known |= {word.casefold(): word for word in options}
    if column.cell is CellKind.YES_NO:
        known |= dict.fromkeys(_YES, "yes") | dict.fromkeys(_NO, "no")
    told = {word.casefold(): meaning for word, meaning in said.items() if meaning == "" or meaning in options}

    def meaning(cell: str) -> str | None:
        folded = cell.casefold()
        if folded in known or folded in told:
            return known[folded] if folded in known else told[folded]
        return (column.reads(cell) or None) if column.reads else None

    return meaning


def place_words(column: FoundColumn) -> str:
    """Where a column stands, as a problem says it: "column C (Phone)"."""
    return f"column {column.letter}" + (f" ({column.heading[:40]})" if column.heading else "")


def read_table(
    session: Session, kind: ImportKind, about_id: int | None, table: FoundTable, choice: TableChoice
) -> ReadTable:
    """Each row as values by column. A row with a problem is not among the rows."""
    found = {column.place: column for column in table.columns}
    numbers: Sequence[int] = table.numbers
    problems: list[RowProblem] = []
    names: list[str] = []
    read: list[Sequence[Any]] = []
    wanted = kind.columns_for(about_id)
    places = {column.name: column.words for column in wanted}
    for column in wanted:
        place = choice.columns.get(column.name)
        if place is None or place not in found:
            continue
        places[column.name] = place_words(found[place])
        names.append(column.name)
        refused: list[tuple[int, str]] = []
        read.append(_column(session, column, found[place], table.cells(place), choice, refused))
        problems += [RowProblem(numbers[at], places[column.name], message) for at, message in refused]
    if bad := {problem.row for problem in problems}:
        kept = [number not in bad for number in numbers]
        numbers = list(compress(numbers, kept))
        read = [list(compress(values, kept)) for values in read]
    rows = ImportRows(numbers, dict(zip(names, read, strict=True)))
    return ReadTable(rows, problems, places)


def _column(
    session: Session,
    column: ImportColumn,
    found: FoundColumn,
    cells: Sequence[str],
    choice: TableChoice,
    refused: list[tuple[int, str]],
) -> Sequence[Any]:
    """A column's values, each different text read once; what cannot be read is told by its place among the cells."""
    is_text = column.cell in (CellKind.TEXT, CellKind.LINES, CellKind.CODE) and column.check is None
    if is_text:  # most of it stands as it is
        odd = changed_cells(cells) if column.cell is CellKind.CODE else set()
        if found.longest > column.most or not found.is_plain:
            odd |= {cell for cell in cells if len(cell) > column.most or not cell.isprintable()}
    else:
        odd = set(cells)
    reader = _reader(session, column, found.heading, odd, choice)
    wrong: dict[str, str] = {}
    values: dict[str, Any] = {}
    for cell in odd:
        try:
            values[cell] = reader(cell) if cell else _blank(column)
        except BitternError as error:
            values[cell], wrong[cell] = None, error.message
    if column.is_needed and "" in cells:
        wrong[""] = "This cell may not be empty."
    if wrong:
        refused += [(at, wrong[cell]) for at, cell in enumerate(cells) if cell in wrong]
    if is_text:
        return [values.get(cell, cell) for cell in cells] if values else cells
    return [*map(values.__getitem__, cells)]


def _blank(column: ImportColumn) -> Any:
    return None if column.cell in (CellKind.MONEY, CellKind.DAY, CellKind.WHOLE) else ""


def _reader(
    session: Session, column: ImportColumn, heading: str, cells: Collection[str], choice: TableChoice
) -> Callable[[str], Any]:
    name = column.name
    match column.cell:
        case CellKind.MONEY if says_cents(heading):
            return lambda cell: cell_whole_cents(cell, name)
        case CellKind.MONEY:
            style = money_style(cells)
            return lambda cell: cell_money(cell, name, style)
        case CellKind.DAY:
            order = day_order(cells) or choice.day_order
            return lambda cell: cell_day(cell, name, order)
        case CellKind.WHOLE:
            return lambda cell: cell_whole(cell, name)
        case CellKind.CHOICE | CellKind.YES_NO:
            means = _means(session, column, choice.words.get(name, {}))
            options = options_of(session, column)

            def chosen(cell: str) -> str:
                if (meaning := means(cell)) is None:
                    raise BitternError(name, f"{cell[:40]!r} is none of {', '.join(options.values()) or 'ours'}.")
                return meaning

            return chosen
        case _:
            return lambda cell: _text(column, cell)


def _text(column: ImportColumn, cell: str) -> Any:
    text = "\n".join(cell.splitlines()) if column.cell is CellKind.LINES else " ".join(cell.splitlines())
    if column.cell is CellKind.CODE:
        text = cell_code(text, column.name)
    if fault := fault_of_length(text, column.most):
        raise BitternError(column.name, fault)
    if not text.replace("\n", "").isprintable():
        raise BitternError(column.name, "This holds a character that cannot be written: delete it.")
    return column.check(text, column.name) if column.check else text


def heading_of(table: FoundTable, place: int) -> str:
    """The heading over a column, by its place."""
    return next((heading_key(column.heading) for column in table.columns if column.place == place), "")
