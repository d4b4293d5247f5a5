"""Lines that are keyed together, and what is asked of the bench or the factory for them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

from app.errors import BitternError
from app.ledger.quoting.request import QuoteRequest
from app.ledger.quoting.resolving import Resolved
from app.ledger.tables import KeySystem, LineKind
from app.pricing import CylinderSource, CylinderType, KeyingKind, KeyingRequest, RecordsHolder, SystemAge

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


@dataclass(frozen=True, slots=True)
class LineGroup:
    """Lines that are keyed together: one maker's cylinders, or the customer's own. `who` heads its name."""

    who: str
    maker_code: str
    source: CylinderSource
    places: tuple[int, ...]
    lines: tuple[Resolved, ...]

    @property
    def quantity(self) -> int:
        """Its cylinders."""
        return sum(one.line.quantity for one in self.lines)

    @property
    def name(self) -> str:
        """“Ardent Brass, 24 cylinders”."""
        return f"{self.who}, {self.quantity:,} cylinder{'s' if self.quantity != 1 else ''}"

    @property
    def kind(self) -> KeyingKind:
        """Its deepest keying."""
        return max((one.line.keying.kind for one in self.lines), key=_RANK.index)

    @property
    def own_days(self) -> tuple[date, ...]:
        """The days of those lines that are needed on a day of their own."""
        return tuple(one.line.need_by for one in self.lines if one.line.need_by is not None)


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
        who = lines[0].maker_name if source is CylinderSource.SOLD else "Customer's own"
        groups.append(LineGroup(who, maker_code, source, tuple(places), lines))
    return groups


def parts_of(group: LineGroup) -> tuple[LineGroup, LineGroup] | None:
    """The bulk of a group, and the lines needed on days of their own; None where there are not both."""
    if group.source is CylinderSource.CUSTOMER or not 0 < len(group.own_days) < len(group.lines):
        return None
    pairs = list(zip(group.places, group.lines, strict=True))
    bulk = [pair for pair in pairs if pair[1].line.need_by is None]
    rest = [pair for pair in pairs if pair[1].line.need_by is not None]
    return _part(group, bulk), _part(group, rest)


def _part(group: LineGroup, pairs: Sequence[tuple[int, Resolved]]) -> LineGroup:
    return replace(group, places=tuple(pair[0] for pair in pairs), lines=tuple(pair[1] for pair in pairs))


def keying_request(
    today: date, ask: QuoteRequest, group: LineGroup, system: KeySystem | None, kind: KeyingKind | None = None
) -> KeyingRequest:
    """What is asked of bench or factory for a group; `kind`: the deepest keying of the job it is a part of.

    In one delivery the group is due by the earliest day that it or one of its lines is needed.
    """
    cylinders: dict[CylinderType, int] = {}
    for one in group.lines:
        if one.line.attributes is None:
            raise BitternError("keying", "Only cylinders are keyed.")
        sort = CylinderType(one.line.attributes.type)
        cylinders[sort] = cylinders.get(sort, 0) + one.line.quantity
    attributes = group.lines[0].line.attributes
    kind = kind or group.kind
    records = system.records if system else RecordsHolder.NOBODY
    # Single-keyed cylinders may be in a system whose records nobody holds: they take nothing from it.
    joins = kind.is_master_keyed or (kind is KeyingKind.SKD and records is not RecordsHolder.NOBODY)
    days = [day for day in (ask.need_by, *group.own_days) if day is not None and day >= today]
    return KeyingRequest(
        kind=kind,
        cylinders=cylinders,
        keys=sum(one.line.quantity * one.line.keys_each for one in group.lines),
        today=today,
        system=SystemAge.EXISTING if system and joins else SystemAge.NEW,
        records=records,
        need_by=min(days, default=None),
        goods_cents=sum(one.cost_cents * one.line.quantity for one in group.lines)
        if group.source is CylinderSource.SOLD
        else None,
        source=group.source,
        keyway=attributes.keyway if attributes else None,
    )
