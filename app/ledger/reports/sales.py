"""What customers bought, by item; what a job earns as it became; which jobs cost more than was charged, by the part
of the cost that did it.
"""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from functools import partial
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.bench.bench_queries import BENCH_STAGES
from app.ledger.goods.order_queries import ordered_costs
from app.ledger.quoting.sold_lines import DISCOUNT, OFF_PRICE
from app.ledger.reports.recall import ids_named
from app.ledger.search.words import holds
from app.ledger.store.engine import Page, page_of, read
from app.ledger.store.work import Work
from app.ledger.tables import (
    BenchTermsRow,
    BenchTimeRow,
    ClaimState,
    Customer,
    Cylinder,
    Item,
    Job,
    LineKind,
    Maker,
    MakerClaim,
    MovementKind,
    Need,
    Role,
    SoldLine,
    Stage,
    StockMovement,
    Warranty,
)
from app.pricing import BenchTerms

_Rows = Page[sa.Row[*tuple[Any, ...]]]
_Int = sa.ColumnElement[int]


@dataclass(frozen=True, slots=True)
class SalesQuestion:
    """What was bought, accepted from `first` to `last`; item: words of it, or how its part number begins.

    Where something is called just so, it is that alone.
    """

    customer: str
    first: date
    last: date
    item: str = ""


# Keys are one item however many a cylinder; a part number is one whatever it was called.
_WORDS = sa.case((SoldLine.kind == LineKind.KEYS, "Keys"), (SoldLine.part_number != "", ""), else_=SoldLine.words)


def find_bought(work: Work, question: SalesQuestion, page: int = 1, size: int = 50) -> _Rows:
    """By customer and item: how many, in how many jobs, first and last day, cents before tax, the dearest first.

    None where no customer is named. What came off the price is an item too, so that the amounts add up to what was
    charged. Costs are for the owner's eyes alone.
    """
    work.require(Role.COUNTER)
    if not question.customer:
        return Page((), 0, 1, 1)
    amount = sa.func.sum(SoldLine.amount_cents)
    rows = _sold_to(
        *(work.session, question, SoldLine.part_number, sa.func.min(SoldLine.words).label("words")),
        *(_WORDS.label("item"), sa.func.sum(SoldLine.quantity).label("quantity")),
        sa.func.count(sa.distinct(Job.id)).label("jobs"),
        *(sa.func.min(Job.accepted_on).label("first"), sa.func.max(Job.accepted_on).label("last")),
        *(amount.label("amount_cents"), sa.func.sum(SoldLine.cost_cents).label("cost_cents")),
    )
    rows = rows.group_by(Customer.id, Customer.name, SoldLine.kind, SoldLine.part_number, _WORDS)
    order = (Customer.name, Customer.id, amount.desc(), SoldLine.part_number, _WORDS, SoldLine.kind)
    return page_of(work.session, rows.order_by(*order), page, size, take=partial(read, work.session))


def find_purchases(work: Work, question: SalesQuestion, page: int = 1, size: int = 50) -> _Rows:
    """The same line by line, the newest first, each with its job."""
    work.require(Role.COUNTER)
    if not question.customer:
        return Page((), 0, 1, 1)
    columns = (SoldLine.part_number, SoldLine.words, SoldLine.quantity, SoldLine.amount_cents, SoldLine.cost_cents)
    rows = _sold_to(work.session, question, Job.number, Job.accepted_on, *columns)
    rows = rows.order_by(Job.accepted_on.desc(), Job.number.desc(), SoldLine.id)
    return page_of(work.session, rows, page, size, take=partial(read, work.session))


def _sold_to(session: Session, question: SalesQuestion, *columns: Any) -> sa.Select[*tuple[Any, ...]]:
    """The lines that were sold to the customers asked about, with these columns beside who they are."""
    found = [
        Job.customer_id.in_(ids_named(session, Customer, question.customer)),
        Job.accepted_on.between(question.first, question.last),
        Job.stage != Stage.CANCELED,
    ]
    if question.item:
        asked = question.item.lower()
        exact = sa.or_(sa.func.lower(SoldLine.part_number) == asked, sa.func.lower(SoldLine.words) == asked)
        there = sa.select(SoldLine.id).join(Job, Job.id == SoldLine.job_id).where(*found, exact).limit(1)
        begins = sa.func.lower(SoldLine.part_number).startswith(asked, autoescape=True)
        is_exact = session.scalar(there) is not None
        found.append(exact if is_exact else sa.or_(begins, holds(SoldLine.words, question.item)))
    whose = (Customer.id.label("customer_id"), Customer.name.label("customer_name"))
    rows = sa.select(*whose, *columns).select_from(Job).join(Customer, Customer.id == Job.customer_id)
    return rows.join(SoldLine, SoldLine.job_id == Job.id).where(*found)


GOODS_KINDS = (LineKind.CYLINDER, LineKind.PART, LineKind.HARDWARE)
GOODS, KEYING, LABOR, TRIPS, OFF = "goods", "keying and keys", "labor", "trips", "taken off the price"
PARTS = (GOODS, KEYING, LABOR, TRIPS, OFF)
_KINDS = {
    GOODS: GOODS_KINDS,
    LABOR: (LineKind.LABOR,),
    TRIPS: (LineKind.TRIP,),
    OFF: (DISCOUNT, OFF_PRICE),
}


# A job without a sold line brings a cylinder that came back.
_COST = sa.func.coalesce(SoldLine.cost_cents, Job.cost_cents)


def _part_of_cost() -> sa.ColumnElement[str]:
    # What keys and keying cost is reckoned together, so the two are one part.
    is_free = (SoldLine.id.is_(None), GOODS)
    return sa.case(is_free, *((SoldLine.kind.in_(kinds), part) for part, kinds in _KINDS.items()), else_=KEYING)


@dataclass(frozen=True, slots=True)
class LossQuestion:
    """Jobs accepted from `first` to `last`; part: only those that this part of the cost did it for."""

    first: date
    last: date
    part: str = ""
    customer: str = ""
    maker: str = ""


@dataclass(frozen=True, slots=True)
class UnprofitableJob:
    """A job that cost more than was charged; cents before tax. cost_cents: as reckoned when it was accepted.

    over_cents: what the bench took beyond the minutes that were reckoned, below zero where it took less; minutes
    None: nobody recorded them. more_cents: what its parts cost beyond it as they were ordered, less what of them came
    back to the shelf. shortfalls: by part, what its cost exceeds its charge by (negative: what it earned).
    """

    number: int
    customer_id: int
    customer_name: str
    title: str
    accepted_on: date
    charged_cents: int
    cost_cents: int
    over_cents: int
    more_cents: int
    reckoned_minutes: int
    minutes_hundredths: int | None
    shortfalls: dict[str, int]
    warranty: str  # who bears it, "" of a job that is none

    @property
    def margin_cents(self) -> int:
        """What is left of it, below 0."""
        return self.charged_cents - self.cost_cents - self.over_cents - self.more_cents

    @property
    def part(self) -> str:
        """The part that lost the most."""
        return max(PARTS, key=lambda part: self.shortfalls[part])


def find_unprofitable(work: Work, question: LossQuestion, page: int = 1, size: int = 50) -> Page[UnprofitableJob]:
    """Jobs that cost more than was charged, the worst first, for the owner.

    Costs are those reckoned when the job was accepted, the difference of the bench's recorded minutes to the reckoned
    ones, at the bench terms of that day, and that of ordered parts' prices; what was credited is not charged, and
    what came back to the shelf is no cost; what trips came to is not on record. Canceled jobs are left out. A job
    for what came back sold nothing: what it costs counts as goods.
    """
    work.require_owner()
    session = work.session
    sums = [
        *(_sum(_part_of_cost() == part, SoldLine.amount_cents).label(f"charged {part}") for part in PARTS),
        *(_sum(_part_of_cost() == part, _COST).label(f"cost {part}") for part in PARTS),
    ]
    charged, cost = sa.func.coalesce(sa.func.sum(SoldLine.amount_cents), 0), sa.func.sum(_COST)
    conditions = [Job.accepted_on.between(question.first, question.last), Job.stage != Stage.CANCELED]
    if question.customer:
        conditions.append(Job.customer_id.in_(ids_named(session, Customer, question.customer)))
    if question.maker:
        sold_by = sa.select(SoldLine.job_id).join(Maker, Maker.id == SoldLine.maker_id)
        back = sa.select(Warranty.job_id).join(Cylinder, Cylinder.id == Warranty.cylinder_id)
        back = back.join(Maker, Maker.id == Cylinder.maker_id)
        theirs = (one.where(Maker.code == question.maker) for one in (sold_by, back))
        conditions.append(sa.or_(*(Job.id.in_(one) for one in theirs)))
    sold = (
        sa.select(Job.id, charged.label("charged"), cost.label("cost"), *sums)
        .select_from(Job)
        .outerjoin(SoldLine, SoldLine.job_id == Job.id)
        .join(Customer, Customer.id == Job.customer_id)
        .where(*conditions)
        .group_by(Job.id)
        .subquery()
    )
    spent = _recorded().where(BenchTimeRow.job_id == Job.id).correlate(Job).scalar_subquery()
    rows = (
        sa.select(
            *(Job.number, Job.customer_id, Customer.name, Job.title, Job.accepted_on, Job.bench_minutes),
            Warranty.borne_by.label("warranty"),
            spent.label("spent"),
            _over_cents(session, spent).label("over"),
            _more_cents(session, question).label("more"),
            *(one for one in sold.c if one.name != "id"),
        )
        .select_from(sold)
        .join(Job, Job.id == sold.c.id)
        .join(Customer, Customer.id == Job.customer_id)
        .outerjoin(Warranty, Warranty.job_id == Job.id)
    )
    inner = rows.subquery()
    margin = inner.c.charged - inner.c.cost - inner.c.over - inner.c.more
    lost = sa.select(inner).where(margin < 0)
    if question.part:
        lost = lost.where(*_is_worst(inner, question.part))
    found = page_of(session, lost.order_by(margin, inner.c.number), page, size, take=partial(read, session))
    return Page([_unprofitable(row) for row in found.rows], found.count, found.page, found.pages)


def _recorded() -> sa.Select[int]:
    """The bench's recorded minutes, in hundredths."""
    hundredths = sa.func.sum(sa.func.round(sa.cast(BenchTimeRow.minutes, sa.Numeric) * 100))
    return sa.select(sa.cast(hundredths, sa.Integer))


def _sum(condition: sa.ColumnElement[bool], column: Any) -> _Int:
    return sa.func.coalesce(sa.func.sum(sa.case((condition, column), else_=0)), 0)


def _over_cents(session: Session, spent: Any) -> _Int:
    """What the minutes beyond the reckoned ones cost at the rate of the day of acceptance, rounded half up; below
    zero where fewer were recorded, once the job is through the bench.
    """
    terms = session.scalars(sa.select(BenchTermsRow).order_by(BenchTermsRow.valid_from.desc())).all()
    beyond = spent - 100 * Job.bench_minutes
    if not terms:
        return sa.literal(0)
    rates = [
        (Job.accepted_on >= row.valid_from, BenchTerms.from_json(row.terms).labour_cents_per_hour) for row in terms
    ]
    rate = sa.case(*rates, else_=rates[-1][1])
    is_through = Job.stage.not_in(BENCH_STAGES)

    def cents(hundredths: Any) -> Any:  # a hundredth of a minute at a rate an hour is a 6000th of it
        return (2 * hundredths * rate + 6000) // 12000

    return sa.case((beyond > 0, cents(beyond)), (sa.and_(beyond < 0, is_through), -cents(-beyond)), else_=0)


def _more_cents(session: Session, question: LossQuestion) -> _Int:
    """What jobs of the span cost beyond what was reckoned: `costs_since`, for those where it is anything."""
    asked = sa.select(Job.id).where(Job.accepted_on.between(question.first, question.last))
    waits = sa.select(Need.job_id).where(Need.job_id.in_(asked))
    back = sa.select(StockMovement.job_id).where(_IS_BACK, StockMovement.job_id.in_(asked))
    claimed = sa.select(MakerClaim.job_id).where(_IS_CREDITED, MakerClaim.job_id.in_(asked))
    touched = session.scalars(waits.union(back, claimed)).all()
    more = {job: cents for job, cents in costs_since(session, touched).items() if cents}
    return sa.case(more, value=Job.id, else_=0) if more else sa.literal(0)


_IS_BACK = sa.and_(StockMovement.kind == MovementKind.RETURNED, StockMovement.on_hand > 0)
# What came damaged from the maker is credited before it is any job's cost.
_IS_CREDITED = sa.and_(MakerClaim.state == ClaimState.CREDITED, MakerClaim.delivery_id.is_(None))


def costs_since(session: Session, job_ids: Collection[int]) -> dict[int, int]:
    """Job → what its parts cost beyond what was reckoned, as ordered or confirmed, less what is back on the shelf
    and what makers credited.
    """
    found = {job: cost.more_cents for job, cost in ordered_costs(session, job_ids).items()}
    back = sa.func.sum(StockMovement.on_hand * sa.func.coalesce(StockMovement.cost_cents, Item.cost_cents, 0))
    rows = sa.select(StockMovement.job_id, back).join(Item, Item.id == StockMovement.item_id)
    rows = rows.where(_IS_BACK, StockMovement.job_id.in_(job_ids)).group_by(StockMovement.job_id)
    for job_id, cents in session.execute(rows):
        if job_id is not None:
            found[job_id] -= int(cents)
    credited = sa.select(MakerClaim.job_id, sa.func.sum(MakerClaim.cents)).group_by(MakerClaim.job_id)
    for claimed_for, credit in session.execute(credited.where(_IS_CREDITED, MakerClaim.job_id.in_(job_ids))):
        if claimed_for is not None:
            found[claimed_for] -= int(credit or 0)
    return found


@dataclass(frozen=True, slots=True)
class JobMargin:
    """What a job earns before tax as it was accepted, and as it became. charged: less what was credited.

    bench_cents, parts_cents: what the bench's minutes and the parts cost beyond what was reckoned. minutes_hundredths
    None: nobody recorded any.
    """

    value_cents: int
    cost_cents: int
    charged_cents: int
    bench_cents: int
    parts_cents: int
    reckoned_minutes: int
    minutes_hundredths: int | None

    @property
    def quoted_cents(self) -> int:
        """The margin as it was accepted."""
        return self.value_cents - self.cost_cents

    @property
    def became_cents(self) -> int:
        """The margin as it became."""
        return self.charged_cents - self.cost_cents - self.bench_cents - self.parts_cents

    @property
    def minutes(self) -> Fraction | None:
        """The minutes that the bench recorded."""
        return None if self.minutes_hundredths is None else Fraction(self.minutes_hundredths, 100)

    @property
    def is_another(self) -> bool:
        """Whether anything came about otherwise than it was reckoned."""
        return self.quoted_cents != self.became_cents or self.minutes_hundredths is not None


def margin_of_job(work: Work, job: Job) -> JobMargin:
    """What an accepted job earns, as quoted and as it became, for the owner."""
    work.require_owner()
    session = work.session
    sold = sa.select(
        sa.func.coalesce(sa.func.sum(SoldLine.amount_cents), 0),
        _sum(SoldLine.kind != OFF_PRICE, SoldLine.amount_cents),
        sa.func.sum(SoldLine.cost_cents),
    ).where(SoldLine.job_id == job.id)
    charged, value, cost = session.execute(sold).one()
    spent = _recorded().where(BenchTimeRow.job_id == job.id).scalar_subquery()
    hundredths, over = session.execute(sa.select(spent, _over_cents(session, spent)).where(Job.id == job.id)).one()
    return JobMargin(
        value_cents=value,
        cost_cents=job.cost_cents if cost is None else cost,
        charged_cents=charged,
        bench_cents=over,
        parts_cents=costs_since(session, [job.id])[job.id],
        reckoned_minutes=job.bench_minutes,
        minutes_hundredths=None if hundredths is None else int(hundredths),
    )


def _shortfall(row: Any, part: str) -> Any:
    lost = row[f"cost {part}"] - row[f"charged {part}"]
    if part == GOODS:
        return lost + row["more"]
    return lost + row["over"] if part == KEYING else lost


def _is_worst(inner: sa.Subquery, part: str) -> list[sa.ColumnElement[bool]]:
    """Whether no other part lost more, and none before it as much."""
    own = _shortfall(inner.c, part)
    return [
        own > _shortfall(inner.c, other) if place < PARTS.index(part) else own >= _shortfall(inner.c, other)
        for place, other in enumerate(PARTS)
        if other != part
    ]


def _unprofitable(row: sa.Row[*tuple[Any, ...]]) -> UnprofitableJob:
    said = row._mapping
    return UnprofitableJob(
        row.number,
        row.customer_id,
        row.name,
        row.title,
        row.accepted_on,
        row.charged,
        row.cost,
        row.over,
        row.more,
        row.bench_minutes,
        None if row.spent is None else int(row.spent),
        {part: int(_shortfall(said, part)) for part in PARTS},
        row.warranty or "",
    )
