"""A key system with its bittings opened for the house's own reckoning, as the keying room takes it.

Whoever opens one shows no bitting of it: what a person is to see goes through `reveal_bittings`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import sqlalchemy as sa
from sqlalchemy.orm import joinedload, selectinload

from app.keying import Bitting as Cuts
from app.keying import BittingSpec
from app.ledger.keysystems.bittings import open_bittings, spec_of
from app.ledger.keysystems.system_queries import get_system, operators_of
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderOperator, CylinderState, Keyset, KeySystem, Level


@dataclass(frozen=True, slots=True)
class Way:
    """Cylinders that the same keys operate: their label, the keys' symbols, and the cylinders with their doors."""

    label: str
    symbols: tuple[str, ...]
    cylinders: tuple[Cylinder, ...]

    @property
    def places(self) -> tuple[str, ...]:
        """Opening number and position of each, as far as they are known."""
        return tuple(_place(cylinder) for cylinder in self.cylinders)


@dataclass(frozen=True, slots=True)
class OpenedSystem:
    """`keys`: symbol → cuts of every keyset with a bitting but the control; `ways`: label → way."""

    system: KeySystem
    spec: BittingSpec
    keys: dict[str, Cuts] = field(repr=False)
    control: Cuts | None = field(repr=False)
    ways: dict[str, Way]

    @property
    def cylinders(self) -> dict[str, tuple[str, ...]]:
        """Label → symbols, as the keying room takes it; cylinders whose bittings the shop lacks are left out."""
        return {
            way.label: way.symbols
            for way in self.ways.values()
            if way.symbols and all(symbol in self.keys for symbol in way.symbols)
        }


def _place(cylinder: Cylinder) -> str:
    door = f"door {cylinder.door.opening_number}" if cylinder.door else "no door named"
    return door if cylinder.position in ("", "outside") else f"{door}, {cylinder.position}"


def open_system(work: Work, system_id: int) -> OpenedSystem:
    """The system, its cylinders and bittings: five queries."""
    system = get_system(work.session, system_id)
    opened = open_bittings(work.session, work.vault, [system])
    keys = {k.symbol: opened[k.id] for k in system.keysets if k.id in opened and k.level is not Level.CONTROL}
    control = next((opened.get(k.id) for k in system.keysets if k.level is Level.CONTROL), None)
    return OpenedSystem(system, spec_of(system), keys, control, _ways(work, system))


def _ways(work: Work, system: KeySystem) -> dict[str, Way]:
    by_id = {keyset.id: keyset for keyset in system.keysets}
    rows: Sequence[Cylinder] = work.session.scalars(
        sa.select(Cylinder)
        .where(Cylinder.keyset_id.in_(sa.select(Keyset.id).where(Keyset.system_id == system.id)))
        .where(Cylinder.state != CylinderState.REMOVED)
        .options(
            joinedload(Cylinder.door),
            selectinload(Cylinder.operators).joinedload(CylinderOperator.keyset),
        )
        .order_by(Cylinder.id)
        .execution_options(populate_existing=True)
    ).all()
    alike: dict[tuple[str, tuple[str, ...]], list[Cylinder]] = {}
    for cylinder in rows:
        own = by_id[cylinder.keyset_id or 0]
        operators = operators_of(own, is_nmk=cylinder.is_nmk, by_id=by_id)
        crossed = [by_id[one.keyset_id] for one in cylinder.operators if one.keyset_id in by_id]
        symbols = tuple(dict.fromkeys(keyset.symbol for keyset in (*operators, *crossed)))
        label = f"{'X' if crossed else ''}{own.symbol}{'(NMK)' if cylinder.is_nmk else ''}"
        alike.setdefault((label, symbols), []).append(cylinder)
    ways: dict[str, Way] = {}
    for (label, symbols), cylinders in alike.items():
        name = label if label not in ways else f"{label} ({cylinders[0].id})"
        ways[name] = Way(name, symbols, tuple(cylinders))
    return ways
