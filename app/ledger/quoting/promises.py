"""When a quote's work is ready, and what is promised at its acceptance: by what is free of the shelf and of orders on
their way, and by the bench's time.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from fractions import Fraction

import sqlalchemy as sa

from app.ledger.catalog.price_queries import ON_THE_BENCH, bench_terms_on, closed_days_on, entered_bench_terms
from app.ledger.quoting.factory_keyed import sent_cylinders, sent_keysets
from app.ledger.quoting.line_supply import LineSupply, RequestSupply, as_supply, latest
from app.ledger.quoting.request import QuoteRequest
from app.ledger.quoting.snapshot import WHERE, KeyingChoice, QuoteSnapshot
from app.ledger.stock.free_stock import NO_DAY
from app.ledger.stock.needs import needs_of
from app.ledger.store.work import Work
from app.ledger.tables import CylinderState, Job, Key, KeyState
from app.pricing import (
    Obstacle,
    Supply,
    Urgency,
    add_working_days,
    bench_ready,
    count_working_days,
    next_working_day,
    show_day,
    show_hours,
)

_UNKNOWN = "Some items are not on the shelf; the date is confirmed when they are ordered."


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
    supplies: Mapping[int, LineSupply],
    keying: Sequence[KeyingChoice],
    urgency: Urgency = Urgency.IN_TURN,
    minutes: int = 0,
) -> LeadTime:
    """When all of it is ready: what is keyed, and what has to be ordered. minutes: of the bench's own work in it."""
    days = [choice.ready_on for choice in keying if choice.ready_on is not None]
    keyed = {number for choice in keying for number in choice.lines}
    short = [one for number, one in supplies.items() if number not in keyed and one.words]
    comes = latest((one.here_on(work.today) for one in short), work.today)
    if comes is None:
        return LeadTime(None, None, _UNKNOWN)
    if any(not choice.choice for choice in keying):
        return LeadTime(None, None, "No day can be named before it is settled where this is keyed.")
    if len(days) < len(keying):
        return LeadTime(None, None, "The date is confirmed with the order.")
    if not keying and not short:
        return LeadTime(work.today, 0, "From the shelf.")
    closed = closed_days_on(work.session, work.today)
    counts = {
        day: count_working_days(work.today + timedelta(days=1), day + timedelta(days=1), closed)
        for day in (*days, comes)
    }
    ready = max([*days, comes])
    beside = " ".join(one.words for one in short)
    if not keying:
        return LeadTime(ready, counts[ready], f"Ready {_after(work, ready, counts[ready])}. {beside}")
    said = _keyed_words(work, keying, days, counts, urgency, minutes)
    return LeadTime(ready, counts[ready], " ".join(filter(None, (said, beside))))


def _keyed_words(
    work: Work,
    keying: Sequence[KeyingChoice],
    days: Sequence[date],
    counts: Mapping[date, int],
    urgency: Urgency,
    minutes: int,
) -> str:
    ready = max(days)
    if urgency is Urgency.WAITS and ready == work.today:
        return f"While you wait: {show_hours(Fraction(minutes))} on our bench."
    if any(choice.in_two_places or choice.in_two_deliveries for choice in keying):
        parts = [
            f"{choice.quantity:,} {'cylinder' if choice.quantity == 1 else 'cylinders'} ready "
            f"{_after(work, day, counts[day])}, keyed {WHERE[choice.choice]}"
            for day, choice in sorted(zip(days, keying, strict=True), key=lambda pair: pair[0])
        ]
        return f"{'; '.join(parts)}."
    places = " and ".join(dict.fromkeys(f"keyed {WHERE[choice.choice]}" for choice in keying))
    rushed = ", as rush work" if urgency is Urgency.RUSH else ""
    return f"Ready {_after(work, ready, counts[ready])}, {places}{rushed}."


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
    if days is not None and accepted_on > quote.issued_on:
        # From the shelf: on whatever day it is fetched.
        promised = (
            add_working_days(accepted_on, days, closed_days_on(work.session, work.today))
            if days or quote.keying
            else accepted_on
        )
    as_quoted = Promise(promised, days)
    ask = QuoteRequest.from_json(quote.ask)
    here = {number for choice in quote.keying if choice.choice == "shop" for number in choice.lines}
    supplies = RequestSupply(work, ask, ask.lines).take_all(quote.keying)
    keyed = {number for choice in quote.keying for number in choice.lines}
    others = [one for number, one in supplies.items() if number not in keyed]
    mine = [one for number, one in supplies.items() if number in here]
    short = " ".join(one.words for one in (*mine, *others) if one.words)
    supply = as_supply(mine, work.today)
    ready: date | Obstacle = work.today
    if here:
        terms = bench_terms_on(work.session, work.today)
        ready = bench_ready(work.today, Fraction(quote.bench_minutes or 0), supply, terms, ask.urgency)
    if isinstance(ready, Obstacle):
        return Promise(None, None, f"{(short or ready.sentence).rstrip('.')}; the date is to be confirmed.")
    all_of_it = latest((ready, *(one.here_on(work.today) for one in others)), work.today)
    if all_of_it is None:
        return Promise(None, None, f"{short.rstrip('.')}; the date is to be confirmed.")
    if all_of_it <= promised:
        return as_quoted
    if not short:
        return Promise(
            all_of_it, None, f"The bench took on other work since; this is ready on {show_day(all_of_it)}."
        )
    here_on = latest((supply.here_on, *(one.here_on(work.today) for one in others)), work.today)
    then = "" if here_on == all_of_it else f" All of it is ready on {show_day(all_of_it)}."
    return Promise(all_of_it, None, f"{short}{then}")


def promise_again(work: Work, job: Job) -> date | None:
    """When an accepted job can be ready by what is on its way for it now, and by the time that the bench has beside
    the jobs promised before it, for what it has not done of this one; None where a day of what comes is not known.
    What is still to be ordered moves nothing.
    """
    coming = [one.on for state in needs_of(work.session, job.id) for one in state.coming]
    if NO_DAY in coming:
        return None
    here_on = max([work.today, *coming])
    terms = entered_bench_terms(work.session, work.today)
    minutes = _minutes_left(work, job)
    if terms is None or not minutes:
        return next_working_day(here_on, terms.closed_days if terms is not None else frozenset())
    before = sa.select(sa.func.sum(Job.bench_minutes)).where(
        Job.stage.in_(ON_THE_BENCH), Job.id != job.id, Job.promised_on <= (job.promised_on or date.max)
    )
    terms = replace(terms, minutes_promised=terms.minutes_promised + (work.session.scalar(before) or 0))
    ready = bench_ready(work.today, minutes, Supply(0, here_on), terms, Urgency(job.urgency))
    return None if isinstance(ready, Obstacle) else ready


def _minutes_left(work: Work, job: Job) -> Fraction:
    """The bench's time in a job as far as its cylinders are not pinned and its keys not cut, each as much as another;
    all of it where none is on record.
    """
    if "shop" not in job.keyed_at or job.stage not in ON_THE_BENCH:
        return Fraction(0)
    away, theirs = sent_cylinders(work.session, job), sent_keysets(work.session, job)
    keyed = [one for one in job.cylinders if one.keyset_id is not None and one.id not in away]
    keys = work.session.execute(sa.select(Key.keyset_id, Key.state).where(Key.job_id == job.id)).all()
    mine = [state for keyset_id, state in keys if keyset_id not in theirs and state is not KeyState.RETIRED]
    pieces = len(keyed) + len(mine)
    left = sum(one.state is CylinderState.ORDERED for one in keyed) + mine.count(KeyState.ORDERED)
    return Fraction(job.bench_minutes) * (Fraction(left, pieces) if pieces else 1)
