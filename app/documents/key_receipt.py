"""The receipt that the holder of keys signs: which copy of which key, never its bitting."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from app.documents.render import PaperHead, pdf
from app.ledger.quoting.snapshot import HouseHead


@dataclass(frozen=True, slots=True)
class ReceiptKey:
    """One key handed over. stamping: what is stamped on it; opens: where it works, in words."""

    keyset: str
    copy_number: int
    stamping: str
    opens: str
    due_back: date | None = None


@dataclass(frozen=True, slots=True)
class KeyReceipt:
    """Keys that one holder takes. authority: who allowed it and how, "" where no owner of record is known.

    is_handed_over: issued_on is the day on which they changed hands; else the form is yet to be signed and dated.
    """

    house: HouseHead
    number: str  # of the receipt: "1038-3"
    issued_on: date
    issued_by: str
    customer_name: str
    site_name: str
    holder_name: str
    holder_phone: str
    authority: str
    keys: tuple[ReceiptKey, ...]
    is_handed_over: bool = True


@dataclass(frozen=True, slots=True)
class ReceiptPage:
    """The receipt as printed."""

    head: PaperHead
    receipt: KeyReceipt


def key_receipt_pdf(receipt: KeyReceipt) -> bytes:
    """The receipt as PDF, with lines for the holder's and the house's signatures."""
    head = PaperHead(receipt.house, "Key receipt", receipt.number, receipt.issued_on)
    return pdf("key_receipt.html", ReceiptPage(head, receipt), receipt.house.paper)
