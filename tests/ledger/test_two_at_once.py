"""Two people do the same at the same moment, each in a session of his own: one does it, the other is told why not."""

import random
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import timedelta

import pytest
import sqlalchemy as sa

from app.config import Config
from app.errors import BitternError
from app.ledger.care.opening import open_ledger
from app.ledger.goods.counter_sale import SaleForm, sell_at_counter
from app.ledger.goods.handing_over import PartForm, hand_over_part
from app.ledger.goods.orders import cancel_pieces
from app.ledger.goods.receiving import Came, CameOfLine, receive
from app.ledger.goods.returns import BroughtBack, ReturnForm, return_goods
from app.ledger.money.accounts import AccountForm, take_account_payment
from app.ledger.money.crediting import cancel_invoice
from app.ledger.money.invoicing import InvoiceForm, Invoicing, invoice_job
from app.ledger.money.payments import PaymentForm, PaymentKind, take_payment
from app.ledger.quoting.accepting import SINCE_CHANGED
from app.ledger.quoting.planning import plan_again
from app.ledger.quoting.request import LineRequest, QuoteRequest
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.stock.handling import ShelfForm, count_item, scrap_stock
from app.ledger.stock.movements import Quantity, newest_movement, quantity_of
from app.ledger.store.events import first_broken_link
from app.ledger.store.work import Actor, Work
from app.ledger.tables import (
    AccountPayment,
    Delivery,
    HandOverRow,
    Invoice,
    Item,
    ItemKind,
    Job,
    LineKind,
    Maker,
    Need,
    OrderKind,
    OrderState,
    Payment,
    PurchaseLine,
    PurchaseOrder,
    ReturnCondition,
    User,
)
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import accept, issued
from tests.shelf import count_part

Deed = Callable[[Work], object]
AtOnce = Callable[..., "Outcome"]
STALE = "Somebody else saved this"


@dataclass
class Outcome:
    """What came of the deeds: the ids of what was made, and the refusals' sentences."""

    made: list[int] = field(default_factory=list)
    refused: list[str] = field(default_factory=list)


@pytest.fixture
def at_once(work: Work, config: Config) -> Iterator[Callable[..., Outcome]]:
    """Has each deed done by a thread with its own connection, all let go at the same moment."""
    now = work.now + timedelta(minutes=1)

    def both(*deeds: Deed) -> Outcome:
        work.session.rollback()
        ready, came = threading.Barrier(len(deeds)), Outcome()

        def act(place: int, deed: Deed) -> None:
            ledger = open_ledger(config)
            with ledger.sessions() as session:
                actor = Actor.of(session.get_one(User, 1))
                session.rollback()
                ready.wait()
                try:
                    made = deed(Work(session, ledger.vault, actor, now, random.Random(place)))
                    came.made.append(int(getattr(made, "id", 0)))
                except BitternError as refused:
                    came.refused.append(refused.message)
            ledger.close()

        threads = [threading.Thread(target=act, args=one) for one in enumerate(deeds)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert len(came.made) + len(came.refused) == len(deeds)
        work.session.expire_all()
        return came

    yield both
    work.session.rollback()
    assert first_broken_link(work.session) is None


@pytest.fixture
def ring(work: Work) -> Item:
    """One ring set lies on the shelf."""
    return count_part(work, None, "RING-SET", 1, ItemKind.GOODS)


def quoted(work: Work, count: int = 1) -> Job:
    line = LineRequest(LineKind.HARDWARE, count, price_code="RING-SET")
    return issued(work, QuoteRequest(customer_id(work, "Lantern"), (line,)))


def seen(work: Work, job: Job) -> str:
    """The mark of the plan that the page of a quote shows."""
    return plan_again(work, read_snapshot(job.revisions[-1].snapshot)).plan.mark


def rows(work: Work, table: type) -> int:
    return work.session.scalar(sa.select(sa.func.count()).select_from(table)) or 0


def test_the_last_piece_is_reserved_for_one_of_two_acceptances(work: Work, ring: Item, at_once: AtOnce) -> None:
    jobs = [(job.id, seen(work, job)) for job in (quoted(work), quoted(work))]
    came = at_once(
        *(
            lambda hand, key=key, mark=mark: accept(hand, hand.session.get_one(Job, key), seen=mark)
            for key, mark in jobs
        )
    )
    assert len(came.made) == 1 and SINCE_CHANGED in came.refused[0]
    assert work.session.scalars(sa.select(Need.job_id)).all() == came.made
    assert quantity_of(work.session, ring.id) == Quantity(1, 1, True)


def test_the_last_piece_is_sold_at_the_counter_once(work: Work, ring: Item, at_once: AtOnce) -> None:
    sales = [
        (job.number, SaleForm("T. Gull", work.today, job.version, means="cash", seen=seen(work, job)))
        for job in (quoted(work), quoted(work))
    ]
    came = at_once(
        *(lambda hand, number=number, form=form: sell_at_counter(hand, number, form) for number, form in sales)
    )
    assert len(came.made) == 1 and SINCE_CHANGED in came.refused[0]
    assert quantity_of(work.session, ring.id) == Quantity(0, 0, True)
    assert rows(work, Payment) == 1


def test_what_a_job_waits_for_is_handed_over_once(work: Work, ring: Item, at_once: AtOnce) -> None:
    job = accept(work, quoted(work, 2))
    key, version, form = job.id, job.version, PartForm("T. Gull", [], {}, {1: 1})
    came = at_once(*[lambda hand: hand_over_part(hand, key, version, form)] * 2)
    assert len(came.made) == 1 and STALE in came.refused[0]
    assert rows(work, HandOverRow) == 1 and quantity_of(work.session, ring.id) == Quantity(0, 0, True)


def test_a_job_is_invoiced_once_and_its_invoice_canceled_once(work: Work, ring: Item, at_once: AtOnce) -> None:
    number = accept(work, quoted(work)).number
    came = at_once(
        *(
            lambda hand, token=token: invoice_job(hand, number, 1, InvoiceForm(Invoicing.ALL, token))
            for token in ("one", "two")
        )
    )
    assert len(came.made) == 1 and STALE in came.refused[0]
    [invoice] = came.made
    came = at_once(
        *(lambda hand, token=token: cancel_invoice(hand, invoice, 2, "wrong", token) for token in ("three", "four"))
    )
    assert len(came.made) == 1 and STALE in came.refused[0]
    assert work.session.scalars(sa.select(Invoice.number).order_by(Invoice.number)).all() == [1, 2]


def test_a_payment_that_two_send_is_taken_once(work: Work, ring: Item, at_once: AtOnce) -> None:
    job = accept(work, quoted(work))
    number, customer, today = job.number, job.customer_id, work.today
    form = PaymentForm(PaymentKind.PAYMENT, 1_00, "check", today)
    came = at_once(*[lambda hand: take_payment(hand, number, 1, form)] * 2)
    assert len(came.made) == 1 and STALE in came.refused[0] and rows(work, Payment) == 1
    check = AccountForm(50_00, "check", today, "one press")
    came = at_once(*[lambda hand: take_account_payment(hand, customer, check)] * 2)
    assert len(came.made) == 2 and len(set(came.made)) == 1 and rows(work, AccountPayment) == 1


@pytest.fixture
def line(work: Work, ring: Item) -> PurchaseLine:
    """Ten ring sets are on their way."""
    maker = work.session.scalars(sa.select(Maker.id).where(Maker.code == "ARD")).one()
    sent = {"number": "P-9001", "maker_id": maker, "kind": OrderKind.GOODS, "state": OrderState.CONFIRMED}
    order = PurchaseOrder(**sent, made_at=work.now)
    found = PurchaseLine(order=order, number=1, item=ring, quantity=10, unit_cents=5_00)
    work.session.add_all([order, found])
    work.session.commit()
    return found


@pytest.mark.postgresql
@pytest.mark.parametrize(("tokens", "refused"), [(("one", "one"), 0), (("one", "two"), 1)])
def test_a_delivery_is_received_once(
    work: Work, line: PurchaseLine, at_once: AtOnce, tokens: tuple[str, str], refused: int
) -> None:
    """Of the same page, pressed twice, it is the one delivery; of two pages the second has more than is to come."""
    order, came_of = line.order_id, Came({line.id: CameOfLine(10)})
    came = at_once(*(lambda hand, token=token: receive(hand, order, came_of, token) for token in tokens))
    assert len(came.refused) == refused and len(set(came.made)) == 1
    assert rows(work, Delivery) == 1 and quantity_of(work.session, line.item_id).on_hand == 11


def test_an_order_is_canceled_or_comes_and_not_both(work: Work, line: PurchaseLine, at_once: AtOnce) -> None:
    order, key, version, came_of = line.order_id, line.id, line.order.version, Came({line.id: CameOfLine(10)})
    came = at_once(
        lambda hand: receive(hand, order, came_of, "one"),
        lambda hand: cancel_pieces(hand, order, version, {key: 10}, "not made"),
    )
    assert len(came.made) == len(came.refused) == 1
    assert (quantity_of(work.session, line.item_id).on_hand, line.canceled) in ((11, 0), (1, 10))


def test_a_count_while_another_sells_keeps_both(work: Work, ring: Item, at_once: AtOnce) -> None:
    """Six by the sums and six counted; two go. Who counts second is asked to count again: four lie there."""
    count_item(work, ring.id, ShelfForm(6, mark=newest_movement(work.session)))
    item, mark = ring.id, newest_movement(work.session)
    came = at_once(
        lambda hand: count_item(hand, item, ShelfForm(6, mark=mark)),
        lambda hand: scrap_stock(hand, item, ShelfForm(2, "bent")),
    )
    assert quantity_of(work.session, item) == Quantity(4, 0, True)
    assert all("moved at Shelf since this page was made: 4 on hand now" in one for one in came.refused)


def test_goods_come_back_once(work: Work, ring: Item, at_once: AtOnce) -> None:
    job = quoted(work)
    sell_at_counter(work, job.number, SaleForm("T. Gull", work.today, job.version, means="cash"))
    work.session.refresh(job)
    number, version = job.number, job.version
    form = ReturnForm("no use", (BroughtBack(1, 1, ReturnCondition.GOOD, True),), "T. Gull", means="cash")
    came = at_once(*[lambda hand: return_goods(hand, number, version, form)] * 2)
    assert len(came.made) == 1 and STALE in came.refused[0]
    assert quantity_of(work.session, ring.id) == Quantity(1, 0, True)
    assert sum(work.session.scalars(sa.select(Payment.cents)).all()) == 0
