"""The keys of a job by holder: who has which copy, what it opens, where to sign; never a bitting."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from app.documents.filters import show_day
from app.documents.render import PaperHead, first_of, job_head, pdf
from app.documents.spreadsheet import csv_bytes, xlsx_bytes
from app.ledger.jobs.holders import HeldKeys, Holder, KeyHolders
from app.ledger.keysystems.copy_numbers import say_copies
from app.spreadsheets import Cell

HOLDER_HEADINGS = ("Holder", "Keyset", "Level", "Copies", "Keys", "Opens", "Due back")
MOST_OPENINGS = 16


@dataclass(frozen=True, slots=True)
class HeldLine:
    """One keyset's copies in one hand, as printed."""

    symbol: str
    level: str
    copies: str
    count: int
    opens: str
    due_back: date | None


@dataclass(frozen=True, slots=True)
class KeyHoldersPage:
    """The list as printed, each holder with the lines of his keys."""

    head: PaperHead
    held: KeyHolders
    holders: tuple[tuple[Holder, tuple[HeldLine, ...]], ...]


def holders_page(held: KeyHolders) -> KeyHoldersPage:
    """What the list says; a person has a line to sign on, the shop's drawer has none."""
    schedule = held.schedule
    return KeyHoldersPage(
        job_head(schedule.house, "Keys by holder", schedule.job_number, schedule.revision, schedule.issued_on),
        held,
        tuple((holder, tuple(_line(key, MOST_OPENINGS) for key in holder.keys)) for holder in held.holders),
    )


def _line(key: HeldKeys, most: int) -> HeldLine:
    level = f"{key.level}, {key.purpose}" if key.purpose else key.level
    return HeldLine(
        key.symbol, level, say_copies(key.copies), len(key.copies), first_of(key.opens, most), key.due_back
    )


def holders_pdf(held: KeyHolders) -> bytes:
    """The list as PDF, on the house's paper."""
    return pdf("key_holders.html", holders_page(held), held.schedule.house.paper)


def _rows(held: KeyHolders) -> list[tuple[Cell, ...]]:
    return [
        (holder.name, line.symbol, line.level, line.copies, line.count, line.opens, show_day(line.due_back))
        for holder in held.holders
        for line in (_line(key, len(key.opens)) for key in holder.keys)
    ]


def holders_csv(held: KeyHolders) -> bytes:
    """One row a holder and keyset, under HOLDER_HEADINGS."""
    return csv_bytes(HOLDER_HEADINGS, _rows(held))


def holders_xlsx(held: KeyHolders) -> bytes:
    """The same rows as one sheet."""
    schedule = held.schedule
    return xlsx_bytes(
        f"Keys by holder for job {schedule.job_number}",
        schedule.issued_on,
        [("By holder", HOLDER_HEADINGS, _rows(held))],
    )
