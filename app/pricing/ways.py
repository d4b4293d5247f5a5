"""One way of getting a group keyed, at the bench or at the factory: its cost, its date, what stands against it."""

from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from fractions import Fraction
from math import ceil
from typing import Any

from app.pricing.costs import CostLine, bench_curve, bench_minutes, factory_curve
from app.pricing.money import show_cents
from app.pricing.request import CylinderSource, KeyingRequest, RecordsHolder
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

    Work promised already goes first. The bench has `minutes_per_day` on each working day, today included;
    cylinders not on the shelf must come in before the work on any of them begins.
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


def missing_cylinders(request: KeyingRequest, bench: BenchTerms) -> int:
    """How many uncombinated cylinders the shelf lacks for the request."""
    if request.source is CylinderSource.CUSTOMER:
        return 0
    return sum(max(0, count - bench.uncombinated_on_hand.get(one, 0)) for one, count in request.cylinders.items())


def _shop_ready(request: KeyingRequest, bench: BenchTerms, minutes: Fraction, obstacles: _Obstacles) -> date | None:
    first = next_working_day(request.today, bench.closed_days)
    arrival = first
    lacking = missing_cylinders(request, bench)
    if lacking:
        if bench.uncombinated_lead_days is None:
            obstacles.add(
                ObstacleCode.STOCK,
                "Cylinders without pins are not on the shelf and cannot be ordered.",
                f"{lacking:,} are lacking.",
            )
            return None
        arrival = add_working_days(request.today, bench.uncombinated_lead_days, bench.closed_days)
    waiting = count_working_days(first, arrival, bench.closed_days)
    if not minutes:
        day = waiting
    elif not bench.minutes_per_day:
        obstacles.add(ObstacleCode.HOURS, "The bench has no working time at present.")
        return None
    else:
        finish = max(bench.minutes_promised, waiting * bench.minutes_per_day) + minutes
        day = max(0, ceil(finish / bench.minutes_per_day) - 1)
    if day > MAX_WORKING_DAYS:
        obstacles.add(ObstacleCode.HOURS, "The bench could not finish this within many years.")
        return None
    ready = add_working_days(first, day, bench.closed_days)
    if request.need_by is not None and ready > request.need_by:
        obstacles.append(_too_late_at_the_bench(request, bench, minutes, ready, arrival, request.need_by))
    return ready


def _too_late_at_the_bench(
    request: KeyingRequest, bench: BenchTerms, minutes: Fraction, ready: date, arrival: date, need_by: date
) -> Obstacle:
    if arrival > need_by:
        return Obstacle(
            ObstacleCode.DATE,
            f"The cylinders come in on {show_day(arrival)}, after {show_day(need_by)}, when they are needed.",
        )
    days = count_working_days(request.today, need_by, bench.closed_days)
    days += count_working_days(need_by, need_by.fromordinal(need_by.toordinal() + 1), bench.closed_days)
    free = max(Fraction(0), days * bench.minutes_per_day - bench.minutes_promised)
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


def factory_way(request: KeyingRequest, terms: FactoryTerms | None, house_closed: frozenset[date]) -> KeyingWay:
    """The factory's way.

    The order goes out on the house's first open day; the lead time counts the maker's working days; the
    parcel is ready on the house's next open day.
    """
    if terms is None:
        none = Obstacle(ObstacleCode.NO_TERMS, "No factory's keying terms are known for these cylinders.")
        return KeyingWay(Place.FACTORY, (), None, None, (none,))
    obstacles = _Obstacles()
    is_decoded = request.kind is KeyingKind.OWN
    costed = request.kind is KeyingKind.NONE or (request.kind in terms.per_cylinder_cents and not is_decoded)
    if is_decoded:
        obstacles.add(ObstacleCode.NOT_KEYED, "The bench decodes the customer's key, so these are keyed here.")
    elif not costed:
        obstacles.add(
            ObstacleCode.NOT_KEYED, f"The factory does not do {request.kind.words} ({request.kind}) cylinders."
        )
    if request.source is CylinderSource.CUSTOMER:
        obstacles.add(ObstacleCode.OWN_CYLINDERS, "These are the customer's own cylinders, which are keyed here.")
    if request.quantity < terms.min_cylinders:
        obstacles.add(
            ObstacleCode.MINIMUM_CYLINDERS,
            f"The factory keys no order of fewer than {terms.min_cylinders:,} cylinders.",
        )
    if request.goods_cents is not None and request.goods_cents < terms.min_order_cents:
        obstacles.add(
            ObstacleCode.MINIMUM_ORDER,
            "The order is below the factory's minimum.",
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
