"""An existing bitting list: read with all its problems, and held against a spec and a key bitting array."""

from __future__ import annotations

import csv
from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from io import StringIO
from typing import Protocol

from app.errors import Problem
from app.keying.errors import KeyingError
from app.keying.given import LONGEST_SYMBOL
from app.keying.spec import Bitting, BittingSpec, read_bitting

MOST_ROWS = 200_000
STATUSES = ("used", "retired", "free")


class Array(Protocol):
    """A progression or rotating constants: what can be counted, and asked whether a bitting is its own."""

    @property
    def usable(self) -> int: ...

    def __contains__(self, bitting: object) -> bool: ...

    def __iter__(self) -> Iterator[Bitting]: ...


@dataclass(frozen=True, slots=True)
class ListRow:
    """One row of the list: its number in the file, its symbol (may be empty) and its status."""

    row: int
    symbol: str
    bitting: Bitting = field(repr=False)
    status: str


@dataclass(frozen=True, slots=True)
class ListStudy:
    """What the list shows; everything names rows, never a bitting.

    `doubles`: rows of one bitting, used or retired, two and more together. `macs_violations` and `strangers`
    (outside the array): row numbers. `fits` is None when there is no array to compare with. `used`, `retired`:
    distinct bittings of the array; `free`: what is left of it, rows marked free counted as left.
    """

    doubles: tuple[tuple[int, ...], ...]
    macs_violations: tuple[int, ...]
    strangers: tuple[int, ...]
    fits: bool | None
    used: int
    retired: int
    free: int | None


def read_list_csv(text: str) -> list[dict[str, str]]:
    """Give the rows of a CSV with a heading line: symbol, bitting, status; other columns are passed on."""
    try:
        lines = list(csv.reader(StringIO(text.removeprefix("\ufeff"))))
    except csv.Error as error:
        raise KeyingError("file", "This is not a CSV file that can be read; save it as CSV anew.") from error
    heading = [name.strip().lower() for name in lines[0]] if lines else []
    if "bitting" not in heading:
        raise KeyingError("file", "The first line must name the columns: symbol, bitting, status.")
    # Empty lines stay, so that a row has the number that the spreadsheet shows.
    return [dict(zip(heading, line, strict=False)) for line in lines[1:]]


def read_list(
    spec: BittingSpec, rows: Iterable[Mapping[str, object]], first_row: int = 2
) -> tuple[tuple[ListRow, ...], tuple[Problem, ...]]:
    """Give the good rows and every problem, each naming its row: `row 7: bitting`.

    A row has `bitting`, and may have `symbol` and `status` (used, the default; retired; free). Empty rows are
    passed over.
    """
    good: list[ListRow] = []
    problems: list[Problem] = []
    for number, row in enumerate(rows, start=first_row):
        if number - first_row >= MOST_ROWS:
            problems.append(Problem("file", f"The list is longer than {MOST_ROWS:,} rows; split it."))
            break
        if not any(str(value or "").strip() for value in row.values()):
            continue
        symbol = str(row.get("symbol") or "").strip()
        status = str(row.get("status") or "used").strip().lower()
        found = []
        if len(symbol) > LONGEST_SYMBOL or not (symbol == "" or symbol.isprintable()):
            found.append(Problem(f"row {number}: symbol", f"A symbol has at most {LONGEST_SYMBOL} characters."))
        if status not in STATUSES:
            found.append(Problem(f"row {number}: status", "The status is used, retired or free."))
        bitting: Bitting = ()
        try:
            bitting = read_bitting(spec, row.get("bitting"), f"row {number}: bitting")
        except KeyingError as refused:
            found.append(Problem(refused.field, refused.message))
        if found:
            problems.extend(found)
        else:
            good.append(ListRow(number, symbol, bitting, status))
    return tuple(good), tuple(problems)


def study_list(spec: BittingSpec, rows: Sequence[ListRow], array: Array | None = None) -> ListStudy:
    """Tell doubles, MACS violations and, against an array, strangers and what is left.

    Two rows of one bitting under the same symbol are copies of one keyset, not a double.

    >>> spec = BittingSpec(chambers=3, depths=10, macs=5, step=2)
    >>> rows, _ = read_list(spec, [{"symbol": "1AA", "bitting": "135"}, {"symbol": "2AA", "bitting": "135"}])
    >>> study_list(spec, rows).doubles
    ((2, 3),)
    """
    issued = [row for row in rows if row.status != "free"]
    together: dict[Bitting, list[ListRow]] = defaultdict(list)
    for row in issued:
        together[row.bitting].append(row)
    doubles = tuple(
        tuple(row.row for row in alike)
        for alike in together.values()
        if len(alike) > 1 and (len({row.symbol for row in alike}) > 1 or not alike[0].symbol)
    )
    violations = tuple(row.row for row in rows if not spec.within_macs(row.bitting))
    if array is None:
        count = {status: len({row.bitting for row in issued if row.status == status}) for status in STATUSES}
        return ListStudy(doubles, violations, (), None, count["used"], count["retired"], None)
    inside = {bitting for bitting in together if bitting in array}
    strangers = tuple(row.row for row in rows if row.bitting not in inside and row.bitting not in array)
    used = {row.bitting for row in issued if row.status == "used"} & inside
    return ListStudy(
        doubles,
        violations,
        strangers,
        not strangers,
        len(used),
        len(inside) - len(used),
        array.usable - len(inside),
    )
