"""Shop or factory: the decision as a frozen value with its reasons; acting on it, or overriding it, is elsewhere."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from app.pricing.costs import BREAK_EVEN_LIMIT, BreakEven, break_even
from app.pricing.reasons import flips, nearest_remedy, openings, owner_notes, reasons, risks
from app.pricing.request import KeyingRequest
from app.pricing.terms import BenchTerms, FactoryTerms
from app.pricing.ways import KeyingWay, Place, factory_way, shop_way


@dataclass(frozen=True, slots=True)
class Decision:
    """What to do with one group of cylinders, and why.

    `choice` is the cheaper of the possible ways, the factory when both cost the same (as the break-even
    counts it), None when neither is possible: then `remedy` names the nearest change that would help.
    `reasons` may be told to a customer: they hold no amount of money. `owner_notes`, `flips` (what would
    turn the decision), `openings` (those of them that are neither date nor quantity) and `risks` are for the
    house. `break_even` is None without factory terms.
    """

    request: KeyingRequest
    choice: Place | None
    shop: KeyingWay
    factory: KeyingWay
    break_even: BreakEven | None
    reasons: tuple[str, ...]
    owner_notes: tuple[str, ...]
    flips: tuple[str, ...]
    openings: tuple[str, ...]
    risks: tuple[str, ...]
    remedy: str | None

    @property
    def chosen(self) -> KeyingWay | None:
        """The way that was picked."""
        return {Place.SHOP: self.shop, Place.FACTORY: self.factory, None: None}[self.choice]

    @property
    def saving_cents(self) -> int | None:
        """What the choice saves against the other way; negative when the cheaper way is not possible."""
        chosen = self.chosen
        if chosen is None or self.shop.total_cents is None or self.factory.total_cents is None:
            return None
        return self.shop.total_cents + self.factory.total_cents - 2 * (chosen.total_cents or 0)

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
    choice, shop, away = weigh(request, bench, factory)
    crossing = break_even(request, bench, factory, limit) if factory is not None else None
    return Decision(
        request=request,
        choice=choice,
        shop=shop,
        factory=away,
        break_even=crossing,
        reasons=reasons(request, choice, shop, away, crossing),
        owner_notes=owner_notes(request, choice, shop, away, crossing),
        flips=flips(request, choice, shop, away, crossing, bench.closed_days),
        openings=openings(request, choice, shop, away),
        risks=risks(request, choice, shop, away, bench, factory),
        remedy=None if choice else nearest_remedy(request, shop, away, factory),
    )


def weigh(
    request: KeyingRequest, bench: BenchTerms, factory: FactoryTerms | None
) -> tuple[Place | None, KeyingWay, KeyingWay]:
    """Which way is picked, with the bench's and the factory's."""
    shop, away = shop_way(request, bench, factory), factory_way(request, factory, bench.closed_days)
    costs = [(way.total_cents or 0, way.name) for way in (away, shop) if way.possible]
    return min(costs, key=lambda one: one[0])[1] if costs else None, shop, away
