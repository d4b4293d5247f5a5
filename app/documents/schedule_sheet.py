"""The keying schedule as CSV and XLSX: the same rows as the PDF, every caution spelled out, never a bitting."""

from __future__ import annotations

from app.documents.schedule import schedule_page
from app.documents.spreadsheet import csv_bytes, xlsx_bytes
from app.ledger.jobs.schedule import Schedule
from app.spreadsheets import Cell

SCHEDULE_HEADINGS = (
    "Opening", "Location", "Hand", "Lock", "Position", "Cylinder", "Part number", "Keyset", "Operated by", "Keys",
    "Remarks", "Cautions",
)  # fmt: skip
_KEYSET_HEADINGS = ("Keyset", "Level", "For", "Cylinders", "Keys", "At openings")


def _door_rows(schedule: Schedule) -> list[tuple[Cell, ...]]:
    page = schedule_page(schedule)
    return [
        (
            line.opening_number, line.location, line.hand, line.lock, line.position, line.words, line.part_number,
            line.keyset, line.operated_by, line.keys, line.remarks, " ".join(row.cautions),
        )
        for line, row in zip(page.lines, schedule.rows, strict=True)
    ]  # fmt: skip


def schedule_csv(schedule: Schedule) -> bytes:
    """One row per cylinder, under SCHEDULE_HEADINGS."""
    return csv_bytes(SCHEDULE_HEADINGS, _door_rows(schedule))


def schedule_xlsx(schedule: Schedule) -> bytes:
    """Two sheets: by door as in the CSV, and by keyset."""
    keysets = [
        (line.symbol, line.level, line.purpose, line.cylinders, line.keys, line.openings)
        for line in schedule_page(schedule).keysets
    ]
    return xlsx_bytes(
        f"Keying schedule for job {schedule.job_number}",
        schedule.issued_on,
        [
            ("By door", SCHEDULE_HEADINGS, _door_rows(schedule)),
            ("By keyset", _KEYSET_HEADINGS, keysets),
        ],
    )
