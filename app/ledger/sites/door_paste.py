"""Read a door list that somebody typed or pasted from a spreadsheet."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction

from app.errors import BitternError, Problem
from app.fitting import read_inches, write_inches
from app.ledger.tables import Cylinder, Door, Keyset, Lock, longest
from app.spreadsheets import pasted_rows, unguarded
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


def read_doors(text: str) -> tuple[list[DoorRow], list[Problem]]:
    """The rows of a door list and everything wrong with it; a row with a problem is not among the rows.

    Columns are parted as `pasted_rows` says. A first row of column names says which column is which; without one
    they stand in the order of JOB_COLUMNS. Opening numbers may come twice only for two cylinders of one door, with
    different positions.

    >>> rows, problems = read_doors("101\\tMain entrance\\tRH\\n102\\tOffice\\tup")
    >>> rows[0].location, problems[0].message
    ('Main entrance', 'Row 2, hand: write LH, RH, LHR, RHR or nothing, not "up".')
    """
    return read_door_rows(pasted_rows(text))


def read_door_rows(table: Iterable[tuple[int, Sequence[str]]]) -> tuple[list[DoorRow], list[Problem]]:
    """`read_doors` for rows of cells with their numbers."""
    rows, problems = read_door_table(table, JOB_COLUMNS)
    return rows, [Problem("doors", _sentence(problem)) for problem in problems]


def _sentence(problem: Problem) -> str:
    """A problem as a sentence that says where it is."""
    if problem.field == "file":
        return problem.message
    return f"{problem.field[:1].upper()}{problem.field[1:]}: {problem.message}"


def read_door_table(
    table: Iterable[tuple[int, Sequence[str]]], columns: Sequence[str]
) -> tuple[list[DoorRow], list[Problem]]:
    """`read_door_rows` for a table of these columns; a problem's field reads "row 7, hand", or "file"."""
    table = [(number, [unguarded(cell.strip()) for cell in cells]) for number, cells in table]
    table = [(number, cells) for number, cells in table if any(cells)]
    problems: list[Problem] = []
    if len(table) > MOST_ROWS + 1:
        return [], [Problem("file", f"At most {MOST_ROWS:,} doors fit in one list; this has {len(table):,}.")]
    names: list[str] = list(columns)
    if table and _is_head(table[0][1]):
        names, problems = _head(table[0][0], table[0][1], columns)
        table = table[1:]
        if problems:
            return [], problems
    if len(table) > MOST_ROWS:
        return [], [Problem("file", f"At most {MOST_ROWS:,} doors fit in one list; this has {len(table):,}.")]
    rows: list[DoorRow] = []
    seen: dict[tuple[str, str], int] = {}
    for number, cells in table:
        given, found = _row(number, cells, names)
        if given is not None and given.opening:
            place = (given.opening.casefold(), given.position.casefold())
            if place in seen:
                found.append(
                    Problem(
                        f"row {number}, opening",
                        f"{given.opening} stands in row {seen[place]} already; give the two "
                        "cylinders of one door different positions, or correct the number.",
                    )
                )
            seen.setdefault(place, number)
        problems += found
        if given is not None and not found:
            rows.append(given)
    return rows, problems


def _name(cell: str) -> str:
    name = " ".join(cell.casefold().replace("_", " ").split())
    return _OTHER_NAMES.get(name, name)


def _is_head(cells: Sequence[str]) -> bool:
    known = {*LIST_COLUMNS, *JOB_COLUMNS}
    return _name(cells[0]) in known or sum(_name(cell) in known for cell in cells) >= 2


def _head(number: int, cells: Sequence[str], columns: Sequence[str]) -> tuple[list[str], list[Problem]]:
    names = [_name(cell) for cell in cells]
    row = f"row {number}"
    problems = [
        Problem(row, f"the column {cell[:40]!r} is not one of {', '.join(columns)}.")
        for cell, name in zip(cells, names, strict=True)
        if name and name not in columns
    ]
    problems += [Problem(row, f"the column {name!r} stands twice.") for name in columns if names.count(name) > 1]
    if "opening" not in names:
        problems.append(Problem(row, "there is no column for the opening number; name one 'opening'."))
    return names, problems


def _row(number: int, cells: Sequence[str], names: Sequence[str]) -> tuple[DoorRow | None, list[Problem]]:
    problems: list[Problem] = []

    def refuse(column: str, message: str) -> None:
        problems.append(Problem(f"row {number}, {column}", message))

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
