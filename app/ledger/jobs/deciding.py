"""Shop or factory for each group of lines: ask the pricing room, apply the counter's override, keep the reasons."""

from __future__ import annotations

__all__ = ["Group", "choose", "groups_of"]

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil

import sqlalchemy as sa

from app.errors import BitternError, Problem
from app.ledger.jobs.ask import LineKind, QuoteAsk
from app.ledger.jobs.resolving import Resolved
from app.ledger.jobs.snapshot import KeyingChoice, Way
from app.ledger.keysystems.models import KeySystem
from app.ledger.makers.models import Maker
from app.ledger.makers.queries import factory_terms_on
from app.ledger.prices.queries import bench_terms_on
from app.ledger.work import Work
from app.pricing import (
    BenchTerms,
    CylinderSource,
    CylinderType,
    Decision,
    KeyingAsk,
    KeyingKind,
    ObstacleCode,
    RecordsHolder,
    SystemAge,
    decide,
)
from app.pricing import Way as PricedWay

# The deepest keying of a group is what the bench and the factory must be able to do.
_RANK = (
    KeyingKind.NONE,
    KeyingKind.KD,
    KeyingKind.SKD,
    KeyingKind.KA,
    KeyingKind.MK,
    KeyingKind.GMK,
    KeyingKind.GGMK,
)
# What no override can wish away: nobody may or can do the work there.
_FIRM = {
    ObstacleCode.NO_TERMS,
    ObstacleCode.NOT_KEYED,
    ObstacleCode.OWN_CYLINDERS,
    ObstacleCode.KEYWAY,
    ObstacleCode.RECORDS,
}


@dataclass(frozen=True, slots=True)
class LineGroup:
    """Lines that are keyed together: one maker's cylinders, or the customer's own."""

    name: str
    maker_code: str
    source: CylinderSource
    places: tuple[int, ...]
    lines: tuple[Resolved, ...]


@dataclass(frozen=True, slots=True)
class Group:
    """A group decided. `cost_shares`: the keying's cost by line, adding up to the whole; from `places`."""

    choice: KeyingChoice
    places: tuple[int, ...]
    cost_shares: tuple[int, ...]
    bench_minutes: int


def groups_of(resolved: Sequence[Resolved | None]) -> list[LineGroup]:
    """The groups among the lines that are understood and keyed, in the order of their first lines."""
    found: dict[tuple[str, CylinderSource], list[int]] = {}
    for place, one in enumerate(resolved):
        if one is None or not one.line.kind.is_keyed or one.line.keying.kind is KeyingKind.NONE:
            continue
        own = one.line.kind is LineKind.REKEY
        key = ("" if own else one.line.maker_code, CylinderSource.CUSTOMER if own else CylinderSource.SOLD)
        found.setdefault(key, []).append(place)
    groups = []
    for (maker_code, source), places in found.items():
        lines = tuple(one for place in places if (one := resolved[place]) is not None)
        count = sum(one.line.quantity for one in lines)
        who = lines[0].maker_name if source is CylinderSource.SOLD else "Customer's own"
        name = f"{who}, {count:,} cylinder{'s' if count != 1 else ''}"
        groups.append(LineGroup(name, maker_code, source, tuple(places), lines))
    return groups


def choose(work: Work, ask: QuoteAsk, groups: Sequence[LineGroup]) -> tuple[list[Group], list[Problem]]:
    """Decide every group; problems for those that cannot be keyed anywhere or as the counter insists."""
    if not groups:
        return [], []
    bench = bench_terms_on(work.session, work.today)
    makers = dict(work.session.execute(sa.select(Maker.code, Maker.id)).all())
    system = work.session.get(KeySystem, ask.system.existing_id) if ask.system and ask.system.existing_id else None
    decided: list[Group] = []
    problems: list[Problem] = []
    for group in groups:
        try:
            asked = _keying_ask(work, ask, group, system)
        except BitternError as error:
            problems.append(Problem(f"lines.{group.places[0]}.keying", error.message))
            continue
        terms = factory_terms_on(work.session, makers[group.maker_code], work.today) if group.maker_code else None
        decision = decide(asked, bench, terms)
        override, problem = _override(ask, group, decision)
        if problem:
            problems.append(problem)
        elif decision.choice is None and override is None:
            problems.append(Problem(f"lines.{group.places[0]}.keying", _neither(decision)))
        decided.append(_group(ask, group, decision, override, bench))
    return decided, problems


def _keying_ask(work: Work, ask: QuoteAsk, group: LineGroup, system: KeySystem | None) -> KeyingAsk:
    kind = max((one.line.keying.kind for one in group.lines), key=_RANK.index)
    cylinders: dict[CylinderType, int] = {}
    for one in group.lines:
        if one.line.attributes is None:
            raise BitternError("keying", "Only cylinders are keyed.")
        sort = CylinderType(one.line.attributes.type)
        cylinders[sort] = cylinders.get(sort, 0) + one.line.quantity
    attributes = group.lines[0].line.attributes
    return KeyingAsk(
        kind=kind,
        cylinders=cylinders,
        keys=sum(one.line.quantity * one.line.keys_each for one in group.lines),
        today=work.today,
        system=SystemAge.EXISTING if system and kind.is_master_keyed else SystemAge.NEW,
        records=RecordsHolder(system.records.value) if system else RecordsHolder.NOBODY,
        need_by=ask.need_by if ask.need_by and ask.need_by >= work.today else None,
        goods_cents=sum(one.cost_cents * one.line.quantity for one in group.lines)
        if group.source is CylinderSource.SOLD
        else None,
        source=group.source,
        keyway=attributes.keyway if attributes else None,
    )


def _override(ask: QuoteAsk, group: LineGroup, decision: Decision) -> tuple[str | None, Problem | None]:
    """The way that the counter insists on for this group, or what stands firmly against it."""
    # Own cylinders are keyed here whatever was chosen for the rest of the job.
    if not ask.keyed_at or group.source is CylinderSource.CUSTOMER:
        return None, None
    if decision.choice is not None and decision.choice.value == ask.keyed_at:
        return None, None
    way = decision.shop if ask.keyed_at == "shop" else decision.factory
    firm = [obstacle.sentence for obstacle in way.obstacles if obstacle.code in _FIRM]
    if firm or way.total_cents is None:
        return None, Problem("keyed_at", f"This cannot be keyed at the {ask.keyed_at}: {' '.join(firm)}")
    return ask.keyed_at, None


def _neither(decision: Decision) -> str:
    why = " ".join((*decision.shop.why_not, *decision.factory.why_not))
    return f"Neither the bench nor the factory can do this. {why} {decision.remedy or ''}".strip()


def _group(ask: QuoteAsk, group: LineGroup, decision: Decision, override: str | None, bench: BenchTerms) -> Group:
    computed = decision.choice.value if decision.choice else ""
    choice = override or computed
    chosen = {"shop": decision.shop, "factory": decision.factory}.get(choice)
    quantities = [one.line.quantity for one in group.lines]
    return Group(
        choice=KeyingChoice(
            group=group.name,
            lines=tuple(place + 1 for place in group.places),
            choice=choice,
            computed=computed,
            overridden=override is not None,
            override_reason=ask.override_reason.strip() if override else "",
            ready_on=chosen.ready if chosen else None,
            break_even=decision.break_even.quantity if decision.break_even else None,
            reasons=decision.reasons,
            ways=(_way("shop", decision.shop), _way("factory", decision.factory)),
            owner_notes=(*decision.owner_notes, *decision.flips, *decision.risks),
        ),
        places=group.places,
        cost_shares=tuple(_shares((chosen.total_cents or 0) if chosen else 0, quantities)),
        bench_minutes=ceil(decision.shop.bench_minutes) if choice == "shop" else 0,
    )


def _way(name: str, way: PricedWay) -> Way:
    return Way(
        name=name,
        possible=way.possible,
        total_cents=way.total_cents or 0,
        ready_on=way.ready,
        cost_lines=tuple((line.label, line.cents) for line in way.lines),
        why_not=tuple(f"{obstacle.sentence} {obstacle.detail}".strip() for obstacle in way.obstacles),
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
