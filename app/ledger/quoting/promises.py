"""What the shelf and the bench can promise: what is left of the shelf, when a quote's work is ready, and what is
promised at its acceptance.

The owner counts the shelf, on the page of the bench's terms; nobody sets the count down as cylinders leave. So what
accepted jobs take since the count is reckoned here: a job takes its cylinders when it is put on the bench (or handed
over, where it never was there). Those of a job that took them before the count were not on the shelf any more, so
they are not taken off twice; those of a job that waits, or took them since, are. A job that is canceled lets them
go, and a new count starts anew.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from fractions import Fraction

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.catalog.price_queries import bench_terms_on, shelf_counted
from app.ledger.quoting.factory_keyed import sent_cylinders
from app.ledger.quoting.request import QuoteRequest
from app.ledger.quoting.resolving import Resolved
from app.ledger.quoting.snapshot import WHERE, KeyingChoice, QuoteSnapshot
from app.ledger.store.events import moved_to
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Event, Job, JobLine, LineKind, Stage
from app.pricing import (
    BenchTerms,
    CylinderType,
    Obstacle,
    ObstacleCode,
    Urgency,
    add_working_days,
    bench_ready,
    count_working_days,
    show_day,
    show_hours,
)

_WAITING = (Stage.APPROVED, Stage.PARTS_ON_ORDER, Stage.READY)  # ready: one that never saw the bench
_OVER = (Stage.ASKED, Stage.QUOTED, Stage.LOST, Stage.CANCELED)


def bench_today(session: Session, day: date, *, promised: bool = True) -> BenchTerms:
    """The bench's terms in force on a day, the shelf less what jobs took since it was counted.

    With `promised`, less what accepted jobs that wait are still to take, too; without, as it lies there as far as the
    records tell.
    """
    terms = bench_terms_on(session, day)
    taken = _taken(session, day, waiting=promised)
    left = {sort: max(0, count - taken[sort.value]) for sort, count in terms.uncombinated_on_hand.items()}
    return replace(terms, uncombinated_on_hand=left)


def _taken(session: Session, day: date, *, waiting: bool) -> Counter[str]:
    """How many cylinders of each type jobs took since the count; with `waiting`, those still to be taken besides.

    Counted are those sold and keyed here, or without pins; the factory brings its own.
    """
    since = shelf_counted(session, day)
    left = sa.or_(moved_to(Stage.ON_THE_BENCH), moved_to(Stage.HANDED_OVER))
    taken = Job.id.in_(sa.select(Event.job_id).where(since, left, Event.job_id.is_not(None)))
    jobs = sa.select(Job.id).where(
        Job.stage.not_in(_OVER),
        sa.or_(taken, Job.stage.in_(_WAITING)) if waiting else taken,
        ~sa.exists().where(Event.job_id == Job.id, left, sa.not_(since)),
    )
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


@dataclass(frozen=True, slots=True)
class LeadTime:
    """When a quote's work is ready if it is accepted today (None: not known yet), and in how many working days.

    sentence: for the customer; it counts the days from the acceptance, whenever that is, as `promise_from` does.
    """

    ready_on: date | None
    working_days: int | None
    sentence: str


def lead_time(
    work: Work,
    resolved: Sequence[Resolved | None],
    keying: Sequence[KeyingChoice],
    urgency: Urgency = Urgency.IN_TURN,
    minutes: int = 0,
) -> LeadTime:
    """When all of it is ready: what is keyed, and what has to be ordered. minutes: of the bench's own work in it."""
    days = [choice.ready_on for choice in keying if choice.ready_on is not None]
    if any(found and not found.is_stocked for found in resolved) and not days:
        return LeadTime(None, None, "Some items are not on the shelf; the date is confirmed when they are ordered.")
    if any(not choice.choice for choice in keying):
        return LeadTime(None, None, "No day can be named before it is settled where this is keyed.")
    if len(days) < len(keying):
        return LeadTime(None, None, "The date is confirmed with the order.")
    if not keying:
        return LeadTime(work.today, 0, "From the shelf.")
    closed = bench_terms_on(work.session, work.today).closed_days
    counts = {
        day: count_working_days(work.today + timedelta(days=1), day + timedelta(days=1), closed) for day in days
    }
    ready = max(days)
    if urgency is Urgency.WAITS and ready == work.today:
        return LeadTime(ready, 0, f"While you wait: {show_hours(Fraction(minutes))} on our bench.")
    if any(choice.in_two_places or choice.in_two_deliveries for choice in keying):
        parts = [
            f"{choice.quantity:,} {'cylinder' if choice.quantity == 1 else 'cylinders'} ready "
            f"{_after(work, day, counts[day])}, keyed {WHERE[choice.choice]}"
            for day, choice in sorted(zip(days, keying, strict=True), key=lambda pair: pair[0])
        ]
        sentence = f"{'; '.join(parts)}."
    else:
        places = " and ".join(dict.fromkeys(f"keyed {WHERE[choice.choice]}" for choice in keying))
        rushed = ", as rush work" if urgency is Urgency.RUSH else ""
        sentence = f"Ready {_after(work, ready, counts[ready])}, {places}{rushed}."
    return LeadTime(ready, counts[ready], sentence)


def _after(work: Work, ready: date, days: int) -> str:
    day = f" (on {show_day(ready)} if accepted on {show_day(work.today)})" if days else ""
    return f"{count_of_days(days)}{day}"


def count_of_days(days: int) -> str:
    """Working days in words, as a quote counts them.

    >>> count_of_days(6), count_of_days(1), count_of_days(0)
    ('6 working days after acceptance', '1 working day after acceptance', 'on the day of acceptance')
    """
    if days == 0:
        return "on the day of acceptance"
    return f"{days:,} working {'day' if days == 1 else 'days'} after acceptance"


@dataclass(frozen=True, slots=True)
class Promise:
    """What is promised when a quote is accepted. on: the day, None where it is confirmed with the order.

    working_days: so many after the acceptance, where the quote's own count holds.

    later: why the day is later than the quote's own, where shelf or bench have not left enough for it; else "".
    """

    on: date | None
    working_days: int | None = None
    later: str = ""


def promise_from(work: Work, quote: QuoteSnapshot, accepted_on: date) -> Promise:
    """What is promised when the quote is accepted: as many working days after it as the quote says, and no day before
    the one on which shelf and bench, as they stand by now, can have it ready. To be asked before its own cylinders
    are on record.
    """
    promised, days = quote.ready_on, quote.working_days
    if promised is None:
        return Promise(None)
    terms = bench_today(work.session, work.today)
    if days is not None and accepted_on > quote.issued_on:
        # From the shelf: on whatever day it is fetched.
        promised = add_working_days(accepted_on, days, terms.closed_days) if quote.keying else accepted_on
    as_quoted = Promise(promised, days)
    here = {number for choice in quote.keying if choice.choice == "shop" for number in choice.lines}
    if not here:
        return as_quoted
    ask = QuoteRequest.from_json(quote.ask)
    wanted: Counter[CylinderType] = Counter()
    for number, line in enumerate(ask.lines, start=1):
        if number in here and line.kind is not LineKind.REKEY and line.attributes is not None:
            wanted[CylinderType(line.attributes.type)] += line.quantity
    lacking = sum(max(0, count - terms.uncombinated_on_hand.get(sort, 0)) for sort, count in wanted.items())
    minutes = Fraction(quote.bench_minutes or 0)
    ready = bench_ready(work.today, minutes, lacking, terms, ask.urgency)
    short = f"{lacking:,} of {wanted.total():,} cylinders without pins that this takes are not left on the shelf"
    if isinstance(ready, Obstacle):
        why = f"{short} and cannot be ordered" if ready.code is ObstacleCode.STOCK else ready.sentence.rstrip(".")
        return Promise(None, None, f"{why}; the date is to be confirmed.")
    if ready <= promised:
        return as_quoted
    if not lacking:
        return Promise(ready, None, f"The bench took on other work since; this is ready on {show_day(ready)}.")
    back = add_working_days(work.today, terms.uncombinated_lead_days or 0, terms.closed_days)
    then = "" if ready == back else f", and ready on {show_day(ready)}"
    return Promise(ready, None, f"{short}; they can be here on {show_day(back)}{then}.")
