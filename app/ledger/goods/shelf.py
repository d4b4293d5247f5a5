"""What of a job lies on the shelf to be handed over, and taking it out of the stock as it goes."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.goods.pieces import NO_PIECES, LineCount, Pieces, handed_lines, is_goods, waiting_for
from app.ledger.keys.key_queries import keys_of_job
from app.ledger.quoting.factory_keyed import sent_cylinders
from app.ledger.stock.items import name_item
from app.ledger.stock.needs import NeedState, needs_of, take_out
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, ItemKind, Job, JobLine, Key, KeyState, MovementKind, Stage
from app.validation import counted

_AT_THE_BENCH = (ItemKind.BLANK, ItemKind.PIN)  # they leave the stock when a key is cut, a cylinder pinned


def there_now(session: Session, job: Job) -> Pieces:
    """What of a job can be taken today. Before the job is ready, these are cylinders that the bench checked, keys
    that are cut, and what nobody keys; what a factory keys is there once the job is ready.
    Goods of a shelf that somebody counts are there as far as they are kept for the job.
    """
    waiting = waiting_for(session, job)
    away = sent_cylinders(session, job) if job.stage not in _HAS_ALL else set()
    is_in_hand = job.stage in (*_HAS_ALL, Stage.CHECKED)
    here = (one for one in waiting.cylinders if one.id not in away and (is_in_hand or _is_checked(one)))
    return _on_the_shelf(session, job, replace(waiting, cylinders=tuple(here)))


_HAS_ALL = (Stage.READY, Stage.HANDED_OVER)  # what the factory keyed too


def is_any_there(session: Session, job: Job) -> bool:
    """Whether anything of a job can be taken today; where nothing is checked or cut yet, one question tells."""
    if job.stage not in (*_HAS_ALL, Stage.CHECKED) and not any(map(is_goods, job.lines)):
        is_done = sa.or_(Cylinder.state == CylinderState.CHECKED, Cylinder.keyset_id.is_(None))
        checked = sa.exists().where(Cylinder.job_id == job.id, is_done)
        cut = sa.exists().where(Key.job_id == job.id, Key.state == KeyState.CUT)
        if not session.scalar(sa.select(sa.or_(checked, cut))):
            return False
    return not there_now(session, job).is_empty


def is_all_there(session: Session, job: Job) -> bool:
    """Whether something of a job waits, and all of it can be taken today: no cylinder is still to be checked, no key
    to be cut.
    """
    if any(key.state is KeyState.ORDERED for key in keys_of_job(session, job.id)):
        return False  # which is so of most jobs, and costs their page one question
    waiting = waiting_for(session, job)
    return not waiting.is_empty and waiting.less(there_now(session, job)).is_empty


def _is_checked(cylinder: Cylinder) -> bool:
    return cylinder.state is CylinderState.CHECKED or cylinder.keyset_id is None


def _on_the_shelf(session: Session, job: Job, pieces: Pieces) -> Pieces:
    """Those of the pieces that are there: of goods and of cylinders that nobody keys no more than is kept for the job
    on a shelf that somebody counts, and nothing that is still to be ordered.
    """
    needs, gone = _by_line(session, job), handed_lines(session, job.id)
    room = {line.number: _room(line, needs[line.number], gone.get(line.number, NO_PIECES)) for line in job.lines}
    goods = {number: min(count, room.get(number, count)) for number, count in pieces.goods.items()}
    cylinders = []
    for one in pieces.cylinders:
        if one.keyset_id is None and one.line_number in room:
            if room[one.line_number] <= 0:
                continue
            room[one.line_number] -= 1
        cylinders.append(one)
    return Pieces(tuple(cylinders), pieces.keys, {number: count for number, count in goods.items() if count > 0})


def _by_line(session: Session, job: Job) -> Mapping[int | None, list[NeedState]]:
    found: dict[int | None, list[NeedState]] = defaultdict(list)
    for state in needs_of(session, job.id):
        if state.need.item.kind not in _AT_THE_BENCH:
            found[state.need.line_number].append(state)
    return found


def _room(line: JobLine, needs: Sequence[NeedState], gone: LineCount) -> int:
    """How many more pieces of a line can go as far as the shelf has what they take."""
    left = line.quantity - (gone.goods if is_goods(line) else gone.cylinders)
    for state in needs:
        if state.is_counted and state.need.ended_at is None:
            left = min(left, state.reserved * line.quantity // state.need.quantity)
        elif state.to_order and state.need.ended_at is None:
            left = min(left, (state.need.quantity - state.to_order) * line.quantity // state.need.quantity)
    return left


def take_off_the_shelf(work: Work, job: Job, lines: Mapping[int, LineCount]) -> str:
    """Take what goes of each line out of the stock, inside the caller's transaction. What no record had there, of
    cylinders that the bench checked, in a sentence, "" where all was; LedgerError on `goods` of other goods.
    """
    needs, gone = _by_line(work.session, job), handed_lines(work.session, job.id)
    quantities = {line.number: line for line in job.lines}
    said = []
    for number, count in lines.items():
        line, before = quantities.get(number), gone.get(number, NO_PIECES)
        if line is None:
            continue
        first = min(before.cylinders + before.goods, line.quantity)
        last = min(first + count.cylinders + count.goods, line.quantity)
        for state in needs[number]:
            # Less what went before, of which nothing is out where nobody counted the item then.
            due = state.need.quantity * last // line.quantity - state.need.quantity * first // line.quantity
            if state.need.keyed_at == "factory":
                due = min(due, state.reserved)  # what it never passed through is not taken from it
            short = take_out(work, state.need, due, MovementKind.SOLD) if due > 0 else 0
            if not short:
                continue
            name = name_item(state.need.item)
            if not state.need.keyed_at:
                told = f"{name}: {due - short:,} of {due:,} are on the shelf. If more lie there, count them first."
                raise LedgerError("goods", told)
            said.append(f"No record had {counted(short, 'piece')} of {name} on the shelf: count them.")
    return " ".join(said)
