"""Use case: what came of an order is received, by part number: good, damaged, wrong, over what was ordered."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum

import sqlalchemy as sa
from sqlalchemy.orm.attributes import flag_modified

from app.errors import Problem, Problems
from app.ledger.goods.claims import open_claim
from app.ledger.goods.moved_promises import follow_jobs, move_promises
from app.ledger.goods.order_lines import GOODS_RECEIVED, cancel_some, good_of, jobs_of, latest_day, to_come
from app.ledger.goods.orders import MOST_PIECES, end_if_done, find_scanned, require_open
from app.ledger.stock.items import name_item
from app.ledger.stock.movements import move_stock
from app.ledger.stock.needs import reserve_received, reserve_waiting
from app.ledger.store.engine import get_row, transaction
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import (
    Delivery,
    DeliveryLine,
    Item,
    MovementKind,
    PurchaseLine,
    PurchaseOrder,
    Role,
)
from app.pricing import show_day
from app.validation import counted


class OverDo(StrEnum):
    """What happens to pieces that nobody ordered."""

    ASK = ""
    KEEP = "keep"
    SEND_BACK = "send back"


@dataclass(frozen=True, slots=True)
class CameOfLine:
    """What came of a line. over: for pieces over what was ordered; is_sent_again: what is damaged or wrong stays on
    order; rest_on: the new day of what is still to come.
    """

    good: int = 0
    damaged: int = 0
    wrong: int = 0
    over: OverDo = OverDo.ASK
    is_sent_again: bool = True
    rest_on: date | None = None
    note: str = ""

    @property
    def pieces(self) -> int:
        """How many came in all."""
        return self.good + self.damaged + self.wrong


@dataclass(frozen=True, slots=True)
class Came:
    """A delivery as it was counted. lines: by the order's line; others: what nobody ordered, and what is done."""

    lines: Mapping[int, CameOfLine]
    others: Sequence[tuple[int, int, OverDo]] = field(default_factory=tuple)
    packing_number: str = ""


def receive(work: Work, order_id: int, came: Came, token: str) -> Delivery:
    """Put what came on the shelf: for the jobs that wait for it first. token: one press of the page, one delivery.

    Damaged and wrong pieces are not put there; a claim to the maker is opened for them, and they stay on order unless
    they are canceled. What is over needs an answer (Problems on `over_ID`): kept for the shelf, or sent back. What is
    short stays on order. The order is closed when nothing is to come any more. LedgerError of one that is not open.
    """
    work.require(Role.COUNTER, Role.BENCH)
    with transaction(work.session):
        known = work.session.scalar(sa.select(Delivery).where(Delivery.request_token == token))
        if known is not None:
            return known
        order = get_row(work.session, PurchaseOrder, order_id, "order")
        require_open(order)
        _refuse(work, order, came)
        waiting = jobs_of(order)
        delivery = Delivery(
            order=order,
            at=work.now,
            by_id=work.actor.user_id,
            packing_number=came.packing_number,
            request_token=token,
        )
        work.session.add(delivery)
        work.session.flush()
        said = [
            _receive_line(work, delivery, line, came.lines[line.id]) for line in order.lines if line.id in came.lines
        ]
        said += [_receive_other(work, delivery, *other) for other in came.others]
        flag_modified(order, "maker_number")  # a page of it from before is stale now
        order.expected_on = latest_day(order) or order.expected_on
        slip = f" with slip {came.packing_number}" if came.packing_number else ""
        words = f"Order {order.number}{slip}: {'; '.join(filter(None, said))}"
        record(work, GOODS_RECEIVED, f"order {order.id}", words[:2000], delivery=delivery.id)
        end_if_done(work, order)
        move_promises(work, order, follow_jobs(work, order, waiting))
        return delivery


def _refuse(work: Work, order: PurchaseOrder, came: Came) -> None:
    problems = []
    for line in order.lines:
        told = came.lines.get(line.id)
        if told is None:
            continue
        left = to_come(line)
        if not all(0 <= many <= MOST_PIECES for many in (told.good, told.damaged, told.wrong)):
            problems.append(Problem(f"good_{line.id}", f"Enter whole pieces from 0 to {MOST_PIECES:,}."))
        elif told.pieces > left and told.over is OverDo.ASK:
            before = good_of(line)
            earlier = f", {before:,} came before" if before else ""
            gone = f", {line.canceled:,} were canceled" if line.canceled else ""
            sentence = (
                f"{line.quantity:,} ordered{earlier}{gone}: {left:,} are to come, and {told.pieces:,} are counted. "
                f"Keep the {told.pieces - left:,} over for the shelf, or send them back?"
            )
            problems.append(Problem(f"over_{line.id}", sentence))
        if told.rest_on is not None and told.rest_on < work.today:
            problems.append(Problem(f"rest_{line.id}", "This day is over: enter the day on which the rest comes."))
    for item_id, pieces, over in came.others:
        item = get_row(work.session, Item, item_id, "item of stock")
        if not 1 <= pieces <= MOST_PIECES:
            problems.append(Problem(f"other_{item_id}", f"Enter whole pieces from 1 to {MOST_PIECES:,}."))
        elif over is OverDo.ASK:
            sentence = (
                f"{name_item(item)} is not on this order. Keep the {pieces:,} for the shelf, or send them back?"
            )
            problems.append(Problem(f"other_{item_id}", sentence))
    if problems:
        raise Problems(problems)
    if not any(told.pieces or told.rest_on for told in came.lines.values()) and not came.others:
        raise Problems([Problem("code", "Nothing is counted yet: scan a part number, or enter what came.")])


def _receive_line(work: Work, delivery: Delivery, line: PurchaseLine, told: CameOfLine) -> str:
    """One line's pieces on the shelf or aside; what was done, in words."""
    item, left = line.item, to_come(line)
    over = max(0, told.pieces - left)
    is_kept = told.over is OverDo.KEEP
    over_good = min(over, told.good)  # what is damaged or wrong is not kept, whatever was ordered
    good = told.good if is_kept else told.good - over_good
    said = []
    if told.pieces:
        row = DeliveryLine(
            delivery_id=delivery.id, line=line, item_id=item.id, good=good, damaged=told.damaged, wrong=told.wrong,
            sent_back=0 if is_kept else over_good, note=told.note,
        )  # fmt: skip
        work.session.add(row)
        work.session.flush()
        if good:
            cents = line.unit_cents if line.confirmed_cents is None else line.confirmed_cents
            why = f"order {line.order.number}"
            move_stock(
                work, item, MovementKind.RECEIVED, on_hand=good, why=why, order_line_id=line.id, cost_cents=cents
            )
            reserve_received(work, line, good)
        said.append(f"{good:,} good")
    if row_over := over_good:
        said.append(f"{row_over:,} over, {'kept for the shelf' if is_kept else 'sent back'}")
    for pieces, word in ((told.damaged, "damaged"), (told.wrong, "wrong")):
        if pieces:
            note = f"{word}, order {line.order.number}" + (f": {told.note}" if told.note else "")
            open_claim(work, line.order.maker_id, item.id, pieces, note, delivery_id=delivery.id)
            said.append(f"{pieces:,} {word}, claimed")
    bad = min(told.damaged + told.wrong, to_come(line))
    if bad and not told.is_sent_again:
        cancel_some(line, bad)
        work.session.flush()
        reserve_waiting(work, item)
        said.append(f"{bad:,} canceled")
    if to_come(line):
        if told.rest_on is not None:
            line.expected_on = told.rest_on
        if told.pieces or told.rest_on:
            on = f" on {show_day(told.rest_on)}" if told.rest_on else ""
            said.append(f"{to_come(line):,} still to come{on}")
    return f"{name_item(item)}: {', '.join(said)}" if said else ""


def _receive_other(work: Work, delivery: Delivery, item_id: int, pieces: int, over: OverDo) -> str:
    item = get_row(work.session, Item, item_id, "item of stock")
    is_kept = over is OverDo.KEEP
    row = DeliveryLine(
        delivery_id=delivery.id, item_id=item.id, good=pieces if is_kept else 0, sent_back=0 if is_kept else pieces,
        note="not ordered",
    )  # fmt: skip
    work.session.add(row)
    if is_kept:
        why = f"came with order {delivery.order.number}, not ordered"
        move_stock(work, item, MovementKind.RECEIVED, on_hand=pieces, why=why)
        reserve_waiting(work, item)
    done = "kept for the shelf" if is_kept else "sent back"
    return f"{name_item(item)}: {counted(pieces, 'piece')} that nobody ordered, {done}"


def scan(work: Work, order: PurchaseOrder, code: str) -> PurchaseLine | Item | None:
    """What a scanned or typed part number stands for: a line of the order, best one with something to come; else an
    item that is not on it; None where nobody knows the number.
    """
    item = find_scanned(work.session, code, order.maker_id)
    typed = code.strip().upper()
    lines = [line for line in order.lines if line.item.code.upper() == typed or line.item.barcode == code.strip()]
    if lines:
        return min(lines, key=lambda line: (not to_come(line), line.number))
    return item
