"""The keying schedule by keyset: which cylinders each keyset is in, and what each master opens; never a bitting."""

from __future__ import annotations

from dataclasses import dataclass

from app.documents.render import PaperHead, job_head, pdf
from app.documents.schedule import bare_symbol
from app.ledger.jobs.schedule import Schedule, ScheduleKeyset, ScheduleRow


@dataclass(frozen=True, slots=True)
class MasterRow:
    """A keyset of the job with no cylinder of its own: its keys, and how many of the cylinders they open."""

    symbol: str
    level: str
    purpose: str
    keys: int
    opens: int


@dataclass(frozen=True, slots=True)
class KeysetRow:
    """One cylinder under its keyset. keys: of the keyset, told once, at its first cylinder."""

    symbol: str
    is_first: bool
    keys: str
    purpose: str
    opening_number: str
    location: str
    position: str
    part_number: str
    words: str
    operated_by: str
    remarks: str


@dataclass(frozen=True, slots=True)
class KeysetSchedulePage:
    """The schedule as printed; cylinders without a keyset stand last."""

    head: PaperHead
    title: str
    customer_name: str
    site_name: str
    system_name: str
    masters: tuple[MasterRow, ...]
    rows: tuple[KeysetRow, ...]
    keysets: int
    cylinders: int
    keys: int


def keyset_schedule_page(schedule: Schedule) -> KeysetSchedulePage:
    """What the schedule by keyset says."""
    found: dict[str, list[ScheduleRow]] = {}
    for row in schedule.rows:
        found.setdefault(bare_symbol(row.keyset), []).append(row)
    named = [keyset.symbol for keyset in schedule.keysets]
    order = [*dict.fromkeys(named), *(symbol for symbol in found if symbol not in named)]
    by_symbol = {keyset.symbol: keyset for keyset in schedule.keysets}
    return KeysetSchedulePage(
        head=job_head(
            schedule.house, "Schedule by keyset", schedule.job_number, schedule.revision, schedule.issued_on
        ),
        title=schedule.title,
        customer_name=schedule.customer_name,
        site_name=schedule.site_name,
        system_name=schedule.system_name,
        masters=tuple(_master(keyset, schedule) for keyset in schedule.keysets if keyset.symbol not in found),
        rows=tuple(
            _row(row, by_symbol.get(symbol), is_first=place == 0)
            for symbol in order
            for place, row in enumerate(found.get(symbol, ()))
        ),
        keysets=len(schedule.keysets),
        cylinders=len(schedule.rows),
        keys=sum(keyset.keys for keyset in schedule.keysets),
    )


def _master(keyset: ScheduleKeyset, schedule: Schedule) -> MasterRow:
    opens = sum(keyset.symbol in row.operated_by for row in schedule.rows)
    return MasterRow(keyset.symbol, keyset.level, keyset.purpose, keyset.keys, opens)


def _row(row: ScheduleRow, keyset: ScheduleKeyset | None, *, is_first: bool) -> KeysetRow:
    return KeysetRow(
        symbol=row.keyset,
        is_first=is_first,
        keys=str(keyset.keys) if keyset and is_first else "",
        purpose=keyset.purpose if keyset and is_first else "",
        opening_number=row.opening_number,
        location=row.location,
        position=row.position,
        part_number=row.part_number,
        words=row.words,
        operated_by=", ".join(row.operated_by),
        remarks=row.remarks,
    )


def keyset_schedule_pdf(schedule: Schedule) -> bytes:
    """The schedule by keyset as PDF, on the house's paper."""
    return pdf("keyset_schedule.html", keyset_schedule_page(schedule), schedule.house.paper)
