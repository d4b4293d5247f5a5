"""The bitting list of a key system: every keyset and its bitting, for the owner alone."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

from app.documents.render import PaperHead, pdf
from app.ledger.quoting.snapshot import HouseHead


@dataclass(frozen=True, slots=True)
class BittingLine:
    """One keyset. state: in use, reserved, retired, lost, …"""

    symbol: str
    level: str
    purpose: str
    bitting: str = field(repr=False)
    state: str
    keys_out: int


@dataclass(frozen=True, slots=True)
class BittingList:
    """A key system's bittings, as revealed to one person on one day."""

    house: HouseHead
    system_name: str
    owner_of_record: str
    keyway: str
    spec_name: str
    printed_on: date
    revealed_to: str
    lines: tuple[BittingLine, ...]


@dataclass(frozen=True, slots=True)
class BittingListPage:
    """The list as printed."""

    head: PaperHead
    bittings: BittingList
    keys_out: int


def bitting_list_pdf(bittings: BittingList) -> bytes:
    """The list as PDF: for the owner, never to a customer, an installer or the counter."""
    head = PaperHead(
        bittings.house,
        "Bitting list",
        bittings.system_name,
        bittings.printed_on,
        warning="Confidential",
        given_to=f"revealed to {bittings.revealed_to}",
        copy_line=True,
    )
    page = BittingListPage(head, bittings, sum(line.keys_out for line in bittings.lines))
    return pdf("bitting_list.html", page, bittings.house.paper)
