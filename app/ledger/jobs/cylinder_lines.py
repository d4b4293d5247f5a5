"""A job's cylinders as plain rows, with their keysets and the cautions of their doors."""

from collections import Counter, namedtuple
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple, TypeAlias

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.keysystems.system_queries import chambers_in, operators_of, symbol_on
from app.ledger.quoting.request import old_price_reason
from app.ledger.sites.cautions import cautions_for
from app.ledger.sites.cylinders import standing_among
from app.ledger.store.engine import read
from app.ledger.tables import (
    Cylinder,
    CylinderOperator,
    Door,
    JobLine,
    Key,
    Keyset,
    KeySystem,
    Lock,
    say_purpose,
)


@dataclass(frozen=True, slots=True)
class ScheduleRow:
    """One cylinder, as the installer needs it. Never a bitting."""

    cylinder_id: int
    opening_number: str  # "" where the cylinder has no door on record
    location: str
    hand: str
    lock: str
    position: str
    words: str
    part_number: str
    keyset: str  # its symbol, with X before and (NMK) after where they apply; "" uncombinated
    operated_by: tuple[str, ...]  # every symbol whose key operates it, its own first, masters after
    remarks: str
    cautions: tuple[str, ...]
    system: str = ""  # the name of its keyset's key system
    construction: str = ""  # the symbol of the construction key that turns it as yet
    is_lent: bool = False  # a construction core: the house's own, until the permanent core comes


@dataclass(frozen=True, slots=True)
class ScheduleKeyset:
    """One keyset of the job: how many cylinders carry it and how many keys go with it."""

    symbol: str
    level: str
    purpose: str
    cylinders: int
    keys: int
    system: str = ""  # the name of its key system: two may have a keyset of one symbol
    own: str = ""  # the customer's own name for it where that is another than its symbol


PlainRow: TypeAlias = Any
"""A named tuple of a statement's columns: a job may have a thousand cylinders, and records take far longer."""


def _row_of(statement: sa.Select[*tuple[Any, ...]]) -> Any:
    """Makes a result's rows into named tuples, whose attributes are found in a tenth of the time."""
    names = statement.selected_columns.keys()
    return namedtuple("PlainRow", names)._make  # type: ignore[attr-defined]  # its kind is known to nobody before


class SystemLine(NamedTuple):
    """A key system that the job works in, as pages name it."""

    id: int
    name: str


@dataclass(frozen=True)
class JobCylinders:
    """lines: its cylinders with their doors, in the order sold. by_id: every keyset of `systems`.

    crossed: cylinder id → further keysets' ids. counts: keyset id → keys that come with the job. systems: those of
    its cylinders and of its keys. price_reasons: line number → why it had a price of its own, which jobs accepted in
    earlier releases have as a remark.
    """

    lines: Sequence[PlainRow]
    by_id: Mapping[int, PlainRow]
    crossed: Mapping[int, Sequence[int]]
    counts: Mapping[int, int]
    systems: Sequence[SystemLine]
    price_reasons: Mapping[int, str]

    @cached_property
    def used(self) -> Counter[int | None]:
        """Keyset id → how many cylinders of the job carry it."""
        return Counter(line.keyset_id for line in self.lines)

    @cached_property
    def keyed_in(self) -> tuple[SystemLine, ...]:
        """The systems of its cylinders alone."""
        ids = {self.by_id[keyset_id].system_id for keyset_id in self.used if keyset_id is not None}
        return tuple(system for system in self.systems if system.id in ids)

    @property
    def has_construction(self) -> bool:
        """Whether the job brought construction keys."""
        return any(one in self.by_id and self.by_id[one].level.is_of_construction for one in self.counts)

    @property
    def system_name(self) -> str:
        """The systems' names; several joined with " · "."""
        return " · ".join(system.name for system in self.keyed_in)

    @cached_property
    def keysets(self) -> tuple[ScheduleKeyset, ...]:
        """The job's keysets, by system and as they were added."""
        return tuple(
            ScheduleKeyset(
                one.symbol,
                one.level.value,
                say_purpose(one.purpose, one.is_retired),
                self.used[one.id],
                self.counts.get(one.id, 0),
                one.system_name,
                one.own_symbol if one.own_symbol != one.symbol else "",
            )
            for one in self.by_id.values()
            if one.id in self.used or one.id in self.counts
        )

    @property
    def kinds(self) -> tuple[tuple[str, str], ...]:
        """Each part number among the cylinders and what it is in words, once."""
        return tuple(dict.fromkeys((line.part_number, line.words) for line in self.lines if line.part_number))

    def system_of(self, line: PlainRow) -> int | None:
        """The id of the key system that a cylinder belongs to; None uncombinated."""
        keyset = self.by_id.get(line.keyset_id)
        return keyset.system_id if keyset else None

    def operators(self, line: PlainRow) -> list[PlainRow]:
        """Every keyset whose key turns a cylinder: its own, those it is cross-keyed to, the masters above, and last
        the construction key, which does for a while.
        """
        if line.keyset_id is None:
            return []
        own, *above = operators_of(self.by_id[line.keyset_id], is_nmk=line.is_nmk, by_id=self.by_id)
        crossed = (self.by_id[one] for one in self.crossed.get(line.id, ()) if one in self.by_id)
        return sorted(dict.fromkeys((own, *crossed, *above)), key=lambda one: one.level.is_of_construction)

    def symbol(self, line: PlainRow) -> str:
        """The cylinder's keyset as it bears it: X before, (NMK) or its selective master after; "" uncombinated."""
        if line.keyset_id is None:
            return ""
        further = [self.by_id[one] for one in self.crossed.get(line.id, ()) if one in self.by_id]
        return symbol_on(self.by_id[line.keyset_id].symbol, further, is_nmk=line.is_nmk)

    def chambers(self, line: PlainRow) -> int:
        """In how many chambers a keyed cylinder is pinned."""
        return chambers_in(self.by_id[line.keyset_id].cuts, line.chambers)

    def shorter(self, line: PlainRow) -> str:
        """That a cylinder has fewer chambers than its keys have cuts, in words; "" where it has as many."""
        cuts = self.by_id[line.keyset_id].cuts if line.keyset_id else 0
        return f"{line.chambers} chambers, keys of {cuts} cuts" if cuts > (line.chambers or cuts) else ""

    def row(self, line: PlainRow, cautions: tuple[str, ...] = ()) -> ScheduleRow:
        """A cylinder as the schedule says it; its cautions are the caller's to look up."""
        remarks = "" if line.remarks == self.price_reasons.get(line.line_number) else line.remarks
        operators = self.operators(line)
        return ScheduleRow(
            cylinder_id=line.id,
            opening_number=line.opening_number,
            location=line.location,
            hand=line.hand,
            lock=line.lock,
            position=line.position,
            words=line.words,
            part_number=line.part_number,
            keyset=self.symbol(line),
            operated_by=tuple(keyset.symbol for keyset in operators),
            remarks=" · ".join(filter(None, (self.shorter(line), line.door_remarks, remarks))),
            cautions=cautions,
            system=self.by_id[line.keyset_id].system_name if line.keyset_id else "",
            construction=next((one.symbol for one in operators if one.level.is_of_construction), ""),
            is_lent=line.keyset_id is not None and self.by_id[line.keyset_id].level.is_of_construction,
        )


def job_cylinders(session: Session, job_id: int) -> JobCylinders:
    """A job's cylinders and their keysets: at most five queries, however many. Opens no bitting."""
    lines = list(map(_LINE, read(session, _LINES, {"job": job_id})))
    counts = key_counts(session, job_id)
    ids = {line.keyset_id for line in lines if line.keyset_id is not None} | set(counts)
    crossed: dict[int, list[int]] = {}
    keysets: Sequence[PlainRow] = ()
    if ids:
        keysets = list(map(_KEYSET, read(session, _KEYSETS, {"keysets": list(ids)})))
        for cylinder_id, keyset_id in read(session, _CROSSED, {"job": job_id}):
            crossed.setdefault(cylinder_id, []).append(keyset_id)
    systems = [SystemLine(*one) for one in {row.system_id: row.system_name for row in keysets}.items()]
    asks = read(session, _ASKS, {"job": job_id}) if any(line.remarks for line in lines) else ()
    reasons = {number: old_price_reason(ask) for number, ask in asks}
    return JobCylinders(lines, {keyset.id: keyset for keyset in keysets}, crossed, counts, systems, reasons)


def has_cylinders(session: Session, job_id: int) -> bool:
    """Whether the job's quote was accepted with something to key."""
    return session.scalar(sa.select(Cylinder.id).where(Cylinder.job_id == job_id).limit(1)) is not None


def key_counts(session: Session, job_id: int) -> dict[int, int]:
    """Keyset id → how many keys of it come with the job."""
    return {row[0]: row[1] for row in read(session, _COUNTS, {"job": job_id})}


# Built once: making a statement anew takes longer than a small job's rows.
_JOB: sa.BindParameter[int] = sa.bindparam("job", type_=sa.Integer)
_LINES = (
    sa.select(
        Cylinder.id,
        Cylinder.line_number,
        sa.type_coerce(Cylinder.keyset_id, sa.Integer).label("keyset_id"),
        Cylinder.is_nmk,
        Cylinder.chambers,
        Cylinder.position,
        Cylinder.words,
        Cylinder.part_number,
        Cylinder.remarks,
        Cylinder.state,
        Cylinder.door_id,
        *(sa.func.coalesce(one, "").label(one.key) for one in (Door.opening_number, Door.location, Door.hand)),
        Door.remarks.label("door_remarks"),
        sa.func.coalesce(Lock.description, "").label("lock"),
    )
    .outerjoin(Door, Door.id == Cylinder.door_id)
    .outerjoin(Lock, Lock.door_id == Door.id)
    .where(Cylinder.job_id == _JOB)
    .order_by(Cylinder.id)
)
_LINE = _row_of(_LINES)
_CROSSED = (
    sa.select(CylinderOperator.cylinder_id, CylinderOperator.keyset_id)
    .join(Cylinder, Cylinder.id == CylinderOperator.cylinder_id)
    .where(Cylinder.job_id == _JOB)
    .order_by(CylinderOperator.id)
)
_ASKS = sa.select(JobLine.number, JobLine.ask).where(JobLine.job_id == _JOB)
_COUNTS = sa.select(Key.keyset_id, sa.func.count()).where(Key.job_id == _JOB).group_by(Key.keyset_id)
_KEYSETS = (
    sa.select(
        KeySystem.name.label("system_name"),
        KeySystem.chambers.label("cuts"),
        *(
            Keyset.id,
            Keyset.system_id,
            Keyset.symbol,
            Keyset.level,
            Keyset.parent_id,
            Keyset.purpose,
            Keyset.is_retired,
            Keyset.own_symbol,
        ),
    )
    .join(KeySystem, KeySystem.id == Keyset.system_id)
    .where(
        Keyset.system_id.in_(
            sa.select(Keyset.system_id).where(Keyset.id.in_(sa.bindparam("keysets", expanding=True)))
        )
    )
    .order_by(Keyset.system_id, Keyset.id)
)
_KEYSET = _row_of(_KEYSETS)

_MINE = sa.select(Cylinder.door_id).where(Cylinder.job_id == sa.bindparam("job", type_=sa.Integer))
_THERE = (
    sa.select(
        Cylinder.id,
        Cylinder.position,
        Cylinder.type,
        Cylinder.length,
        Cylinder.finish,
        Cylinder.state,
        Cylinder.door_id,
        Door.is_egress,
        Door.is_fire_rated,
        Door.thickness,
        sa.func.coalesce(Lock.description, "").label("lock"),
        sa.func.coalesce(Lock.function, "").label("function"),
    )
    .join(Door, Door.id == Cylinder.door_id)
    .outerjoin(Lock, Lock.door_id == Door.id)
    .where(Cylinder.door_id.in_(_MINE))
)
_ON_DOOR = _row_of(_THERE)


def cautions_by_door(session: Session, job_id: int) -> dict[int, tuple[str, ...]]:
    """Door id → its cautions, which look at all that stands there, whichever job brought it: one query."""
    there: dict[int, list[PlainRow]] = {}
    for one in map(_ON_DOOR, read(session, _THERE, {"job": job_id})):
        there.setdefault(one.door_id, []).append(one)
    return {
        door_id: cautions_for(
            standing_among(found),
            is_egress=found[0].is_egress,
            is_fire_rated=found[0].is_fire_rated,
            thickness=found[0].thickness,
            lock_words=f"{found[0].lock} {found[0].function}",
        )
        for door_id, found in there.items()
    }
