"""A sale at the counter in one go: goods from the shelf go at once, keyed ones once the bench ticked them."""

import pytest
import sqlalchemy as sa

from app.errors import Problems
from app.ledger.bench.checkoff import tick_cylinders, tick_keys
from app.ledger.goods.counter_sale import SaleForm, counter_sale, sell_at_counter
from app.ledger.goods.hand_overs import hand_overs_of
from app.ledger.goods.handing_over import HandOverForm, PartForm, hand_over, hand_over_part
from app.ledger.goods.pieces import LineCount, handed_lines
from app.ledger.goods.shelf import there_now
from app.ledger.money.owing import statement_of
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest
from app.ledger.stock.movements import Quantity, move_stock, quantity_of
from app.ledger.stock.needs import reserve_waiting
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import (
    CylinderState,
    Event,
    Invoice,
    Job,
    Key,
    KeyState,
    LineKind,
    MovementKind,
    Payment,
    Role,
    Stage,
)
from app.pricing import KeyingKind
from tests.ledger.conftest import by, customer_id
from tests.ledger.test_main_job import accept, issued, mortise
from tests.shelf import count_part, own_goods


def quoted(work: Work, *lines: LineRequest) -> Job:
    return issued(work, QuoteRequest(customer_id(work, "Lantern"), lines))


def sale(work: Work, job: Job, **more: str) -> SaleForm:
    return SaleForm("T. Gull", work.today, job.version, **{"means": "cash", **more})


def test_goods_from_the_shelf_are_sold_paid_and_gone_with_one_press(work: Work) -> None:
    job = quoted(work, LineRequest(LineKind.HARDWARE, 3, price_code="KEY-CABINET"))
    counter = by(work, Role.COUNTER)
    sell_at_counter(counter, job.number, sale(work, job))
    assert job.stage is Stage.HANDED_OVER
    (handed,) = hand_overs_of(work.session, job)
    assert (handed.taken_by, handed.goods, handed.left) == ("T. Gull", ((1, 3),), "")
    assert [(one.cents, one.means) for one in job.payments] == [(job.agreed_cents, "cash")]
    told = work.session.scalars(sa.select(Event.summary).where(Event.kind == "stage moved").order_by(Event.id)).all()
    assert told == ["approved → ready", "ready → handed over: taken by T. Gull."]
    with pytest.raises(LedgerError, match="Only a quoted job is sold at the counter; this one is handed over"):
        sell_at_counter(counter, job.number, sale(work, job))  # pressed twice


def test_what_the_bench_keys_while_he_waits_ends_in_one_press_once_it_is_ticked(work: Work) -> None:
    job = quoted(work, mortise(2, KeyingInstruction(KeyingKind.KA), keys_in_all=4))
    counter = by(work, Role.COUNTER)
    sell_at_counter(counter, job.number, sale(work, job))
    assert (job.stage, job.payments[0].cents) == (Stage.ON_THE_BENCH, job.agreed_cents)
    shown = counter_sale(counter, job.number)
    assert shown.waits == ("2 cylinders to be keyed and checked", "4 keys to be cut") and not shown.can_go
    with pytest.raises(LedgerError, match="not all of it is there"):
        hand_over(counter, job.id, job.version, HandOverForm("T. Gull"))
    ids = [one.id for one in job.cylinders]
    tick_cylinders(work, job.number, ids, CylinderState.PINNED)
    tick_cylinders(work, job.number, ids, CylinderState.CHECKED)
    assert not counter_sale(counter, job.number).can_go
    tick_keys(work, job.number, {key.keyset_id for key in work.session.scalars(sa.select(Key))}, KeyState.CUT)
    assert counter_sale(counter, job.number).can_go
    hand_over(counter, job.id, job.version, HandOverForm("T. Gull"))
    assert job.stage is Stage.HANDED_OVER and job.ready_on == work.today
    held = {(key.state, key.holder) for key in work.session.scalars(sa.select(Key))}
    assert held == {(KeyState.OUT, "T. Gull")}


def test_of_a_counted_shelf_no_more_goes_than_is_there_and_of_two_who_take_the_last_one_gets_it(work: Work) -> None:
    """Three cabinets sold and two on the shelf; then one more comes, and a second job was promised it too."""
    cabinet = own_goods(work, "KEY-CABINET")
    move_stock(work, cabinet, MovementKind.COUNTED, on_hand=2, why="first count")
    work.session.commit()
    job, other = (quoted(work, LineRequest(LineKind.HARDWARE, count, price_code="KEY-CABINET")) for count in (3, 1))
    counter = by(work, Role.COUNTER)
    sell_at_counter(counter, job.number, sale(work, job))
    assert (job.stage, there_now(work.session, job).goods) == (Stage.APPROVED, {1: 2})
    with pytest.raises(Problems, match="Of line 1, 2 can go: enter at most that"):
        hand_over_part(counter, job.id, job.version, PartForm("T. Gull", (), {}, {1: 3}))
    hand_over_part(counter, job.id, job.version, PartForm("T. Gull", (), {}, {1: 2}))
    assert quantity_of(work.session, cabinet.id) == Quantity(0, 0, True)
    sell_at_counter(counter, other.number, sale(work, other))
    move_stock(work, cabinet, MovementKind.COUNTED, on_hand=1, why="found")
    reserve_waiting(work, cabinet)
    work.session.commit()
    goods = [there_now(work.session, one).goods for one in (job, other)]
    assert sorted(goods, key=len) == [{}, {1: 1}]
    lucky, late = (job, other) if goods[0] else (other, job)
    hand_over_part(counter, lucky.id, lucky.version, PartForm("T. Gull", (), {}, {1: 1}))
    with pytest.raises(Problems, match="Of line 1, 0 can go"):
        hand_over_part(counter, late.id, late.version, PartForm("R. Teal", (), {}, {1: 1}))
    assert (lucky.stage, quantity_of(work.session, cabinet.id).on_hand) == (Stage.HANDED_OVER, 0)


def test_what_went_before_the_first_count_does_not_leave_the_counted_shelf_again(work: Work) -> None:
    """Of three cabinets one goes while nobody counts them. Five are counted, and the other two go: three stay."""
    job = accept(work, quoted(work, LineRequest(LineKind.HARDWARE, 3, price_code="KEY-CABINET")))
    hand_over_part(work, job.id, job.version, PartForm("T. Gull", (), {}, {1: 1}))
    cabinet = count_part(work, None, "KEY-CABINET", 5)
    hand_over_part(work, job.id, job.version, PartForm("T. Gull", (), {}, {1: 2}))
    assert (job.stage, quantity_of(work.session, cabinet.id)) == (Stage.HANDED_OVER, Quantity(3, 0, True))


def test_a_sale_that_is_refused_leaves_the_quote_as_it_was(work: Work) -> None:
    """The payment is refused after the acceptance went through: neither stands."""
    job = quoted(work, LineRequest(LineKind.HARDWARE, 3, price_code="KEY-CABINET"))
    with pytest.raises(Problems, match="Choose how it was paid"):
        sell_at_counter(by(work, Role.COUNTER), job.number, sale(work, job, means="barter"))
    work.session.expire_all()
    assert (job.stage, job.lines, job.accepted_by) == (Stage.QUOTED, [], "")
    assert work.session.scalar(sa.select(sa.func.count()).select_from(Payment)) == 0


def test_on_account_is_an_invoice_and_is_asked_of_the_credit_limit(work: Work) -> None:
    """Three cabinets come to more than the $10.00 that this customer may owe."""
    job = quoted(work, LineRequest(LineKind.HARDWARE, 3, price_code="KEY-CABINET"))
    job.customer.credit_limit_cents = 10_00
    work.session.commit()
    on_account = sale(work, job, means="on account")
    with pytest.raises(LedgerError, match=r"above the credit limit of \$10.00") as refused:
        sell_at_counter(by(work, Role.COUNTER), job.number, on_account)
    work.session.refresh(job)
    assert (refused.value.field, job.stage) == ("", Stage.QUOTED)
    sell_at_counter(work, job.number, sale(work, job, means="on account", credit="pays on Friday"))
    [invoice] = work.session.scalars(sa.select(Invoice)).all()
    assert (job.stage, job.payments, invoice.total_cents) == (Stage.HANDED_OVER, [], job.agreed_cents)


def test_a_hand_over_that_is_not_paid_is_asked_of_the_credit_limit(work: Work) -> None:
    job = quoted(work, LineRequest(LineKind.HARDWARE, 2, price_code="KEY-CABINET"))
    accept(work, job)
    job.customer.credit_limit_cents = job.agreed_cents // 2 if job.agreed_cents else 0  # one of the two
    work.session.commit()
    hand_over_part(by(work, Role.COUNTER), job.id, job.version, PartForm("T. Gull", (), {}, {1: 1}))
    with pytest.raises(LedgerError, match="above the credit limit"):
        hand_over_part(by(work, Role.COUNTER), job.id, job.version, PartForm("T. Gull", (), {}, {1: 1}))
    work.session.refresh(job)
    assert handed_lines(work.session, job.id) == {1: LineCount(goods=1)}


def test_a_sale_that_is_paid_as_it_goes_stands_on_no_statement(work: Work) -> None:
    job = quoted(work, LineRequest(LineKind.HARDWARE, 3, price_code="KEY-CABINET"))
    sell_at_counter(by(work, Role.COUNTER), job.number, sale(work, job, means="cash"))
    account = statement_of(work.session, job.customer_id, work.today)
    assert (account.entries, account.balance_cents) == ((), 0)
    rest = quoted(work, LineRequest(LineKind.HARDWARE, 3, price_code="KEY-CABINET"))
    accept(work, rest)
    hand_over_part(work, rest.id, rest.version, PartForm("T. Gull", (), {}, {1: 3}))
    [entry] = statement_of(work.session, job.customer_id, work.today).entries
    assert (entry.words, entry.cents) == (f"Job {rest.number}, handed over and not invoiced", rest.agreed_cents)
