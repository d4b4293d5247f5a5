"""One job keyed in two places: the factory for the bulk, the bench for the rest of the same system."""

from collections import Counter
from dataclasses import dataclass, replace
from datetime import date
from enum import StrEnum

from app.errors import BitternError
from app.pricing.deciding import KEYED_FROM_OUR_RECORDS
from app.pricing.request import KeyingRequest, RecordsHolder, Supply, SystemAge, Urgency
from app.pricing.terms import BenchTerms, FactoryTerms, KeyingKind
from app.pricing.ways import KeyingWay, factory_way, shop_way
from app.pricing.workdays import show_day

_WITHOUT_RECORDS = (KeyingKind.KD, KeyingKind.NONE)


class SplitChoice(StrEnum):
    """Where the two parts of the job are keyed."""

    ALL_FACTORY = "all at the factory"
    ALL_SHOP = "all here"
    SPLIT = "the bulk at the factory, the rest here"


@dataclass(frozen=True, slots=True)
class SplitOption:
    """One option with the ways it is made of: one for the whole, or the bulk's and the rest's.

    first: where all of it is keyed here in two deliveries, the rest's own way, which is a part of the whole's.
    """

    choice: SplitChoice
    ways: tuple[KeyingWay, ...]
    why_not: tuple[str, ...]
    first: KeyingWay | None = None

    @property
    def possible(self) -> bool:
        """Whether nothing stands against it."""
        return not self.why_not

    @property
    def total_cents(self) -> int | None:
        """Both parts together; None when a part has no cost."""
        costs = [way.total_cents for way in self.ways if way.total_cents is not None]
        return sum(costs) if len(costs) == len(self.ways) else None

    @property
    def ready(self) -> date | None:
        """When the last part is ready."""
        days = [way.ready for way in self.ways if way.ready is not None]
        return max(days) if len(days) == len(self.ways) else None


@dataclass(frozen=True, slots=True)
class SplitDecision:
    """The three options in a fixed order, the cheapest possible one, and why; no amounts in `reasons`."""

    options: tuple[SplitOption, ...]
    choice: SplitChoice | None
    reasons: tuple[str, ...]
    risks: tuple[str, ...]

    def option(self, choice: SplitChoice) -> SplitOption:
        """The option of that name."""
        return next(one for one in self.options if one.choice is choice)


def decide_split(bulk: KeyingRequest, rest: KeyingRequest, bench: BenchTerms, factory: FactoryTerms) -> SplitDecision:
    """Cost all here, all at the factory, and the bulk there with the rest here; pick the cheapest possible.

    The factory sends one delivery, due by the earlier of their dates. Here all of it is one delivery, too, or, where
    that cannot be in time, the rest is keyed first and each part has its own date. Split, each has its own date. A
    split of anything but KD and uncombinated cylinders needs the records in one place, here: the house makes the
    system or holds it already, and the factory keys from what it is sent (`takes_records`), paid as an extension
    where it is a master-keyed one. Of equal costs the one place is preferred, the factory first.
    `BitternError` when the two parts are not of one system: another kind, day, keyway, source or holder.
    """
    for field in ("kind", "today", "system", "records", "source", "keyway"):
        if getattr(bulk, field) != getattr(rest, field):
            raise BitternError(field, "The two parts of a split must be the same in this.")
    whole = _together(bulk, rest)
    away = factory_way(whole, factory, bench.closed_days)
    options = (
        SplitOption(SplitChoice.ALL_FACTORY, (away,), away.why_not),
        _all_here(bulk, rest, whole, bench, factory),
        _split(bulk, rest, bench, factory),
    )
    possible = [one for one in options if one.possible]
    chosen = min(possible, key=lambda one: one.total_cents or 0) if possible else None
    is_split = chosen is not None and chosen.choice is SplitChoice.SPLIT
    return SplitDecision(
        options,
        chosen.choice if chosen else None,
        _reasons(options, chosen),
        KEYED_FROM_OUR_RECORDS if is_split and bulk.kind not in _WITHOUT_RECORDS else (),
    )


def _together(bulk: KeyingRequest, rest: KeyingRequest) -> KeyingRequest:
    goods = None
    if bulk.goods_cents is not None and rest.goods_cents is not None:
        goods = bulk.goods_cents + rest.goods_cents
    dates = [day for day in (bulk.need_by, rest.need_by) if day is not None]
    return replace(
        bulk,
        cylinders=Counter(bulk.cylinders) + Counter(rest.cylinders),
        keys=bulk.keys + rest.keys,
        goods_cents=goods,
        need_by=min(dates) if dates else None,
        supply=_both(bulk.supply, rest.supply),
    )


def _both(one: Supply | None, other: Supply | None) -> Supply | None:
    if one is None or other is None:
        return None
    days = [supply.here_on for supply in (one, other)]
    here_on = None if None in days else max(day for day in days if day is not None)
    return Supply(one.lacking + other.lacking, here_on, " ".join(filter(None, (one.told, other.told))))


def _all_here(
    bulk: KeyingRequest, rest: KeyingRequest, whole: KeyingRequest, bench: BenchTerms, factory: FactoryTerms
) -> SplitOption:
    at_once = shop_way(whole, bench, factory)
    first = shop_way(rest, bench, factory)
    all_of_it = shop_way(replace(whole, need_by=bulk.need_by), bench, factory)
    if at_once.possible or not (first.possible and all_of_it.possible):
        return SplitOption(SplitChoice.ALL_SHOP, (at_once,), at_once.why_not)
    return SplitOption(SplitChoice.ALL_SHOP, (all_of_it,), (), first)


def _split(bulk: KeyingRequest, rest: KeyingRequest, bench: BenchTerms, factory: FactoryTerms) -> SplitOption:
    against: list[str] = []
    sent = bulk
    if bulk.kind not in _WITHOUT_RECORDS:
        if bulk.system is SystemAge.EXISTING and bulk.records is not RecordsHolder.SHOP:
            against.append("The system's records are not here, and a system keyed in two places breaks.")
        elif not factory.takes_records:
            against.append("The factory does not key from records sent to it, so the system stays in one place.")
        else:
            sent = replace(bulk, system=SystemAge.EXISTING, records=RecordsHolder.SHOP)
    sent = replace(sent, urgency=Urgency.IN_TURN)  # the rush is for what is keyed here
    away, here = factory_way(sent, factory, bench.closed_days), shop_way(rest, bench, factory)
    against += [sentence for way in (away, here) for sentence in way.why_not]
    return SplitOption(SplitChoice.SPLIT, (away, here), tuple(dict.fromkeys(against)))


def _reasons(options: tuple[SplitOption, ...], chosen: SplitOption | None) -> tuple[str, ...]:
    said: list[str] = []
    for one in options:
        if one is not chosen and not one.possible:
            said.append(f"Keyed {one.choice}: {' '.join(one.why_not)}")
    if chosen is None:
        return ("None of the three is possible as it is asked for.", *said)
    others = sum(one.possible for one in options) - 1
    why = "the least costly of the possible ways" if others else "the only possible way"
    ready = f", ready on {show_day(chosen.ready)}" if chosen.ready else ""
    return (*said, f"Keyed {chosen.choice} is {why}{ready}.")
