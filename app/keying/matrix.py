"""Who opens what: key holders against doors, read, and put together into distinct keys and distinct cylinders."""

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from app.errors import Problem
from app.keying.errors import KeyingError
from app.keying.symbols import LONGEST_SYMBOL

MOST_CELLS = 5_000_000  # of a table that is read
MOST_PAIRS = 20_000_000  # of a holder and a door
MOST_PROBLEMS = 200  # told at once, and a row's more
OPENING_MARKS = frozenset({"x", "1", "yes", "y", "✓", "✔", "true"})
NO = frozenset({"", "0", "no", "n", "-", "–", ".", "false"})


@dataclass(frozen=True, slots=True)
class KeyGroup:
    """Holders that open the same doors, and so carry the same key; `doors` as numbers of door groups."""

    holders: tuple[str, ...]
    doors: frozenset[int]


@dataclass(frozen=True, slots=True)
class DoorGroup:
    """Doors that the same holders open, and so are keyed alike; `keys` as numbers of key groups."""

    doors: tuple[str, ...]
    keys: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class AccessMatrix:
    """Distinct keys (rows) and distinct cylinders (columns); holders who open nothing need no key."""

    keys: tuple[KeyGroup, ...]
    cylinders: tuple[DoorGroup, ...]
    without_doors: tuple[str, ...] = ()

    @classmethod
    def of(cls, opens: Mapping[str, Collection[str]], doors: Sequence[str]) -> "AccessMatrix":
        """Make the matrix from holder → doors that this holder opens; `doors` says their order."""
        _check_size(len(opens), len(doors), MOST_PAIRS, "doors")
        number = {door: column for column, door in enumerate(doors)}
        grid = np.zeros((len(opens), len(doors)), dtype=np.bool_)
        for row, opened in enumerate(opens.values()):
            for door in opened:
                if door not in number:
                    raise KeyingError("doors", "A holder opens a door that is not in the list of doors.")
                grid[row, number[door]] = True
        for column in np.flatnonzero(~grid.any(axis=0)).tolist():
            door = doors[column][:LONGEST_SYMBOL]
            raise KeyingError("doors", f"Nobody opens door {door}: name a holder or drop it.")
        return cls._of_grid([(holder,) for holder in opens], [(door,) for door in doors], grid)

    @classmethod
    def _of_grid(
        cls, holders: Sequence[tuple[str, ...]], doors: Sequence[tuple[str, ...]], grid: NDArray[np.bool_]
    ) -> "AccessMatrix":
        """Make the matrix from a row for some holders and a column for some doors, none of which is empty."""
        columns = _alike(np.packbits(grid.T, axis=1))
        grid = grid[:, [alike[0] for alike in columns]]
        carrying: NDArray[np.bool_] = np.asarray(grid.any(axis=1))
        rows = [[row for row in alike if carrying[row]] for alike in _alike(np.packbits(grid, axis=1))]
        rows = [alike for alike in rows if alike]
        grid = grid[[alike[0] for alike in rows]]
        keys = tuple(
            KeyGroup(
                tuple(name for row in alike for name in holders[row]), frozenset(np.flatnonzero(opened).tolist())
            )
            for alike, opened in zip(rows, grid, strict=True)
        )
        cylinders = tuple(
            DoorGroup(
                tuple(name for column in alike for name in doors[column]), tuple(np.flatnonzero(operators).tolist())
            )
            for alike, operators in zip(columns, grid.T, strict=True)
        )
        without = tuple(name for row in np.flatnonzero(~carrying).tolist() for name in holders[row])
        return cls(keys, cylinders, without)

    def with_listed(self, listed: NDArray[np.bool_]) -> "AccessMatrix":
        """Give the matrix of the same holders and doors with other entries; a door that nobody opens is left out."""
        opened = np.flatnonzero(listed.any(axis=0)).tolist()
        doors = [self.cylinders[cylinder].doors for cylinder in opened]
        found = AccessMatrix._of_grid([key.holders for key in self.keys], doors, listed[:, opened])
        return AccessMatrix(found.keys, found.cylinders, (*self.without_doors, *found.without_doors))

    @property
    def listed(self) -> NDArray[np.bool_]:
        """Who opens what: a row a key, a column a cylinder."""
        found = np.zeros((len(self.keys), len(self.cylinders)), dtype=np.bool_)
        for cylinder, group in enumerate(self.cylinders):
            found[list(group.keys), cylinder] = True
        return found


def _alike(packed: NDArray[np.uint8]) -> list[list[int]]:
    """Put rows of bits that are the same together, in the order of the first of each."""
    groups: dict[bytes, list[int]] = defaultdict(list)
    for number, row in enumerate(packed):
        groups[row.tobytes()].append(number)
    return list(groups.values())


def _check_size(holders: int, doors: int, most: int, field: str) -> None:
    if holders * doors > most:
        raise KeyingError(
            field,
            f"{holders:,} holders against {doors:,} doors are {holders * doors:,} cells, and {most:,} are the "
            "most: make a system of each building, or write holders that open the same doors as one.",
        )


def read_matrix(table: Sequence[Sequence[object]]) -> tuple[AccessMatrix | None, tuple[Problem, ...]]:
    """Read a table: doors along the first row, holders down the first column, x where a holder opens a door.

    Gives the matrix, or None with every problem, each naming its cell as row and column.
    """
    if len(table) < 2 or len(table[0]) < 2:
        return None, (Problem("file", "Give doors along the first row and holders down the first column."),)
    width = len(table[0])
    try:
        _check_size(len(table) - 1, width - 1, MOST_CELLS, "file")
    except KeyingError as refused:
        return None, refused.problems
    doors = [_text(cell) for cell in table[0][1:]]
    holders: dict[int, str] = {}
    problems: list[Problem] = []
    grid = np.zeros((len(table) - 1, width - 1), dtype=np.bool_)
    marks: dict[object, bool | None] = {}
    for place, row in enumerate(table[1:]):
        if len(problems) > MOST_PROBLEMS:
            break
        if not any(map(_text, row)):
            continue  # such as below a table in a spreadsheet
        holders[place] = _text(row[0])
        if len(row) > width and any(map(_text, row[width:])):
            problems.append(Problem(f"row {place + 2}", "This row is longer than the row of doors."))
        for column, cell in enumerate(row[1:width]):
            mark = marks.get(cell, ...)
            if mark is ...:
                mark = marks[cell] = _mark(cell)
            if mark is None:
                problems.append(
                    Problem(f"row {place + 2}, column {column + 2}", "Write x for opens, or leave it empty.")
                )
            elif mark:
                grid[place, column] = True
    named = {column: door for column, door in enumerate(doors) if door or grid[:, column].any()}
    problems = [
        *_name_problems(named, "row 1, column {}", "column"),
        *_name_problems(holders, "row {}, column 1", "row"),
        *problems,
    ]
    nobody = {} if problems else {column: door for column, door in named.items() if not grid[:, column].any()}
    for column, door in nobody.items():
        fix = f"Nobody opens door {door}: mark a holder or drop it."
        problems.append(Problem(f"row 1, column {column + 2}", fix))
    if problems:
        return None, tuple(problems)
    grid = grid[np.ix_(list(holders), list(named))]
    return AccessMatrix._of_grid(
        [(holder,) for holder in holders.values()], [(door,) for door in named.values()], grid
    ), ()


def _text(cell: object) -> str:
    return "" if cell is None else str(cell).strip()


def _mark(cell: object) -> bool | None:
    """Tell whether a cell says that the holder opens the door; None where it says neither."""
    text = _text(cell).lower()
    return True if text in OPENING_MARKS else False if text in NO else None


def _name_problems(names: Mapping[int, str], place: str, line: str) -> list[Problem]:
    problems = []
    seen: dict[str, int] = {}
    for number, name in names.items():
        where = place.format(number + 2)
        if not name or len(name) > LONGEST_SYMBOL:
            problems.append(Problem(where, f"Give a name of 1 to {LONGEST_SYMBOL} characters."))
        elif name.casefold() in seen:
            first = seen[name.casefold()] + 2
            fix = f"This name stands twice, first in {line} {first}: join the two, or give one another name."
            problems.append(Problem(where, fix))
        seen.setdefault(name.casefold(), number)
    return problems


@dataclass(frozen=True, slots=True)
class Clash:
    """Rows and columns (numbers of key and door groups) that together cannot be had; `sentence` says why."""

    keys: tuple[int, ...]
    cylinders: tuple[int, ...]
    sentence: str
