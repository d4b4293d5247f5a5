"""What a job brings in: the hardware list by part number, without a price, and a factory's order form with cylinders,
keying schedule, keying instruction and stamping, never a bitting.
"""

from dataclasses import dataclass
from datetime import date, datetime
from decimal import Decimal
from email.message import EmailMessage

from app.documents.quote_mail import MailText, attach_pdf, house_message
from app.documents.render import LANDSCAPE, PaperHead, pdf
from app.documents.spreadsheet import PaperTable
from app.ledger.goods.order_snapshot import OrderSnapshot
from app.ledger.jobs.purchasing import FactoryWork, HardwareList
from app.ledger.quoting.loss_letter import FactoryLetter
from app.ledger.store.numbers import factory_order_number
from app.ledger.tables import Marking
from app.pricing import show_cents
from app.validation import counted


def hardware_list_pdf(hardware: HardwareList) -> bytes:
    """The hardware list as PDF, parts first and then blanks."""
    head = PaperHead.of_job(hardware.head, "Hardware list")
    return pdf("hardware_list.html", head, job=hardware.head, hardware=hardware)


def hardware_table(hardware: HardwareList) -> PaperTable:
    """One row a part number, then one a keyway's blanks."""
    headings = ("Maker", "Part number", "What", "Quantity", "Lines", "For openings")
    rows = [
        (part.maker, part.part_number, part.words, part.quantity, part.line_words, ", ".join(part.openings))
        for part in (*hardware.lines, *hardware.blanks)
    ]
    title = f"Hardware list for job {hardware.head.job_number}"
    return PaperTable(title, hardware.head.issued_on, (("Hardware", headings, rows),))


_LEVELS = {1: "Single keyed", 2: "Two levels: masters over changes", 3: "Three levels: grand, masters, changes"}
_MORE_LEVELS = "Four levels: great grand, grands, masters, changes"
_KEYING = "Key as scheduled below; no keyset's key may turn a cylinder that does not list it under “Operated by”."
_NO_BITTING = "No bitting and no address on any of them."
_FACTORY_RECORDS = "The factory holds this system's records: the key bitting array and the list of bittings in use."
_OUR_RECORDS = (
    "We hold this system's records. Key only from the bittings that come with this order, sealed, from the owner by "
    "name; make no other bitting of this system, and say on the packing slip which were used."
)


@dataclass(frozen=True, slots=True)
class FactoryOrder:
    """What goes to the maker; no bitting is known here, since the factory makes them.

    made_by and made_on: who prints it and when, told while it was not ordered; after that it bears the day and author
    of its ordering. order: as it is on record; None of a job whose order nobody drafted.
    """

    work: FactoryWork
    made_by: str
    made_on: date
    order: OrderSnapshot | None = None

    @classmethod
    def of(cls, order: OrderSnapshot) -> "FactoryOrder | None":
        """The order form of an order on record; None where the factory keys nothing by it."""
        return None if order.factory is None else cls(order.factory, order.issued_by, order.issued_on, order)

    @property
    def is_ordered(self) -> bool:
        """Whether it went to the maker, so that the paper is no draft."""
        return self.order.is_sent if self.order else self.work.ordered is not None

    @property
    def number(self) -> str:
        """The order's number, with the quote revision that it carries out."""
        known = self.order.number if self.order else factory_order_number(self.work.job_number, self.work.place)
        return f"{known}, revision {self.work.revision}"

    @property
    def day(self) -> date:
        """The day that it bears: of its ordering, or of the draft."""
        return self.work.ordered[0] if self.work.ordered and not self.order else self.made_on

    @property
    def by(self) -> str:
        """Who ordered it, or made the draft out."""
        return self.work.ordered[1] if self.work.ordered and not self.order else self.made_by

    @property
    def ship_to(self) -> str:
        """The house and its address."""
        return f"{self.work.house.name}\n{self.work.house.address}"

    @property
    def system_words(self) -> str:
        """The key system, and whether it begins with this order."""
        age = "new" if self.work.is_new_system else "extended"
        return f"{self.work.system_name}, {age}" if self.work.system_name else "none"

    @property
    def kinds(self) -> tuple[tuple[int, str, str], ...]:
        """How many of each part number, and what it is in words."""
        counts: dict[tuple[str, str], int] = {}
        for line in self.work.groups:
            if line.part_number:
                counts[line.part_number, line.words] = counts.get((line.part_number, line.words), 0) + line.quantity
        return tuple((count, *kind) for kind, count in counts.items())

    @property
    def instructions(self) -> tuple[tuple[str, str], ...]:
        """How to key and stamp, and who holds the system's records."""
        cents = self.work.small_order_cents
        wanted, untaken = sum(line.keys for line in self.work.groups), self.work.untaken_keys
        fewer = (
            "Keys",
            f"Of the {wanted + untaken:,} keys that come with the cylinders {wanted:,} are wanted, as scheduled: "
            f"leave {untaken:,} out, and take them off the price.",
        )
        small = ("Small order", f"Under your minimum order: your charge of {show_cents(cents)} for that is agreed.")
        return (
            ("Keying", f"{_LEVELS.get(self.work.levels, _MORE_LEVELS)}. {_KEYING}"),
            ("Stamping", self._stamping),
            ("Records", _OUR_RECORDS if self.work.is_from_our_records else _FACTORY_RECORDS),
            *((fewer,) if untaken else ()),
            *((small,) if cents else ()),
            *((("Note", self.order.note),) if self.order and self.order.note else ()),
        )

    @property
    def _stamping(self) -> str:
        keys = self.order.mark_keys if self.order else Marking.VISUAL
        cylinders = self.order.mark_cylinders if self.order else Marking.CONCEALED
        on_keys = "" if keys is Marking.NONE else "the keyset's symbol and the copy number, "
        on_cylinders = "" if cylinders is Marking.NONE else "the keyset's symbol, "
        return f"Keys: {on_keys}{keys.words}. Cylinders: {on_cylinders}{cylinders.words}. {_NO_BITTING}"


def factory_order_pdf(order: FactoryOrder) -> bytes:
    """The order form as PDF, landscape."""
    warning = "" if order.is_ordered else "Draft, not ordered"
    head = PaperHead(order.work.house, "Factory order", order.number, order.day, warning)
    return pdf("factory_order.html", head, LANDSCAPE, order=order)


def factory_letter_pdf(letter: FactoryLetter) -> bytes:
    """The letter that asks the factory for new keysets after a loss, as PDF."""
    head = PaperHead(letter.house, "New keysets after a loss", f"of {letter.system}", letter.on)
    return pdf("factory_letter.html", head, letter=letter)


def factory_order_table(order: FactoryOrder) -> PaperTable:
    """The order's lines and instructions as a spreadsheet of two sheets."""
    work = order.work
    headings = (
        "Item", "Qty", "Part number", "Cylinder", "Keyset", "Keying", "Operated by", "Keys", "Stamp", "Mark for",
    )  # fmt: skip
    lines = [
        (
            item, line.quantity, line.part_number, line.words, line.keyset, line.keying, ", ".join(line.operated_by),
            line.keys, line.stamp, ", ".join(line.openings),
        )
        for item, line in enumerate(work.groups, start=1)
    ]  # fmt: skip
    keying, stamping, records, *more = order.instructions
    facts = [
        ("Order", order.number),
        ("Ordered" if order.is_ordered else "Draft, not ordered", f"{order.day.isoformat()} by {order.by}"),
        ("From", work.house.name),
        ("Maker", work.maker_name),
        *((("Our account", order.order.account_number),) if order.order and order.order.account_number else ()),
        *((f"Quantity of {number}", str(count)) for count, number, _ in order.kinds),
        ("Needed by", work.need_by.isoformat() if work.need_by else ""),
        ("Ship to", order.ship_to),
        ("Key system", order.system_words),
        records,
        keying,
        stamping,
        *more,
    ]
    sheets = (("Cylinders", headings, lines), ("Instructions", ("What", "Said"), facts))
    return PaperTable(f"Factory order {order.number}", order.day, sheets)


def purchase_order_pdf(order: OrderSnapshot) -> bytes:
    """An order as PDF: the order form of what a factory keys, else the goods by part number with their prices."""
    keyed = FactoryOrder.of(order)
    if keyed is not None:
        return factory_order_pdf(keyed)
    head = PaperHead(
        order.house, "Purchase order", order.number, order.issued_on, "" if order.is_sent else "Draft, not sent"
    )
    return pdf("purchase_order.html", head, order=order)


def purchase_order_table(order: OrderSnapshot) -> PaperTable:
    """The lines as a maker's own system reads them in: one a part number."""
    headings = ("Order", "Line", "Part number", "Description", "Quantity", "Price each", "Amount", "Account")
    lines = [
        (
            order.number, line.number, line.part_number, line.words, line.quantity, Decimal(line.unit_cents) / 100,
            Decimal(line.amount_cents) / 100, order.account_number,
        )
        for line in order.lines
    ]  # fmt: skip
    return PaperTable(f"Purchase order {order.number}", order.issued_on, (("Order", headings, lines),))


def order_mail_text(order: OrderSnapshot) -> MailText:
    """What an order's e-mail says, to be changed before it goes."""
    account = f", our account {order.account_number}" if order.account_number else ""
    body = [
        f"To {order.maker_name}{account}",
        "",
        f"Attached is our order {order.number} of {counted(order.pieces, 'piece')}.",
        "Please confirm the price and the day of each line, and name our order number on the packing slip.",
        "",
        order.issued_by,
        order.house.name,
        order.house.phone,
    ]
    return MailText(f"Order {order.number} from {order.house.name}{account}"[:200], "\n".join(body).strip())


def order_message(
    order: OrderSnapshot, to: tuple[str, ...], words: MailText, sender: str, at: datetime
) -> EmailMessage:
    """The message to the maker with the order attached as PDF and as CSV; no header can hold a line end."""
    message = house_message(order.house, to, words, sender, at)
    attach_pdf(message, purchase_order_pdf(order), f"order-{order.number}.pdf")
    message.add_attachment(
        purchase_order_table(order).csv(), maintype="text", subtype="csv", filename=f"order-{order.number}.csv"
    )
    return message
