"""The first day of a house: what it takes to print its first quote, each step with a default, until all are done."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from fractions import Fraction
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.catalog.house_settings import set_bench_terms
from app.ledger.catalog.items import fill_prices
from app.ledger.catalog.price_editing import set_tax_rule
from app.ledger.catalog.price_queries import (
    CONSTRUCTION_SETUP,
    KEY_CONTROL,
    KEY_CUT,
    KEY_DECODE,
    RUSH,
    entered_bench_terms,
    factory_keying_code,
    find_house,
    keying_code,
    rekey_code,
    system_code,
)
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import (
    BenchTermsRow,
    FactoryTermsRow,
    House,
    Item,
    ItemKind,
    Maker,
    PriceBookRow,
    TaxRuleRow,
    User,
)
from app.pricing import BenchAnswers, BenchTerms, KeyingKind, TaxRule, usual_bench_terms, usual_price

NO_TAX_PLACE = "no sales tax"


@dataclass(frozen=True, slots=True)
class FirstStep:
    """One step. words: what it is; done: what there is, "" while it is to be done; default: what one press takes."""

    key: str
    words: str
    why: str
    done: str
    default: str


@dataclass(frozen=True, slots=True)
class _Step:
    words: str
    why: str
    default: str
    done: Callable[[Session, House], str]
    take: Callable[[Work, House], object] | None = None


def first_steps(session: Session) -> Sequence[FirstStep]:
    """The steps of the first day in their order; none where it is over, or where this house never had one."""
    house = find_house(session)
    if house is None or house.first_day is None:
        return ()
    steps = [
        FirstStep(key, step.words, step.why, step.done(session, house) or _settled(house, key, step), step.default)
        for key, step in _STEPS.items()
    ]
    return steps if any(not step.done for step in steps) else ()


def is_first_day(session: Session) -> bool:
    """Whether there is anything of it left to do."""
    return bool(first_steps(session))


def take_default(work: Work, key: str) -> FirstStep:
    """Take what a step offers for one press; the owner's alone."""
    work.require_owner()
    step = _STEPS.get(key)
    if step is None or not step.default:
        raise LedgerError("step", "There is nothing to take here: open the step.")
    with transaction(work.session):
        house = find_house(work.session)
        if house is None or house.first_day is None:
            raise LedgerError("step", "The first day of this house is over.")
        if step.take:
            step.take(work, house)
        house.first_day = [*(one for one in house.first_day if one != key), key]
        record(work, "first day", "house", f"{step.words}: {step.default}")
    last = FirstStep(key, step.words, "", step.default, "")
    return next((one for one in first_steps(work.session) if one.key == key), last)


def end_first_day(work: Work) -> None:
    """Have no more of it: what is not done is found under Settings, Goods and Makers."""
    work.require_owner()
    with transaction(work.session):
        house = find_house(work.session)
        if house is not None and house.first_day is not None:
            house.first_day = None
            record(work, "first day", "house", "The first day's page was put away")


def _settled(house: House, key: str, step: _Step) -> str:
    return step.default if key in (house.first_day or ()) else ""


def _count(session: Session, model: Any, *where: Any) -> int:
    return session.scalar(sa.select(sa.func.count()).select_from(model).where(*where)) or 0


def _paper(session: Session, house: House) -> str:
    return f"{house.name}, {house.paper}" if house.address else ""


def _tax(session: Session, house: House) -> str:
    rule = session.scalar(
        sa.select(TaxRuleRow)
        .where(TaxRuleRow.place == house.tax_place)
        .order_by(TaxRuleRow.valid_from.desc())
        .limit(1)
    )
    return f"{rule.place}, {rule.rate_percent} %" if rule else ""


def _makers(session: Session, house: House) -> str:
    return ", ".join(session.scalars(sa.select(Maker.name).order_by(Maker.name).limit(4)))


def _bench(session: Session, house: House) -> str:
    return "on record" if _count(session, BenchTermsRow) else ""


def _goods(session: Session, house: House) -> str:
    count = session.scalar(sa.select(sa.func.count(sa.distinct(PriceBookRow.code)))) or 0
    return f"{count} with a price" if count else ""


def first_prices(session: Session, today: date) -> list[tuple[Item, int]]:
    """The house's own items without a price, each with one to begin with: twice what it costs the bench in time and
    goods, of the terms on record or, before there are any, of a bench as many have it.
    """
    terms = entered_bench_terms(session, today) or usual_bench_terms(BenchAnswers())
    proposed = _proposed(terms)
    priced = sa.select(PriceBookRow.code)
    rows = sa.select(Item).where(
        Item.maker_id.is_(None), Item.kind.in_((ItemKind.LABOR, ItemKind.GOODS)), Item.code.not_in(priced)
    )
    return [(item, proposed[item.code]) for item in session.scalars(rows.order_by(Item.id)) if item.code in proposed]


def _proposed(terms: BenchTerms) -> dict[str, int]:
    """Code → cents, keying as of the quickest cylinder. What is not keyed here has none; what a factory keys costs
    the customer the same.
    """

    def keyed(cylinder: Fraction, kind: KeyingKind) -> int:
        minutes = cylinder + terms.kind_minutes.get(kind, Fraction(0)) + terms.checking_minutes
        return usual_price(terms, minutes, terms.pins.get(kind, 0) * terms.pin_cents)

    quickest = min(terms.type_minutes.values(), default=Fraction(0))
    found = {}
    for kind in KeyingKind:
        if terms.counted_as(kind) in terms.kind_minutes and kind is not KeyingKind.NONE:
            found[keying_code(kind)] = keyed(quickest, terms.counted_as(kind))
            if kind is not KeyingKind.OWN:
                found[factory_keying_code(kind)] = found[keying_code(kind)]
    for levels, kind in _LEVELS.items():
        if kind in terms.setup_minutes:
            found[system_code(levels)] = usual_price(terms, terms.setup_minutes[kind])
    for sort, minutes in terms.type_minutes.items():
        found[rekey_code(sort)] = keyed(minutes, KeyingKind.KD)
    found[CONSTRUCTION_SETUP] = usual_price(terms, terms.construction_minutes)
    key = usual_price(terms, terms.key_minutes, terms.key_blank_cents + terms.key_cut_cents)
    found |= {KEY_CUT: key, KEY_CONTROL: 3 * key}
    for code, minutes in _FURTHER_MINUTES.items():
        found[code] = usual_price(terms, minutes)
    return found


_LEVELS = {2: KeyingKind.MK, 3: KeyingKind.GMK, 4: KeyingKind.GGMK}
# Common practice, no source: a rush takes the bench's set-up twice, a trip an hour.
_FURTHER_MINUTES = {KEY_DECODE: Fraction(6), RUSH: Fraction(20), "TRIP": Fraction(60), "LABOR-QUARTER": Fraction(15)}


def _usual_prices(work: Work, house: House) -> None:
    fill_prices(work, {item.id: cents for item, cents in first_prices(work.session, work.today)})


def _factories(session: Session, house: House) -> str:
    rows = sa.select(Maker.name).join(FactoryTermsRow, FactoryTermsRow.maker_id == Maker.id)
    return ", ".join(session.scalars(rows.distinct().order_by(Maker.name).limit(4)))


def _people(session: Session, house: House) -> str:
    names = session.scalars(sa.select(User.name).order_by(User.id).limit(5)).all()
    return ", ".join(names) if len(names) > 1 else ""


def _no_tax(work: Work, house: House) -> None:
    set_tax_rule(work, TaxRule(NO_TAX_PLACE, Decimal(0), False, False, work.today))
    house.tax_place = NO_TAX_PLACE


def _usual_bench(work: Work, house: House) -> None:
    set_bench_terms(work, work.today, usual_bench_terms(BenchAnswers()).to_json())


_STEPS = {
    "paper": _Step(
        "House and paper",
        "What stands at the head of each quote.",
        "Letter paper, the name alone",
        _paper,
    ),
    "tax": _Step("Sales tax", "A quote cannot be totaled without it.", "No sales tax", _tax, _no_tax),
    "makers": _Step(
        "Makers",
        "Whose cylinders you sell: Bittern learns their numbers from a price list.",
        "Sell without makers' numbers for now",
        _makers,
    ),
    "bench": _Step(
        "Bench",
        "What keying takes here, so that it can be decided who keys, and by when: five questions.",
        "A bench as many have it",
        _bench,
        _usual_bench,
    ),
    "goods": _Step(
        "Prices of your work",
        "Keying, keys, trips and labor, each with a price proposed.",
        "Twice what the time costs",
        _goods,
        _usual_prices,
    ),
    "factories": _Step("Factories", "What makers ask for keying at the factory.", "All is keyed here", _factories),
    "people": _Step("People", "Who else works with Bittern.", "I work alone for now", _people),
}
