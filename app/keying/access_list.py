"""Who opens what as people write it down: a row a person, with the doors and what he also opens."""

import re
from collections.abc import Iterable, Sequence

from app.errors import Problem
from app.keying.matrix import MOST_CELLS, AccessMatrix
from app.keying.symbols import LONGEST_SYMBOL
from app.spreadsheets import pasted_rows

PEOPLE = frozenset({"person", "people", "holder", "name", "who"})
"""What stands over the first column of such a list; a table has a blank there."""
_EVERY_DOOR = "all"


def read_access_list(
    rows: Iterable[tuple[int, Sequence[str]]],
) -> tuple[list[list[str]], tuple[Problem, ...]]:
    """Read numbered rows of a person and his doors into a table as `read_matrix` takes it, with every problem.

    Doors stand in any cell after the first, parted by semicolons or commas; 'all' is every door that the list names.
    A first row of headings is passed over.

    >>> read_access_list([(1, ["person", "doors", "also opens"]), (2, ["Ann", "1; 2", "3"]), (3, ["Bo", "3"])])[0]
    [['', '1', '2', '3'], ['Ann', 'x', 'x', 'x'], ['Bo', '', '', 'x']]
    """
    opens: dict[str, list[str]] = {}
    people: set[str] = set()
    spelled: dict[str, str] = {}  # doors, as they were written first
    problems = []
    for place, (number, cells) in enumerate(rows):
        person = cells[0].strip() if cells else ""
        if not any(cell.strip(" ,;") for cell in cells) or (place == 0 and person.casefold() in PEOPLE):
            continue
        doors = [door.strip() for cell in cells[1:] for door in cell.replace(";", ",").split(",")]
        doors = [door for door in doors if door]
        long = next((one for one in (person, *doors) if len(one) > LONGEST_SYMBOL), None)
        other = next((one for one in doors if spelled.setdefault(one.casefold(), one) != one), None)
        if not person:
            problems.append(Problem(f"row {number}", "Begin the row with the person's name."))
        elif person.casefold() in people:
            problems.append(Problem(f"row {number}", f"{person[:LONGEST_SYMBOL]} stands twice: put both in one row."))
        elif long is not None:
            problems.append(
                Problem(f"row {number}", f"{long[:20]} … is too long: at most {LONGEST_SYMBOL} characters.")
            )
        elif other is not None and _is_door(other):
            fix = f"{other} is {spelled[other.casefold()]} further up: write a door in one way."
            problems.append(Problem(f"row {number}", fix))
        else:
            opens[person] = doors
            people.add(person.casefold())
    named = [one for one in dict.fromkeys(door for doors in opens.values() for door in doors) if _is_door(one)]
    if not problems and not named:
        problems.append(Problem("people", "Write a row a person: the name, then the doors, such as Ann, 101; 102."))
    if len(opens) * len(named) > MOST_CELLS:
        problems.append(Problem("people", f"People times doors are more than {MOST_CELLS:,}; split the list."))
    if problems:
        return [], tuple(problems)
    every = {person for person, doors in opens.items() if not all(map(_is_door, doors))}
    opened = {person: set(doors) for person, doors in opens.items()}
    table = [
        [person, *("x" if person in every or door in opened[person] else "" for door in named)] for person in opens
    ]
    return [["", *named], *table], ()


def listed_rows(text: str) -> list[tuple[int, list[str]]]:
    """Give the numbered rows of a list that was pasted or typed: columns by tabs, else the name ends at a mark.

    >>> listed_rows("Ann: 1; 2, 3")
    [(1, ['Ann', ' 1; 2, 3'])]
    """
    if "\t" in text:
        return pasted_rows(text)
    lines = enumerate(text.replace('"', "").splitlines(), start=1)
    return [(number, re.split("[,;:]", line, maxsplit=1)) for number, line in lines if line.strip()]


def _is_door(word: str) -> bool:
    return word.casefold() != _EVERY_DOOR


def write_access_list(matrix: AccessMatrix) -> list[list[str]]:
    """Give the list that reads into this matrix: a row a person, the doors parted by semicolons."""
    rows = [
        [holder, "; ".join(door for number in sorted(key.doors) for door in matrix.cylinders[number].doors)]
        for key in matrix.keys
        for holder in key.holders
    ]
    return [*rows, *([holder, ""] for holder in matrix.without_doors)]
