"""Shop or factory: the decision as a frozen value with its reasons; acting on it, or overriding it, is elsewhere.

Its sentences are for the customer without amounts, for the owner with them.
"""

from collections.abc import Set
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from app.pricing.costs import BREAK_EVEN_LIMIT, SMALL_ORDER, BreakEven, break_even, untaken_keys
from app.pricing.money import show_cents
from app.pricing.request import KeyingRequest, RecordsHolder, SystemAge, Urgency
from app.pricing.terms import BenchTerms, CylinderType, FactoryTerms, KeyingKind
from app.pricing.ways import (
    KeyingWay,
    ObstacleCode,
    Place,
    factory_way,
    shop_way,
    supply_of,
)
from app.pricing.workdays import count_working_days, show_day
from app.validation import counted

KEYED_FROM_OUR_RECORDS = (
    "The bitting list stays here: allot the factory's bittings from it before the order goes out, "
    "and key none of those on the bench.",
    "Enter what the factory really used when the cylinders come in.",
)
WHERE_WORDS = {Place.SHOP: "the bench", Place.FACTORY: "the factory"}
_SMALL_ORDER_TERMS = "Or ask the maker what it charges for a small order; the owner enters that in its terms."
_TIGHT_WORKING_DAYS = 2
_CLOSE_PERCENT = 5
_DATES = (ObstacleCode.DATE, ObstacleCode.HOURS)


@dataclass(frozen=True, slots=True)
class WeighedRequest:
    """A request costed both ways; `choice` as in `Decision`."""

    request: KeyingRequest
    choice: Place | None
    shop: KeyingWay
    factory: KeyingWay

    @property
    def chosen(self) -> KeyingWay | None:
        """The way that was picked."""
        return {Place.SHOP: self.shop, Place.FACTORY: self.factory, None: None}[self.choice]

    @property
    def other(self) -> KeyingWay:
        """The way that was not picked; the factory's where none was."""
        return self.shop if self.choice is Place.FACTORY else self.factory

    def saving_over(self, way: KeyingWay) -> int | None:
        """What another way saves against the one that was picked, negative when it costs more; None when unknown."""
        chosen = self.chosen
        if chosen is None or chosen.total_cents is None or way.total_cents is None:
            return None
        return chosen.total_cents - way.total_cents


@dataclass(frozen=True, slots=True)
class Decision(WeighedRequest):
    """What to do with one group of cylinders, and why.

    `choice` is the cheaper of the possible ways, the factory when both cost the same (as the break-even
    counts it), None when neither is possible: then `remedy` names the nearest change that would help.
    `reasons` may be told to a customer: they hold no amount of money. `owner_notes`, `flips` (what would
    turn the decision), `openings` (those of them that are neither date nor quantity) and `risks` are for the
    house. `break_even` is None without factory terms.
    """

    break_even: BreakEven | None
    reasons: tuple[str, ...]
    owner_notes: tuple[str, ...]
    flips: tuple[str, ...]
    openings: tuple[str, ...]
    risks: tuple[str, ...]
    remedy: str | None

    @property
    def saving_cents(self) -> int | None:
        """What the choice saves against the other way; negative when the cheaper way is not possible."""
        saving = self.saving_over(self.other)
        return None if saving is None else -saving

    def to_json(self) -> dict[str, Any]:
        """Plain values, as `bittern price decide` prints them."""
        crossing = self.break_even
        return {
            "choice": self.choice.value if self.choice else None,
            "shop": self.shop.to_json(),
            "factory": self.factory.to_json(),
            "break_even": crossing.quantity if crossing else None,
            "break_even_limit": crossing.limit if crossing else None,
            "factory_cheaper": [list(run) for run in crossing.ranges] if crossing else [],
            "saving_cents": self.saving_cents,
            "reasons": list(self.reasons),
            "owner_notes": list(self.owner_notes),
            "flips": list(self.flips),
            "risks": list(self.risks),
            "remedy": self.remedy,
        }


def decide(
    request: KeyingRequest, bench: BenchTerms, factory: FactoryTerms | None, limit: int = BREAK_EVEN_LIMIT
) -> Decision:
    """Cost the keying both ways, drop a way that is not possible, pick the cheaper, and say why.

    A way is dropped for: a kind or type that is not keyed there; below the factory's minimum of cylinders
    or goods; the customer's own cylinders (factory) or a factory-only keyway (bench); a master-keyed system
    extended without its records; a date after `request.need_by`. The break-even quantity is searched up to
    `limit` cylinders as `BreakEven` defines it.
    """
    weighed = weigh(request, bench, factory)
    crossing = break_even(request, bench, factory, limit) if factory is not None else None
    openings = _openings(weighed)
    return Decision(
        request=request,
        choice=weighed.choice,
        shop=weighed.shop,
        factory=weighed.factory,
        break_even=crossing,
        reasons=(*_reasons(weighed, crossing), *_untaken(weighed, factory), *_turn(weighed, bench)),
        owner_notes=tuple(_owner_notes(weighed, crossing)),
        flips=(*_flips(weighed, crossing, bench.closed_days), *openings),
        openings=tuple(openings),
        risks=tuple(_risks(weighed, bench, factory)),
        remedy=None if weighed.choice else _nearest_remedy(weighed, bench, factory),
    )


def weigh(request: KeyingRequest, bench: BenchTerms, factory: FactoryTerms | None) -> WeighedRequest:
    """The request costed both ways, the cheaper of the possible ways picked."""
    shop, away = shop_way(request, bench, factory), factory_way(request, factory, bench.closed_days)
    costs = [(way.total_cents or 0, way.name) for way in (away, shop) if way.possible]
    return WeighedRequest(request, min(costs, key=lambda one: one[0])[1] if costs else None, shop, away)


def _count(request: KeyingRequest) -> str:
    """“1 cylinder keyed GMK”, for the middle of a sentence."""
    some = counted(request.quantity, "cylinder")
    if len(request.kinds) > 1:
        return f"{some} ({', '.join(f'{count:,} {kind}' for kind, count in request.kinds)})"
    if request.kind in (KeyingKind.NONE, KeyingKind.OWN):
        return f"{some} supplied uncombinated" if request.kind is KeyingKind.NONE else f"{some} {request.kind.words}"
    return f"{some} keyed {request.kind}"


def _reasons(weighed: WeighedRequest, crossing: BreakEven | None) -> list[str]:
    """Why, in sentences that a customer could be told."""
    shop, factory, quantity = weighed.shop, weighed.factory, weighed.request.quantity
    chosen, other = weighed.chosen, weighed.other
    if chosen is None:
        why_not = dict.fromkeys((*shop.why_not, *factory.why_not))
        return ["As it is asked for, this can be done neither here nor at the factory.", *why_not]
    is_shop, count = weighed.choice is Place.SHOP, _count(weighed.request)
    said: list[str] = []
    if not other.possible:
        said += other.why_not
        as_well = ", which costs less as well" if (weighed.saving_over(other) or 0) < 0 else ""
        said.append(f"So {count} can only be done {'here' if is_shop else 'at the factory'}{as_well}.")
    elif shop.total_cents == factory.total_cents:
        said.append(f"For {count} the two cost the same; the factory leaves the bench free.")
    else:
        said.append(f"For {count}, {WHERE_WORDS[chosen.name]} is the less costly way.")
    at = crossing.quantity or 0 if crossing is not None else 0
    if is_shop and at > quantity:
        said.append(f"The factory becomes worth while from {at:,} such cylinders on.")
    if not is_shop and 1 < at <= quantity:
        said.append(f"The factory is worth while from {at:,} such cylinders on.")
    if any(line.label == SMALL_ORDER for line in chosen.lines):
        said.append("The maker takes it for a small-order charge, since it is under its minimum.")
    if chosen.ready is not None:
        words = f"It is ready on {show_day(chosen.ready)}"
        if other.possible and other.ready is not None:
            words += f"; {'from the factory' if is_shop else 'here'} it would be {show_day(other.ready)}"
        said.append(f"{words}.")
    return said


def _untaken(weighed: WeighedRequest, terms: FactoryTerms | None) -> list[str]:
    """That keys which come with the factory's cylinders are taken off its price."""
    untaken = untaken_keys(weighed.request, terms) if terms is not None and weighed.factory.lines else 0
    if terms is None or not untaken:
        return []
    in_all = weighed.request.quantity * terms.keys_included
    return [f"Of the {in_all:,} keys that come with them from the factory it takes {untaken:,} off its price."]


def _turn(weighed: WeighedRequest, bench: BenchTerms) -> list[str]:
    """What becomes of work that is not to wait for its turn at the bench."""
    request, ready = weighed.request, weighed.shop.ready
    if not request.urgency.uses_reserve or weighed.choice is not Place.SHOP or ready is None:
        return []
    if request.urgency is Urgency.RUSH:
        usual = shop_way(replace(request, urgency=Urgency.IN_TURN, need_by=None), bench).ready
        if usual is None or usual > ready:
            instead = f"instead of {show_day(usual)}" if usual else "where the bench has no other time"
            return [f"As rush work it is ready on {show_day(ready)}, {instead}; nobody else's promise moves."]
        return ["In its turn it would be ready on the same day: rush gains nothing."]
    if ready == request.today:
        return []
    if lacking := supply_of(request, bench).lacking:
        of = counted(request.quantity, "cylinder")
        why = f"{lacking:,} of {of} {'is' if lacking == 1 else 'are'} not on the shelf and must be ordered first"
    else:
        why = "the bench has not the time free today"
    return [f"It cannot be done while the customer waits: {why}."]


def _owner_notes(weighed: WeighedRequest, crossing: BreakEven | None) -> list[str]:
    """The amounts behind it, for the house alone."""
    here, away = weighed.shop.total_cents, weighed.factory.total_cents
    details = [obstacle.detail for way in (weighed.shop, weighed.factory) for obstacle in way.obstacles]
    notes = [detail for detail in details if detail]
    if here is None or away is None:
        return notes
    apart = f"{show_cents(abs(here - away))} apart"
    notes.insert(0, f"Bench {show_cents(here)}, factory {show_cents(away)}: {apart}.")
    if crossing is None:
        return notes
    if crossing.quantity is None:
        notes.append(f"Up to {counted(crossing.limit, 'cylinder')} of this mix the factory never costs less.")
    elif crossing.holds_to_the_limit:
        notes.append(f"From {counted(crossing.quantity, 'cylinder')} of this mix on the factory costs no more.")
    else:
        shown = ", ".join(f"{first:,} to {last:,}" for first, last in crossing.ranges[:6])
        more = " and further runs" if len(crossing.ranges) > 6 else ""
        notes.append(f"The factory costs no more at {shown}{more} cylinders; its steps make the gaps.")
    return notes


def _flips(weighed: WeighedRequest, crossing: BreakEven | None, house_closed: Set[date]) -> list[str]:
    """What other date or quantity would turn the decision; amounts are named, so for the house alone."""
    request, other, said = weighed.request, weighed.other, list[str]()
    saves = weighed.saving_over(other) or 0
    if saves > 0 and request.need_by is not None and other.ready is not None and other.blocked_only_by(*_DATES):
        later = count_working_days(request.need_by, other.ready, house_closed)
        said.append(
            f"Needed {counted(max(1, later), 'working day')} later, by {show_day(other.ready)}, "
            f"{WHERE_WORDS[other.name]} saves {show_cents(saves)}."
        )
    at = crossing.quantity or 0 if crossing is not None else 0
    if weighed.choice is Place.SHOP and request.quantity < at:
        said.append(f"From {at:,} cylinders of this mix on, the factory costs no more.")
    if weighed.choice is Place.FACTORY and 1 < at <= request.quantity:
        said.append(f"Below {at:,} cylinders of this mix, the bench would do it.")
    return said


def _openings(weighed: WeighedRequest) -> list[str]:
    """What keeps the other way shut that no other date opens; amounts are named, so for the house alone."""
    if weighed.choice is None:
        return []
    request, other, said = weighed.request, weighed.other, list[str]()
    saves = weighed.saving_over(other) or 0
    is_of_dates = other.blocked_only_by(*_DATES) and request.need_by is not None and other.ready is not None
    if saves > 0 and not other.possible and not is_of_dates:
        said.append(f"Were it possible, {WHERE_WORDS[other.name]} would save {show_cents(saves)}.")
    if other.blocked_only_by(ObstacleCode.RECORDS) and request.records is not RecordsHolder.NOBODY:
        said.append(f"If the system's records could move to {WHERE_WORDS[other.name]}, it could do the work.")
    return said


def _risks(weighed: WeighedRequest, bench: BenchTerms, terms: FactoryTerms | None) -> list[str]:
    """What to look out for, in the house: for counter and owner, without amounts."""
    request, choice, shop, factory = weighed.request, weighed.choice, weighed.shop, weighed.factory
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
    supply = supply_of(request, bench)
    if choice is Place.SHOP and (supply.lacking or supply.told):
        said.append(supply.told or f"{counted(supply.lacking, 'cylinder')} without pins must be ordered first.")
    if CylinderType.SFIC in request.cylinders or CylinderType.LFIC in request.cylinders:
        said.append("Interchangeable cores: see that a control key is on the order.")
    chosen = weighed.chosen
    if chosen is not None and chosen.ready is not None and request.need_by is not None:
        spare = count_working_days(chosen.ready, request.need_by, bench.closed_days)
        if spare < _TIGHT_WORKING_DAYS:
            said.append(
                f"Only {counted(spare, 'working day')} to spare before it is needed." if spare else "No day to spare."
            )
    if shop.possible and factory.possible and shop.total_cents and factory.total_cents is not None:
        gap = abs(shop.total_cents - factory.total_cents)
        if gap * 100 < _CLOSE_PERCENT * shop.total_cents:
            said.append(f"A close call: the two are within {_CLOSE_PERCENT}%, so let the date decide.")
    return said


def _nearest_remedy(weighed: WeighedRequest, bench: BenchTerms, terms: FactoryTerms | None) -> str:
    """The least change that makes one way possible, when neither is."""
    request, shop, factory = weighed.request, weighed.shop, weighed.factory
    if request.urgency is Urgency.IN_TURN and shop.blocked_only_by(*_DATES):
        rushed = shop_way(replace(request, urgency=Urgency.RUSH), bench, terms)
        if rushed.possible and rushed.ready is not None:
            return f"As rush work the bench can have it ready on {show_day(rushed.ready)}."
    dated = [
        (way.ready, WHERE_WORDS[way.name])
        for way in (shop, factory)
        if way.ready is not None and way.blocked_only_by(*_DATES)
    ]
    if dated:
        day, where = min(dated)
        return f"With {show_day(day)} as the date, {where} can do it."
    if factory.blocked_only_by(ObstacleCode.URGENCY):
        return "In its turn the factory can do it."
    if factory.blocked_only_by(ObstacleCode.MINIMUM_CYLINDERS) and terms is not None:
        more = counted(terms.min_cylinders - request.quantity, "more cylinder")
        return f"With {more} the factory can do it. {_SMALL_ORDER_TERMS}"
    if factory.blocked_only_by(ObstacleCode.MINIMUM_CYLINDERS, ObstacleCode.MINIMUM_ORDER):
        return f"With more goods on the order, up to the maker's minimum, the factory can do it. {_SMALL_ORDER_TERMS}"
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
