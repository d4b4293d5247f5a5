"""What a job brings, in pieces: what waits in the shop to be taken, and of which line each piece is."""

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.keys.key_queries import keys_of_job
from app.ledger.quoting.key_lines import OWN
from app.ledger.tables import (
    Cylinder,
    HandedLine,
    HandOverRow,
    Job,
    JobLine,
    Key,
    KeyState,
    LineKind,
)
from app.validation import counted


@dataclass(frozen=True, slots=True)
class Pieces:
    """Cylinders, keys, and how many of the other goods by their line's number."""

    cylinders: tuple[Cylinder, ...]
    keys: tuple[Key, ...]
    goods: Mapping[int, int]

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing."""
        return not (self.cylinders or self.keys or self.goods)

    @property
    def words(self) -> str:
        """How many of what: "2 cylinders, 4 keys, 5 other pieces"."""
        counts = (
            (len(self.cylinders), "cylinder"),
            (len(self.keys), "key"),
            (sum(self.goods.values()), "other piece"),
        )
        return ", ".join(counted(count, noun) for count, noun in counts if count)

    def less(self, gone: "Pieces") -> "Pieces":
        """What stays when some of it goes."""
        goods = Counter(self.goods)
        goods.subtract(gone.goods)
        return Pieces(
            tuple(one for one in self.cylinders if one not in gone.cylinders),
            tuple(one for one in self.keys if one not in gone.keys),
            {number: count for number, count in goods.items() if count > 0},
        )


@dataclass(frozen=True, slots=True)
class LineCount:
    """How many pieces of one line: its cylinders, its keys, its other goods."""

    cylinders: int = 0
    keys: int = 0
    goods: int = 0


NO_PIECES = LineCount()


def handed_lines(session: Session, job_id: int) -> dict[int, LineCount]:
    """How much of each line of a job was handed over so far, by the line's number."""
    sums = [sa.func.sum(column) for column in (HandedLine.cylinders, HandedLine.keys, HandedLine.goods)]
    rows = sa.select(HandedLine.line_number, *sums).join(HandOverRow).where(HandOverRow.job_id == job_id)
    found = session.execute(rows.group_by(HandedLine.line_number).order_by(HandedLine.line_number))
    return {number: LineCount(*(int(one) for one in counts)) for number, *counts in found}


def waiting_for(session: Session, job: Job) -> Pieces:
    """What of a job waits in the shop to be taken: keys that are cut, and all else that nobody took yet."""
    gone = handed_lines(session, job.id)
    goods = {one.number: one.quantity - gone.get(one.number, NO_PIECES).goods for one in job.lines if is_goods(one)}
    return Pieces(
        tuple(one for one in job.cylinders if not one.state.has_left),
        tuple(key for key in keys_of_job(session, job.id) if key.state is KeyState.CUT),
        {number: count for number, count in goods.items() if count > 0},
    )


def is_goods(line: JobLine) -> bool:
    """Whether pieces come with it that are neither cylinders nor keys on record."""
    return line.kind == LineKind.HARDWARE.value or _is_own(line)


def _is_own(line: JobLine) -> bool:
    return line.kind == LineKind.KEYS.value and line.ask.get("symbol") == OWN


def by_line(job: Job, pieces: Pieces, gone: Mapping[int, LineCount]) -> dict[int, LineCount]:
    """The pieces by the line that sold them. A key is of the line of its keyset's cylinders as far as keys come with
    that line, else of a line of keys.

    gone: what was handed over of each line before.
    """
    found: dict[int, LineCount] = defaultdict(LineCount)

    def add(number: int, **counts: int) -> None:
        have = found[number]
        found[number] = replace(have, **{name: getattr(have, name) + count for name, count in counts.items()})

    for cylinder in pieces.cylinders:
        if cylinder.line_number is not None:
            add(cylinder.line_number, cylinders=1)
    for number, count in pieces.goods.items():
        add(number, goods=count)
    keyed = {one.keyset_id: one.line_number for one in reversed(job.cylinders) if one.line_number is not None}
    for key in pieces.keys:
        if key.keyset.level.is_of_construction:
            continue  # no line's: what construction keying costs is sold as a whole
        here = {number: gone.get(number, NO_PIECES).keys + found[number].keys for number in _keyed_lines(job)}
        line = _line_of(job, here, keyed.get(key.keyset_id))
        if line is not None:
            add(line, keys=1)
    return {number: count for number, count in sorted(found.items()) if count != NO_PIECES}


def _keyed_lines(job: Job) -> Sequence[int]:
    return [one.number for one in job.lines if LineKind(one.kind).is_keyed or _sells_keys(one)]


def _sells_keys(line: JobLine) -> bool:
    return line.kind == LineKind.KEYS.value and not _is_own(line)


def _line_of(job: Job, gone: Mapping[int, int], keyed_by: int | None) -> int | None:
    """The line that a key is of, as far as keys went with it already."""
    lines = {line.number: line for line in job.lines}
    if keyed_by in lines and gone[keyed_by] < keys_with(lines[keyed_by]):
        return keyed_by
    selling = [number for number, line in lines.items() if _sells_keys(line)]
    with_room = [number for number in selling if gone[number] < lines[number].quantity]
    return next(iter([*with_room, *selling]), keyed_by or next(iter(gone), None))


def keys_with(line: JobLine) -> int:
    """How many keys come with a line of cylinders."""
    in_all = line.ask.get("keys_in_all")
    return int(line.ask.get("keys_each", 0)) * line.quantity if in_all is None else int(in_all)
