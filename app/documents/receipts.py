"""What somebody signs: that he has the keys, never their bittings; that money was received, given back or is owed."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import groupby

from app.documents.filters import show_day
from app.documents.quote import quote_page
from app.documents.render import PORTRAIT, PaperHead, pdf
from app.documents.spreadsheet import PaperTable
from app.ledger.goods.papers import HandOverSheet, Pick, SaleReceipt
from app.ledger.jobs.papers import JobHead, KeyHolders
from app.ledger.keys.calling_in import CallInLetter
from app.ledger.keys.counting import CountSheet
from app.ledger.keys.key_queries import KeyReceipt
from app.ledger.money.payments import PaymentKind, PaymentReceipt
from app.ledger.quoting.snapshot import HouseHead
from app.ledger.store.numbers import invoice_number, key_count_number, return_number, stock_count_number
from app.ledger.tables import BlindCode, Counted, GoodsReturn, Invoice, Item, Job, StockCount


def test_print_pdf(house: HouseHead, day: date) -> bytes:
    """A page with the house's head and a line of six inches, to see how the printer takes both, as PDF."""
    return pdf("test_print.html", PaperHead(house, "Test page", "", day), paper=house.paper)


def holders_pdf(held: KeyHolders) -> bytes:
    """The keys of a job by holder as PDF; a person has a line to sign on, the shop's drawer has none."""
    job = held.schedule.head
    return pdf("key_holders.html", PaperHead.of_job(job, "Keys by holder"), job=job, held=held)


def holders_table(held: KeyHolders) -> PaperTable:
    """One row a holder and keyset."""
    headings = ("Holder", "Keyset", "Level", "Copies", "Keys", "Opens", "Due back")
    rows = [
        (
            *(holder.name, key.symbol, key.level_words, key.copy_words, len(key.copies)),
            *(", ".join(key.opens), show_day(key.due_back)),
        )
        for holder in held.holders
        for key in holder.keys
    ]
    job = held.schedule.head
    return PaperTable(f"Keys by holder for job {job.job_number}", job.issued_on, (("By holder", headings, rows),))


def key_receipt_pdf(house: HouseHead, receipt: KeyReceipt) -> bytes:
    """The receipt as PDF, with lines for the holder's and the house's signatures."""
    head = PaperHead(
        house, "Key return receipt" if receipt.is_back else "Key receipt", receipt.number, receipt.issued_on
    )
    return pdf("key_receipt.html", head, receipt=receipt)


def key_count_pdf(house: HouseHead, sheet: CountSheet, today: date) -> bytes:
    """The sheet to walk with, by holder and stamp, or, once the count is ended, its record, as PDF.

    No opening, address or level stands on it: who finds it learns nothing of a door.
    """
    count = sheet.count
    begun = count.started_at.astimezone().date()
    ended = count.ended_at.astimezone().date() if count.ended_at else None
    name = "Record of a key count" if ended else "Key count sheet"
    several = len({one.key.keyset.system_id for one in sheet.keys}) > 1
    head = PaperHead(house, name, key_count_number(count.id), ended or today)
    return pdf("key_count.html", head, sheet=sheet, begun=begun, ended=ended, seen=Counted.SEEN, several=several)


def blind_codes_pdf(house: HouseHead, codes: Iterable[BlindCode], day: date) -> bytes:
    """The register of blind codes by customer and system as PDF: no bitting and no address."""
    by_system = [(system, list(some)) for system, some in groupby(codes, key=lambda one: one.keyset.system)]
    return pdf("blind_codes.html", PaperHead(house, "Register of blind codes", "", day), by_system=by_system)


def stock_count_pdf(house: HouseHead, count: StockCount, items: Iterable[Item]) -> bytes:
    """The sheet of a count of the shelf, bin by bin, PDF; what the sums say is not on it, so that it is counted."""
    begun = count.started_at.astimezone()
    bins: dict[str, list[Item]] = {}
    for item in items:
        bins.setdefault(item.bin, []).append(item)
    head = PaperHead(house, "Stock count sheet", stock_count_number(count.id), begun.date())
    return pdf("stock_count.html", head, count=count, bins=bins, begun=begun)


def call_in_pdf(house: HouseHead, letters: Sequence[CallInLetter], day: date) -> bytes:
    """A letter to each holder of keys that are called in, each on a page of its own, with a slip to send back."""
    head = PaperHead(house, "Return of keys", letters[0].system, day)
    return pdf("call_in.html", head, letters=letters)


def hand_over_pdf(sheet: HandOverSheet) -> bytes:
    """The receipt of one hand-over as PDF, with a line for who took it to sign on."""
    head = PaperHead(sheet.head.house, "Hand-over receipt", sheet.handed.number, sheet.handed.on)
    return pdf("hand_over.html", head, sheet=sheet)


def goods_to_pick_pdf(job: JobHead, picks: Sequence[Pick]) -> bytes:
    """What a job takes of the shelf, by place and bin, to go and fetch it, as PDF."""
    return pdf("goods_to_pick.html", PaperHead.of_job(job, "Pick list"), job=job, picks=picks)


def sale_receipt_pdf(receipt: SaleReceipt) -> bytes:
    """What was sold, paid and handed over at the counter as PDF, with a line for who took it to sign on."""
    numbers = [one.number for one in receipt.payments] or [f"job {receipt.head.job_number}"]
    head = PaperHead(receipt.head.house, "Receipt", ", ".join(numbers), receipt.head.issued_on)
    return pdf("sale_receipt.html", head, receipt=receipt, paper=quote_page(receipt.accepted))


def return_slip_pdf(house: HouseHead, job: Job, found: GoodsReturn, notes: Sequence[Invoice], keys: str) -> bytes:
    """What came back, keys too, for whoever brought it to sign, and the credit notes on it, as PDF."""
    head = PaperHead(house, "Return", return_number(found.number), found.at.astimezone().date())
    lines = {line.number: line for line in job.lines}
    credit = " and ".join(invoice_number(one.number) for one in notes)
    said = {"keys": keys, "credit_numbers": credit, "is_one": len(notes) == 1}
    return pdf("return_slip.html", head, PORTRAIT, job=job, found=found, lines=lines, **said)


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


def payment_receipt_pdf(house: HouseHead, receipt: PaymentReceipt) -> bytes:
    """The receipt as PDF, with the figures of the moment when the money changed hands, or did not."""
    words = _WORDS[receipt.kind]
    if receipt.is_on_account:
        words = _OWED_NO_MORE if receipt.kind.goes_back else _OWED
    head = PaperHead(house, words.name, receipt.number, receipt.received_on)
    return pdf("payment_receipt.html", head, receipt=receipt, words=words)
