"""What to order, how much and by which day: wants by day, lots of whole packs, lead times, reorder points."""

from collections.abc import Iterable, Mapping, Sequence, Set
from dataclasses import dataclass
from datetime import date, timedelta

from app.pricing.workdays import MAX_WORKING_DAYS, add_working_days, is_working_day


@dataclass(frozen=True, slots=True)
class Lot:
    """So many of an item at once: needed on a day, and so to be ordered by a day that may be over already."""

    quantity: int
    needed_on: date
    order_by: date


@dataclass(frozen=True, slots=True)
class LotRules:
    """How a maker sells an item: in whole packs, `least` of them or more, there `lead_days` working days later.

    pack: 1 where it is sold by the piece. closed: days on which the house is shut.
    """

    pack: int = 1
    least: int = 0
    lead_days: int = 0
    closed: frozenset[date] = frozenset()

    def lot(self, quantity: int) -> int:
        """The fewest pieces that can be ordered to have at least so many; 0 where none are wanted.

        >>> LotRules(pack=50).lot(150), LotRules(least=50).lot(30), LotRules(pack=12, least=20).lot(1)
        (150, 50, 24)
        """
        if quantity <= 0:
            return 0
        return -(-max(quantity, self.least) // self.pack) * self.pack


def order_by(needed_on: date, lead_days: int, closed: Set[date] = frozenset()) -> date:
    """The last working day on which to order what must be there on a day.

    >>> order_by(date(2026, 3, 10), 2)  # Tuesday; Monday, Friday
    datetime.date(2026, 3, 6)
    >>> order_by(date(2026, 3, 8), 0)  # a Sunday
    datetime.date(2026, 3, 6)
    """
    day, left = needed_on, min(lead_days, MAX_WORKING_DAYS)
    while not is_working_day(day, closed):
        day -= timedelta(days=1)
    while left:
        day -= timedelta(days=1)
        left -= is_working_day(day, closed)
    return day


def is_over(by: date, today: date, closed: Set[date] = frozenset()) -> bool:
    """Whether it is too late to order what was to be ordered by a day; on days off the last working day's orders are
    still in time, since a lead time is counted in working days.

    >>> is_over(date(2026, 3, 6), date(2026, 3, 8)), is_over(date(2026, 3, 6), date(2026, 3, 9))  # Sunday, Monday
    (False, True)
    """
    return by < order_by(today, 0, closed)


def plan_lots(
    wanted: Iterable[tuple[date, int]],
    rules: LotRules,
    free: int = 0,
    coming: Iterable[tuple[date, int]] = (),
) -> tuple[Lot, ...]:
    """Lot for lot: what to order beyond what is free and what comes, a lot a day on which more is needed.

    What a lot brings over its day's want, since it is sold by the pack, goes to the days after it.
    """
    receipts, left, lots = sorted(coming), free, []
    for day, quantity in sorted(_by_day(wanted).items()):
        while receipts and receipts[0][0] <= day:
            left += receipts.pop(0)[1]
        left -= quantity
        if left < 0:
            lot = rules.lot(-left)
            lots.append(Lot(lot, day, order_by(day, rules.lead_days, rules.closed)))
            left += lot
    return tuple(lots)


def _by_day(wanted: Iterable[tuple[date, int]]) -> Mapping[date, int]:
    days: dict[date, int] = {}
    for day, quantity in wanted:
        days[day] = days.get(day, 0) + quantity
    return days


def shelf_wants(position: int, reorder_point: int | None, reorder_to: int | None) -> int:
    """How many to order for the shelf: up to `reorder_to` once what is free or on its way is down to the point.

    An item without a point is ordered for jobs alone; without a `reorder_to`, one over its point.

    >>> shelf_wants(4, 4, 10), shelf_wants(5, 4, 10), shelf_wants(4, 4, None), shelf_wants(0, None, 10)
    (6, 0, 1, 0)
    """
    if reorder_point is None or position > reorder_point:
        return 0
    return max(reorder_to or 0, reorder_point + 1) - position


def reorder_point(used: int, days: int, lead_days: int, safety_days: int = 0) -> int:
    """The point by steady use: as much as goes while an order is on its way, and for some days of safety; rounded up.

    used: pieces in `days` working days.

    >>> reorder_point(8000, 250, 3), reorder_point(8000, 250, 3, safety_days=1)
    (96, 128)
    """
    return -(-used * (lead_days + safety_days) // days)


def arrival(ordered_on: date, lead_days: int, closed: Set[date] = frozenset()) -> date:
    """The day on which what is ordered on a day is there, as far as the maker's lead time tells."""
    return add_working_days(ordered_on, min(lead_days, MAX_WORKING_DAYS), closed)


def lead_time_of(
    item_days: int | None, finish: str, finish_days: Mapping[str, int], maker_days: int | None
) -> int | None:
    """Working days from order to goods: the item's own, else its finish's, else its maker's; None: none is known.

    >>> lead_time_of(None, "US10B", {"US10B": 25}, 10), lead_time_of(3, "US10B", {"US10B": 25}, 10)
    (25, 3)
    """
    if item_days is not None:
        return item_days
    return finish_days.get(finish, maker_days)


def missing_to(minimum_cents: int, amounts: Sequence[int]) -> int:
    """How many cents an order of these amounts lacks to a maker's minimum; 0 where it is reached."""
    total = sum(amounts)
    return max(0, minimum_cents - total) if total else 0
