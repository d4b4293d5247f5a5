"""Open jobs by who has the next move, and since when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.jobs.queries import OPEN
from app.ledger.tables import Customer, Cylinder, Event, Job, Maker, Stage

MOVES = ("job opened", "quote issued", "quote accepted", "stage moved")


class Whom(StrEnum):
    """Whose move it is."""

    COUNTER = "the counter"
    CUSTOMER = "the customer"
    MAKER = "the maker"
    BENCH = "the bench"


WAITS_ON: dict[Stage, tuple[Whom, str]] = {
    Stage.ASKED: (Whom.COUNTER, "to quote it"),
    Stage.QUOTED: (Whom.CUSTOMER, "to say yes or no"),
    Stage.APPROVED: (Whom.COUNTER, "to order parts or hand it to the bench"),
    Stage.PARTS_ON_ORDER: (Whom.MAKER, "to send the parts"),
    Stage.ON_THE_BENCH: (Whom.BENCH, "to key and check it"),
    Stage.CHECKED: (Whom.COUNTER, "to make it ready"),
    Stage.READY: (Whom.CUSTOMER, "to pick it up"),
    Stage.HANDED_OVER: (Whom.COUNTER, "to close it"),
}


@dataclass(frozen=True, slots=True)
class Waiting:
    """An open job and whose move it is. `makers`: whose parts are awaited. `days`: since the last move."""

    number: int
    customer_name: str
    title: str
    stage: Stage
    promised_on: date | None
    value_cents: int
    since: date
    days: int
    makers: tuple[str, ...] = ()

    @property
    def whom(self) -> Whom:
        """Who has the next move."""
        return WAITS_ON[self.stage][0]

    @property
    def to_do(self) -> str:
        """What that move is."""
        return WAITS_ON[self.stage][1]


def count_waiting(session: Session) -> dict[Whom, tuple[int, int]]:
    """How many open jobs wait on each, and what they are worth in cents; in one query."""
    rows = session.execute(
        sa.select(Job.stage, sa.func.count(), sa.func.sum(Job.value_cents))
        .where(Job.stage.in_(OPEN))
        .group_by(Job.stage)
    )
    found = dict.fromkeys(Whom, (0, 0))
    for stage, jobs, cents in rows:
        whom = WAITS_ON[stage][0]
        found[whom] = (found[whom][0] + jobs, found[whom][1] + cents)
    return found


def waiting_jobs(session: Session, today: date, whom: Whom | None = None, limit: int = 500) -> tuple[Waiting, ...]:
    """Open jobs that wait on `whom` (None: anybody), the longest first: two queries, however many jobs."""
    stages = [stage for stage in OPEN if whom in (None, WAITS_ON[stage][0])]
    moved = (
        sa.select(sa.func.max(Event.at)).where(Event.job_id == Job.id, Event.kind.in_(MOVES)).scalar_subquery()
    ).label("moved")
    rows = session.execute(
        sa.select(
            Job.id,
            Job.number,
            Customer.name,
            Job.title,
            Job.stage,
            Job.promised_on,
            Job.value_cents,
            Job.asked_on,
            moved,
        )
        .join(Customer, Customer.id == Job.customer_id)
        .where(Job.stage.in_(stages))
        .order_by(moved.asc().nulls_first(), Job.number)
        .limit(limit)
    ).all()
    makers = _makers(session, [row.id for row in rows if row.stage is Stage.PARTS_ON_ORDER])
    found = []
    for row in rows:
        since = row.moved.astimezone().date() if isinstance(row.moved, datetime) else row.asked_on
        found.append(Waiting(*row[1:7], since, max((today - since).days, 0), makers.get(row.id, ())))
    return tuple(found)


def _makers(session: Session, job_ids: Sequence[int]) -> dict[int, tuple[str, ...]]:
    rows = session.execute(
        sa.select(Cylinder.job_id, Maker.name)
        .join(Maker, Maker.id == Cylinder.maker_id)
        .where(Cylinder.job_id.in_(job_ids))
        .distinct()
        .order_by(Maker.name)
    )
    found: dict[int, tuple[str, ...]] = {}
    for job_id, name in rows:
        if job_id is not None:
            found[job_id] = (*found.get(job_id, ()), name)
    return found
