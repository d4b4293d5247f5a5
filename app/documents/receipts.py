"""What somebody signs: that he has the keys, never their bittings; that money was received, given back or is owed."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from app.documents.render import PaperHead, pdf
from app.ledger.jobs.payments import PaymentKind, PaymentReceipt
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
class KeyReceiptPage:
    """The receipt as printed."""

    head: PaperHead
    receipt: KeyReceipt


def key_receipt_pdf(receipt: KeyReceipt) -> bytes:
    """The receipt as PDF, with lines for the holder's and the house's signatures."""
    head = PaperHead(receipt.house, "Key receipt", receipt.number, receipt.issued_on)
    return pdf("key_receipt.html", KeyReceiptPage(head, receipt), receipt.house.paper)


@dataclass(frozen=True, slots=True)
class ReceiptWords:
    """What a receipt of one kind says around its figures."""

    name: str
    party: str
    amount: str
    statement: str
    signs: str
    other_hand: str


_CAME_IN = ("We have received the amount above.", "For the house", "Paid by")
_WENT_BACK = ("I have been given back the amount above.", "Customer's signature", "Given back by")
_WORDS = {
    PaymentKind.DEPOSIT: ReceiptWords("Deposit receipt", "Received from", "Deposit received", *_CAME_IN),
    PaymentKind.PAYMENT: ReceiptWords("Payment receipt", "Received from", "Received", *_CAME_IN),
    PaymentKind.REFUND: ReceiptWords("Refund receipt", "Given back to", "Given back", *_WENT_BACK),
    PaymentKind.OFF_PRICE: ReceiptWords("Refund receipt", "Given back to", "Given back, off the price", *_WENT_BACK),
}
_OWED = ReceiptWords(
    *("Put on account", "Owed by", "Put on account"),
    *("Nothing was received: the amount above is still to be paid.", "Customer's signature", "For the house"),
)
_OWED_NO_MORE = ReceiptWords(
    *("Credit on account", "Let off for", "Let off the price"),
    *("No money changed hands: the amount above is no longer owed.", "For the house", "Customer"),
)


@dataclass(frozen=True, slots=True)
class PaymentPage:
    """The receipt as printed."""

    head: PaperHead
    receipt: PaymentReceipt
    words: ReceiptWords


def payment_receipt_pdf(house: HouseHead, receipt: PaymentReceipt) -> bytes:
    """The receipt as PDF, with the figures of the moment when the money changed hands, or did not."""
    words = _WORDS[receipt.kind]
    if receipt.is_on_account:
        words = _OWED_NO_MORE if receipt.kind.goes_back else _OWED
    head = PaperHead(house, words.name, receipt.number, receipt.received_on)
    return pdf("payment_receipt.html", PaymentPage(head, receipt, words), house.paper)
