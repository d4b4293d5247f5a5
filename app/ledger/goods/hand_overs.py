"""Hand-overs on record: what one person took of a job at one time."""

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.ledger.goods.pieces import LineCount, Pieces, by_line, handed_lines, is_goods
from app.ledger.keys.key_queries import keys_of_job
from app.ledger.store.events import STAGE_MOVED, moved_to
from app.ledger.store.numbers import hand_over_number
from app.ledger.tables import Cylinder, Event, HandedLine, HandOverRow, Job, Stage

PART_TAKEN = "part handed over"


@dataclass(frozen=True, slots=True)
class HandOver:
    """What one person took at one time. left: what stayed in the shop then, in words. lost_still: how many doors the
    lost key of the job's loss still turned after it, in a sentence; "" of a job of no loss.
    """

    number: str
    place: int
    on: date
    by: str
    taken_by: str
    cylinders: tuple[int, ...]
    keys: tuple[int, ...]
    goods: tuple[tuple[int, int], ...]
    left: str
    lost_still: str = ""


def hand_overs_of(session: Session, job: Job) -> tuple[HandOver, ...]:
    """Each hand-over of a job, oldest first; of those of earlier releases nobody wrote down what went."""
    rows = sa.select(HandOverRow).where(HandOverRow.job_id == job.id).options(joinedload(HandOverRow.event))
    return tuple(
        _told(job, row.place, row.event)
        for row in session.scalars(rows.order_by(HandOverRow.place))
        if "cylinders" in row.event.detail
    )


def _told(job: Job, place: int, event: Event) -> HandOver:
    return HandOver(
        number=hand_over_number(job.number, place),
        place=place,
        on=event.at.astimezone().date(),
        by=event.actor_name,
        taken_by=event.detail["taken_by"],
        cylinders=tuple(event.detail["cylinders"]),
        keys=tuple(event.detail["keys"]),
        goods=tuple((number, count) for number, count in event.detail["goods"]),
        left=event.detail.get("left", ""),
        lost_still=event.detail.get("lost_still", ""),
    )


def taker_of(session: Session, job_id: int) -> str:
    """Who took the job's goods, "" where nobody has, or nobody was asked."""
    told = session.scalars(
        sa.select(Event.detail).where(Event.job_id == job_id, Event.kind == STAGE_MOVED).order_by(Event.id.desc())
    )
    return next((str(detail["taken_by"]) for detail in told if "taken_by" in detail), "")


def put_hand_over(session: Session, job: Job, event: Event, pieces: Pieces) -> None:
    """Have a hand-over stand on record with what went of each line, inside the caller's transaction."""
    session.flush()
    last = sa.select(sa.func.coalesce(sa.func.max(HandOverRow.place), 0)).where(HandOverRow.job_id == job.id)
    lines = by_line(job, pieces, handed_lines(session, job.id))
    row = HandOverRow(job_id=job.id, place=session.scalars(last).one() + 1, event_id=event.id)
    row.lines = _lines(lines)
    session.add(row)
    session.flush()


def _lines(lines: Mapping[int, LineCount]) -> list[HandedLine]:
    return [
        HandedLine(line_number=number, cylinders=one.cylinders, keys=one.keys, goods=one.goods)
        for number, one in lines.items()
    ]


def put_missing_hand_overs(session: Session) -> None:
    """A row for each hand-over that the story tells of and that has none, as after an import.

    Where nobody wrote down what went, as in the first release, all of the job did.
    """
    has_row = sa.exists().where(HandOverRow.event_id == Event.id)
    is_one = sa.or_(Event.kind == PART_TAKEN, moved_to(Stage.HANDED_OVER))
    rows = sa.select(Event).where(is_one, Event.job_id.is_not(None), ~has_row).order_by(Event.id)
    for event in session.scalars(rows).all():
        job = session.get_one(Job, event.job_id)
        put_hand_over(session, job, event, _pieces_told(session, job, event))


def _pieces_told(session: Session, job: Job, event: Event) -> Pieces:
    detail, keys = event.detail, keys_of_job(session, job.id)
    if "cylinders" not in detail:
        goods = {one.number: one.quantity for one in job.lines if is_goods(one)}
        return Pieces(tuple(job.cylinders), tuple(keys), goods)
    cylinders = sa.select(Cylinder).where(Cylinder.id.in_(detail["cylinders"])).order_by(Cylinder.id)
    return Pieces(
        tuple(session.scalars(cylinders)),
        tuple(one for one in keys if one.id in detail["keys"]),
        dict(detail["goods"]),
    )
