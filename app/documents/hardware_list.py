"""The hardware list for purchasing: what a job needs by maker and part number, without a price."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from app.documents.render import PaperHead, job_head, pdf
from app.documents.spreadsheet import csv_bytes, xlsx_bytes
from app.ledger.jobs.hardware import HardwareLine, HardwareList
from app.spreadsheets import Cell

HARDWARE_HEADINGS = ("Maker", "Part number", "What", "Quantity", "Lines", "For openings")
MOST_OPENINGS = 30  # a paper's cell stays readable; the spreadsheet has them all


@dataclass(frozen=True, slots=True)
class PartLine:
    """One thing to bring in, as printed."""

    maker: str
    part_number: str
    words: str
    quantity: int
    lines: str
    openings: str


@dataclass(frozen=True, slots=True)
class HardwarePage:
    """The list as printed; `pieces` counts the parts, not the blanks."""

    head: PaperHead
    title: str
    customer_name: str
    promised_on: date | None
    lines: tuple[PartLine, ...]
    blanks: tuple[PartLine, ...]
    pieces: int


def hardware_page(hardware: HardwareList) -> HardwarePage:
    """What the list says."""
    return HardwarePage(
        job_head(hardware.house, "Hardware list", hardware.job_number, hardware.revision, hardware.issued_on),
        hardware.title,
        hardware.customer_name,
        hardware.promised_on,
        tuple(_line(line, MOST_OPENINGS) for line in hardware.lines),
        tuple(_line(line, MOST_OPENINGS) for line in hardware.blanks),
        sum(line.quantity for line in hardware.lines),
    )


def _line(line: HardwareLine, most: int) -> PartLine:
    more = len(line.openings) - most
    openings = ", ".join(line.openings[:most]) + (f" and {more} more" if more > 0 else "")
    return PartLine(
        line.maker, line.part_number, line.words, line.quantity, ", ".join(map(str, line.lines)), openings
    )


def hardware_list_pdf(hardware: HardwareList) -> bytes:
    """The list as PDF, on the house's paper."""
    return pdf("hardware_list.html", hardware_page(hardware), hardware.house.paper)


def _rows(hardware: HardwareList) -> list[tuple[Cell, ...]]:
    lines = (_line(line, len(line.openings)) for line in (*hardware.lines, *hardware.blanks))
    return [(line.maker, line.part_number, line.words, line.quantity, line.lines, line.openings) for line in lines]


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
