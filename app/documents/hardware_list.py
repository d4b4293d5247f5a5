"""The hardware list for purchasing: what a job needs by maker and part number, without a price."""

from __future__ import annotations

from dataclasses import dataclass

from app.documents.render import PaperHead, first_of, job_head, pdf
from app.documents.spreadsheet import csv_bytes, xlsx_bytes
from app.ledger.jobs.hardware import HardwareItem, HardwareList
from app.spreadsheets import Cell

HARDWARE_HEADINGS = ("Maker", "Part number", "What", "Quantity", "Lines", "For openings")
MOST_OPENINGS = 30  # a paper's cell stays readable; the spreadsheet has them all


@dataclass(frozen=True, slots=True)
class HardwareRow:
    """One thing to bring in, as printed, with the quote's lines and the openings that it is for in words."""

    part: HardwareItem
    lines: str
    openings: str


@dataclass(frozen=True, slots=True)
class HardwarePage:
    """The list as printed, parts first and then blanks; `pieces` counts the parts alone."""

    head: PaperHead
    hardware: HardwareList
    lines: tuple[HardwareRow, ...]
    pieces: int


def hardware_page(hardware: HardwareList) -> HardwarePage:
    """What the list says."""
    return HardwarePage(
        job_head(hardware.house, "Hardware list", hardware.job_number, hardware.revision, hardware.issued_on),
        hardware,
        tuple(_line(line, MOST_OPENINGS) for line in (*hardware.lines, *hardware.blanks)),
        sum(line.quantity for line in hardware.lines),
    )


def _line(part: HardwareItem, most: int) -> HardwareRow:
    return HardwareRow(part, ", ".join(map(str, part.lines)), first_of(part.openings, most))


def hardware_list_pdf(hardware: HardwareList) -> bytes:
    """The list as PDF, on the house's paper."""
    return pdf("hardware_list.html", hardware_page(hardware), hardware.house.paper)


def _rows(hardware: HardwareList) -> list[tuple[Cell, ...]]:
    lines = (_line(part, len(part.openings)) for part in (*hardware.lines, *hardware.blanks))
    return [
        (line.part.maker, line.part.part_number, line.part.words, line.part.quantity, line.lines, line.openings)
        for line in lines
    ]


def hardware_csv(hardware: HardwareList) -> bytes:
    """One row a part number, then one a keyway's blanks, under HARDWARE_HEADINGS."""
    return csv_bytes(HARDWARE_HEADINGS, _rows(hardware))


def hardware_xlsx(hardware: HardwareList) -> bytes:
    """The same rows as one sheet."""
    return xlsx_bytes(
        f"Hardware list for job {hardware.job_number}",
        hardware.issued_on,
        [("Hardware", HARDWARE_HEADINGS, _rows(hardware))],
    )
