"""Shop or factory for each group of lines: ask the pricing room, apply the counter's override, keep the reasons."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil

import sqlalchemy as sa

from app.errors import BitternError, Problem
from app.ledger.catalog.maker_queries import factory_terms_on
from app.ledger.quoting.blank_stock import bench_today
from app.ledger.quoting.decision_record import keep_choice, keep_parts
from app.ledger.quoting.grouping import LineGroup, keying_request, parts_of
from app.ledger.quoting.request import QuoteRequest
from app.ledger.quoting.snapshot import KeyingChoice
from app.ledger.store.work import Work
from app.ledger.tables import KeySystem, Maker
from app.pricing import (
    BenchTerms,
    CylinderSource,
    Decision,
    FactoryTerms,
    KeyingRequest,
    KeyingWay,
    ObstacleCode,
    SplitChoice,
    SplitDecision,
    SplitOption,
    decide,
    decide_split,
)

KEYED_AT = ("", "shop", "factory", "split")
"""Where the counter may insist on; "" leaves it to the figures."""

# What no override can wish away: nobody may or can do the work there.
_FIRM = {
    ObstacleCode.NO_TERMS,
    ObstacleCode.NOT_KEYED,
    ObstacleCode.OWN_CYLINDERS,
    ObstacleCode.KEYWAY,
    ObstacleCode.RECORDS,
}
_SPLIT_NAMES = {SplitChoice.ALL_SHOP: "shop", SplitChoice.ALL_FACTORY: "factory", SplitChoice.SPLIT: "split"}
_NO_PARTS = (
    "To key a job in two places, give some lines of a maker's cylinders a day of their own: "
    "the bench keys those, the factory the rest."
)


@dataclass(frozen=True, slots=True)
class Group:
    """A group decided. `cost_shares`: the keying's cost by line, adding up to the whole; from `places`."""

    choice: KeyingChoice
    places: tuple[int, ...]
    cost_shares: tuple[int, ...]
    bench_minutes: int


@dataclass(frozen=True, slots=True)
class _Weighed:
    """A group with both ways costed, and where its lines have days of their own the split too."""

    group: LineGroup
    decision: Decision
    parts: tuple[LineGroup, LineGroup] | None
    split: SplitDecision | None

    @property
    def computed(self) -> str:
        if self.split is not None:
            return _SPLIT_NAMES[self.split.choice] if self.split.choice else ""
        return self.decision.choice.value if self.decision.choice else ""


def choose(work: Work, ask: QuoteRequest, groups: Sequence[LineGroup]) -> tuple[list[Group], list[Problem]]:
    """Decide every group; problems for those that cannot be keyed anywhere or as the counter insists."""
    if not groups:
        return [], []
    bench = bench_today(work.session, work.today)
    makers = dict(work.session.execute(sa.select(Maker.code, Maker.id)).all())
    system = work.session.get(KeySystem, ask.system.existing_id) if ask.system and ask.system.existing_id else None
    decided: list[Group] = []
    problems: list[Problem] = []
    if ask.keyed_at == "split" and not any(parts_of(group) for group in groups):
        problems.append(Problem("keyed_at", _NO_PARTS))
    for group in groups:
        terms = factory_terms_on(work.session, makers[group.maker_code], work.today) if group.maker_code else None
        try:
            weighed = _weigh(work, ask, group, system, bench, terms)
        except BitternError as error:
            problems.append(Problem(f"lines.{group.places[0]}.keying", error.message))
            continue
        override, problem = _override(ask, weighed)
        if problem:
            problems.append(problem)
        elif not weighed.computed and override is None:
            problems.append(Problem(f"lines.{group.places[0]}.keying", _neither(weighed.decision)))
        decided += _groups(ask, weighed, override, (bench, terms))
    return decided, problems


def _weigh(
    work: Work,
    ask: QuoteRequest,
    group: LineGroup,
    system: KeySystem | None,
    bench: BenchTerms,
    terms: FactoryTerms | None,
) -> _Weighed:
    decision = decide(keying_request(work.today, ask, group, system), bench, terms)
    parts = parts_of(group) if terms is not None else None
    if parts is None or terms is None:
        return _Weighed(group, decision, None, None)
    bulk, rest = (_part_request(work, ask, part, system, group) for part in parts)
    try:
        return _Weighed(group, decision, parts, decide_split(bulk, rest, bench, terms))
    except BitternError:  # of two keyways: never one system, so there is nothing to split
        return _Weighed(group, decision, None, None)


def _part_request(
    work: Work, ask: QuoteRequest, part: LineGroup, system: KeySystem | None, whole: LineGroup
) -> KeyingRequest:
    asked = keying_request(work.today, ask, part, system, whole.kind)
    if part.own_days:
        # A day of their own goes before the job's, be it sooner or later.
        days = [day for day in part.own_days if day >= work.today]
        return replace(asked, need_by=min(days, default=None))
    return asked


def _override(ask: QuoteRequest, weighed: _Weighed) -> tuple[str | None, Problem | None]:
    """The way that the counter insists on for this group, or what stands firmly against it."""
    # Own cylinders are keyed here whatever was chosen for the rest of the job.
    if not ask.keyed_at or weighed.group.source is CylinderSource.CUSTOMER or ask.keyed_at == weighed.computed:
        return None, None
    if ask.keyed_at == "split":
        if weighed.split is None:
            return None, None  # this group has nothing to split; the figures decide it
        option = weighed.split.option(SplitChoice.SPLIT)
        firm = _firm_of_split(option)
        total = option.total_cents
    else:
        way = weighed.decision.shop if ask.keyed_at == "shop" else weighed.decision.factory
        firm = _firm(way)
        total = way.total_cents
    if firm or total is None:
        where = "in two places" if ask.keyed_at == "split" else f"at the {ask.keyed_at}"
        return None, Problem("keyed_at", f"This cannot be keyed {where}: {' '.join(firm)}")
    return ask.keyed_at, None


def _firm(way: KeyingWay) -> list[str]:
    return [obstacle.sentence for obstacle in way.obstacles if obstacle.code in _FIRM]


def _firm_of_split(option: SplitOption) -> list[str]:
    """What no override can wish away: a way's own, and that a system's records cannot be kept in one place."""
    of_ways = {sentence for way in option.ways for sentence in way.why_not}
    of_records = [sentence for sentence in option.why_not if sentence not in of_ways]
    return [*of_records, *(sentence for way in option.ways for sentence in _firm(way))]


def _neither(decision: Decision) -> str:
    why = " ".join(dict.fromkeys((*decision.shop.why_not, *decision.factory.why_not)))
    return f"Neither the bench nor the factory can do this. {why} {decision.remedy or ''}".strip()


def _groups(
    ask: QuoteRequest, weighed: _Weighed, override: str | None, terms: tuple[BenchTerms, FactoryTerms | None]
) -> list[Group]:
    """One group keyed in one place, or the two parts of one keyed in two."""
    group, decision = weighed.group, weighed.decision
    choice = override or weighed.computed
    insisted = (override is not None, ask.override_reason.strip() if override else "")
    in_one = "" if choice == "split" else choice
    kept = keep_choice(group, decision, in_one, weighed.computed, insisted, terms, weighed.split)
    if choice == "split" and weighed.split is not None and weighed.parts is not None:
        option = weighed.split.option(SplitChoice.SPLIT)
        choices = keep_parts(kept, weighed.parts, option)
        return [_group(part, one, way) for part, one, way in zip(weighed.parts, choices, option.ways, strict=True)]
    chosen = {"shop": decision.shop, "factory": decision.factory}.get(choice)
    return [_group(group, kept, chosen)]


def _group(group: LineGroup, choice: KeyingChoice, way: KeyingWay | None) -> Group:
    quantities = [one.line.quantity for one in group.lines]
    return Group(
        choice=choice,
        places=group.places,
        cost_shares=tuple(_shares((way.total_cents or 0) if way else 0, quantities)),
        bench_minutes=ceil(way.bench_minutes) if way and choice.choice == "shop" else 0,
    )


def _shares(cents: int, quantities: Sequence[int]) -> list[int]:
    """`cents` shared out by quantity in whole cents that add up: running totals are rounded, not shares.

    >>> _shares(100, [1, 1, 1])
    [33, 33, 34]
    """
    whole = sum(quantities)
    shares, given, done = [], 0, 0
    for quantity in quantities:
        done += quantity
        upto = cents * done // whole
        shares.append(upto - given)
        given = upto
    return shares
