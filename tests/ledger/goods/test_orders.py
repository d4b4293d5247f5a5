"""Orders to makers: what to order, sent, confirmed later and dearer, received short and wrong, canceled, closed."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.config import Config
from app.errors import Problems
from app.ledger.care.opening import Ledger
from app.ledger.goods.moved_promises import calls_to_make, mark_called, promise_doubts
from app.ledger.goods.order_lines import ORDER_CONFIRMED, to_come
from app.ledger.goods.order_queries import jobs_on, late_lines, ordered_costs, received_cents
from app.ledger.goods.order_snapshot import order_as_sent
from app.ledger.goods.orders import (
    ChosenToOrder,
    Confirmation,
    ConfirmedLine,
    DraftForm,
    Ticked,
    cancel_pieces,
    change_draft,
    confirm_order,
    make_drafts,
    send_order,
)
from app.ledger.goods.receiving import Came, CameOfLine, OverDo, receive
from app.ledger.goods.to_order import ItemToOrder, what_to_order
from app.ledger.stock.movements import quantity_of
from app.ledger.stock.needs import needs_of
from app.ledger.stock.on_order import open_lines
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.work import Actor, Work
from app.ledger.tables import (
    Delivery,
    Event,
    Item,
    Job,
    Maker,
    Need,
    OrderState,
    PurchaseLine,
    PurchaseOrder,
    Stage,
    User,
)
from tests import factories
from tests.conftest import NOW
from tests.factories import BENCH_TERMS
from tests.shelf import count_item

TODAY = date(2026, 11, 25)  # a Wednesday


@pytest.fixture
def config(empty_house: Path, copied: Callable[[Path], Config]) -> Config:
    """A house with nothing on record."""
    return copied(empty_house)


@pytest.fixture
def work(session: Session, ledger: Ledger, owner: User) -> Work:
    factories.HouseFactory()
    return Work(session, ledger.vault, Actor.of(owner), NOW)


@dataclass
class Shop:
    """A maker with a minimum of 500.00 and five working days; an item by the dozen, one by the piece; a job."""

    maker: Maker
    dozen: Item
    piece: Item
    job: Job
    need: Need


@pytest.fixture
def shop(work: Work) -> Shop:
    maker = factories.MakerFactory(name="Ardent Brass", minimum_cents=50_000, lead_days=5, account_number="FQ-77")
    dozen = factories.ItemFactory(
        maker=maker, code="A-DOZEN", cost_cents=1000, pack_size=12, reorder_point=2, reorder_to=12
    )
    piece = factories.ItemFactory(maker=maker, code="A-PIECE", cost_cents=2500, barcode="4006381333931")
    for item in (dozen, piece):
        factories.StockMovementFactory(item_id=item.id, on_hand=2)
    job = factories.JobFactory(
        stage=Stage.APPROVED, promised_on=date(2026, 12, 4), value_cents=40_000, cost_cents=25_000
    )
    need = Need(job=job, line_number=1, item=piece, quantity=10, needed_on=date(2026, 12, 4), made_at=NOW)
    work.session.add(need)
    factories.SoldLineFactory(job_id=job.id, label="1", part_number="A-PIECE", quantity=10, cost_cents=25_000)
    work.session.commit()
    return Shop(maker, dozen, piece, job, need)


def rows(work: Work) -> dict[str, ItemToOrder]:
    return {one.item.code: one for group in what_to_order(work) for one in (*group.items, *group.extras)}


def ticked(row: ItemToOrder, pieces: int | None = None) -> Ticked:
    return Ticked(row.item.id, row.quantity if pieces is None else pieces, row.mark)


def sent(work: Work, shop: Shop) -> tuple[PurchaseOrder, PurchaseLine, PurchaseLine]:
    """An order of all that is to order, and its lines of the item by the piece and of that by the dozen."""
    (draft,) = make_drafts(work, ChosenToOrder([ticked(row) for row in rows(work).values()]))
    order = send_order(work, draft.id, draft.version)
    lines = {line.item_id: line for line in order.lines}
    return order, lines[shop.piece.id], lines[shop.dozen.id]


def told(work: Work, kind: str) -> list[str]:
    return list(work.session.scalars(sa.select(Event.summary).where(Event.kind == kind).order_by(Event.id)))


def test_what_to_order_is_said_by_maker_with_packs_days_and_the_minimum(work: Work, shop: Shop) -> None:
    (group,) = what_to_order(work)
    found = {one.item.code: one for one in group.items}
    # Nothing is reserved for the job, so it lacks all ten. Five working days before Friday 4 December: 27 November.
    piece = found["A-PIECE"]
    days = piece.needed_on, piece.order_by
    assert (sum(one.quantity for one in piece.wanted), piece.quantity, *days) == (
        10,
        10,
        date(2026, 12, 4),
        date(2026, 11, 27),
    )
    # The dozen is at its point of 2: ten more are wanted, and they come by twelve.
    dozen = found["A-DOZEN"]
    assert (dozen.for_shelf, dozen.quantity, dozen.needed_on) == (10, 12, date(2026, 12, 2))
    # On Sunday Friday's day still holds: five working days from either end on the 4th. From Monday they do not.
    sunday, monday = (replace(work, now=NOW + timedelta(days=days)) for days in (4, 5))
    assert (rows(sunday)["A-PIECE"].is_late, what_to_order(sunday)[0].is_late) == (False, False)
    assert (rows(monday)["A-PIECE"].is_late, what_to_order(monday)[0].is_late) == (True, True)
    assert not rows(monday)["A-DOZEN"].is_late  # what the shelf wants is never too late
    assert dozen.order_by == TODAY
    # 10 × 25.00 and 12 × 10.00 are 370.00: 130.00 short of 500.00.
    assert (group.cents, group.missing_cents) == (37_000, 13_000)


def test_what_is_drafted_is_not_offered_again_and_what_changed_is_not_drafted(work: Work, shop: Shop) -> None:
    before = rows(work)
    with pytest.raises(Problems, match="packs of 12: order 24, or 12"):
        make_drafts(work, ChosenToOrder([ticked(before["A-DOZEN"], 13)]))
    (draft,) = make_drafts(work, ChosenToOrder([ticked(before["A-PIECE"]), ticked(before["A-DOZEN"])]))
    assert draft.number == "P-0001" and [line.quantity for line in draft.lines] == [10, 12]
    assert not rows(work)
    with pytest.raises(Problems, match="changed since the page was loaded"):
        make_drafts(work, ChosenToOrder([ticked(before["A-PIECE"])]))
    assert needs_of(work.session, shop.job.id)[0].to_order == 10  # it is not sent
    change_draft(work, draft.id, draft.version, DraftForm({draft.lines[0].id: (4, 2500)}))
    assert rows(work)["A-PIECE"].quantity == 6


def test_a_sent_order_is_frozen_and_its_job_waits_for_parts(work: Work, shop: Shop) -> None:
    order, _, _ = sent(work, shop)
    assert order.expected_on == date(2026, 12, 2) and shop.job.stage is Stage.PARTS_ON_ORDER
    shop.maker.name, shop.piece.words = "Another name", "other words"
    work.session.commit()
    frozen = order_as_sent(work, order)
    head = frozen.maker_name, frozen.account_number, frozen.issued_by, frozen.issued_on
    assert head == ("Ardent Brass", "FQ-77", "Owner", TODAY)
    assert frozen.total_cents == 37_000
    with pytest.raises(LedgerError, match="is sent already"):
        change_draft(work, order.id, order.version, DraftForm({}))
    assert needs_of(work.session, shop.job.id)[0].on_order == 10
    # What nobody has of it is told apart: the dozen is for the shelf.
    found = open_lines(work.session, [shop.piece.id, shop.dozen.id])
    free = {one.item_id: (one.to_come, one.free) for one in found}
    assert free == {shop.piece.id: (10, 0), shop.dozen.id: (12, 12)}


def test_a_later_day_and_a_higher_price_move_promise_and_margin_and_ask_for_a_call(work: Work, shop: Shop) -> None:
    order, line, _ = sent(work, shop)
    later = {line.id: ConfirmedLine(2800, date(2026, 12, 9))}
    confirm_order(work, order.id, order.version, Confirmation("AB-991", None, later))
    # The dozen comes on the 2nd by its lead time; the last of it is the piece.
    assert told(work, ORDER_CONFIRMED) == [
        "Order P-0001 confirmed as AB-991, the last of it by Wednesday 9 December 2026"
    ]
    assert shop.job.promised_on == date(2026, 12, 9)
    (call,) = calls_to_make(work)
    assert (call.was_on, call.now_on) == (date(2026, 12, 4), date(2026, 12, 9))
    assert (call.customer_name, call.is_later) == (shop.job.customer.name, True)
    assert told(work, "promise moved") == [
        "Promise moved from Friday 4 December 2026 to Wednesday 9 December 2026, by order P-0001 to Ardent Brass"
    ]
    # 10 × 28.00 for 10 × 25.00: a margin of 150.00 becomes 120.00.
    (one,) = jobs_on(work, order)
    assert (one.quoted_cents, one.now_cents) == (15_000, 12_000)
    assert ordered_costs(work.session, [shop.job.id])[shop.job.id].more_cents == 3_000
    # An earlier day leaves the promise as it is: nobody is promised anything without being asked.
    earlier = {line.id: ConfirmedLine(None, date(2026, 12, 1))}
    confirm_order(work, order.id, order.version, Confirmation(lines=earlier))
    assert shop.job.promised_on == date(2026, 12, 9)
    assert jobs_on(work, order)[0].can_be_earlier and not jobs_on(work, order)[0].is_too_late
    shop.job.promised_on = date(2026, 11, 30)  # the pieces come the day after
    assert jobs_on(work, order)[0].is_too_late and not jobs_on(work, order)[0].can_be_earlier
    shop.job.promised_on = date(2026, 12, 9)
    mark_called(work, shop.job.id, call.moves[-1])
    assert not calls_to_make(work)


def test_who_waits_for_an_order_that_was_sent_too_late_is_called_until_its_maker_tells_a_day(
    work: Work, shop: Shop
) -> None:
    """Five working days from Wednesday the 25th are Wednesday 2 December; it is promised for Tuesday."""
    shop.job.promised_on = date(2026, 12, 1)
    work.session.commit()
    order, line, _ = sent(work, shop)
    (call,) = calls_to_make(work)
    assert (call.job.id, call.was_on, call.now_on, call.moves) == (shop.job.id, date(2026, 12, 1), None, ())
    said = "P-0001 was sent so late that it can be ready on Wednesday 2 December 2026: call Ardent Brass"
    assert call.late_words == said
    assert list(promise_doubts(work, shop.job.id)) == [said]
    confirm_order(work, order.id, order.version, Confirmation(lines={line.id: ConfirmedLine(None, call.was_on)}))
    assert not calls_to_make(work)
    assert not promise_doubts(work, shop.job.id)


def test_who_waits_for_a_late_order_is_called_until_its_maker_tells_a_day(work: Work, shop: Shop) -> None:
    """Five working days from Wednesday the 25th: due on Wednesday 2 December, late on Thursday."""
    order, line, _ = sent(work, shop)
    then = replace(work, now=NOW + timedelta(days=8))
    assert not calls_to_make(replace(work, now=NOW + timedelta(days=7)))
    (call,) = calls_to_make(then)
    assert (call.job.id, call.was_on, call.now_on, call.moves) == (shop.job.id, date(2026, 12, 4), None, ())
    said = "P-0001 is late since Wednesday 2 December 2026, no new day: call Ardent Brass"
    assert call.late_words == said
    # A day that keeps the promise ends it; one that does not is a promise that moved.
    confirm_order(then, order.id, order.version, Confirmation(lines={line.id: ConfirmedLine(None, then.today)}))
    assert not calls_to_make(then)
    later = {line.id: ConfirmedLine(None, date(2026, 12, 9))}
    confirm_order(then, order.id, order.version, Confirmation(lines=later))
    (call,) = calls_to_make(then)
    assert (call.now_on, call.late_words) == (date(2026, 12, 9), "") and call.moves


def test_a_maker_without_a_lead_time_takes_what_the_benchs_terms_say(work: Work, shop: Shop) -> None:
    """Six working days from Wednesday the 25th: Thursday 3 December, as quotes promise what is to be ordered."""
    shop.maker.lead_days = None
    factories.BenchTermsFactory(terms=BENCH_TERMS | {"uncombinated_lead_days": 6})
    work.session.commit()
    assert {row.lead_days for row in rows(work).values()} == {6}
    assert sent(work, shop)[0].expected_on == date(2026, 12, 3)


def test_received_short_and_partly_wrong_stays_open_until_all_is_there(work: Work, shop: Shop) -> None:
    order, piece, dozen = sent(work, shop)
    came = {piece.id: CameOfLine(good=6, damaged=1, wrong=1, note="dented"), dozen.id: CameOfLine(good=12)}
    first = receive(work, order.id, Came(came, (), "S-1"), "press 1")
    assert receive(work, order.id, Came(came, (), "S-1"), "press 1") is first
    assert work.session.scalar(sa.select(sa.func.count()).select_from(Delivery)) == 1
    there = quantity_of(work.session, shop.piece.id)
    assert (there.on_hand, there.reserved) == (8, 6)  # two were there before
    assert to_come(piece) == 4 and order.state is OrderState.SENT and shop.job.stage is Stage.PARTS_ON_ORDER
    assert received_cents(order) == 6 * 2500 + 12 * 1000
    receive(work, order.id, Came({piece.id: CameOfLine(good=4)}), "press 2")
    assert order.state is OrderState.CLOSED and shop.job.stage is Stage.APPROVED
    state = needs_of(work.session, shop.job.id)[0]
    assert (state.reserved, state.on_order, state.to_order) == (10, 0, 0) and state.can_start
    with pytest.raises(LedgerError, match="is closed"):
        receive(work, order.id, Came({piece.id: CameOfLine(good=1)}), "press 3")


def test_more_than_ordered_is_asked_about(work: Work, shop: Shop) -> None:
    order, piece, _ = sent(work, shop)
    with pytest.raises(Problems, match=r"10 ordered: 10 are to come, and 13 are counted. Keep the 3 over"):
        receive(work, order.id, Came({piece.id: CameOfLine(good=13)}), "press 1")
    assert quantity_of(work.session, shop.piece.id).on_hand == 2
    receive(work, order.id, Came({piece.id: CameOfLine(good=11, over=OverDo.SEND_BACK)}), "press 2")
    assert quantity_of(work.session, shop.piece.id).on_hand == 12
    receive(work, order.id, Came({piece.id: CameOfLine(good=2, over=OverDo.KEEP)}), "press 3")
    there = quantity_of(work.session, shop.piece.id)
    assert (there.on_hand, there.reserved, there.free) == (14, 10, 4)


def test_what_nobody_ordered_and_is_kept_is_for_the_job_that_waits_for_it(work: Work, shop: Shop) -> None:
    """One lies there, a job waits for three of them, five come."""
    order, _, _ = sent(work, shop)
    other = factories.ItemFactory(maker=shop.maker, code="A-OTHER")
    factories.StockMovementFactory(item_id=other.id, on_hand=1)
    work.session.add(Need(job=shop.job, line_number=2, item=other, quantity=3, made_at=NOW))
    work.session.commit()
    receive(work, order.id, Came({}, [(other.id, 5, OverDo.KEEP)]), "press")
    there = quantity_of(work.session, other.id)
    assert (there.on_hand, there.reserved, there.free) == (6, 3, 3)


def test_twenty_ordered_thirteen_accepted_seven_refused_owes_thirteen_and_stays_open(work: Work) -> None:
    """PO5, D: Sales and Leases outline p. 140 on UCC 2-607(1), online.flippingbook.com/view/223787047/141."""
    maker = factories.MakerFactory(name="Ardent Brass", lead_days=5)
    factories.ItemFactory(maker=maker, code="CASE", cost_cents=50_000, reorder_point=0, reorder_to=20)
    (draft,) = make_drafts(work, ChosenToOrder([ticked(rows(work)["CASE"])]))
    order = send_order(work, draft.id, draft.version)
    (line,) = order.lines
    receive(work, order.id, Came({line.id: CameOfLine(good=13, damaged=7)}), "press")
    assert (received_cents(order), to_come(line), order.state) == (650_000, 7, OrderState.SENT)
    with pytest.raises(LedgerError, match="Say why"):
        cancel_pieces(work, order.id, order.version, {line.id: 7}, " ")
    cancel_pieces(work, order.id, order.version, {line.id: 7}, "not sent again")
    assert (order.state, order.end_reason) == (OrderState.CLOSED, "not sent again")


def test_what_a_factory_keys_is_ordered_by_the_piece_whatever_the_pack(work: Work, shop: Shop) -> None:
    job = factories.JobFactory(stage=Stage.APPROVED, promised_on=date(2026, 12, 18))
    need = Need(job=job, line_number=1, item=shop.dozen, quantity=7, keyed_at="factory", made_at=NOW)
    work.session.add(need)
    work.session.commit()
    (draft,) = make_drafts(work, ChosenToOrder([], [(job.id, shop.maker.id)]))
    draft = change_draft(work, draft.id, draft.version, DraftForm({draft.lines[0].id: (7, 1000)}))
    assert [line.quantity for line in send_order(work, draft.id, draft.version).lines] == [7]


def test_what_is_canceled_is_to_be_ordered_again(work: Work, shop: Shop) -> None:
    """Two lie on the shelf for nobody, since all ten were on their way: they are the job's once some are not."""
    order, piece, dozen = sent(work, shop)
    version = order.version
    cancel_pieces(work, order.id, version, {piece.id: 4}, "discontinued")
    assert rows(work)["A-PIECE"].quantity == 2 and shop.job.stage is Stage.PARTS_ON_ORDER
    with pytest.raises(Stale):
        cancel_pieces(work, order.id, version, {piece.id: 1}, "twice")
    cancel_pieces(work, order.id, order.version, {piece.id: 6, dozen.id: 12}, "maker closed")
    assert order.state is OrderState.CANCELED and shop.job.stage is Stage.APPROVED
    [state] = needs_of(work.session, shop.job.id)
    assert (state.reserved, state.on_order, state.to_order) == (2, 0, 8) and rows(work)["A-PIECE"].quantity == 8
    with pytest.raises(LedgerError, match=r"is canceled \(maker closed\)"):
        receive(work, order.id, Came({piece.id: CameOfLine(good=1)}), "press")


def test_a_line_whose_day_is_over_is_late(work: Work, shop: Shop) -> None:
    order, _, _ = sent(work, shop)
    assert not late_lines(work.session, date(2026, 12, 2))
    found = late_lines(work.session, date(2026, 12, 7))
    assert {(one.order.number, one.days) for one in found} == {(order.number, 5)} and len(found) == 2


def test_what_a_count_found_before_the_order_was_sent_comes_for_the_shelf(work: Work, shop: Shop) -> None:
    """Ten are drafted for the job; a count finds four: the order brings six for it and four besides."""
    (draft,) = make_drafts(work, ChosenToOrder([ticked(rows(work)["A-PIECE"])]))
    count_item(work, shop.piece, 4)
    order = send_order(work, draft.id, draft.version)
    [state] = needs_of(work.session, shop.job.id)
    assert (state.reserved, state.on_order, state.to_order) == (4, 6, 0)
    assert [(line.quantity, [share.quantity for share in line.shares]) for line in order.lines] == [(10, [6])]
