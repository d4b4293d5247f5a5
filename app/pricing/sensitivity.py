"""What would turn a decision: another date, another quantity, another hour's cost of the bench."""

from dataclasses import dataclass, replace
from datetime import date, timedelta
from enum import StrEnum

from app.pricing.costs import first_order, labor_lines
from app.pricing.deciding import WHERE_WORDS, Decision, weigh
from app.pricing.money import show_cents
from app.pricing.terms import BenchTerms, FactoryTerms
from app.pricing.ways import Place
from app.pricing.workdays import count_working_days, show_day
from app.validation import counted

_MOST_LABOR = 100_000


class Lever(StrEnum):
    """What is moved, everything else held."""

    NEED_BY = "need_by"
    QUANTITY = "quantity"
    LABOR = "labour_cents_per_hour"


@dataclass(frozen=True, slots=True)
class Flip:
    """The nearest value of one lever at which the decision is another; for the house alone.

    `at` is a day, a quantity, or cents an hour; `choice` None means that nothing is possible there any more.
    `saving_cents` is what the flip saves against the present choice, negative when it costs more. `told` is
    the sentence without amounts, for the counter and the customer; "" where there is none to tell.
    """

    lever: Lever
    at: date | int
    choice: Place | None
    saving_cents: int | None
    sentence: str
    told: str = ""


def find_flips(decision: Decision, bench: BenchTerms, factory: FactoryTerms | None) -> tuple[Flip, ...]:
    """The nearest flips each way, by lever: dates, then quantities, then the bench's labor.

    Dates are found by deciding again; quantities are the edges of the break-even's runs; labor is the
    smallest whole-cent rate at which the factory costs no more, by search.
    """
    return (
        *_by_date(decision, bench, factory),
        *_by_quantity(decision, factory),
        *_by_labor(decision, bench),
    )


def _by_date(decision: Decision, bench: BenchTerms, factory: FactoryTerms | None) -> list[Flip]:
    asked = decision.request.need_by
    ready = [way.ready for way in (decision.shop, decision.factory) if way.ready is not None]
    later = sorted(day for day in ready if asked is not None and day > asked)
    before = {day - timedelta(days=1) for day in ready}
    earlier = sorted((day for day in before if asked is None or day < asked), reverse=True)
    flips = []
    for days, way in ((later, "later"), (earlier, "earlier")):
        for day in days:
            if day < decision.request.today:
                continue
            then = weigh(replace(decision.request, need_by=day), bench, factory)
            if then.choice is not decision.choice:
                saving = decision.saving_over(then.chosen) if then.chosen else None
                when = _when(asked, day, way, bench)
                sentence, told = f"{when}, {_said(then.choice, saving)}.", f"{when}, {_told(then.choice)}."
                flips.append(Flip(Lever.NEED_BY, day, then.choice, saving, sentence, told))
                break
    return flips


def _when(asked: date | None, day: date, way: str, bench: BenchTerms) -> str:
    """“Needed 2 working days later, by Friday 6 March 2026 or after”; the day alone where none was asked for."""
    after = "or after" if way == "later" else "or before"
    count = count_working_days(min(asked, day), max(asked, day), bench.closed_days) if asked else 0
    moved = f"{counted(count, 'working day')} {way}, " if count else ""
    return f"Needed {moved}by {show_day(day)} {after}"


def _told(choice: Place | None) -> str:
    return "it could be done nowhere" if choice is None else f"{WHERE_WORDS[choice]} would do it"


def _said(choice: Place | None, saving: int | None) -> str:
    if choice is None:
        return "it can be done nowhere"
    if not saving:
        return f"{WHERE_WORDS[choice]} does it"
    what = "saves" if saving > 0 else "does it, for"
    more = "" if saving > 0 else " more"
    return f"{WHERE_WORDS[choice]} {what} {show_cents(abs(saving))}{more}"


def _by_quantity(decision: Decision, factory: FactoryTerms | None) -> list[Flip]:
    if decision.break_even is None or decision.choice is None or factory is None:
        return []
    asked = decision.request.quantity
    inside = any(first <= asked <= last for first, last in decision.break_even.ranges)
    if inside is not (decision.choice is Place.FACTORY):
        return []  # a date or the records decided, not the cost: the quantity turns nothing
    edges: list[tuple[int, Place]] = []
    for first, last in decision.break_even.ranges:
        edges += [(first - 1, Place.SHOP), (first, Place.FACTORY), (last, Place.FACTORY)]
        if last < decision.break_even.limit:
            edges.append((last + 1, Place.SHOP))
    turned = [(at, choice) for at, choice in edges if choice is not decision.choice and at >= 1]
    fewer = max((one for one in turned if one[0] < asked), default=None)
    more = min((one for one in turned if one[0] > asked), default=None)
    least = first_order(decision.request, factory, decision.break_even.limit)
    flips = []
    for at, choice in (one for one in (fewer, more) if one is not None):
        less = "less" if choice is Place.SHOP else "no more"
        # Below its minimum the factory might cost less and yet not be had.
        why = (
            f"{WHERE_WORDS[choice]} costs {less}"
            if at >= least
            else "the factory does not take it, so the bench does it"
        )
        sentence = f"At {counted(at, 'cylinder')} of this mix, {why}."
        flips.append(Flip(Lever.QUANTITY, at, choice, None, sentence))
    return flips


def _by_labor(decision: Decision, bench: BenchTerms) -> list[Flip]:
    away = decision.factory.total_cents
    if away is None or not (decision.shop.possible and decision.factory.possible):
        return []
    lines = labor_lines(decision.request, bench)
    low, high = 0, _MOST_LABOR
    while low < high:
        middle = (low + high) // 2
        if sum([line.at(middle) for line in lines]) >= away:
            high = middle
        else:
            low = middle + 1
    if low in (0, _MOST_LABOR):
        return []
    now = f"it is {show_cents(bench.labour_cents_per_hour)}"
    if decision.choice is Place.SHOP:
        sentence = f"From {show_cents(low)} an hour of bench labor on, the factory costs no more; {now}."
        return [Flip(Lever.LABOR, low, Place.FACTORY, None, sentence)]
    sentence = f"Below {show_cents(low)} an hour of bench labor, the bench costs less; {now}."
    return [Flip(Lever.LABOR, low - 1, Place.SHOP, None, sentence)]
