"""Read a door list that somebody typed or pasted from a spreadsheet."""

import hashlib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import zip_longest

from app.errors import BitternError, Problem
from app.fitting import read_inches, write_inches
from app.ledger.tables import Cylinder, Door, Keyset, Lock, longest
from app.spreadsheets import FoundColumn, column_letters, pasted_rows, unguarded
from app.validation import fault_of_length

COLUMNS = (
    "opening",
    "location",
    "hand",
    "lock",
    "function",
    "position",
    "thickness",
    "stile",
    "egress",
    "fire rated",
    "keyset",
    "remarks",
)
# A job's list also says which further keys operate a cross-keyed cylinder.
JOB_COLUMNS = (*COLUMNS, "operated by")
# A site's own list also says what stands at each position.
LIST_COLUMNS = (*COLUMNS, "cylinder", "part number")
HANDS = ("", "LH", "RH", "LHR", "RHR")
MOST_ROWS = 5000
TEXTS = {  # how long a cell may be
    "opening": longest(Door.opening_number),
    "location": longest(Door.location),
    "lock": longest(Lock.description),
    "function": longest(Lock.function),
    "position": longest(Cylinder.position),
    "keyset": longest(Keyset.symbol),
    "remarks": longest(Door.remarks),
    "cylinder": longest(Cylinder.words),
    "part number": longest(Cylinder.part_number),
    "operated by": 400,
}
_OTHER_NAMES = {
    "opening number": "opening",
    "opening no": "opening",
    "opening no.": "opening",
    "door": "opening",
    "door number": "opening",
    "door no": "opening",
    "door no.": "opening",
    "door #": "opening",
    "opening #": "opening",
    "room": "location",
    "fire": "fire rated",
    "fire-rated": "fire rated",
    "exit": "egress",
    "symbol": "keyset",
    "key set": "keyset",
    "remark": "remarks",
    "notes": "remarks",
}
_YES = {"yes", "y", "x", "true", "1"}
_NO = {"", "no", "n", "false", "0", "-"}


@dataclass(frozen=True, slots=True, kw_only=True)
class DoorFields:
    """What one can say about a door besides its number; empty where nothing is known. Inches are exact."""

    location: str = ""
    hand: str = ""
    thickness: Fraction | None = None
    stile: Fraction | None = None
    lock: str = ""
    function: str = ""
    is_egress: bool = False
    is_fire_rated: bool = False
    remarks: str = ""

    def cells(self) -> dict[str, str]:
        """The fields as the cells of a list, by column."""
        return {
            "location": self.location,
            "hand": self.hand,
            "thickness": write_inches(self.thickness) if self.thickness else "",
            "stile": write_inches(self.stile) if self.stile else "",
            "lock": self.lock,
            "function": self.function,
            "egress": "yes" if self.is_egress else "no",
            "fire rated": "yes" if self.is_fire_rated else "no",
            "remarks": self.remarks,
        }


@dataclass(frozen=True, slots=True)
class DoorRow(DoorFields):
    """One row of a door list. `row` is its number in what was given, from 1; `said` names the cells not empty."""

    row: int
    opening: str = ""
    position: str = ""
    keyset: str = ""
    cylinder: str = ""
    part_number: str = ""
    operated_by: str = ""  # symbols, as the matrix of who opens what lists them
    said: frozenset[str] = frozenset()

    def texts(self) -> dict[str, str]:
        """The cells that are not empty and speak of the door."""
        return {name: text for name, text in self.cells().items() if name in self.said}


_SAMPLES, _TITLES = 3, 10


@dataclass(frozen=True, slots=True)
class ColumnChoice:
    """Which column is which, "" for one that is left out, and whether the first row names them or is a door.

    mark: of the list that was asked about (`UnknownColumns`); of another one the choice says nothing.
    """

    names: tuple[str, ...]
    has_heading: bool
    mark: str


class UnknownColumns(BitternError):
    """The first row of a door list names columns that nobody knows, and may be a door: somebody has to say.

    guess: what the answer may be.
    """

    def __init__(self, message: str, columns: Sequence[FoundColumn], guess: ColumnChoice) -> None:
        super().__init__("file", f"{message} Say which column is which; nothing was read yet.")
        self.columns, self.guess = tuple(columns), guess


def read_doors(text: str, choice: ColumnChoice | None = None) -> tuple[list[DoorRow], list[Problem]]:
    """The rows of a door list and everything wrong with it; a row with a problem is not among the rows.

    Columns are parted as `pasted_rows` says. A first row of column names says which column is which; without one
    they stand in the order of JOB_COLUMNS, if the first row is plainly a door. Else UnknownColumns asks, and `choice`
    answers. Opening numbers may come twice only for two cylinders of one door, with different positions.

    >>> rows, problems = read_doors("101\\tMain entrance\\tRH\\n102\\tOffice\\tup")
    >>> rows[0].location, problems[0].message
    ('Main entrance', 'Row 2, hand: write LH, RH, LHR, RHR or nothing, not "up".')
    """
    return read_door_rows(pasted_rows(text), choice)


def read_door_rows(
    table: Iterable[tuple[int, Sequence[str]]], choice: ColumnChoice | None = None
) -> tuple[list[DoorRow], list[Problem]]:
    """`read_doors` for rows of cells with their numbers."""
    every = ((number, [unguarded(cell.strip()) for cell in cells]) for number, cells in table)
    lines = _below_titles([(number, cells) for number, cells in every if any(cells)])
    problems: list[Problem] = []
    if len(lines) > MOST_ROWS + 1:
        return [], [_too_many(lines)]
    names, head = list(JOB_COLUMNS), list[str]()
    if lines and choice is not None and choice.mark == _mark(lines[0][1]):
        names, problems = _chosen(choice)
        if problems:
            return [], problems
        head = lines[0][1] if choice.has_heading else []
    elif lines and _is_head(lines[0][1]):
        names, head = _head(lines), lines[0][1]
    elif lines and not _is_door(lines):
        said = ", ".join(cell[:20] for cell in lines[0][1] if cell)[:120]
        raise _asked(
            lines, f"Row {lines[0][0]} ({said}) names no column that a door list has, and is not plainly a door."
        )
    lines = [line for line in lines if line[1] != head]  # a list printed by the page names its columns on each
    if len(lines) > MOST_ROWS:
        return [], [_too_many(lines)]
    rows: list[DoorRow] = []
    seen: dict[tuple[str, str], int] = {}
    for number, cells in lines:
        if _names_columns(cells, names):
            problems.append(_of_row(number, "opening", "This row names columns and is no door: remove it."))
            continue
        given, found = _row(number, cells, names)
        cell = dict(zip(names, cells, strict=False))
        if opening := cell.get("opening"):
            first = seen.setdefault((opening.casefold(), cell.get("position", "").casefold()), number)
            if first != number:
                told = (
                    f"{opening[:40]} stands in row {first} already; give the two "
                    "cylinders of one door different positions, or correct the number."
                )
                found.append(_of_row(number, "opening", told))
        problems += found
        if given is not None and not found:
            rows.append(given)
    return rows, problems


def _too_many(lines: Sequence[object]) -> Problem:
    return Problem("doors", f"At most {MOST_ROWS:,} doors fit in one list; this has {len(lines):,}.")


def _of_row(number: int, column: str, message: str) -> Problem:
    return Problem("doors", f"Row {number}, {column}: {message}")


def _name(cell: str) -> str:
    name = " ".join(cell.casefold().replace("_", " ").split())
    return _OTHER_NAMES.get(name, name)


def _is_head(cells: Sequence[str]) -> bool:
    known = {*LIST_COLUMNS, *JOB_COLUMNS}
    return _name(cells[0]) in known or sum(_name(cell) in known for cell in cells) >= 2


def _names_columns(cells: Sequence[str], names: Sequence[str] = ()) -> bool:
    """Whether a row has nothing but names of columns: two or more, or the one in whose column it stands."""
    given = [(place, _name(cell)) for place, cell in enumerate(cells) if cell]
    if not given or any(name not in {*LIST_COLUMNS, *JOB_COLUMNS} for _, name in given):
        return False
    return len(given) > 1 or names[given[0][0] : given[0][0] + 1] == [given[0][1]]


def _below_titles(table: list[tuple[int, list[str]]]) -> list[tuple[int, list[str]]]:
    """The table from its names of columns on, where nothing but titles, a cell a row, stands above them."""
    for place, (_, cells) in enumerate(table[:_TITLES]):
        if _names_columns(cells):
            return table[place:]
        if sum(map(bool, cells)) > 1:
            break
    return table


def _head(table: Sequence[tuple[int, Sequence[str]]]) -> list[str]:
    """The names in a first row of them; UnknownColumns where one is unknown or twice, or none is the opening."""
    number, cells = table[0]
    names = [_name(cell) for cell in cells]
    faults = [
        f"{cell[:40]!r} is not one of {', '.join(JOB_COLUMNS)}"
        for cell, name in zip(cells, names, strict=True)
        if name and name not in JOB_COLUMNS
    ]
    faults += [f"{name!r} stands twice" for name in JOB_COLUMNS if names.count(name) > 1]
    if "opening" not in names:
        faults.append("there is no column for the opening number")
    if faults:
        raise _asked(table, f"Row {number}: {'; '.join(faults)}.")
    return names


def _mark(cells: Sequence[str]) -> str:
    return hashlib.sha256("\0".join(cells).encode("utf-8", "replace")).hexdigest()[:16]


def _asked(table: Sequence[tuple[int, Sequence[str]]], message: str) -> UnknownColumns:
    """What is to be asked of each column; where no name is known, the usual order is the first guess."""
    by_place = [*zip_longest(*(cells for _, cells in table[: _SAMPLES + 1]), fillvalue="")]
    columns = [
        FoundColumn(place, column_letters(place), heading, tuple(filter(None, samples)))
        for place, (heading, *samples) in enumerate(by_place)
    ]
    names = [_name(column.heading) for column in columns]
    known = [name if name in JOB_COLUMNS and names.index(name) == place else "" for place, name in enumerate(names)]
    if not any(known):
        known = [*JOB_COLUMNS, *[""] * len(names)][: len(names)]
    return UnknownColumns(message, columns, ColumnChoice(tuple(known), True, _mark(table[0][1])))


def _chosen(choice: ColumnChoice) -> tuple[list[str], list[Problem]]:
    told = [
        f"{name[:40]!r} is chosen for two columns: leave one of them out."
        for name in JOB_COLUMNS
        if choice.names.count(name) > 1
    ]
    if "opening" not in choice.names:
        told.append("Say which column has the opening number.")
    told += ["Choose among the columns." for name in choice.names if name not in (*JOB_COLUMNS, "")]
    return [*choice.names], [Problem("doors", one) for one in told]


def _is_door(table: Sequence[tuple[int, Sequence[str]]]) -> bool:
    """Whether a first row without any known name is plainly a door, by the usual order of columns.

    It has a hand or a measure in its place, or an opening number of digits alone or written as a later row's is.
    """
    cells = table[0][1]
    given = dict(zip(COLUMNS, cells, strict=False))
    if any(_name(cell) in {*LIST_COLUMNS, *JOB_COLUMNS} for cell in cells):
        return False
    if given.get("hand", "").upper() in HANDS[1:] or any(_is_measure(given.get(name, "")) for name in _MEASURES):
        return True
    opening = cells[0]
    if not any(sign.isdigit() for sign in opening):
        return False
    if not any(sign.isalpha() for sign in opening):
        return True
    return any(row and _shape(row[0]) == _shape(opening) for _, row in table[1:]) or len(table) == 1


_MEASURES = ("thickness", "stile")


def _is_measure(text: str) -> bool:
    try:
        return bool(text) and read_inches(text, "thickness") > 0
    except BitternError:
        return False


def _shape(text: str) -> str:
    """How a number is written: runs of digits and of letters made one each.

    >>> _shape("F12"), _shape("Flat 3b")
    ('A9', 'A 9A')
    """
    return re.sub(r"[^\W\d_]+", "A", re.sub(r"\d+", "9", text))


def _row(number: int, cells: Sequence[str], names: Sequence[str]) -> tuple[DoorRow | None, list[Problem]]:
    problems: list[Problem] = []

    def refuse(column: str, message: str) -> None:
        problems.append(_of_row(number, column, message))

    if len(cells) > len(names) and any(cells[len(names) :]):
        refuse("columns", f"there are {len(cells)} cells, but only {len(names)} columns.")
    given = {name: cell for name, cell in zip(names, cells, strict=False) if name}
    for name, limit in TEXTS.items():
        if fault := fault_of_length(given.get(name, ""), limit):
            refuse(name, fault)
    hand = given.get("hand", "").upper()
    if hand not in HANDS:
        refuse("hand", f'write LH, RH, LHR, RHR or nothing, not "{given["hand"][:20]}".')
    measures: dict[str, Fraction | None] = {"thickness": None, "stile": None}
    for name in measures:
        if given.get(name):
            try:
                measures[name] = read_inches(given[name], name)
            except BitternError as error:
                refuse(name, error.message)
    flags = {"egress": False, "fire rated": False}
    for name in flags:
        word = given.get(name, "").casefold()
        flags[name] = word in _YES
        if word not in _YES and word not in _NO:
            refuse(name, f'write yes, no or nothing, not "{word[:20]}".')
    if problems:
        return None, problems
    return (
        DoorRow(
            row=number,
            hand=hand,
            thickness=measures["thickness"],
            stile=measures["stile"],
            is_egress=flags["egress"],
            is_fire_rated=flags["fire rated"],
            said=frozenset(name for name, cell in given.items() if cell),
            **{name.replace(" ", "_"): given.get(name, "") for name in TEXTS},
        ),
        [],
    )
