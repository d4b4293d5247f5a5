"""What a cross-keying would cost and let in, reckoned before anything is saved."""

from __future__ import annotations

from dataclasses import dataclass

from app.keying import CrossCost, cross_cost
from app.ledger.keysystems.unsealed_system import OpenedSystem, Way
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Role


@dataclass(frozen=True, slots=True)
class CrossAsk:
    """A cylinder, and the symbols of keysets that shall operate it beside those that do."""

    cylinder_id: int
    symbols: tuple[str, ...]


def price_cross_keying(work: Work, opened: OpenedSystem, ask: CrossAsk) -> CrossCost:
    """Combinations before and after, keys that would get in unasked, and other ways; saves and shows no bitting."""
    work.require(Role.BENCH)
    unknown = [symbol for symbol in ask.symbols if symbol not in opened.keys]
    if unknown:
        raise LedgerError("symbols", f"{opened.system.name} has no keyset {unknown[0][:24]} with a bitting here.")
    way = find_way(opened, ask.cylinder_id)
    if set(ask.symbols) <= set(way.symbols):
        raise LedgerError("symbols", f"{', '.join(ask.symbols)} operates this cylinder already.")
    if way.label not in opened.cylinders:
        raise LedgerError("cylinder", "The shop does not hold the bittings of this cylinder; it cannot be reckoned.")
    return cross_cost(opened.keys, opened.cylinders, way.label, [s for s in ask.symbols if s not in way.symbols])


def find_way(opened: OpenedSystem, cylinder_id: int) -> Way:
    """The way that a cylinder is operated; LedgerError when it is not of this system."""
    for way in opened.ways.values():
        if any(cylinder.id == cylinder_id for cylinder in way.cylinders):
            return way
    raise LedgerError("cylinder", "Choose a cylinder of this system.")
