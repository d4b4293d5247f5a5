"""What the papers of a hand-over are made from. Never a bitting."""

from collections import Counter
from dataclasses import dataclass, replace

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.catalog.maker_queries import get_item
from app.ledger.catalog.price_queries import CONSTRUCTION_CORE
from app.ledger.goods.hand_overs import HandOver, hand_overs_of
from app.ledger.jobs.cylinder_lines import ScheduleRow
from app.ledger.jobs.papers import JobHead, Schedule, job_head, schedule_of
from app.ledger.keys.key_queries import keys_of_job
from app.ledger.keysystems.copy_numbers import say_copies
from app.ledger.money.payments import PaymentReceipt, payments_of
from app.ledger.quoting.accepting import newest_revision
from app.ledger.quoting.snapshot import QuoteSnapshot, as_accepted, read_snapshot
from app.ledger.sites.former_names import buyers_then
from app.ledger.stock.movements import quantity_of
from app.ledger.stock.needs import NeedState, needs_of
from app.ledger.store.work import Work
from app.ledger.tables import SHELF, Cylinder, HandedLine, HandOverRow, Job, Keyset, Level, LineKind, StockPlace
from app.pricing import show_day


@dataclass(frozen=True, slots=True)
class Pick:
    """What a job takes of one item: where it lies, how many are kept there for it, how many went, and what waits."""

    place: str
    bin: str
    code: str
    words: str
    line: int | None
    quantity: int
    there: int
    went: int
    waits: str
    is_counted: bool


def picks_of(session: Session, job: Job) -> tuple[Pick, ...]:
    """What a job takes of the shelf, by place and bin."""
    shelf = session.get_one(StockPlace, SHELF).name
    picks = [_pick(shelf, one) for one in needs_of(session, job.id) if one.out < one.need.quantity]
    picks += _lent_picks(session, job, shelf)
    return tuple(sorted(picks, key=lambda one: (one.bin == "", one.bin, one.code, one.line or 0)))


def _lent_picks(session: Session, job: Job, shelf: str) -> list[Pick]:
    """The house's construction cores that a job borrows; none of its lines sells them."""
    rows = sa.select(Cylinder.state).join(Keyset, Keyset.id == Cylinder.keyset_id)
    states = session.scalars(rows.where(Cylinder.job_id == job.id, Keyset.level == Level.CONSTRUCTION)).all()
    out = sum(state.has_left for state in states)
    item = get_item(session, None, CONSTRUCTION_CORE) if out < len(states) else None
    if item is None:
        return []
    waiting = len(states) - out
    there = min(quantity_of(session, item.id).on_hand, waiting) if item.is_counted else 0
    waits = f"{waiting - there} are not there" if item.is_counted and there < waiting else ""
    return [Pick(shelf, item.bin, item.code, item.words, None, len(states), there, out, waits, item.is_counted)]


def _pick(shelf: str, state: NeedState) -> Pick:
    need, item = state.need, state.need.item
    waits = [f"{one.quantity} on order{f' for {show_day(one.on)}' if one.on else ''}" for one in state.coming]
    waits += [f"{state.to_order} to be ordered"] if state.to_order else []
    return Pick(
        *(shelf, item.bin, item.code, item.words, need.line_number, need.quantity),
        *(state.reserved, state.out, "; ".join(waits), state.is_counted),
    )


@dataclass(frozen=True, slots=True)
class SlipLine:
    """A line of the job on the packing slip: ordered, before this time, now, and still to come."""

    number: int
    words: str
    ordered: int
    before: int
    now: int

    @property
    def to_come(self) -> int:
        """What is still promised of it."""
        return max(0, self.ordered - self.before - self.now)


@dataclass(frozen=True, slots=True)
class HandOverSheet:
    """What one person took at one time, for the packing slip that he signs. keys: symbol, key system and copies.
    lent: how many construction cores come out of the doors whose permanent cores these are.
    """

    head: JobHead
    handed: HandOver
    po_number: str
    rows: tuple[ScheduleRow, ...]
    keys: tuple[tuple[str, str, str], ...]
    goods: tuple[tuple[int, str], ...]  # how many of what
    lines: tuple[SlipLine, ...] = ()
    lent: int = 0


def hand_over_sheet(work: Work, job: Job, schedule: Schedule, handed: HandOver) -> HandOverSheet:
    """The sheet of a hand-over of the job whose schedule this is. Opens no bitting."""
    copies: dict[Keyset, list[int]] = {}
    for key in keys_of_job(work.session, job.id):
        if key.id in handed.keys:
            copies.setdefault(key.keyset, []).append(key.copy_number)
    words = {line.number: line.description for line in job.lines}
    buyer = buyers_then(work.session, job.id, job.customer, [handed.on])[handed.on]
    return HandOverSheet(
        replace(schedule.head, customer_name=buyer),
        handed,
        job.po_number,
        rows=tuple(row for row in schedule.rows if row.cylinder_id in handed.cylinders),
        keys=tuple((one.symbol, one.system.name, say_copies(numbers)) for one, numbers in copies.items()),
        goods=tuple((count, words.get(number, f"line {number}")) for number, count in handed.goods),
        lines=_slip_lines(work.session, job, handed.place),
        lent=_lent_at(job, handed),
    )


def _lent_at(job: Job, handed: HandOver) -> int:
    cores = {(one.door_id, one.position) for one in job.cylinders if one.is_lent}
    going = (one for one in job.cylinders if one.id in handed.cylinders and not one.is_lent)
    return sum((one.door_id, one.position) in cores for one in going)


def _slip_lines(session: Session, job: Job, place: int) -> tuple[SlipLine, ...]:
    rows = sa.select(HandOverRow.place, HandedLine).join(HandedLine.hand_over)
    rows = rows.where(HandOverRow.job_id == job.id, HandOverRow.place <= place)
    before, now = Counter[int](), Counter[int]()
    for at, line in session.execute(rows.order_by(HandOverRow.place, HandedLine.line_number)):
        # Keys that a line of cylinders brings are listed by themselves.
        is_of_keys = not (line.cylinders or line.goods)
        (now if at == place else before)[line.line_number] += line.keys if is_of_keys else line.cylinders + line.goods
    pieces = [one for one in job.lines if one.kind not in (LineKind.LABOR, LineKind.TRIP)]
    return tuple(
        SlipLine(one.number, one.description, one.quantity, before[one.number], now[one.number]) for one in pieces
    )


@dataclass(frozen=True, slots=True)
class SaleReceipt:
    """All that was sold by a job, as its quote was accepted, what was paid for it, and what was handed over.

    changed_cents: what invoices and credit notes put on or took off the accepted total since, tax included.
    """

    head: JobHead
    accepted: QuoteSnapshot
    payments: tuple[PaymentReceipt, ...]
    balance_cents: int
    changed_cents: int
    handed: tuple[HandOverSheet, ...]


def sale_receipt(work: Work, job: Job) -> SaleReceipt:
    """The receipt of an accepted job. Opens no bitting."""
    accepted = as_accepted(read_snapshot(newest_revision(work, job).snapshot), job.accepted_option)
    paid, schedule = payments_of(work.session, job.number), schedule_of(work, job)
    handed = tuple(hand_over_sheet(work, job, schedule, one) for one in hand_overs_of(work.session, job))
    money, changed = paid.money, paid.money.total_cents - accepted.totals.total_cents
    return SaleReceipt(job_head(work, job), accepted, paid.receipts, money.balance_cents, changed, handed)
