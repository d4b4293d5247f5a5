"""Promises kept: how many, how late the others were, by place of keying, maker or month; and what makers cost."""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from fractions import Fraction
from functools import partial
from typing import Any

import sqlalchemy as sa

from app.ledger.reports.sales import GOODS_KINDS
from app.ledger.search.words import dialect_of
from app.ledger.store.engine import Page, page_of, read
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Job, Maker, SoldLine, Stage
from app.pricing import half_up

_NO_PROMISE = (*(stage for stage in Stage if not stage.was_accepted), Stage.CANCELED)
_Condition = sa.ColumnElement[bool]


class GroupedBy(StrEnum):
    """What promises are counted by."""

    PLACE = "place of keying"
    MAKER = "maker"
    MONTH = "month"


class KeyingPlace(StrEnum):
    """Where a job is keyed, as its promise depends on it."""

    SHOP = "our bench"
    FACTORY = "factory"
    BOTH = "both"
    NOWHERE = "nothing keyed"

    @classmethod
    def of(cls, keyed_at: str) -> "KeyingPlace":
        """The place of what stands on the job."""
        return cls.BOTH if "/" in keyed_at else {"shop": cls.SHOP, "factory": cls.FACTORY}.get(keyed_at, cls.NOWHERE)


_KEYED_AT = {
    KeyingPlace.SHOP: ("shop",),
    KeyingPlace.FACTORY: ("factory",),
    KeyingPlace.BOTH: ("shop/factory", "factory/shop"),
    KeyingPlace.NOWHERE: ("",),
}


class PromiseOutcome(StrEnum):
    """What became of a promise."""

    KEPT = "kept"
    LATE = "late"
    UNKNOWN = "day not on record"


@dataclass(frozen=True, slots=True)
class PromiseQuestion:
    """Jobs promised for a day from `first` to `last`; maker: its code."""

    first: date
    last: date
    place: KeyingPlace | None = None
    maker: str = ""
    outcome: PromiseOutcome | None = None


@dataclass(frozen=True, slots=True)
class PromiseGroup:
    """Promises that fell due. key: what its rows are asked for by. median and worst: days, of the late ones alone.

    unknown: jobs handed over of which nobody wrote down when they were ready; they are in no other figure.
    """

    key: str
    label: str
    kept: int
    late: int
    unknown: int
    median_days: Fraction | None
    worst_days: int | None

    @property
    def due(self) -> int:
        """How many fell due and are told."""
        return self.kept + self.late

    @property
    def percent(self) -> int | None:
        """How many of a hundred were kept."""
        return half_up(Fraction(100 * self.kept, self.due)) if self.due else None


@dataclass(frozen=True, slots=True)
class MakerFigures:
    """What a maker's goods came to in the jobs promised, and how these kept their promises. Cents before tax."""

    promises: PromiseGroup
    jobs: int
    pieces: int
    charged_cents: int
    cost_cents: int
    keying_cents: int


def find_promises(work: Work, question: PromiseQuestion, by: GroupedBy | None) -> Sequence[PromiseGroup]:
    """The groups with a promise that fell due, by label; by None: all together. For the owner.

    Of two makers a job counts for each.

    A promise is kept by whoever's job is ready on its day or before. One that is not ready once its day has passed is
    late by the days so far; one whose day is still to come says nothing yet, unless its job is ready.
    """
    work.require_owner()
    session = work.session
    days, outcome = _days_late(work), _outcome(work)
    keys: dict[GroupedBy | None, tuple[Any, ...]] = {
        None: (),
        GroupedBy.PLACE: (Job.keyed_at,),
        GroupedBy.MAKER: (Maker.code, Maker.name),
        GroupedBy.MONTH: (sa.extract("year", Job.promised_on), sa.extract("month", Job.promised_on)),
    }
    names = [f"key{place}" for place in range(len(keys[by]))]
    columns = [column.label(name) for column, name in zip(keys[by], names, strict=True)]
    jobs = sa.select(Job.id, *columns, outcome.label("outcome"), days.label("days")).where(*_due(work, question))
    if by is GroupedBy.MAKER:  # a job once for each of its makers, however many lines they have
        sold = jobs.join(SoldLine, SoldLine.job_id == Job.id).join(Maker, Maker.id == SoldLine.maker_id)
        jobs = sold.distinct()
    each = jobs.subquery()
    groups = [each.c[name] for name in (*names, "outcome", "days")]
    rows = sa.select(*groups, sa.func.count().label("jobs")).group_by(*groups)
    counts: dict[tuple[str, str], dict[str, dict[int, int]]] = defaultdict(lambda: defaultdict(dict))
    for row in read(session, rows):
        said = row._mapping
        named = _named(by, [said[name] for name in names])
        told = counts[named][row.outcome]
        told[row.days or 0] = told.get(row.days or 0, 0) + row.jobs
    found = [_group(key, label, told) for (key, label), told in counts.items()]
    return sorted(found, key=lambda one: one.key if by is GroupedBy.MONTH else one.label)


def find_promised(work: Work, question: PromiseQuestion, page: int = 1, size: int = 50) -> Page[Any]:
    """The jobs behind the figures, the latest first, for the owner: each with its outcome and its days late."""
    work.require_owner()
    session = work.session
    days, outcome = _days_late(work), _outcome(work)
    rows = (
        sa.select(
            *(Job.number, Job.customer_id, Customer.name.label("customer_name"), Job.title, Job.stage),
            *(Job.keyed_at, Job.promised_on, Job.ready_on),
            sa.case((days > 0, days), else_=None).label("days_late"),
            outcome.label("outcome"),
        )
        .join(Customer, Customer.id == Job.customer_id)
        .where(*_due(work, question))
    )
    order = (sa.case((days > 0, days), else_=0).desc(), Job.promised_on.desc(), Job.number.desc())
    return page_of(session, rows.order_by(*order), page, size, take=partial(read, session))


def find_makers(work: Work, question: PromiseQuestion) -> Sequence[MakerFigures]:
    """By maker: what its goods cost, what was charged for them, and how the jobs with them kept their promises.

    Of the jobs promised for the days asked, whether they fell due yet or not; for the owner.
    """
    work.require_owner()
    is_goods = SoldLine.kind.in_(GOODS_KINDS)
    rows = (
        sa.select(
            *(Maker.code, Maker.name),
            sa.func.count(sa.distinct(Job.id)).label("jobs"),
            sa.func.sum(sa.case((is_goods, SoldLine.quantity), else_=0)).label("pieces"),
            sa.func.sum(sa.case((is_goods, SoldLine.amount_cents), else_=0)).label("charged"),
            sa.func.sum(sa.case((is_goods, SoldLine.cost_cents), else_=0)).label("cost"),
            sa.func.sum(sa.case((is_goods, 0), else_=SoldLine.cost_cents)).label("keying"),
        )
        .select_from(Job)
        .join(SoldLine, SoldLine.job_id == Job.id)
        .join(Maker, Maker.id == SoldLine.maker_id)
        .where(*_promised(question))
        .group_by(Maker.code, Maker.name)
        .order_by(Maker.name, Maker.code)
    )
    promises = {one.key: one for one in find_promises(work, question, GroupedBy.MAKER)}
    return [
        MakerFigures(
            promises.get(row.code) or PromiseGroup(row.code, row.name, 0, 0, 0, None, None),
            *(row.jobs, row.pieces, row.charged, row.cost, row.keying),
        )
        for row in read(work.session, rows)
    ]


def _promised(question: PromiseQuestion) -> list[_Condition]:
    found: list[_Condition] = [
        Job.promised_on.between(question.first, question.last),
        Job.stage.not_in(_NO_PROMISE),
    ]
    if question.place is not None:
        found.append(Job.keyed_at.in_(_KEYED_AT[question.place]))
    if question.maker:
        theirs = sa.select(SoldLine.job_id).join(Maker, Maker.id == SoldLine.maker_id)
        found.append(Job.id.in_(theirs.where(Maker.code == question.maker)))
    return found


def _due(work: Work, question: PromiseQuestion) -> list[_Condition]:
    is_over = Job.stage.in_((Stage.HANDED_OVER, Stage.CLOSED))
    found = [*_promised(question), sa.or_(Job.ready_on.is_not(None), is_over, Job.promised_on < work.today)]
    if question.outcome is not None:
        found.append(_outcome(work) == question.outcome.value)
    return found


def _outcome(work: Work) -> sa.ColumnElement[str]:
    is_over = Job.stage.in_((Stage.HANDED_OVER, Stage.CLOSED))
    return sa.case(
        (sa.and_(Job.ready_on.is_(None), is_over), PromiseOutcome.UNKNOWN.value),
        (_days_late(work) > 0, PromiseOutcome.LATE.value),
        else_=PromiseOutcome.KEPT.value,
    )


def _days_late(work: Work) -> sa.ColumnElement[int]:
    """Days from the promise to the day it was ready, or so far; below 0 before it. None where nobody knows."""
    is_over = Job.stage.in_((Stage.HANDED_OVER, Stage.CLOSED))
    until = sa.case((is_over, Job.ready_on), else_=sa.func.coalesce(Job.ready_on, sa.literal(work.today, sa.Date)))
    if dialect_of(work.session) == "sqlite":
        days = sa.func.julianday(until) - sa.func.julianday(Job.promised_on)
        return sa.cast(days, sa.Integer)
    return sa.type_coerce(until.op("-")(Job.promised_on), sa.Integer)


def _named(by: GroupedBy | None, keys: Sequence[Any]) -> tuple[str, str]:
    if by is None:
        return "", "all"
    if by is GroupedBy.PLACE:
        place = KeyingPlace.of(keys[0])
        return place.value, place.value
    if by is GroupedBy.MONTH:
        month = f"{int(keys[0])}-{int(keys[1]):02d}"
        return month, month
    return keys[0], keys[1]


def _group(key: str, label: str, told: Mapping[str, Mapping[int, int]]) -> PromiseGroup:
    late = sorted(told.get(PromiseOutcome.LATE, {}).items())
    counts = {outcome: sum(told.get(outcome, {}).values()) for outcome in PromiseOutcome}
    return PromiseGroup(
        *(key, label, counts[PromiseOutcome.KEPT], counts[PromiseOutcome.LATE], counts[PromiseOutcome.UNKNOWN]),
        _median(late),
        late[-1][0] if late else None,
    )


def _median(counts: Sequence[tuple[int, int]]) -> Fraction | None:
    """The median of values that occur so often each, in their order; None of none.

    >>> _median([(1, 1), (4, 1)]), _median([(2, 3), (9, 2)])
    (Fraction(5, 2), Fraction(2, 1))
    """
    whole = sum(count for _, count in counts)
    if not whole:
        return None

    def at(place: int) -> int:
        for value, count in counts:
            if place < count:
                return value
            place -= count
        raise IndexError(place)

    return Fraction(at((whole - 1) // 2) + at(whole // 2), 2)
