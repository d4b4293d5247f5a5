"""Who opens what: key holders against doors, read, and put together into distinct keys and distinct cylinders."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from app.errors import Problem
from app.keying.errors import KeyingError
from app.keying.symbols import LONGEST_SYMBOL

MOST_CELLS = 5_000_000
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
    def of(cls, opens: dict[str, set[str]], doors: Sequence[str]) -> "AccessMatrix":
        """Make the matrix from holder → doors that this holder opens; `doors` says their order."""
        holders_of: dict[str, list[str]] = {door: [] for door in doors}
        for holder, opened in opens.items():
            for door in opened:
                if door not in holders_of:
                    raise KeyingError("doors", "A holder opens a door that is not in the list of doors.")
                holders_of[door].append(holder)
        for door, holders in holders_of.items():
            if not holders:
                raise KeyingError("doors", f"Nobody opens door {door[:LONGEST_SYMBOL]}: name a holder or drop it.")
        by_holders: dict[frozenset[str], list[str]] = defaultdict(list)
        for door, holders in holders_of.items():
            by_holders[frozenset(holders)].append(door)
        number_of = {door: n for n, alike in enumerate(by_holders.values()) for door in alike}
        by_doors: dict[frozenset[int], list[str]] = defaultdict(list)
        for holder, opened in opens.items():
            if opened:
                by_doors[frozenset(number_of[door] for door in opened)].append(holder)
        keys = tuple(KeyGroup(tuple(holders), group) for group, holders in by_doors.items())
        cylinders = tuple(
            DoorGroup(tuple(alike), tuple(k for k, key in enumerate(keys) if n in key.doors))
            for n, alike in enumerate(by_holders.values())
        )
        return cls(keys, cylinders, tuple(holder for holder, opened in opens.items() if not opened))


def read_matrix(table: Sequence[Sequence[object]]) -> tuple[AccessMatrix | None, tuple[Problem, ...]]:
    """Read a table: doors along the first row, holders down the first column, x where a holder opens a door.

    Gives the matrix, or None with every problem, each naming its cell as row and column.
    """
    rows = [[str(cell if cell is not None else "").strip() for cell in row] for row in table]
    if len(rows) < 2 or len(rows[0]) < 2:
        return None, (Problem("file", "Give doors along the first row and holders down the first column."),)
    if len(rows) * len(rows[0]) > MOST_CELLS:
        return None, (Problem("file", f"The table has more than {MOST_CELLS:,} cells; split it."),)
    doors = rows[0][1:]
    problems = _name_problems(doors, "row 1, column {}", 2)
    holders = [row[0] if row else "" for row in rows[1:]]
    problems += _name_problems(holders, "row {}, column 1", 2)
    opens: dict[str, set[str]] = {}
    for number, row in enumerate(rows[1:], start=2):
        opened = set()
        if len(row) > len(rows[0]):
            problems.append(Problem(f"row {number}", "This row is longer than the row of doors."))
        for column, (door, cell) in enumerate(zip(doors, row[1:], strict=False), start=2):
            if cell.lower() in OPENING_MARKS:
                opened.add(door)
            elif cell.lower() not in NO:
                problems.append(Problem(f"row {number}, column {column}", "Write x for opens, or leave it empty."))
        opens[row[0] if row else ""] = opened
    if problems:
        return None, tuple(problems)
    try:
        return AccessMatrix.of(opens, doors), ()
    except KeyingError as refused:
        return None, (Problem(refused.field, refused.message),)


def _name_problems(names: Sequence[str], place: str, first: int) -> list[Problem]:
    problems = []
    seen = set()
    for number, name in enumerate(names, start=first):
        if not name or len(name) > LONGEST_SYMBOL:
            problems.append(Problem(place.format(number), f"Give a name of 1 to {LONGEST_SYMBOL} characters."))
        elif name in seen:
            problems.append(Problem(place.format(number), "This name stands twice."))
        seen.add(name)
    return problems


@dataclass(frozen=True, slots=True)
class Clash:
    """Rows and columns (numbers of key and door groups) that together cannot be had; `sentence` says why."""

    keys: tuple[int, ...]
    cylinders: tuple[int, ...]
    sentence: str


def nest(matrix: AccessMatrix) -> tuple[int | None, ...] | Clash:
    """Give each key's parent, the least key that opens all its doors and more; or what keeps them from nesting.

    Keys nest when any two open the same doors only where one opens all of the other's. A clash names two keys
    and three doors: one that both open, and one each that the other does not.

    >>> matrix = AccessMatrix.of({"owner": {"1", "2"}, "clerk": {"1"}}, ["1", "2"])
    >>> nest(matrix)
    (None, 0)
    """
    parents: list[int | None] = [None] * len(matrix.keys)
    owner: dict[int, int | None] = dict.fromkeys(range(len(matrix.cylinders)))
    for key in sorted(range(len(matrix.keys)), key=lambda k: (-len(matrix.keys[k].doors), k)):
        doors = matrix.keys[key].doors
        owners = {owner[door] for door in doors}
        if len(owners) > 1:
            other = max((o for o in owners if o is not None), key=lambda o: (-len(matrix.keys[o].doors), o))
            theirs = matrix.keys[other].doors
            three = (min(doors & theirs), min(doors - theirs), min(theirs - doors))
            return Clash((other, key), three, _overlap_sentence(matrix, other, key, three[0]))
        parents[key] = next(iter(owners))
        for door in doors:
            owner[door] = key
    return tuple(parents)


def _overlap_sentence(matrix: AccessMatrix, one: int, other: int, door: int) -> str:
    return (
        f"{matrix.keys[one].holders[0]} and {matrix.keys[other].holders[0]} both open "
        f"{matrix.cylinders[door].doors[0]}, but each also opens a door that the other does not: "
        "no order of levels holds both."
    )
