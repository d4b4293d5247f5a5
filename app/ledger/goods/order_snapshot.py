"""An order to a maker as it is sent: the frozen values that are saved, hashed and printed. Never a bitting."""

import json
from dataclasses import dataclass, replace
from datetime import date

from app.ledger.catalog.price_queries import get_house
from app.ledger.jobs.papers import schedule_of
from app.ledger.jobs.purchasing import FactoryWork, factory_work
from app.ledger.quoting.issuing import house_head
from app.ledger.quoting.snapshot import HouseHead
from app.ledger.store.errors import NotFound
from app.ledger.store.work import Work
from app.ledger.tables import Marking, PurchaseOrder
from app.validation import JsonDataclass


@dataclass(frozen=True, slots=True)
class OrderedLine:
    """So many of a part number at a price each."""

    number: int
    part_number: str
    words: str
    quantity: int
    unit_cents: int
    expected_on: date | None

    @property
    def amount_cents(self) -> int:
        """The price of the whole line."""
        return self.quantity * self.unit_cents


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderSnapshot(JsonDataclass):
    """Everything that an order says. issued_on and issued_by: of its sending, or, of a draft, of its making.

    factory: of a keying order, what the factory keys, with its schedule; None where it keys none of it.
    """

    house: HouseHead
    number: str
    maker_name: str
    maker_address: str
    account_number: str
    issued_on: date
    issued_by: str
    is_sent: bool
    lines: tuple[OrderedLine, ...]
    charges_cents: int
    note: str
    mark_keys: Marking
    mark_cylinders: Marking
    factory: FactoryWork | None = None

    @property
    def pieces(self) -> int:
        """How many pieces in all."""
        return sum(line.quantity for line in self.lines)

    @property
    def goods_cents(self) -> int:
        """What the lines come to."""
        return sum(line.amount_cents for line in self.lines)

    @property
    def total_cents(self) -> int:
        """What the order comes to, keying and other charges included."""
        return self.goods_cents + self.charges_cents


def order_as_sent(work: Work, order: PurchaseOrder) -> OrderSnapshot:
    """The order as it was sent, or, of one that was not, as it would be sent now."""
    if order.snapshot:
        return OrderSnapshot.from_json(json.loads(order.snapshot))
    return order_now(work, order)


def order_now(work: Work, order: PurchaseOrder) -> OrderSnapshot:
    """The order as it stands now, by who acts."""
    maker = order.maker
    return OrderSnapshot(
        house=house_head(get_house(work.session)),
        number=order.number,
        maker_name=maker.name,
        maker_address=maker.address,
        account_number=maker.account_number,
        issued_on=work.today,
        issued_by=work.actor.name,
        is_sent=False,
        lines=tuple(
            OrderedLine(
                line.number, line.item.code, line.item.words, line.quantity, line.unit_cents, line.expected_on
            )
            for line in order.lines
        ),
        charges_cents=order.charges_cents,
        note=order.note,
        mark_keys=order.mark_keys,
        mark_cylinders=order.mark_cylinders,
        factory=_factory(work, order),
    )


def _factory(work: Work, order: PurchaseOrder) -> FactoryWork | None:
    if order.job is None:
        return None
    try:
        made = factory_work(work, order.job, schedule_of(work, order.job), order.maker.name)
    except NotFound:  # its cylinders are keyed elsewhere by now: the lines still say what is ordered
        return None
    return replace(made, ordered=None)
