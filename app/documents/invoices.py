"""Papers about money: invoices and credit notes as issued, an account's statement, a receipt for several jobs."""

from app.documents.render import PaperHead, pdf
from app.ledger.money.accounts import AccountReceipt
from app.ledger.money.invoice_snapshot import InvoiceSnapshot
from app.ledger.money.owing import Statement
from app.ledger.quoting.snapshot import HouseHead
from app.pricing import AGE_CLASSES


def invoice_pdf(snapshot: InvoiceSnapshot) -> bytes:
    """An invoice, deposit invoice or credit note as PDF, from what was frozen when it was issued."""
    head = PaperHead(snapshot.house, snapshot.kind.words, snapshot.number_words, snapshot.issued_on)
    return pdf("invoice.html", head, view=snapshot)


def statement_pdf(house: HouseHead, statement: Statement) -> bytes:
    """A customer's account as PDF: each entry with the balance, how payments were used, debts by age."""
    head = PaperHead(house, "Statement", f"of {statement.customer.name}", statement.until)
    return pdf("statement.html", head, view=statement, classes=AGE_CLASSES)


def account_receipt_pdf(house: HouseHead, receipt: AccountReceipt) -> bytes:
    """The receipt of money that was paid at once for several jobs, or given back."""
    name = "Payment receipt" if receipt.account.cents >= 0 else "Refund receipt"
    head = PaperHead(house, name, receipt.number, receipt.account.received_on)
    return pdf("account_receipt.html", head, receipt=receipt)
