"""The sentences of a decision: for the customer without amounts, for the owner with them."""

from __future__ import annotations

from collections.abc import Set
from datetime import date

from app.pricing.costs import BreakEven
from app.pricing.money import show_cents
from app.pricing.request import KeyingRequest, RecordsHolder, SystemAge
from app.pricing.terms import BenchTerms, CylinderType, FactoryTerms, KeyingKind
from app.pricing.ways import KeyingWay, ObstacleCode, Place, missing_cylinders
from app.pricing.workdays import count_working_days, show_day

KEYED_FROM_OUR_RECORDS = (
    "The bitting list stays here: allot the factory's bittings from it before the order goes out, "
    "and key none of those on the bench.",
    "Enter what the factory really used when the cylinders come in.",
)
_WHERE = {Place.SHOP: "the bench", Place.FACTORY: "the factory"}
_TIGHT_WORKING_DAYS = 2
_CLOSE_PERCENT = 5


def _count(request: KeyingRequest) -> str:
    """“1 cylinder keyed GMK”, for the middle of a sentence."""
    some = _some("cylinder", request.quantity)
    return f"{some} supplied uncombinated" if request.kind is KeyingKind.NONE else f"{some} keyed {request.kind}"


def _some(noun: str, count: int) -> str:
    return f"1 {noun}" if count == 1 else f"{count:,} {noun}s"


def reasons(
    request: KeyingRequest, choice: Place | None, shop: KeyingWay, factory: KeyingWay, crossing: BreakEven | None
) -> tuple[str, ...]:
    """Why, in sentences that a customer could be told."""
    said: list[str] = []
    if choice is None:
        said.append("As it is asked for, this can be done neither here nor at the factory.")
        return (*said, *dict.fromkeys((*shop.why_not, *factory.why_not)))
    chosen, other = (shop, factory) if choice is Place.SHOP else (factory, shop)
    if not other.possible:
        said += other.why_not
        where = "here" if choice is Place.SHOP else "at the factory"
        as_well = ", which costs less as well" if _saving(other, chosen) else ""
        said.append(f"So {_count(request)} can only be done {where}{as_well}.")
    elif shop.total_cents == factory.total_cents:
        said.append(f"For {_count(request)} the two cost the same; the factory leaves the bench free.")
    else:
        said.append(f"For {_count(request)}, {_WHERE[choice]} is the less costly way.")
    if choice is Place.SHOP and crossing is not None and (crossing.quantity or 0) > request.quantity:
        said.append(f"The factory becomes worth while from {crossing.quantity:,} such cylinders on.")
    if choice is Place.FACTORY and crossing is not None and 1 < (crossing.quantity or 0) <= request.quantity:
        said.append(f"The factory is worth while from {crossing.quantity:,} such cylinders on.")
    if chosen.ready is not None:
        date_words = f"It is ready on {show_day(chosen.ready)}"
        if other.possible and other.ready is not None:
            other_words = "from the factory" if choice is Place.SHOP else "here"
            date_words += f"; {other_words} it would be {show_day(other.ready)}"
        said.append(f"{date_words}.")
    return tuple(said)


def owner_notes(
    request: KeyingRequest, choice: Place | None, shop: KeyingWay, factory: KeyingWay, crossing: BreakEven | None
) -> tuple[str, ...]:
    """The amounts behind it, for the house alone."""
    notes: list[str] = []
    if shop.total_cents is not None and factory.total_cents is not None:
        difference = abs(shop.total_cents - factory.total_cents)
        notes.append(
            f"Bench {show_cents(shop.total_cents)}, factory {show_cents(factory.total_cents)}: "
            f"{show_cents(difference)} apart."
        )
    notes += [obstacle.detail for way in (shop, factory) for obstacle in way.obstacles if obstacle.detail]
    if crossing is not None and shop.total_cents is not None and factory.total_cents is not None:
        if crossing.quantity is None:
            notes.append(f"Up to {crossing.limit:,} cylinders of this mix the factory never costs less.")
        elif crossing.holds_to_the_limit:
            notes.append(f"From {crossing.quantity:,} cylinders of this mix on the factory costs no more.")
        else:
            shown = ", ".join(f"{first:,} to {last:,}" for first, last in crossing.ranges[:6])
            more = " and further runs" if len(crossing.ranges) > 6 else ""
            notes.append(f"The factory costs no more at {shown}{more} cylinders; its steps make the gaps.")
    return tuple(notes)


def flips(
    request: KeyingRequest,
    choice: Place | None,
    shop: KeyingWay,
    factory: KeyingWay,
    crossing: BreakEven | None,
    house_closed: Set[date],
) -> tuple[str, ...]:
    """What would turn the decision; amounts are named, so for the house alone."""
    if choice is None:
        return ()
    said: list[str] = []
    chosen, other = (shop, factory) if choice is Place.SHOP else (factory, shop)
    saves = _saving(chosen, other)
    if (
        saves
        and request.need_by is not None
        and other.ready is not None
        and other.blocked_only_by(ObstacleCode.DATE, ObstacleCode.HOURS)
    ):
        later = count_working_days(request.need_by, other.ready, house_closed)
        said.append(
            f"Needed {_some('working day', max(1, later))} later, by {show_day(other.ready)}, "
            f"{_WHERE[other.name]} saves {show_cents(saves)}."
        )
    if crossing is not None and crossing.quantity is not None:
        if choice is Place.SHOP and request.quantity < crossing.quantity:
            said.append(f"From {crossing.quantity:,} cylinders of this mix on, the factory costs no more.")
        if choice is Place.FACTORY and 1 < crossing.quantity <= request.quantity:
            said.append(f"Below {crossing.quantity:,} cylinders of this mix, the bench would do it.")
    return (*said, *openings(request, choice, shop, factory))


def openings(request: KeyingRequest, choice: Place | None, shop: KeyingWay, factory: KeyingWay) -> tuple[str, ...]:
    """What keeps the other way shut that no other date opens; amounts are named, so for the house alone."""
    if choice is None:
        return ()
    said: list[str] = []
    chosen, other = (shop, factory) if choice is Place.SHOP else (factory, shop)
    saves = _saving(chosen, other)
    only_dates = other.blocked_only_by(ObstacleCode.DATE, ObstacleCode.HOURS)
    if saves and not other.possible and not (only_dates and request.need_by is not None and other.ready is not None):
        said.append(f"Were it possible, {_WHERE[other.name]} would save {show_cents(saves)}.")
    if other.blocked_only_by(ObstacleCode.RECORDS) and request.records is not RecordsHolder.NOBODY:
        said.append(f"If the system's records could move to {_WHERE[other.name]}, it could do the work.")
    return tuple(said)


def _saving(chosen: KeyingWay, other: KeyingWay) -> int:
    """What the other way would save, 0 when nothing or unknown."""
    if chosen.total_cents is None or other.total_cents is None:
        return 0
    return max(0, chosen.total_cents - other.total_cents)


def risks(
    request: KeyingRequest,
    choice: Place | None,
    shop: KeyingWay,
    factory: KeyingWay,
    bench: BenchTerms,
    terms: FactoryTerms | None,
) -> tuple[str, ...]:
    """What to look out for, in the house: for counter and owner, without amounts."""
    said: list[str] = []
    if request.system is SystemAge.EXISTING:
        said.append("Ask for written authority before keying into a system that has an owner of record.")
    if choice is Place.SHOP and request.extends_records:
        said.append("Key from the system's own bitting list, and enter each new bitting in it the same day.")
    if choice is Place.FACTORY and request.extends_records and request.records is RecordsHolder.SHOP:
        said += KEYED_FROM_OUR_RECORDS
    if choice is Place.FACTORY and terms is not None:
        if request.kind.is_master_keyed and not terms.holds_records:
            said.append("This maker keeps no records: order the bitting list with the cylinders.")
        if request.goods_cents is None and terms.min_order_cents:
            said.append("The maker's minimum order was not checked: what the goods come to is not known.")
    if terms is not None and request.keyway in terms.authorised_keyways:
        said.append(f"Keyway {request.keyway} needs its owner's written order.")
    if choice is Place.SHOP and missing_cylinders(request, bench):
        said.append(f"{_some('cylinder', missing_cylinders(request, bench))} without pins must be ordered first.")
    if CylinderType.SFIC in request.cylinders or CylinderType.LFIC in request.cylinders:
        said.append("Interchangeable cores: see that a control key is on the order.")
    chosen = {Place.SHOP: shop, Place.FACTORY: factory, None: None}[choice]
    if chosen is not None and chosen.ready is not None and request.need_by is not None:
        spare = count_working_days(chosen.ready, request.need_by, bench.closed_days)
        if spare < _TIGHT_WORKING_DAYS:
            said.append(
                f"Only {_some('working day', spare)} to spare before it is needed." if spare else "No day to spare."
            )
    if shop.possible and factory.possible and shop.total_cents and factory.total_cents is not None:
        gap = abs(shop.total_cents - factory.total_cents)
        if gap * 100 < _CLOSE_PERCENT * shop.total_cents:
            said.append(f"A close call: the two are within {_CLOSE_PERCENT}%, so let the date decide.")
    return tuple(said)


def nearest_remedy(request: KeyingRequest, shop: KeyingWay, factory: KeyingWay, terms: FactoryTerms | None) -> str:
    """The least change that makes one way possible, when neither is."""
    dated = [
        way
        for way in (shop, factory)
        if way.ready is not None and way.blocked_only_by(ObstacleCode.DATE, ObstacleCode.HOURS)
    ]
    if dated:
        way = min(dated, key=lambda one: one.ready or date.max)
        if way.ready is not None:
            return f"With {show_day(way.ready)} as the date, {_WHERE[way.name]} can do it."
    if factory.blocked_only_by(ObstacleCode.MINIMUM_CYLINDERS) and terms is not None:
        return f"With {_some('more cylinder', terms.min_cylinders - request.quantity)} the factory can do it."
    if factory.blocked_only_by(ObstacleCode.MINIMUM_ORDER):
        return "With more goods on the order, up to the maker's minimum, the factory can do it."
    codes = {obstacle.code for way in (shop, factory) for obstacle in way.obstacles}
    if ObstacleCode.RECORDS in codes and request.records is RecordsHolder.NOBODY:
        return "Key these cylinders single (SKD), or start a new system; never extend one without its records."
    if ObstacleCode.RECORDS in codes:
        return "Have the system's records sent to the place that is to key it, or start a new system."
    if ObstacleCode.STOCK in codes:
        return "Find cylinders without pins for the bench, or a maker that keys them."
    if ObstacleCode.HOURS in codes:
        return "Give the bench working time, or find a maker that keys these cylinders."
    return "Ask another maker, or change the keying or the type of cylinder."
