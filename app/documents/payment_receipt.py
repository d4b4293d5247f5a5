"""The receipt for money received for a job, or given back."""

from __future__ import annotations

__all__ = ["PaymentPage", "payment_receipt_pdf"]

from dataclasses import dataclass

from app.documents.render import PaperHead, pdf
from app.ledger.jobs.payments import PaymentKind, PaymentReceipt
from app.ledger.jobs.snapshot import HouseHead

_NAMES = {
    PaymentKind.DEPOSIT: "Deposit receipt",
    PaymentKind.PAYMENT: "Payment receipt",
    PaymentKind.REFUND: "Refund receipt",
    PaymentKind.OFF_PRICE: "Refund receipt",
}


@dataclass(frozen=True, slots=True)
class PaymentPage:
    """The receipt as printed."""

    head: PaperHead
    receipt: PaymentReceipt

    @property
    def is_refund(self) -> bool:
        """Whether the money went back."""
        return self.receipt.kind.goes_back

    @property
    def is_off_price(self) -> bool:
        """Whether it is no longer due."""
        return self.receipt.kind is PaymentKind.OFF_PRICE


def payment_receipt_pdf(house: HouseHead, receipt: PaymentReceipt) -> bytes:
    """The receipt as PDF, with the figures of the moment when the money changed hands."""
    head = PaperHead(house, _NAMES[receipt.kind], receipt.number, receipt.received_on)
    return pdf("payment_receipt.html", PaymentPage(head, receipt), house.paper)
