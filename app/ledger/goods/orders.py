"""Use cases: orders to makers are drafted, changed, sent, mailed, confirmed, and end: closed, canceled, or in part.

What is for a job's need is a share of a line; what no share names is for the shelf.
"""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from email.message import EmailMessage
from typing import NamedTuple

import sqlalchemy as sa
from sqlalchemy.orm import Session
from sqlalchemy.orm.attributes import flag_modified

from app.errors import Problem, Problems
from app.ledger.catalog.maker_queries import factory_terms_on, spellings
from app.ledger.catalog.price_queries import closed_days_on, entered_bench_terms
from app.ledger.goods.moved_promises import follow_jobs, move_promises
from app.ledger.goods.order_lines import (
    ORDER_CANCELED,
    ORDER_CLOSED,
    ORDER_CONFIRMED,
    ORDER_MAILED,
    ORDER_SENT,
    PIECES_CANCELED,
    cancel_some,
    good_of,
    jobs_of,
    latest_day,
    take_from_shares,
    to_come,
)
from app.ledger.goods.order_snapshot import order_now
from app.ledger.goods.to_order import ItemToOrder, KeyingToOrder, MakerToOrder, WantedByJob, what_to_order
from app.ledger.jobs.purchasing import factory_makers
from app.ledger.quoting.mailing import MailServer, Sent, send_once
from app.ledger.quoting.snapshot import snapshot_hash
from app.ledger.stock.free_stock import days_to_come
from app.ledger.stock.items import name_item
from app.ledger.stock.needs import open_needs, reserve_waiting
from app.ledger.store.engine import get_row, get_version, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import next_number, record
from app.ledger.store.numbers import factory_order_number, purchase_number
from app.ledger.store.work import Work
from app.ledger.tables import (
    ORDER_NUMBERS,
    Cylinder,
    Item,
    Job,
    Keyset,
    KeySystem,
    Maker,
    Marking,
    Need,
    OrderKind,
    OrderState,
    PurchaseLine,
    PurchaseOrder,
    PurchaseShare,
    Role,
    SoldLine,
)
from app.pricing import MAX_CENTS, arrival, show_day
from app.validation import counted

MOST_PIECES = 100_000


class Ticked(NamedTuple):
    """A row that was ticked on the page of what to order. mark: what it showed; maker_id: for goods of no maker."""

    item_id: int
    quantity: int
    mark: str
    maker_id: int | None = None


@dataclass(frozen=True, slots=True)
class ChosenToOrder:
    """All that was ticked: items, and jobs with the maker whose factory keys for them."""

    items: Sequence[Ticked] = ()
    keying: Sequence[tuple[int, int]] = ()  # job's and maker's id


def make_drafts(work: Work, chosen: ChosenToOrder) -> Sequence[PurchaseOrder]:
    """Orders that are not sent yet, of what was ticked: goods go into the maker's draft, which is made where there is
    none; what a factory keys for a job is an order of its own.

    Problems, each on `item_ID` or `keying_JOB_MAKER`, where what is to order changed since the page was loaded,
    or a quantity cannot be; nothing is made then.
    """
    work.require(Role.COUNTER)
    if not chosen.items and not chosen.keying:
        raise LedgerError("", "Tick what is to be ordered.")
    with transaction(work.session):
        groups = what_to_order(work)
        rows = {one.item.id: one for group in groups for one in (*group.items, *group.extras)}
        keying = {(one.job.id, int(group.key)): one for group in groups for one in group.keying}
        problems = [*_wrong_rows(chosen, rows), *_gone(chosen, keying)]
        if problems:
            raise Problems(problems)
        drafts = _put_goods(work, chosen, rows, {int(group.key): group for group in groups})
        for place in chosen.keying:
            drafts.append(_draft_keying(work, keying[place], place[1]))
        for draft in drafts:
            about = f"order {draft.id}"
            record(work, "order drafted", about, f"Order {draft.number}: {_lines_words(draft)} to be sent")
        return drafts


def _wrong_rows(chosen: ChosenToOrder, rows: Mapping[int, ItemToOrder]) -> Iterable[Problem]:
    for one in chosen.items:
        box = f"item_{one.item_id}"
        row = rows.get(one.item_id)
        if row is None or row.mark != one.mark:
            yield Problem(box, "This changed since the page was loaded: load it again and look what is to order now.")
        elif not 1 <= one.quantity <= MOST_PIECES:
            yield Problem(box, f"Enter a whole quantity from 1 to {MOST_PIECES:,}, or untick it.")
        elif one.quantity % max(1, row.item.pack_size):
            pack = row.item.pack_size
            more = -(-one.quantity // pack) * pack
            yield Problem(box, f"{row.item.code} comes in packs of {pack}: order {more:,}, or {more - pack:,}.")
        elif row.item.maker_id is None and one.maker_id is None:
            yield Problem(box, "Choose the maker that it is ordered from.")


def _gone(chosen: ChosenToOrder, keying: Mapping[tuple[int, int], KeyingToOrder]) -> Iterable[Problem]:
    for job_id, maker_id in chosen.keying:
        if (job_id, maker_id) not in keying:
            yield Problem(f"keying_{job_id}_{maker_id}", "This was ordered meanwhile: load the page again.")


def _put_goods(
    work: Work, chosen: ChosenToOrder, rows: Mapping[int, ItemToOrder], groups: Mapping[int, MakerToOrder]
) -> list[PurchaseOrder]:
    by_maker: dict[int, list[Ticked]] = defaultdict(list)
    for one in chosen.items:
        by_maker[rows[one.item_id].item.maker_id or one.maker_id or 0].append(one)
    drafts = []
    for maker_id, ticked in by_maker.items():
        maker = get_row(work.session, Maker, maker_id, "maker")
        group = groups.get(maker_id)
        draft = group.draft if group is not None else _goods_draft(work.session, maker_id)
        if draft is None:
            number = purchase_number(next_number(work.session, ORDER_NUMBERS))
            draft = _new(work, maker, OrderKind.GOODS, number)
        for one in ticked:
            row = rows[one.item_id]
            _put_line(draft, row.item, one.quantity, row.wanted)
        work.session.flush()
        drafts.append(draft)
    return drafts


def _goods_draft(session: Session, maker_id: int) -> PurchaseOrder | None:
    drafts = sa.select(PurchaseOrder).where(
        PurchaseOrder.maker_id == maker_id,
        PurchaseOrder.state == OrderState.DRAFT,
        PurchaseOrder.kind == OrderKind.GOODS,
    )
    return session.scalar(drafts.order_by(PurchaseOrder.id.desc()).limit(1))


def _new(work: Work, maker: Maker, kind: OrderKind, number: str, job: Job | None = None) -> PurchaseOrder:
    system = _system_of(work.session, job) if job is not None and kind is OrderKind.KEYING else None
    draft = PurchaseOrder(
        number=number,
        maker=maker,
        kind=kind,
        job=job,
        state=OrderState.DRAFT,
        made_at=work.now,
        made_by_id=work.actor.user_id,
        mark_keys=system.mark_keys if system else Marking.NONE,
        mark_cylinders=system.mark_cylinders if system else Marking.NONE,
    )
    work.session.add(draft)
    return draft


def _system_of(session: Session, job: Job) -> KeySystem | None:
    """The key system of a job's cylinders, which says how they and their keys are marked."""
    rows = sa.select(KeySystem).join(Keyset, Keyset.system_id == KeySystem.id)
    rows = rows.join(Cylinder, Cylinder.keyset_id == Keyset.id).where(Cylinder.job_id == job.id)
    return session.scalar(rows.order_by(KeySystem.levels.desc(), KeySystem.id).limit(1))


def _put_line(draft: PurchaseOrder, item: Item, quantity: int, wanted: Sequence[WantedByJob] = ()) -> PurchaseLine:
    """So many more of an item in a draft, the first of them for what jobs want, in that order."""
    line = next((one for one in draft.lines if one.item is item or one.item_id == item.id), None)
    if line is None:
        number = max((one.number for one in draft.lines), default=0) + 1
        line = PurchaseLine(number=number, item=item, quantity=0, unit_cents=item.cost_cents, canceled=0)
        draft.lines.append(line)
    line.quantity += quantity
    left = quantity
    for one in wanted:
        share = min(left, one.quantity)
        if share:
            held = next((known for known in line.shares if known.need_id == one.need_id), None)
            if held is None:
                line.shares.append(PurchaseShare(need_id=one.need_id, quantity=share, arrived=0))
            else:
                held.quantity += share
            left -= share
    return line


def _draft_keying(work: Work, keying: KeyingToOrder, maker_id: int) -> PurchaseOrder:
    """The order to a factory for a job, with what the quote reckoned for its keying."""
    session, job = work.session, get_row(work.session, Job, keying.job.id, "job")
    maker = get_row(session, Maker, maker_id, "maker")
    makers = factory_makers(session, job)
    place = makers.index(maker.name) + 1 if maker.name in makers else len(makers) + 1
    number = factory_order_number(job.number, place)
    again = session.scalar(
        sa.select(sa.func.count()).where(PurchaseOrder.job_id == job.id, PurchaseOrder.number.startswith(number))
    )
    draft = _new(work, maker, OrderKind.KEYING, f"{number}-{again + 1}" if again else number, job)
    needs = {one.need_id: get_row(session, Need, one.need_id, "need") for one in keying.wanted}
    for one in keying.wanted:
        _put_line(draft, get_row(session, Item, one.item_id, "item of stock"), one.quantity, [one])
    if not again:
        draft.charges_cents = _keying_cents(session, job, {need.line_number for need in needs.values()})
    session.flush()
    return draft


def _keying_cents(session: Session, job: Job, lines: set[int | None]) -> int:
    """What the quote reckoned for the factory's work on these lines: what belongs to them beside the goods."""
    rows = session.execute(sa.select(SoldLine.label, SoldLine.cost_cents).where(SoldLine.job_id == job.id))
    return sum(
        cents for label, cents in rows if not label.isdigit() and label[:-1].isdigit() and int(label[:-1]) in lines
    )


def _lines_words(order: PurchaseOrder) -> str:
    pieces = sum(line.quantity for line in order.lines)
    return f"{counted(pieces, 'piece')} in {counted(len(order.lines), 'line')}"


@dataclass(frozen=True, slots=True)
class DraftForm:
    """A draft as it was typed. lines: each line's id → quantity (0 removes it) and cents each."""

    lines: Mapping[int, tuple[int, int]]
    note: str = ""
    charges_cents: int = 0
    mark_keys: Marking = Marking.NONE
    mark_cylinders: Marking = Marking.NONE
    add_code: str = ""
    add_quantity: int = 0


def change_draft(work: Work, order_id: int, version: int, form: DraftForm) -> PurchaseOrder:
    """Save a draft as typed; `add_code` adds a part number of the maker, or a barcode of the house.

    A line with fewer pieces than jobs wait for takes them from the job that needs them last. LedgerError once it was
    sent; Problems on `line_ID` and `add_code`.
    """
    work.require(Role.COUNTER)
    with transaction(work.session):
        order = get_version(work.session, PurchaseOrder, order_id, "order", version)
        _require_draft(order)
        _refuse_wrong_lines(order, form.lines)
        order.note, order.charges_cents = form.note, form.charges_cents
        order.mark_keys, order.mark_cylinders = form.mark_keys, form.mark_cylinders
        for line in list(order.lines):
            quantity, cents = form.lines.get(line.id, (line.quantity, line.unit_cents))
            if quantity == 0:
                order.lines.remove(line)
                work.session.delete(line)
                continue
            line.quantity, line.unit_cents = quantity, cents
            take_from_shares(line, sum(share.quantity for share in line.shares) - quantity)
        if form.add_code:
            _put_line(order, _find_to_add(work, order, form.add_code), form.add_quantity or 1)
        flag_modified(order, "note")  # a new version too where lines alone changed
        work.session.flush()
        record(work, "order changed", f"order {order.id}", f"Order {order.number} changed: {_lines_words(order)}")
        return order


def _require_draft(order: PurchaseOrder) -> None:
    if order.state is not OrderState.DRAFT:
        raise LedgerError("", f"Order {order.number} is {order.state.value} already: it is not changed any more.")


def _refuse_wrong_lines(order: PurchaseOrder, lines: Mapping[int, tuple[int, int]]) -> None:
    problems = []
    for line in order.lines:
        quantity, cents = lines.get(line.id, (line.quantity, line.unit_cents))
        # What a factory keys for a job comes by the piece, as its schedule has it.
        pack = 1 if order.kind is OrderKind.KEYING else max(1, line.item.pack_size)
        if not 0 <= quantity <= MOST_PIECES:
            problems.append(Problem(f"line_{line.id}", f"Enter a whole quantity from 0 to {MOST_PIECES:,}."))
        elif quantity % pack:
            more = -(-quantity // pack) * pack
            problems.append(Problem(f"line_{line.id}", f"It comes in packs of {pack}: order {more:,}."))
        elif not 0 <= cents <= MAX_CENTS:
            problems.append(Problem(f"cents_{line.id}", "Enter the price each, 0 or more."))
    if problems:
        raise Problems(problems)


def _find_to_add(work: Work, order: PurchaseOrder, code: str) -> Item:
    item = find_scanned(work.session, code, order.maker_id)
    if item is not None:
        return item
    raise LedgerError("add_code", f"“{code[:80]}” is no item of {order.maker.name}: add it under Goods first.")


def find_scanned(session: Session, code: str, maker_id: int | None = None) -> Item | None:
    """The item with this part number or barcode, letters large or small: the maker's own first, then anybody's."""
    typed = code.strip()
    if not typed:
        return None
    rows = session.scalars(
        sa.select(Item)
        .where(sa.or_(Item.code.in_((typed, *spellings(typed))), Item.barcode == typed))
        .order_by(Item.id)
        .limit(50)
    ).all()
    return min(rows, key=lambda one: (one.maker_id != maker_id, one.maker_id is not None, one.id), default=None)


def delete_draft(work: Work, order_id: int, version: int) -> None:
    """Drop an order that was not sent; what it was for is to be ordered again."""
    work.require(Role.COUNTER)
    with transaction(work.session):
        order = get_version(work.session, PurchaseOrder, order_id, "order", version)
        _require_draft(order)
        number = order.number
        for line in order.lines:
            work.session.delete(line)
        work.session.flush()
        work.session.delete(order)
        record(work, "order deleted", f"order {order_id}", f"Order {number}, never sent, deleted")


def send_order(work: Work, order_id: int, version: int, how: str = "") -> PurchaseOrder:
    """Freeze an order as sent now, by who acts; each line is expected by its lead time from today.

    how: "by e-mail to …", for the story. No promise moves by it: the maker has not told a day yet. The stage of each
    of its jobs that waits becomes 'parts on order'. Bittings are not on it: where the factory keys from our records
    they go sealed, beside it, as the paper says.
    """
    work.require(Role.COUNTER)
    with transaction(work.session):
        order = get_version(work.session, PurchaseOrder, order_id, "order", version)
        _require_draft(order)
        if not order.lines:
            raise LedgerError("", "Nothing is on this order: add a line, or delete the draft.")
        _leave_out_the_met(work.session, order)
        closed = closed_days_on(work.session, work.today)
        maker = order.maker
        for line in order.lines:
            days = lead_days_of(work, order, line)
            line.expected_on = None if days is None else arrival(work.today, days, closed)
        order.state, order.sent_at, order.sent_by_id = OrderState.SENT, work.now, work.actor.user_id
        order.expected_on = latest_day(order)
        frozen = replace(order_now(work, order), is_sent=True).to_text()
        order.snapshot, order.sha256 = frozen, snapshot_hash(frozen)
        work.session.flush()
        sent = f"Order {order.number} sent to {maker.name}{f' {how}' if how else ''}: {_lines_words(order)}"
        record(work, ORDER_SENT, f"order {order.id}", sent)
        follow_jobs(work, order)
        return order


def _leave_out_the_met(session: Session, order: PurchaseOrder) -> None:
    """Have what a draft was to bring for needs that got their pieces meanwhile, as by a count, come for the shelf."""
    ids = {share.need_id for line in order.lines for share in line.shares}
    lacking = {state.need.id: state.to_order for state in open_needs(session, Need.id.in_(ids))} if ids else {}
    for line in order.lines:
        for share in list(line.shares):
            wanted = min(share.quantity, lacking.get(share.need_id, 0))
            if wanted:
                share.quantity = wanted
                lacking[share.need_id] -= wanted
            else:
                line.shares.remove(share)


def lead_days_of(work: Work, order: PurchaseOrder, line: PurchaseLine) -> int | None:
    """Working days until a line is there: of keying the factory's own, else as `days_to_come` has them."""
    if order.kind is OrderKind.KEYING:
        terms = factory_terms_on(work.session, order.maker_id, work.today)
        if terms is not None:
            return terms.lead_working_days
    maker, item = order.maker, line.item
    bench = entered_bench_terms(work.session, work.today)
    return days_to_come(bench, item.lead_days, item.finish, maker.finish_leads, maker.lead_days)


@dataclass(frozen=True, slots=True)
class ConfirmedLine:
    """What the maker said of a line: its price each and the day; None where nothing was said."""

    cents: int | None
    day: date | None


@dataclass(frozen=True, slots=True)
class Confirmation:
    """What the maker said of an order. lines: by their ids."""

    maker_number: str = ""
    charges_cents: int | None = None
    lines: Mapping[int, ConfirmedLine] = field(default_factory=dict)


def confirm_order(work: Work, order_id: int, version: int, said: Confirmation) -> PurchaseOrder:
    """Note what the maker confirmed, line by line: prices, days, its own number. Also that the rest comes later.

    A later day moves the promises of the jobs that wait for it; an earlier one leaves them as they are.
    """
    work.require(Role.COUNTER)
    with transaction(work.session):
        order = get_version(work.session, PurchaseOrder, order_id, "order", version)
        require_open(order)
        problems = [
            Problem(f"day_{line.id}", "This day is over: enter the day on which it comes.")
            for line in order.lines
            if (told := said.lines.get(line.id))
            and told.day
            and told.day < work.today
            and told.day != line.expected_on
        ]
        if problems:
            raise Problems(problems)
        changed = []
        for line in order.lines:
            told = said.lines.get(line.id, ConfirmedLine(None, None))
            if told.cents is not None and told.cents != line.confirmed_cents:
                line.confirmed_cents = told.cents
                changed.append(line.number)
            if told.day is not None and told.day != line.expected_on:
                line.expected_on = told.day
                changed.append(line.number)
        order.maker_number = said.maker_number or order.maker_number
        if said.charges_cents is not None:
            order.confirmed_charges_cents = said.charges_cents
        order.state = OrderState.CONFIRMED
        order.expected_on = latest_day(order)
        flag_modified(order, "maker_number")
        work.session.flush()
        until = f", the last of it by {show_day(order.expected_on)}" if order.expected_on else ""
        number = f" as {order.maker_number}" if order.maker_number else ""
        record(
            work, ORDER_CONFIRMED, f"order {order.id}", f"Order {order.number} confirmed{number}{until}",
            lines=sorted(set(changed)),
        )  # fmt: skip
        move_promises(work, order, follow_jobs(work, order))
        return order


def require_open(order: PurchaseOrder) -> None:
    """LedgerError where nothing can come of an order any more, or it was never sent."""
    if order.state.is_open:
        return
    if order.state is OrderState.DRAFT:
        raise LedgerError("", f"Order {order.number} was never sent: send it first.")
    why = f" ({order.end_reason})" if order.end_reason else ""
    raise LedgerError(
        "",
        f"Order {order.number} is {order.state.value}{why}: nothing is to come of it. What came all the same goes "
        "back to the maker, or on the shelf by a count.",
    )


def cancel_pieces(work: Work, order_id: int, version: int, pieces: Mapping[int, int], reason: str) -> PurchaseOrder:
    """Let so many of each line, by its id, not come any more: what was for jobs is to be ordered again.

    With all that is still to come canceled the order is over: canceled where nothing had come, else closed.
    LedgerError on `reason` without one; Problems on `cancel_ID` for more than is to come.
    """
    work.require(Role.COUNTER)
    with transaction(work.session):
        order = get_version(work.session, PurchaseOrder, order_id, "order", version)
        require_open(order)
        if not reason.strip():
            raise LedgerError("reason", "Say why it does not come.")
        problems = [
            Problem(f"cancel_{line.id}", f"{to_come(line):,} are still to come: cancel as many at most.")
            for line in order.lines
            if not 0 <= pieces.get(line.id, 0) <= to_come(line)
        ]
        if problems:
            raise Problems(problems)
        if not any(pieces.values()):
            raise LedgerError("", "Enter how many of which line do not come.")
        jobs = jobs_of(order)
        said = []
        for line in order.lines:
            if gone := pieces.get(line.id, 0):
                cancel_some(line, gone)
                said.append(f"{gone:,} of {name_item(line.item)}")
        flag_modified(order, "note")
        work.session.flush()
        for line in order.lines:
            if pieces.get(line.id):
                reserve_waiting(work, line.item)  # what came meanwhile lies there for nobody
        words = f"Order {order.number}: {'; '.join(said)} canceled: {reason.strip()}"
        record(work, PIECES_CANCELED, f"order {order.id}", words)
        end_if_done(work, order, reason.strip())
        follow_jobs(work, order, jobs)
        return order


def mail_order(work: Work, order_id: int, message: EmailMessage, server: MailServer, token: str) -> Sent:
    """Send an order's message, as `send_once` does; NotFound."""
    work.require(Role.COUNTER)
    order = get_row(work.session, PurchaseOrder, order_id, "order")
    return send_once(
        work, message, server, token, kind=ORDER_MAILED, about=f"order {order_id}", what=f"Order {order.number}",
        job_id=None,
    )  # fmt: skip


def end_if_done(work: Work, order: PurchaseOrder, reason: str = "") -> None:
    """Close an order of which nothing is to come any more, inside the caller's transaction; said in its story."""
    if not order.state.is_open or any(to_come(line) for line in order.lines):
        return
    came = any(good_of(line) for line in order.lines)
    order.state = OrderState.CLOSED if came else OrderState.CANCELED
    order.end_reason = reason[:300]
    kind, word = (ORDER_CLOSED, "closed") if came else (ORDER_CANCELED, "canceled")
    said = f"Order {order.number} {word}" + (f": {reason}" if reason else ": all of it is there")
    record(work, kind, f"order {order.id}", said)
