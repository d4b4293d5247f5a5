"""What a job brings in: the hardware list by part number, without a price, and a factory's order form with cylinders,
keying schedule, keying instruction and stamping, never a bitting.
"""

from dataclasses import dataclass
from datetime import date

from app.documents.render import LANDSCAPE, PaperHead, pdf
from app.documents.spreadsheet import PaperTable
from app.ledger.jobs.purchasing import FactoryWork, HardwareList
from app.ledger.quoting.loss_letter import FactoryLetter
from app.ledger.store.numbers import factory_order_number
from app.pricing import show_cents


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
_STAMPING = (
    "Keys: the keyset's symbol and the copy number. Cylinders: the keyset's symbol, on the side that does not show. "
    "No bitting and no address on any of them."
)
_FACTORY_RECORDS = "The factory holds this system's records: the key bitting array and the list of bittings in use."
_OUR_RECORDS = (
    "We hold this system's records. Key only from the bittings that come with this order, sealed, from the owner by "
    "name; make no other bitting of this system, and say on the packing slip which were used."
)


@dataclass(frozen=True, slots=True)
class FactoryOrder:
    """What goes to the maker; no bitting is known here, since the factory makes them.

    made_by: who prints it, told while it was not ordered; after that it bears the day and author of its ordering.
    """

    work: FactoryWork
    made_by: str

    @property
    def number(self) -> str:
        """The order's number, with the quote revision that it carries out."""
        job = self.work.schedule.head
        return f"{factory_order_number(job.job_number, self.work.place)}, revision {job.revision}"

    @property
    def day(self) -> date:
        """The day that it bears: of its ordering, or of the draft."""
        return self.work.ordered[0] if self.work.ordered else self.work.schedule.head.issued_on

    @property
    def by(self) -> str:
        """Who ordered it, or made the draft out."""
        return self.work.ordered[1] if self.work.ordered else self.made_by

    @property
    def ship_to(self) -> str:
        """The house and its address."""
        house = self.work.schedule.head.house
        return f"{house.name}\n{house.address}"

    @property
    def system_words(self) -> str:
        """The key system, and whether it begins with this order."""
        age = "new" if self.work.is_new_system else "extended"
        return f"{self.work.system_name}, {age}" if self.work.system_name else "none"

    @property
    def kinds(self) -> tuple[tuple[str, str], ...]:
        """Each part number and what it is in words, once."""
        return tuple(dict.fromkeys((line.part_number, line.words) for line in self.work.groups if line.part_number))

    @property
    def instructions(self) -> tuple[tuple[str, str], ...]:
        """How to key and stamp, and who holds the system's records."""
        cents = self.work.small_order_cents
        small = ("Small order", f"Under your minimum order: your charge of {show_cents(cents)} for that is agreed.")
        return (
            ("Keying", f"{_LEVELS.get(self.work.levels, _MORE_LEVELS)}. {_KEYING}"),
            ("Stamping", _STAMPING),
            ("Records", _OUR_RECORDS if self.work.is_from_our_records else _FACTORY_RECORDS),
            *((small,) if cents else ()),
        )


def factory_order_pdf(order: FactoryOrder) -> bytes:
    """The order form as PDF, landscape."""
    warning = "" if order.work.ordered else "Draft, not ordered"
    head = PaperHead(order.work.schedule.head.house, "Factory order", order.number, order.day, warning)
    return pdf("factory_order.html", head, LANDSCAPE, order=order)


def factory_letter_pdf(letter: FactoryLetter) -> bytes:
    """The letter that asks the factory for new keysets after a loss, as PDF."""
    head = PaperHead(letter.house, "New keysets after a loss", letter.system, letter.on)
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
        ("Ordered" if work.ordered else "Draft, not ordered", f"{order.day.isoformat()} by {order.by}"),
        ("From", work.schedule.head.house.name),
        ("Maker", work.maker_name),
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
