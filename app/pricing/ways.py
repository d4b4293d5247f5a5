"""One way of getting a group keyed, at the bench or at the factory: its cost, its date, what stands against it."""

from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from fractions import Fraction
from math import ceil
from typing import Any

from app.pricing.costs import CostLine, bench_curve, bench_minutes, factory_curve, takes_small_order
from app.pricing.money import show_cents
from app.pricing.request import CylinderSource, KeyingRequest, RecordsHolder, Supply, Urgency
from app.pricing.terms import BenchTerms, FactoryTerms, KeyingKind, write_minutes
from app.pricing.workdays import (
    MAX_WORKING_DAYS,
    add_working_days,
    count_working_days,
    next_working_day,
    show_day,
)


class Place(StrEnum):
    """Where the keying is done."""

    SHOP = "shop"
    FACTORY = "factory"


class ObstacleCode(StrEnum):
    """What kind of thing makes a way impossible; what would remove it follows from the kind."""

    NO_TERMS = "no terms"
    NOT_KEYED = "not keyed"
    OWN_CYLINDERS = "own cylinders"
    KEYWAY = "keyway"
    RECORDS = "records"
    MINIMUM_CYLINDERS = "minimum cylinders"
    MINIMUM_ORDER = "minimum order"
    STOCK = "stock"
    HOURS = "hours"
    DATE = "date"
    URGENCY = "urgency"


@dataclass(frozen=True, slots=True)
class Obstacle:
    """Why a way is not possible: a sentence a customer could be told, and figures for the owner alone."""

    code: ObstacleCode
    sentence: str
    detail: str = ""


class _Obstacles(list[Obstacle]):
    def add(self, code: ObstacleCode, sentence: str, detail: str = "") -> None:
        self.append(Obstacle(code, sentence, detail))


@dataclass(frozen=True, slots=True)
class KeyingWay:
    """One way: cost lines that add up to `total_cents`, the day it is ready, and its obstacles.

    `total_cents` is None when no cost can be named (no terms, a kind that is not keyed there); `ready` is
    None when no day can be.
    """

    name: Place
    lines: tuple[CostLine, ...]
    total_cents: int | None
    ready: date | None
    obstacles: tuple[Obstacle, ...]
    bench_minutes: Fraction = Fraction(0)

    @property
    def possible(self) -> bool:
        """Whether nothing stands against it."""
        return not self.obstacles

    @property
    def why_not(self) -> tuple[str, ...]:
        """Sentences that a customer could be told; empty when it is possible."""
        return tuple(obstacle.sentence for obstacle in self.obstacles)

    def blocked_only_by(self, *codes: ObstacleCode) -> bool:
        """Whether it is impossible, and for no other reason than these."""
        return bool(self.obstacles) and all(obstacle.code in codes for obstacle in self.obstacles)

    def to_json(self) -> dict[str, Any]:
        """Plain values for a command or a frozen snapshot."""
        return {
            "possible": self.possible,
            "total_cents": self.total_cents,
            "ready": self.ready.isoformat() if self.ready else None,
            "lines": [{"label": line.label, "cents": line.cents} for line in self.lines],
            "why_not": list(self.why_not),
            "bench_minutes": write_minutes(self.bench_minutes),
        }


def shop_way(request: KeyingRequest, bench: BenchTerms, factory: FactoryTerms | None = None) -> KeyingWay:
    """The bench's way. `factory` matters only for keyways that its maker keys nowhere else.

    Work promised already goes first, as `bench_ready` counts it; cylinders not on the shelf must come in before
    the work on any of them begins.
    """
    obstacles = _Obstacles()
    keyed = request.kind is not KeyingKind.NONE
    if keyed and bench.counted_as(request.kind) not in bench.kind_minutes:
        obstacles.add(
            ObstacleCode.NOT_KEYED, f"The bench does not do {request.kind.words} ({request.kind}) cylinders."
        )
    for one in request.cylinders:
        if keyed and bench.minutes_of(one) is None:
            obstacles.add(ObstacleCode.NOT_KEYED, f"The bench does not key {one} cylinders.")
    costed = not obstacles
    if factory is not None and keyed and request.keyway in factory.factory_only_keyways:
        obstacles.add(ObstacleCode.KEYWAY, f"Keyway {request.keyway} is keyed by its maker's factory only.")
    if request.extends_records and request.records is RecordsHolder.NOBODY:
        obstacles.append(_NO_RECORDS)
    elif request.joins_records and request.records is RecordsHolder.FACTORY:
        obstacles.add(
            ObstacleCode.RECORDS,
            "The factory holds the system's records, and a system extended in two places breaks.",
        )
    if not costed:
        return KeyingWay(Place.SHOP, (), None, None, tuple(obstacles))
    minutes = sum(bench_minutes(request, bench), Fraction(0))
    ready = _shop_ready(request, bench, minutes, obstacles)
    lines = bench_curve(request, bench).lines_at(request.quantity)
    return KeyingWay(Place.SHOP, lines, sum(line.cents for line in lines), ready, tuple(obstacles), minutes)


_NO_RECORDS = Obstacle(
    ObstacleCode.RECORDS,
    "Nobody holds the system's records (its key bitting array and the bittings in use), so it may not be extended.",
)


def supply_of(request: KeyingRequest, bench: BenchTerms) -> Supply:
    """What the shelf lacks for the request: what it says itself, else what the bench's terms count by type."""
    if request.supply is not None:
        return request.supply
    lacking = 0
    if request.source is CylinderSource.SOLD:
        on_hand = bench.uncombinated_on_hand
        lacking = sum(max(0, count - on_hand.get(one, 0)) for one, count in request.cylinders.items())
    if not lacking:
        return Supply(0, request.today)
    if bench.uncombinated_lead_days is None:
        return Supply(lacking, None)
    return Supply(lacking, add_working_days(request.today, bench.uncombinated_lead_days, bench.closed_days))


def _shop_ready(request: KeyingRequest, bench: BenchTerms, minutes: Fraction, obstacles: _Obstacles) -> date | None:
    supply = supply_of(request, bench)
    ready = bench_ready(request.today, minutes, supply, bench, request.urgency)
    if isinstance(ready, Obstacle):
        obstacles.append(ready)
        return None
    if request.need_by is not None and ready > request.need_by:
        obstacles.append(_too_late_at_the_bench(request, bench, minutes, ready, request.need_by, supply))
    return ready


def bench_ready(
    today: date, minutes: Fraction, supply: Supply, bench: BenchTerms, urgency: Urgency = Urgency.IN_TURN
) -> date | Obstacle:
    """The day on which so much work is done, begun when all that it takes is here; or why it never is.

    The bench has `minutes_per_day` on each working day, today included. Work in its turn goes behind all that is
    promised and leaves the reserve alone; rush work, and what a customer waits for, takes the reserve, and what is
    promised to nobody: so neither moves a promise.
    """
    first = next_working_day(today, bench.closed_days)
    if supply.here_on is None:
        none = "Cylinders without pins are not on the shelf and cannot be ordered."
        return Obstacle(ObstacleCode.STOCK, supply.told or none, f"{supply.lacking:,} are lacking.")
    arrival = max(first, next_working_day(supply.here_on, bench.closed_days))
    waiting = count_working_days(first, arrival, bench.closed_days)
    day: int | None = waiting
    if minutes:
        whole, reserve, urgent = bench.minutes_per_day, bench.reserve_minutes_per_day, bench.reserve_minutes_promised
        in_all = _days_to(minutes, waiting, bench.minutes_promised + urgent, whole)
        if urgency.uses_reserve:
            ends = [one for one in (in_all, _days_to(minutes, waiting, urgent, reserve)) if one is not None]
            day = min(ends, default=None)
        else:
            own = _days_to(minutes, waiting, bench.minutes_promised, whole - reserve)
            day = None if in_all is None or own is None else max(in_all, own)
    if day is None:
        return Obstacle(ObstacleCode.HOURS, "The bench has no working time at present.")
    if day > MAX_WORKING_DAYS:
        return Obstacle(ObstacleCode.HOURS, "The bench could not finish this within many years.")
    return add_working_days(first, day, bench.closed_days)


def _days_to(minutes: Fraction, waiting: int, before: Fraction, a_day: Fraction) -> int | None:
    """In how many working days the last of the minutes falls, `before` going first; None without time for it."""
    return max(0, ceil((max(before, waiting * a_day) + minutes) / a_day) - 1) if a_day else None


def free_minutes(bench: BenchTerms, today: date, last: date, urgency: Urgency) -> Fraction:
    """What the bench has from today to a day, both included, for work of such an urgency."""
    days = count_working_days(today, last.fromordinal(last.toordinal() + 1), bench.closed_days)
    urgent, reserve = bench.reserve_minutes_promised, days * bench.reserve_minutes_per_day
    in_all = days * bench.minutes_per_day - bench.minutes_promised - urgent
    if urgency.uses_reserve:
        return max(Fraction(0), in_all, reserve - urgent)
    return max(Fraction(0), min(in_all, days * bench.minutes_per_day - reserve - bench.minutes_promised))


def _too_late_at_the_bench(
    request: KeyingRequest, bench: BenchTerms, minutes: Fraction, ready: date, need_by: date, supply: Supply
) -> Obstacle:
    if supply.here_on is not None and supply.here_on > need_by:
        what = "cylinders" if supply.lacking else "key blanks"
        return Obstacle(
            ObstacleCode.DATE,
            f"The {what} come in on {show_day(supply.here_on)}, after {show_day(need_by)}, when they are needed.",
        )
    free = free_minutes(bench, request.today, need_by, request.urgency)
    return Obstacle(
        ObstacleCode.HOURS,
        f"The bench has not the hours free before {show_day(need_by)}; it could finish on {show_day(ready)}.",
        f"It has {show_hours(free)} free by then; this job needs {show_hours(minutes)}.",
    )


def show_hours(minutes: Fraction) -> str:
    """Bench time for a sentence, to the whole minute upwards.

    >>> show_hours(Fraction(125)), show_hours(Fraction(41, 2))
    ('2 h 5 min', '21 min')
    """
    hours, rest = divmod(ceil(minutes), 60)
    return f"{hours:,} h {rest} min" if hours else f"{rest} min"


_URGENT = {Urgency.RUSH: "Rush work", Urgency.WAITS: "What the customer waits for"}


def factory_way(request: KeyingRequest, terms: FactoryTerms | None, house_closed: frozenset[date]) -> KeyingWay:
    """The factory's way.

    The order goes out on the house's first open day; the lead time counts the maker's working days; the
    parcel is ready on the house's next open day.
    """
    if request.kind is KeyingKind.OWN:
        here = Obstacle(ObstacleCode.NOT_KEYED, "The bench decodes the customer's key, so these are keyed here.")
        return KeyingWay(Place.FACTORY, (), None, None, (here,))
    if terms is None:
        none = Obstacle(ObstacleCode.NO_TERMS, "No factory's keying terms are known for these cylinders.")
        return KeyingWay(Place.FACTORY, (), None, None, (none,))
    obstacles = _Obstacles()
    costed = request.kind is KeyingKind.NONE or request.kind in terms.per_cylinder_cents
    if not costed:
        obstacles.add(
            ObstacleCode.NOT_KEYED, f"The factory does not do {request.kind.words} ({request.kind}) cylinders."
        )
    if request.source is CylinderSource.CUSTOMER:
        obstacles.add(ObstacleCode.OWN_CYLINDERS, "These are the customer's own cylinders, which are keyed here.")
    if request.urgency.uses_reserve:
        obstacles.add(ObstacleCode.URGENCY, f"{_URGENT[request.urgency]} is done on our own bench.")
    takes_any = takes_small_order(request, terms)
    if request.quantity < terms.min_cylinders and not takes_any:
        obstacles.add(
            ObstacleCode.MINIMUM_CYLINDERS,
            f"The factory keys no order of fewer than {terms.min_cylinders:,} cylinders.",
        )
    if request.goods_cents is not None and request.goods_cents < terms.min_order_cents and not takes_any:
        obstacles.add(
            ObstacleCode.MINIMUM_ORDER,
            "The goods come to less than the factory's minimum.",
            f"The goods come to {show_cents(request.goods_cents)}; "
            f"the minimum is {show_cents(terms.min_order_cents)}.",
        )
    if request.joins_records:
        obstacles += _record_obstacles(request, terms)
    ordered = next_working_day(request.today, house_closed)
    arrives = add_working_days(ordered, terms.lead_working_days, terms.closed_days)
    ready = next_working_day(arrives, house_closed)
    if request.need_by is not None and ready > request.need_by:
        obstacles.add(
            ObstacleCode.DATE,
            f"The factory's earliest date is {show_day(ready)}, after {show_day(request.need_by)}, "
            "when the cylinders are needed.",
        )
    lines = factory_curve(request, terms).lines_at(request.quantity) if costed else ()
    total = sum(line.cents for line in lines) if costed else None
    return KeyingWay(Place.FACTORY, lines, total, ready, tuple(obstacles))


def _record_obstacles(request: KeyingRequest, terms: FactoryTerms) -> list[Obstacle]:
    if request.records is RecordsHolder.NOBODY:
        return [_NO_RECORDS] if request.extends_records else []
    if request.records is RecordsHolder.FACTORY and not terms.holds_records:
        return [
            Obstacle(ObstacleCode.RECORDS, "The maker keeps no records, so its factory cannot extend the system.")
        ]
    if request.records is RecordsHolder.SHOP and not terms.takes_records:
        return [
            Obstacle(
                ObstacleCode.RECORDS,
                "The system's records are here, and the factory does not key from records sent to it.",
            )
        ]
    return []
