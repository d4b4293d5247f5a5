"""A decision as a quote keeps it: what may be told to a customer apart from what is the owner's alone."""

from __future__ import annotations

from dataclasses import replace

from app.ledger.quoting.grouping import LineGroup
from app.ledger.quoting.snapshot import CostedWay, KeyingChoice
from app.pricing import (
    BenchTerms,
    Decision,
    FactoryTerms,
    KeyingWay,
    SplitDecision,
    SplitOption,
    cost_points,
    find_flips,
)

BULK, REST = "the bulk", "needed on a day of their own"
_LEAST_DRAWN, _MOST_DRAWN = 12, 5_000  # cylinders along the chart's foot


def keep_choice(
    group: LineGroup,
    decision: Decision,
    choice: str,
    computed: str,
    override: tuple[bool, str],
    terms: tuple[BenchTerms, FactoryTerms | None],
    split: SplitDecision | None = None,
) -> KeyingChoice:
    """A group keyed in one place. `override`: whether the counter insisted, and its reason."""
    chosen = {"shop": decision.shop, "factory": decision.factory}.get(choice)
    flips = find_flips(decision, *terms)
    beside = [obstacle.detail for way in (decision.shop, decision.factory) for obstacle in way.obstacles]
    ways = [_way("shop", decision.shop), _way("factory", decision.factory)]
    return KeyingChoice(
        group=group.name,
        lines=tuple(place + 1 for place in group.places),
        choice=choice,
        computed=computed,
        overridden=override[0],
        override_reason=override[1],
        ready_on=chosen.ready if chosen else None,
        break_even=decision.break_even.quantity if decision.break_even else None,
        reasons=split.reasons if split else decision.reasons,  # a split's speak of all three ways
        ways=tuple([*ways, _split_way(split.options[-1])] if split else ways),
        owner_notes=tuple(note for note in decision.owner_notes if note not in beside),
        risks=(*decision.risks, *(split.risks if split else ())),
        quantity=group.quantity,
        flips=(*(flip.sentence for flip in flips), *decision.openings),
        told_flips=tuple(flip.told for flip in flips if flip.told),
        curve=_curve(decision, *terms),
    )


def keep_parts(whole: KeyingChoice, parts: tuple[LineGroup, LineGroup], option: SplitOption) -> list[KeyingChoice]:
    """A group keyed in two places: one choice for the bulk, with all that was weighed, and one for the rest."""
    (bulk, rest), (away, here) = parts, option.ways
    whole = replace(whole, flips=(), told_flips=())  # they turn a choice of one place
    alone = replace(whole, reasons=(), ways=(), owner_notes=(), risks=(), curve=(), break_even=None)
    return [
        _part(whole, f"{bulk.name}, {BULK}", bulk, "factory", away),
        _part(alone, f"{rest.name}, {REST}", rest, "shop", here),
    ]


def _part(base: KeyingChoice, name: str, group: LineGroup, choice: str, way: KeyingWay) -> KeyingChoice:
    return replace(
        base,
        group=name,
        lines=tuple(place + 1 for place in group.places),
        choice=choice,
        ready_on=way.ready,
        quantity=group.quantity,
        in_two_places=True,
    )


def _way(name: str, way: KeyingWay) -> CostedWay:
    return CostedWay(
        name=name,
        possible=way.possible,
        total_cents=way.total_cents or 0,
        ready_on=way.ready,
        cost_lines=tuple((line.label, line.cents) for line in way.lines),
        why_not=way.why_not,
        detail=tuple(obstacle.detail for obstacle in way.obstacles if obstacle.detail),
    )


def _split_way(option: SplitOption) -> CostedWay:
    return CostedWay(
        name="split",
        possible=option.possible,
        total_cents=option.total_cents or 0,
        ready_on=option.ready,
        cost_lines=tuple((line.label, line.cents) for way in option.ways for line in way.lines),
        why_not=option.why_not,
        detail=tuple(obstacle.detail for way in option.ways for obstacle in way.obstacles if obstacle.detail),
    )


def _curve(
    decision: Decision, bench: BenchTerms, factory: FactoryTerms | None
) -> tuple[tuple[int, int, int | None], ...]:
    """Corners of both costs' curves, far enough to show the job itself and the crossing; () without a factory."""
    if factory is None:
        return ()
    asked = decision.request.quantity
    crossing = decision.break_even.quantity if decision.break_even else None
    last = max(_LEAST_DRAWN, asked, min(_MOST_DRAWN, max(2 * asked, (crossing or 0) * 3 // 2)))
    return tuple(
        (point.quantity, point.shop_cents, point.factory_cents if point.factory_takes_it else None)
        for point in cost_points(decision.request, bench, factory, last, most=1)
    )
