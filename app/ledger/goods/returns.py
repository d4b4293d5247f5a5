"""Use cases: goods that come back from a customer. What they were, back to stock or not, what is credited, and the
claim to their maker where they were defective.
"""

import secrets
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload
from sqlalchemy.orm.attributes import flag_modified

from app.errors import Problem, Problems
from app.ledger.catalog.maker_queries import get_item
from app.ledger.goods.claims import open_claim
from app.ledger.goods.pieces import NO_PIECES, handed_lines, is_goods
from app.ledger.jobs.queries import get_job, job_money
from app.ledger.keys.key_queries import keys_of_job
from app.ledger.keys.keys import record_keys, take_in
from app.ledger.keysystems.copy_numbers import say_copies
from app.ledger.keysystems.pinned import freeze_pins
from app.ledger.money.crediting import credit_value, write_credit_notes
from app.ledger.money.invoicing import (
    InvoiceForm,
    Invoicing,
    invoice_job,
    next_invoice,
    papers_of_money,
    sold_of,
)
from app.ledger.money.payments import PaymentForm, PaymentKind, payments_of, take_payment
from app.ledger.stock.movements import is_counted, move_stock
from app.ledger.stock.needs import needs_of, reserve_waiting
from app.ledger.store.engine import get_row, transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import next_number, record
from app.ledger.store.numbers import return_number
from app.ledger.store.records import text_problems
from app.ledger.store.work import Work
from app.ledger.tables import (
    RETURN_NUMBERS,
    SHELF,
    Cylinder,
    CylinderState,
    Event,
    GoodsReturn,
    Invoice,
    InvoiceKind,
    Item,
    ItemKind,
    Job,
    JobLine,
    Key,
    KeyState,
    Maker,
    MovementKind,
    ReturnCondition,
    ReturnLine,
    Role,
    SoldLine,
    StockPlace,
)
from app.pricing import half_up, restocking_cents
from app.validation import counted

GOODS_BACK = "goods brought back"
_BENCH_ITEMS = (ItemKind.BLANK, ItemKind.PIN)


@dataclass(frozen=True, slots=True)
class BroughtBack:
    """Pieces of one line in one condition. cylinders: their ids, or, of other goods, `quantity` of them.

    is_restocked: that they go back into stock, which only good ones do.
    """

    line_number: int
    quantity: int
    condition: ReturnCondition
    is_restocked: bool = False
    cylinders: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class ReturnForm:
    """Who brings back what, and why. keys: how many of each keyset come with it. percent or cents: the restocking
    charge, before tax; neither is none, and a percent is not charged on defective pieces. means: how money goes back;
    "" leaves it as the customer's credit. place_id: where what is restocked goes.
    """

    reason: str
    pieces: Sequence[BroughtBack]
    brought_by: str = ""
    keys: Mapping[int, int] = field(default_factory=dict)
    percent: Decimal | None = None
    cents: int | None = None
    means: str = ""
    place_id: int = SHELF


@dataclass(frozen=True, slots=True)
class Returnable:
    """What of a job can come back: its cylinders that are on their doors, keys that are out, and of each other line
    how many of how many.
    """

    cylinders: tuple[Cylinder, ...]
    keys: tuple[Key, ...]
    goods: Mapping[int, int]


def returnable(session: Session, job: Job) -> Returnable:
    """What was handed over of a job, less what came back."""
    gone, back = handed_lines(session, job.id), _back(session, job.id)
    goods = {
        line.number: gone.get(line.number, NO_PIECES).goods - back[line.number]
        for line in job.lines
        if is_goods(line)
    }
    return Returnable(
        tuple(one for one in job.cylinders if one.state is CylinderState.FITTED and one.line_number is not None),
        tuple(key for key in keys_of_job(session, job.id) if key.state is KeyState.OUT),
        {number: count for number, count in goods.items() if count > 0},
    )


def _back(session: Session, job_id: int) -> Counter[int]:
    """Line → how many of its goods came back."""
    rows = sa.select(ReturnLine.line_number, sa.func.sum(ReturnLine.quantity)).join(GoodsReturn)
    rows = rows.where(GoodsReturn.job_id == job_id, ReturnLine.kind == "goods").group_by(ReturnLine.line_number)
    return Counter({number: int(count) for number, count in session.execute(rows)})


def return_goods(work: Work, job_number: int, version: int, form: ReturnForm) -> GoodsReturn:
    """Take goods back of a job that was read at `version`, inside one transaction.

    Good pieces of what somebody counts go back to the shelf, branch or van where that is said, defective ones open a
    claim to their maker, spoiled ones are scrapped. A cylinder is removed from its door. What was handed over is
    invoiced first, so that a credit note can name its invoice; the money goes back, or stays as credit.

    Raises Problems on `reason`, `pieces`, `restocking`, `goods-…` with a line's number, `cylinder-…` and `keys-…`
    with an id; LedgerError of the credit; Stale.
    """
    work.require(Role.COUNTER)
    with transaction(work.session):
        job = get_job(work.session, job_number)
        if job.version != version:
            raise Stale()
        found = returnable(work.session, job)
        if problems := return_problems(job, found, form):
            raise Problems(problems)
        number = next_number(work.session, RETURN_NUMBERS)
        cylinders = [one for one in found.cylinders if any(one.id in piece.cylinders for piece in form.pieces)]
        freeze_pins(work, cylinders)
        for one in cylinders:
            one.state, one.removed_on = CylinderState.REMOVED, work.today
        keys = _take_keys_in(work, found, form)
        row = GoodsReturn(
            number=number,
            job_id=job.id,
            at=work.now,
            by_id=work.actor.user_id,
            brought_by=" ".join(form.brought_by.split()),
            reason=" ".join(form.reason.split()),
            lines=[_line(work.session, job, piece) for piece in form.pieces],
        )
        _credit(work, job, row, form)
        work.session.add(row)
        work.session.flush()
        place = get_row(work.session, StockPlace, form.place_id, "place")
        for piece in form.pieces:
            _move_piece(work, job, row, piece, place)
        _tell(work, job, row, form, cylinders, keys)
        flag_modified(job, "stage")  # whoever read the job before is late
        return row


def return_problems(job: Job, found: Returnable, form: ReturnForm) -> list[Problem]:
    """What keeps a return from being taken, each at the box that `return_goods` names; `found` can come back."""
    problems = text_problems(form, GoodsReturn)
    if not form.reason.strip():
        problems.append(Problem("reason", "Say why it comes back."))
    if not form.pieces:
        problems.append(Problem("pieces", "Say what comes back: choose cylinders, or enter how many pieces."))
    mine = {one.id for one in found.cylinders}
    named = Counter(cylinder for piece in form.pieces for cylinder in piece.cylinders)
    if any(count > 1 for count in named.values()):
        problems.append(Problem("pieces", "A cylinder is named twice: it comes back once, in one condition."))
    wanted: Counter[int] = Counter()
    no_count = set()
    for piece in form.pieces:
        if piece.is_restocked and piece.condition is not ReturnCondition.GOOD:
            problems.append(
                Problem(
                    f"goods-{piece.line_number}", f"Line {piece.line_number}: only good pieces go back on the shelf."
                )
            )
        if set(piece.cylinders) - mine:
            told = "One of these cylinders was never handed over by this job, or came back already."
            problems.append(Problem(f"cylinder-{min(set(piece.cylinders) - mine)}", told))
        elif not piece.cylinders:
            wanted[piece.line_number] += piece.quantity
            if piece.quantity < 1:
                no_count.add(piece.line_number)
    for number, count in wanted.items():
        most = found.goods.get(number, 0)
        if count > most or number in no_count:
            told = f"Of line {number}, {most} of job {job.number} can come back: enter at most that."
            problems.append(Problem(f"goods-{number}", told))
    held = Counter(key.keyset_id for key in found.keys)
    for keyset, count in form.keys.items():
        if not 0 <= count <= held[keyset]:
            told = f"{counted(held[keyset], 'key')} of this keyset can come back: enter at most that."
            problems.append(Problem(f"keys-{keyset}", told))
    if form.percent is not None and form.cents is not None:
        problems.append(Problem("restocking", "Enter the restocking charge in percent or as an amount, not both."))
    if form.percent is not None and not 0 <= form.percent <= 100:
        problems.append(Problem("restocking", "Enter a restocking charge from 0 to 100 percent."))
    return problems


def _take_keys_in(work: Work, found: Returnable, form: ReturnForm) -> list[Key]:
    taken: list[Key] = []
    for keyset_id, count in form.keys.items():
        mine = [key for key in found.keys if key.keyset_id == keyset_id][:count]
        if mine:
            keyset, holder = mine[0].keyset, mine[0].holder
            told = take_in(work, mine)
            said = f"{keyset.symbol} {say_copies([key.copy_number for key in mine])} back, from {holder}{told}"
            record_keys(work, "key returned", keyset, said, mine)
            taken += mine
    return taken


def _line(session: Session, job: Job, piece: BroughtBack) -> ReturnLine:
    sold = session.scalar(
        sa.select(SoldLine).where(SoldLine.job_id == job.id, SoldLine.label == str(piece.line_number))
    )
    count = len(piece.cylinders) or piece.quantity
    return ReturnLine(
        line_number=piece.line_number,
        kind="cylinder" if piece.cylinders else "goods",
        quantity=count,
        condition=piece.condition,
        is_restocked=piece.is_restocked,
        amount_cents=half_up(Decimal(sold.amount_cents) * count / sold.quantity) if sold is not None else 0,
    )


def _credit(work: Work, job: Job, row: GoodsReturn, form: ReturnForm) -> None:
    """The credit note on what comes back, and the money; nothing where it cost nothing, as under warranty."""
    sold = sold_of(work.session, job)
    lines: Counter[str] = Counter()
    for line in row.lines:
        lines[str(line.line_number)] += line.quantity
    shares = {one.line.label: one for one in sold.shares} if sold is not None else {}
    price = sum(shares[label].base(count) for label, count in lines.items() if label in shares)
    if price <= 0:
        return
    if _is_open(work, job):
        papers = len(papers_of_money(work.session, job)) + 1
        invoice_job(work, job.number, papers, InvoiceForm(Invoicing.HANDED_OVER, secrets.token_hex(16)))
    kept = form.cents or 0
    if form.percent is not None:  # what came defective is not the customer's doing
        fit: Counter[str] = Counter()
        for line in row.lines:
            fit[str(line.line_number)] += line.quantity * (line.condition is not ReturnCondition.DEFECTIVE)
        fit_price = sum(shares[label].base(fit[label]) for label in lines if label in shares)
        worth = Fraction(credit_value(work.session, job, lines) * fit_price, price)
        kept = restocking_cents(half_up(worth), form.percent)
    told = f"{return_number(row.number)}: {row.reason}"
    notes = write_credit_notes(work, job, lines, told, kept, _token(row))
    row.restocking_cents, row.credit_note_id = kept, notes[0].id
    row.credited_cents = -sum(one.total_cents for one in notes)
    over = -job_money(job).balance_cents
    if form.means and (back := min(over, row.credited_cents)) > 0:
        payment = PaymentForm(PaymentKind.REFUND, back, form.means, work.today, return_number(row.number))
        take_payment(work, job.number, payments_of(work.session, job.number).version, payment)
        row.payment_id = job.payments[-1].id


def _token(row: GoodsReturn) -> str:
    return f"return {row.number} credit note"


def credit_notes_of(session: Session, row: GoodsReturn) -> Sequence[Invoice]:
    """The credit notes on what came back: one, or one an invoice that it stood on."""
    rows = sa.select(Invoice).where(Invoice.job_id == row.job_id, Invoice.kind == InvoiceKind.CREDIT_NOTE)
    rows = rows.where(sa.or_(Invoice.id == row.credit_note_id, Invoice.request_token.startswith(f"{_token(row)} ")))
    return session.scalars(rows.order_by(Invoice.number)).all()


def keys_brought(session: Session, row: GoodsReturn) -> str:
    """The keys that came back with it, "SKD9 copies 1-2; SKD10 copy 1"; "" where none did."""
    events = sa.select(Event).where(Event.kind == GOODS_BACK, Event.job_id == row.job_id)
    events = events.where(Event.summary.startswith(f"{return_number(row.number)} "))
    told = [key for event in session.scalars(events.order_by(Event.id)) for key in event.detail.get("keys", ())]
    copies: dict[tuple[int, str], list[int]] = defaultdict(list)
    keys = sa.select(Key).where(Key.id.in_(told)).order_by(Key.keyset_id, Key.copy_number)
    for key in session.scalars(keys) if told else ():
        copies[key.keyset_id, key.keyset.symbol].append(key.copy_number)
    return "; ".join(f"{symbol} {say_copies(numbers)}" for (_, symbol), numbers in copies.items())


def _is_open(work: Work, job: Job) -> bool:
    """Whether something that was handed over is not invoiced yet."""
    try:
        next_invoice(work.session, job, Invoicing.HANDED_OVER, work.today)
    except LedgerError:
        return False
    return True


def _move_piece(work: Work, job: Job, row: GoodsReturn, piece: BroughtBack, place: StockPlace) -> None:
    """What becomes of pieces that came back: the shelf, a claim, or the scrap."""
    line = next(one for one in job.lines if one.number == piece.line_number)
    count, number = len(piece.cylinders) or piece.quantity, return_number(row.number)
    item = _item_of(work, job, line, piece)
    if piece.condition is ReturnCondition.DEFECTIVE:
        maker_id = _maker_of(work, job, line, item, piece)
        if maker_id is not None:
            note = f"{number}: {row.reason}"
            words = line.part_number or line.description
            open_claim(
                work, maker_id, item.id if item else None, count, note, words=words, job_id=job.id, return_id=row.id
            )
        return
    if item is None or not is_counted(work.session, [item.id]):
        return
    if piece.condition is ReturnCondition.SPOILED:
        why = f"{number} of job {job.number}, spoiled"
        move_stock(work, item, MovementKind.RETURNED, on_hand=count, why=why, job_id=job.id)
        move_stock(work, item, MovementKind.SCRAPPED, on_hand=-count, why=why, job_id=job.id)
    elif piece.is_restocked:
        why = f"{number} of job {job.number}: {row.reason}"[:200]
        move_stock(work, item, MovementKind.RETURNED, on_hand=count, why=why, place=place, job_id=job.id)
        reserve_waiting(work, item)


def _item_of(work: Work, job: Job, line: JobLine, piece: BroughtBack) -> Item | None:
    for state in needs_of(work.session, job.id):
        if state.need.line_number == line.number and state.need.item.kind not in _BENCH_ITEMS:
            return state.need.item
    maker_id = _maker_of(work, job, line, None, piece)
    code = line.part_number or str(line.ask.get("price_code") or "")
    return get_item(work.session, maker_id, code) if code else None


def _maker_of(work: Work, job: Job, line: JobLine, item: Item | None, piece: BroughtBack) -> int | None:
    if item is not None and item.maker_id is not None:
        return item.maker_id
    of_cylinder = next((one.maker_id for one in job.cylinders if one.id in piece.cylinders), None)
    if of_cylinder is not None:
        return of_cylinder
    code = line.ask.get("maker_code") or (line.ask.get("attributes") or {}).get("maker")
    return work.session.scalar(sa.select(Maker.id).where(Maker.code == code)) if code else None


def _tell(
    work: Work, job: Job, row: GoodsReturn, form: ReturnForm, cylinders: Sequence[Cylinder], keys: Sequence[Key]
) -> None:
    goods: dict[int, int] = defaultdict(int)
    for line in row.lines:
        if line.kind == "goods":
            goods[line.line_number] += line.quantity
    what = [f"line {line.line_number}: {line.quantity}, {line.condition.value}" for line in row.lines]
    from_whom = f" by {row.brought_by}" if row.brought_by else ""
    said = f"{return_number(row.number)} brought back{from_whom}: {'; '.join(what)}. {row.reason}"
    still_out = Counter(key.keyset.symbol for key in keys_of_job(work.session, job.id) if key.state is KeyState.OUT)
    for symbol in sorted({one.keyset.symbol for one in cylinders if one.keyset is not None} & set(still_out)):
        said += f". {counted(still_out[symbol], 'key')} of {symbol} stay{'s' * (still_out[symbol] == 1)} out"
    record(
        work,
        GOODS_BACK,
        f"job {job.number}",
        said,
        job_id=job.id,
        removed=[one.id for one in cylinders],
        keys=[key.id for key in keys],
        goods=[[number, count] for number, count in sorted(goods.items())],
    )


_LOADED = (joinedload(GoodsReturn.by), joinedload(GoodsReturn.credit_note), joinedload(GoodsReturn.lines))


def returns_of(session: Session, job_id: int) -> Sequence[GoodsReturn]:
    """What came back of a job, the first time first."""
    rows = sa.select(GoodsReturn).where(GoodsReturn.job_id == job_id).options(*_LOADED)
    return session.scalars(rows.order_by(GoodsReturn.number)).unique().all()
