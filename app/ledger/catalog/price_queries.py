"""Questions about prices, tax, margins, the bench's terms and the house itself."""

import hashlib
import json
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any, TypeVar

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.store.engine import asked_once, get_row
from app.ledger.store.errors import NotEntered, NotFound
from app.ledger.tables import (
    BenchTermsRow,
    DecidingDayRow,
    House,
    Item,
    ItemKind,
    Job,
    PriceBookRow,
    PriceTier,
    Stage,
    TaxRuleRow,
)
from app.pricing import (
    BenchTerms,
    KeyingKind,
    PriceBook,
    PriceKind,
    PriceRow,
    TaxRule,
    TaxTable,
    Urgency,
    half_up,
    show_cents,
)

ON_THE_BENCH = (Stage.APPROVED, Stage.PARTS_ON_ORDER, Stage.ON_THE_BENCH)


@asked_once
def find_house(session: Session) -> House | None:
    """The house's own row; None before its settings were first saved."""
    return session.scalar(sa.select(House).order_by(House.id).limit(1))


def house_name(session: Session) -> str:
    """The name of the house; "" before it is started."""
    return session.scalar(sa.select(House.name).order_by(House.id).limit(1)) or ""


def get_house(session: Session) -> House:
    """The house's own row; NotFound before the first start."""
    house = find_house(session)
    if house is None:
        raise NotFound("house")
    return house


@asked_once
def price_book(session: Session, codes: frozenset[str] | None = None) -> PriceBook:
    """The whole price book, or what it has of some codes."""
    named = priced_things(session, codes)
    rows = sa.select(PriceBookRow).order_by(PriceBookRow.id)
    if codes is not None:
        rows = rows.where(PriceBookRow.code.in_(codes))
    return PriceBook(price_of(row, thing_of(named, row.code)) for row in session.scalars(rows))


@dataclass(frozen=True, slots=True)
class PriceEntry:
    """What a code or part number is. `kind`: goods or labor, as pricing has it; is_own: no maker's."""

    code: str
    description: str
    category: str
    kind: PriceKind
    is_own: bool = True


@asked_once
def priced_things(session: Session, codes: frozenset[str] | None = None) -> Mapping[str, PriceEntry]:
    """Code → what it is: the house's own item, else a maker's with that number. codes None: all that have a price."""
    named = sa.select(PriceBookRow.code).distinct() if codes is None else codes
    items = sa.select(Item.code, Item.words, Item.category, Item.kind, Item.maker_id.is_(None))
    items = items.where(Item.code.in_(named), Item.kind.not_in((ItemKind.PIN, ItemKind.UNPINNED)))
    found: dict[str, PriceEntry] = {}
    for code, words, category, kind, is_own in session.execute(items.order_by(Item.maker_id.is_not(None), Item.id)):
        sort = PriceKind.LABOR if kind is ItemKind.LABOR else PriceKind.GOODS
        found.setdefault(code, PriceEntry(code, words, category, sort, is_own))
    return found


def thing_of(named: Mapping[str, PriceEntry], code: str) -> PriceEntry:
    """What a code is, its own name where nobody says."""
    return named.get(code) or PriceEntry(code, code, "", PriceKind.GOODS)


def price_of(row: PriceBookRow, thing: PriceEntry) -> PriceRow:
    """A row of the book as pricing knows it."""
    return PriceRow(
        code=row.code,
        description=thing.description,
        category=thing.category,
        kind=thing.kind,
        unit_cents=row.unit_cents,
        cost_cents=row.cost_cents,
        valid_from=row.valid_from,
        valid_until=row.valid_until,
        tier=row.tier or None,
        quantity_from=row.quantity_from,
    )


def get_price(session: Session, row_id: int) -> PriceBookRow:
    """One row of the price book; NotFound when there is none."""
    return get_row(session, PriceBookRow, row_id, "price")


def price_beginning(
    session: Session, code: str, tier: str, quantity_from: int, valid_from: date
) -> PriceBookRow | None:
    """The row of a code, tier and quantity that begins on this very day; None when none does."""
    place = {"code": code, "tier": tier, "quantity_from": quantity_from, "valid_from": valid_from}
    return session.scalar(sa.select(PriceBookRow).filter_by(**place))


def tier_percent(session: Session, tier: str) -> Decimal:
    """What a tier takes off list prices, in percent; 0 for no tier and for one that is not on record."""
    if not tier:
        return Decimal(0)
    found = session.scalar(sa.select(PriceTier.percent_off).where(PriceTier.name == tier))
    return Decimal(found) if found else Decimal(0)


def tier_names(session: Session) -> Sequence[str]:
    """The names of the customer tiers."""
    return session.scalars(sa.select(PriceTier.name).order_by(PriceTier.name)).all()


def tax_places(session: Session) -> Sequence[str]:
    """The places that have a sales-tax rule, by name."""
    return session.scalars(sa.select(TaxRuleRow.place).distinct().order_by(TaxRuleRow.place)).all()


@asked_once
def tax_table(session: Session) -> TaxTable:
    """All tax rules."""
    rows = session.scalars(sa.select(TaxRuleRow).order_by(TaxRuleRow.id))
    return TaxTable(
        TaxRule(
            place=row.place,
            rate=Decimal(row.rate_percent),
            goods_taxed=row.goods_taxed,
            labour_taxed=row.labour_taxed,
            valid_from=row.valid_from,
        )
        for row in rows
    )


@asked_once
def deciding_day_on(session: Session, day: date) -> DecidingDayRow | None:
    """The house's rule, in force on a day, of which day decides; None before the first: then the quote's own does."""
    rows = sa.select(DecidingDayRow).where(DecidingDayRow.valid_from <= day)
    return session.scalar(rows.order_by(DecidingDayRow.valid_from.desc()).limit(1))


def rule_in_words(tax_of_hand_over: bool, prices_of_hand_over: bool) -> str:
    """The rule as papers print it.

    >>> rule_in_words(True, False)
    'Sales tax is that of the day of hand-over, prices are those of the day of the quote.'
    """
    tax, prices = ("hand-over" if one else "the quote" for one in (tax_of_hand_over, prices_of_hand_over))
    return f"Sales tax is that of the day of {tax}, prices are those of the day of {prices}."


def list_deciding_days(session: Session) -> Sequence[DecidingDayRow]:
    """Every such rule, the newest first."""
    return session.scalars(sa.select(DecidingDayRow).order_by(DecidingDayRow.valid_from.desc())).all()


@asked_once
def bench_terms_row_on(session: Session, day: date) -> BenchTermsRow | None:
    """The row of the bench's terms in force on a day; None before the first."""
    return session.scalar(
        sa.select(BenchTermsRow)
        .where(BenchTermsRow.valid_from <= day)
        .order_by(BenchTermsRow.valid_from.desc())
        .limit(1)
    )


def entered_bench_terms(session: Session, day: date) -> BenchTerms | None:
    """The bench's terms in force on a day as they were entered; None before the first."""
    row = bench_terms_row_on(session, day)
    return BenchTerms.from_json(row.terms) if row is not None else None


@asked_once
def bench_terms_on(session: Session, day: date) -> BenchTerms:
    """The bench's terms in force on a day, with the minutes that open jobs have promised already."""
    terms = entered_bench_terms(session, day)
    if terms is None:
        raise NotEntered(
            "The bench has no terms yet, so nothing can be quoted; the owner enters them under Goods, Prices."
        )
    open_jobs = sa.select(Job.urgency, sa.func.sum(Job.bench_minutes)).where(Job.stage.in_(ON_THE_BENCH))
    promised = dict(session.execute(open_jobs.group_by(Job.urgency)).all())
    in_turn = promised.pop(Urgency.IN_TURN, 0)
    return replace(
        terms,
        minutes_promised=terms.minutes_promised + Fraction(in_turn),
        reserve_minutes_promised=terms.reserve_minutes_promised + Fraction(sum(promised.values())),
    )


def closed_days_on(session: Session, day: date) -> frozenset[date]:
    """The days on which the house is shut, as the bench's terms in force on a day have them; none without terms."""
    terms = entered_bench_terms(session, day)
    return terms.closed_days if terms is not None else frozenset()


def dated_bench_terms(session: Session, today: date) -> list[tuple[BenchTermsRow, str]]:
    """Every set of bench terms with now, coming or past, the newest first."""
    rows = session.scalars(sa.select(BenchTermsRow).order_by(BenchTermsRow.valid_from.desc())).all()
    return place_in_time(rows, today, lambda row: "bench")


NOW, COMING, PAST = "now", "coming", "past"
T = TypeVar("T")


def place_in_time(rows: Iterable[T], today: date, same: Callable[[T], Hashable]) -> list[tuple[T, str]]:
    """Each row with "now", "coming" or "past", in the order given.

    Of the rows that `same` calls one thing, the latest that has begun and whose `valid_until` (where rows have
    one) is not over holds now, as a quote takes it: after a price with an end, the one before it holds again.
    """
    listed = list(rows)
    latest: dict[Hashable, Any] = {}
    for row in listed:
        starts: date = row.valid_from  # type: ignore[attr-defined]  # every dated row has it
        until: date | None = getattr(row, "valid_until", None)
        holds = starts <= today and (until is None or until >= today)
        if holds and (same(row) not in latest or starts > latest[same(row)].valid_from):
            latest[same(row)] = row

    def state(row: Any) -> str:
        if row.valid_from > today:
            return COMING
        return NOW if latest.get(same(row)) is row else PAST

    return [(row, state(row)) for row in listed]


def terms_mark(rows: Iterable[Any]) -> str:
    """Tells whether any of these dated terms was changed since a page was made; 64 hex digits."""
    said = sorted((row.valid_from.isoformat(), json.dumps(row.terms, sort_keys=True)) for row in rows)
    return hashlib.sha256(repr(said).encode()).hexdigest()


KEY_CUT = "KEY-CUT"
KEY_CONTROL = "KEY-CONTROL"
KEY_DECODE = "KEY-DECODE"
"""The charge for decoding a customer's key, once a key, where the house has one."""
CONSTRUCTION_SETUP, CONSTRUCTION_CORE = "CONSTRUCTION-SETUP", "CONSTRUCTION-CORE"
CONSTRUCTION_KEPT = "CONSTRUCTION-CORE-KEPT"
"""Construction keying, a cylinder or a core; what a lent core costs that does not come back."""
RUSH = "RUSH"
"""The charge for a job that goes before the bench's other work, whatever its size."""


def keying_code(kind: KeyingKind) -> str:
    """The charge for keying one cylinder.

    >>> keying_code(KeyingKind.MK)
    'KEYING-MK'
    """
    return f"KEYING-{kind.value}"


def factory_keying_code(kind: KeyingKind) -> str:
    """The charge for having one cylinder keyed at the factory, where the house has a price of its own for that.

    >>> factory_keying_code(KeyingKind.MK)
    'KEYING-MK-FACTORY'
    """
    return f"{keying_code(kind)}-FACTORY"


def rekey_code(cylinder_type: str) -> str:
    """The charge for taking one of the customer's own cylinders apart and pinning it anew.

    >>> rekey_code("rim")
    'REKEY-RIM'
    """
    return f"REKEY-{cylinder_type.upper()}"


def system_code(levels: int) -> str:
    """The charge for making a new key system and its records.

    >>> system_code(3)
    'SYSTEM-3'
    """
    return f"SYSTEM-{levels}"


LEAST_MARGIN = Decimal(20)
"""Percent of the price: below it the owner is asked to look again, until the house sets its own. No source."""


def least_margin(session: Session) -> Decimal:
    """The house's own least margin in percent."""
    found = session.scalar(sa.select(House.least_margin_percent).order_by(House.id).limit(1))
    return Decimal(found) if found else LEAST_MARGIN


def margin_percent(unit_cents: int, cost_cents: int) -> Decimal | None:
    """What of the price is left after cost, in percent with one decimal; None for a price of nothing.

    >>> margin_percent(1000, 650), margin_percent(500, 600), margin_percent(0, 10)
    (Decimal('35.0'), Decimal('-20.0'), None)
    """
    if unit_cents == 0:
        return None
    tenths = half_up(Fraction(unit_cents - cost_cents, unit_cents) * 1000)
    return Decimal(tenths).scaleb(-1)


def guard(unit_cents: int, cost_cents: int, least: Decimal = LEAST_MARGIN) -> str:
    """The sentence that asks the owner to look again; "" where the margin is wide enough.

    >>> guard(1000, 500), guard(1000, 850)
    ('', 'Only 15.0 % is left after cost; the guard is at 20 %.')
    >>> guard(1000, 850, Decimal(10))
    ''
    >>> guard(500, 600)
    'Below cost: sells at $5.00 what costs $6.00.'
    """
    if unit_cents < cost_cents:
        return f"Below cost: sells at {show_cents(unit_cents)} what costs {show_cents(cost_cents)}."
    margin = margin_percent(unit_cents, cost_cents)
    if margin is not None and margin < least:
        return f"Only {margin} % is left after cost; the guard is at {least.normalize():f} %."
    return ""


def price_entries(session: Session, on: date) -> Sequence[PriceEntry]:
    """Everything with a price that holds on a day, once, by category and description."""
    holding = sa.select(PriceBookRow.code).where(
        PriceBookRow.valid_from <= on,
        sa.or_(PriceBookRow.valid_until.is_(None), PriceBookRow.valid_until >= on),
    )
    named = priced_things(session)
    entries = [thing_of(named, code) for code in session.scalars(holding.distinct())]
    return sorted(entries, key=lambda entry: (entry.category, entry.description, entry.code))
