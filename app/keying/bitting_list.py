"""An existing bitting list: read with all its problems, and held against a spec and a key bitting array."""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from app.errors import Problem
from app.keying.arrays import Array
from app.keying.counting import count_columns
from app.keying.errors import KeyingError, check_whole
from app.keying.progression import Columns, run_choices
from app.keying.rules import NO_RULES
from app.keying.spec import Bitting, BittingSpec, read_bitting
from app.keying.symbols import LONGEST_SYMBOL

MOST_ROWS = 200_000
STATUSES = ("used", "retired", "free")


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


def read_list(
    spec: BittingSpec, rows: Iterable[Mapping[str, object]]
) -> tuple[tuple[ListRow, ...], tuple[Problem, ...]]:
    """Give the good rows and every problem, each naming its row: `row 7: bitting`.

    A row has `bitting`, and may have `symbol` and `status` (used, the default; retired; free). Empty rows are
    passed over.
    """
    good: list[ListRow] = []
    problems: list[Problem] = []
    for number, row in enumerate(rows, start=2):
        if number - 2 >= MOST_ROWS:
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


MOST_LISTED = 1_000
_BREAK_MACS = (
    "Every master that this list leaves open by total position breaks the MACS of this spec: look whether the list "
    "is written in another spec."
)
MOST_TRIED = 200_000


@dataclass(frozen=True, slots=True)
class MasterCandidates:
    """The masters that fit: how many, the first of them, and in plain words what that means.

    `choices` has the depths each chamber leaves open. `complete` is False where the search stopped at its
    limit, so that there may be more.
    """

    count: int
    candidates: tuple[Bitting, ...] = field(repr=False)
    choices: Columns = field(repr=False)
    complete: bool
    sentence: str


def find_masters(spec: BittingSpec, changes: Collection[Bitting]) -> MasterCandidates:
    """Give the masters under which all `changes` are one total position progression.

    The master's cut in a progressed chamber is one that no change uses there, with step 2 of the changes'
    parity. A chamber where all changes have the same cut may also be held at it. The master obeys MACS.
    """
    _check(spec, changes)
    columns = []
    for cuts in zip(*changes, strict=True):
        seen = set(cuts)
        alike = len({cut % spec.step for cut in cuts}) == 1
        unused = (d for d in spec.all_depths if d not in seen and (d - cuts[0]) % spec.step == 0)
        held = seen if len(seen) == 1 and len(changes) > 1 else ()
        columns.append(tuple(sorted({*unused, *held})) if alike else ())
    count = count_columns(columns, spec.macs) if all(columns) else 0
    listed: tuple[Bitting, ...] = ()
    if count:
        bare = replace(spec, rules=NO_RULES)  # the master was cut by somebody else
        listed = tuple(islice(run_choices(tuple(columns), bare, range(spec.chambers)), MOST_LISTED))
    sentence = _sentence(count, "total position") if count or not all(columns) else _BREAK_MACS
    return MasterCandidates(count, listed, tuple(columns), len(listed) == count, sentence)


def find_rotating_masters(spec: BittingSpec, changes: Collection[Bitting], constants: int) -> MasterCandidates:
    """Give the masters that every one of `changes` matches in exactly `constants` chambers (rotating constants)."""
    _check(spec, changes)
    check_whole(constants, "constants", 1, spec.chambers - 1)
    columns = tuple(
        tuple(d for d in spec.all_depths if (d - cuts[0]) % spec.step == 0)
        if len({cut % spec.step for cut in cuts}) == 1
        else ()
        for cuts in zip(*changes, strict=True)
    )
    tried = 0
    table = np.array(list(changes), dtype=np.int64)

    def search(chosen: Bitting, matches: NDArray[np.int64]) -> Iterator[Bitting]:
        nonlocal tried
        chamber = len(chosen)
        if chamber == spec.chambers:
            yield chosen
            return
        further = spec.chambers - chamber - 1
        for depth in columns[chamber]:
            tried += 1
            if tried > MOST_TRIED:
                return
            if chosen and abs(depth - chosen[-1]) > spec.macs:
                continue
            now = matches + (table[:, chamber] == depth)
            if now.max() <= constants <= now.min() + further:
                yield from search((*chosen, depth), now)

    found = list(islice(search((), np.zeros(len(table), dtype=np.int64)), MOST_LISTED + 1))
    complete = len(found) <= MOST_LISTED and tried <= MOST_TRIED
    method = f"rotating constants, {constants} held"
    return MasterCandidates(len(found), tuple(found[:MOST_LISTED]), columns, complete, _sentence(len(found), method))


def _check(spec: BittingSpec, changes: Collection[Bitting]) -> None:
    if not changes:
        raise KeyingError("changes", "Give at least one change's bitting.")
    if any(len(bitting) != spec.chambers or any(d not in spec.all_depths for d in bitting) for bitting in changes):
        raise KeyingError("changes", "A bitting does not fit this spec.")


def _sentence(count: int, method: str) -> str:
    if count == 0:
        return f"No master fits this list by {method}: it was made another way, or rows of other systems are in it."
    if count == 1:
        return f"One master alone fits this list by {method}. Hold it against the owner's own before relying on it."
    return f"{count:,} masters fit this list by {method}; the list does not tell which. Ask for the master itself."
