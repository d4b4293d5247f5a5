"""The receipt for money received for a job, or given back, and the slip for what is put on account."""

from __future__ import annotations

from dataclasses import dataclass

from app.documents.render import PaperHead, pdf
from app.ledger.jobs.payments import PaymentKind, PaymentReceipt
from app.ledger.quoting.snapshot import HouseHead


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
