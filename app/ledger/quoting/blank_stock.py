"""Cylinders without pins on the shelf: what is left of them for the next quote.

The owner counts the shelf, on the page of the bench's terms; nobody sets the count down as cylinders leave. So what
accepted jobs take since the count is reckoned here: a job takes its cylinders when it is put on the bench (or handed
over, where it never was there). Those of a job that took them before the count were not on the shelf any more, so
they are not taken off twice; those of a job that waits, or took them since, are. A job that is canceled lets them
go, and a new count starts anew.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.catalog.price_queries import bench_terms_on, shelf_counted
from app.ledger.quoting.factory_keyed import sent_cylinders
from app.ledger.store.events import moved_to
from app.ledger.tables import Cylinder, Event, Job, JobLine, LineKind, Stage
from app.pricing import BenchTerms, CylinderType

_WAITING = (Stage.APPROVED, Stage.PARTS_ON_ORDER, Stage.READY)  # ready: one that never saw the bench
_OVER = (Stage.ASKED, Stage.QUOTED, Stage.LOST, Stage.CANCELED)


def bench_today(session: Session, day: date) -> BenchTerms:
    """The bench's terms in force on a day, the shelf less what accepted jobs have been promised of it."""
    terms = bench_terms_on(session, day)
    return _less(terms, _taken(session, day, waiting=True))


def on_the_shelf(session: Session, day: date) -> dict[CylinderType, int]:
    """What lies on the shelf, as far as the records tell: as counted, less what jobs took since."""
    terms = bench_terms_on(session, day)
    return dict(_less(terms, _taken(session, day, waiting=False)).uncombinated_on_hand)


def _less(terms: BenchTerms, taken: Counter[str]) -> BenchTerms:
    left = {sort: max(0, count - taken[sort.value]) for sort, count in terms.uncombinated_on_hand.items()}
    return replace(terms, uncombinated_on_hand=left)


def _taken(session: Session, day: date, *, waiting: bool) -> Counter[str]:
    """How many cylinders of each type jobs took since the count; with `waiting`, those still to be taken besides."""
    since = shelf_counted(session, day)
    left = sa.or_(moved_to(Stage.ON_THE_BENCH), moved_to(Stage.HANDED_OVER))
    taken = Job.id.in_(sa.select(Event.job_id).where(since, left, Event.job_id.is_not(None)))
    return _cylinders(
        session,
        sa.select(Job.id).where(
            Job.stage.not_in(_OVER),
            sa.or_(taken, Job.stage.in_(_WAITING)) if waiting else taken,
            ~sa.exists().where(Event.job_id == Job.id, left, sa.not_(since)),
        ),
    )


def _cylinders(session: Session, jobs: sa.Select[int]) -> Counter[str]:
    """The cylinders of jobs by type: those sold and keyed here, or without pins; the factory brings its own."""
    away: set[int] = set()
    in_two_places = Job.keyed_at.contains("factory"), Job.keyed_at != "factory"
    for job in session.scalars(sa.select(Job).where(Job.id.in_(jobs), *in_two_places)):
        away |= sent_cylinders(session, job)
    rows = session.execute(
        sa.select(Cylinder.id, Cylinder.type)
        .join(Job, Job.id == Cylinder.job_id)
        .join(JobLine, sa.and_(JobLine.job_id == Cylinder.job_id, JobLine.number == Cylinder.line_number))
        .where(
            Job.id.in_(jobs),
            JobLine.kind != LineKind.REKEY.value,
            sa.or_(Job.keyed_at != "factory", Cylinder.keyset_id.is_(None)),
        )
    )
    return Counter(sort for cylinder_id, sort in rows if cylinder_id not in away)
