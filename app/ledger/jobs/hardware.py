"""What purchasing has to bring in for a job: cylinders, hardware and key blanks, by part number."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import sqlalchemy as sa

from app.ledger.jobs.papers import JobHead, job_head
from app.ledger.quoting.key_lines import own_copies
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Door, Job, JobLine, Key, Keyset, KeySystem, LineKind, Maker

BOUGHT = (LineKind.CYLINDER.value, LineKind.PART.value, LineKind.HARDWARE.value)


@dataclass(frozen=True, slots=True)
class HardwareItem:
    """One thing to bring in. lines: the quote's lines that it is for; openings: the doors it goes on, in order."""

    maker: str
    part_number: str
    words: str
    quantity: int
    lines: tuple[int, ...]
    openings: tuple[str, ...]

    @property
    def line_words(self) -> str:
        """The quote's lines, "1, 3"."""
        return ", ".join(map(str, self.lines))


@dataclass(frozen=True, slots=True)
class HardwareList:
    """A job's hardware by maker and part number. blanks: key blanks to cut on the shop's bench, a line a keyway."""

    head: JobHead
    lines: tuple[HardwareItem, ...]
    blanks: tuple[HardwareItem, ...]


def hardware_of(work: Work, job: Job) -> HardwareList:
    """The list, from the lines as agreed: five queries. A customer's own cylinders and labor are not on it."""
    makers, openings = _cylinders(work, job)
    found: dict[tuple[str, str, str], list[JobLine]] = {}
    for line in job.lines:
        if line.kind in BOUGHT:
            maker = makers.get(line.number, "")
            found.setdefault((maker, line.part_number, line.description), []).append(line)
    ordered = sorted(found.items(), key=lambda item: (item[0][0] == "", *item[0]))
    return HardwareList(
        head=job_head(work, job),
        lines=tuple(
            HardwareItem(
                maker,
                part_number,
                words,
                sum(line.quantity for line in lines),
                tuple(line.number for line in lines),
                tuple(dict.fromkeys(opening for line in lines for opening in openings.get(line.number, ()))),
            )
            for (maker, part_number, words), lines in ordered
        ),
        blanks=_blanks(work, job),
    )


def _cylinders(work: Work, job: Job) -> tuple[dict[int, str], dict[int, list[str]]]:
    """Line number → maker's name, and line number → opening numbers in the order sold."""
    rows = work.session.execute(
        sa.select(Cylinder.line_number, Maker.name, Door.opening_number)
        .outerjoin(Maker, Maker.id == Cylinder.maker_id)
        .outerjoin(Door, Door.id == Cylinder.door_id)
        .where(Cylinder.job_id == job.id)
        .order_by(Cylinder.id)
    )
    makers: dict[int, str] = {}
    openings: dict[int, list[str]] = {}
    for number, maker, opening in rows:
        if number is not None and maker:
            makers[number] = maker
        if number is not None and opening:
            openings.setdefault(number, []).append(opening)
    return makers, openings


def _blanks(work: Work, job: Job) -> tuple[HardwareItem, ...]:
    rows = work.session.execute(
        sa.select(KeySystem.keyway, sa.func.count())
        .join(Keyset, Keyset.system_id == KeySystem.id)
        .join(Key, Key.keyset_id == Keyset.id)
        .where(Key.job_id == job.id)
        .group_by(KeySystem.keyway)
        .order_by(KeySystem.keyway)
    )
    counts = Counter(dict(rows.all())) if job.keyed_at != "factory" else Counter[str]()
    counts.update(dict(own_copies(job)))  # they are cut here too, and are on no keyset
    return tuple(
        HardwareItem("", "", f"Key blanks, keyway {keyway}", count, (), ())
        for keyway, count in sorted(counts.items())
    )
