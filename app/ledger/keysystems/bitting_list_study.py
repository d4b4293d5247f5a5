"""Use case: hold an existing bitting list against a spec: what it shows, and the masters that it allows."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field

from app.errors import Problem, Problems
from app.keying import (
    BittingSpec,
    KeyingError,
    ListRow,
    ListStudy,
    MasterCandidates,
    find_masters,
    find_rotating_masters,
    progress,
    read_bitting,
    read_list,
    read_symbol,
    rotate,
    study_list,
    write_bitting,
)
from app.ledger.keysystems.control import is_control_symbol
from app.ledger.keysystems.sealed_token import carry
from app.ledger.keysystems.systems import find_keyway
from app.ledger.store.engine import transaction
from app.ledger.store.events import record
from app.ledger.store.work import Work

MOST_SEALED = 20_000
MOST_CANDIDATES = 12


@dataclass(frozen=True, slots=True)
class ListAsk:
    """What the list is held against: the keyway's spec, and the master and constants where the owner has them."""

    keyway: str
    chambers: int
    tmk: str = field(default="", repr=False)
    constants: int = 0  # chambers held at a time; 0: total position progression


@dataclass(frozen=True, slots=True)
class MastersOf:
    """The masters that a part of the list allows. `shown` is for the owner's eyes alone."""

    part: str
    found: MasterCandidates
    shown: tuple[str, ...] = field(repr=False)


@dataclass(frozen=True, slots=True)
class ListFound:
    """What the list shows. `usable` is None without an array; `sealed` carries the rows to the take-over."""

    rows: int
    study: ListStudy
    usable: int | None
    masters: tuple[MastersOf, ...]
    sealed: str

    @property
    def most_taken(self) -> int:
        """The longest list that can be taken over."""
        return MOST_SEALED

    @property
    def is_clean(self) -> bool:
        """Whether nothing in the list stands against taking it over."""
        return not self.study.doubles and not self.study.macs_violations


def study_bitting_list(work: Work, ask: ListAsk, table: Sequence[Sequence[str]]) -> ListFound:
    """Study a list; owner only, and the study is an event. Raises Problems with every row that cannot be read.

    table: the file's rows, the first naming the columns symbol, bitting, status.
    """
    work.require()
    spec = list_spec(work, ask.keyway, ask.chambers)
    rows = _read(spec, table)
    # The control key works at a shear line of its own: it is no part of the array.
    plain = [row for row in rows if not is_control_symbol(row.symbol)]
    array = None
    if ask.tmk:
        top = read_bitting(spec, ask.tmk, "tmk")
        array = rotate(spec, top, ask.constants) if ask.constants else progress(spec, top)
    study = study_list(spec, plain, array)
    masters = tuple(_masters(spec, plain, ask.constants))
    with transaction(work.session):
        record(
            work,
            "bittings revealed",
            f"keyway {ask.keyway}",
            f"A bitting list of {len(rows)} rows was studied by {work.actor.name}",
        )
    sealed = ""
    if len(rows) <= MOST_SEALED:
        value = [[row.symbol, write_bitting(spec, row.bitting), row.status] for row in rows]
        sealed = carry(work, value, list_purpose(ask.keyway, ask.chambers))
    return ListFound(len(rows), study, array.usable if array else None, masters, sealed)


def list_purpose(keyway: str, chambers: int) -> str:
    """What a carried list is sealed for."""
    return f"bitting list on {keyway}, {chambers} chambers"


def list_spec(work: Work, code: str, chambers: int) -> BittingSpec:
    """The spec that a list on a keyway is written in."""
    keyway = find_keyway(work, code)
    most = BittingSpec.from_json(keyway.spec.spec).chambers
    if not 3 <= chambers <= most:
        raise Problems([Problem("chambers", f"Keyway {keyway.code} is cut for 3 to {most} chambers.")])
    return BittingSpec.from_json({**keyway.spec.spec, "chambers": chambers})


def _read(spec: BittingSpec, table: Sequence[Sequence[str]]) -> tuple[ListRow, ...]:
    heading = [cell.strip().casefold() for cell in table[0]] if table else []
    if "bitting" not in heading:
        raise Problems([Problem("file", "The first row must name the columns: symbol, bitting, status.")])
    dicts = [dict(zip(heading, row, strict=False)) for row in table[1:]]
    rows, problems = read_list(spec, dicts)
    if problems:
        raise Problems(problems)
    if not rows:
        raise Problems([Problem("file", "There is no bitting in this list.")])
    return rows


def _masters(spec: BittingSpec, rows: Sequence[ListRow], constants: int) -> list[MastersOf]:
    """By the master that each symbol names, where symbols tell; else of the whole list."""
    parts: dict[str, list[ListRow]] = defaultdict(list)
    for row in rows:
        if row.status == "free":
            continue
        try:
            symbol = read_symbol(row.symbol)
        except KeyingError:
            parts["the whole list"].append(row)
            continue
        if symbol.number:
            parts[f"the changes of {symbol.parent}" if symbol.parent else "the whole list"].append(row)
    found = []
    for part, members in list(parts.items())[:40]:
        changes = {row.bitting for row in members}
        masters = find_rotating_masters(spec, changes, constants) if constants else find_masters(spec, changes)
        shown = tuple(write_bitting(spec, one) for one in masters.candidates[:MOST_CANDIDATES])
        found.append(MastersOf(part, masters, shown))
    return found
