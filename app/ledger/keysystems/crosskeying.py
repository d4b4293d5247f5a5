"""Use case: a cylinder is to be operated by further keysets of its system: cross-keying, and what it costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import prod

import sqlalchemy as sa

from app.keying import shearing_depths
from app.ledger.keysystems.auditing import prove_no_interchange
from app.ledger.keysystems.bittings import open_bittings
from app.ledger.keysystems.out_of_use import require_not_lost, require_not_retired
from app.ledger.keysystems.system_queries import get_system, operators_of
from app.ledger.keysystems.ticks import take_ticks_back
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderOperator, Keyset, KeySystem, Level, RecordsHolder, Role


@dataclass(frozen=True, slots=True)
class CrossKeyingCost:
    """How many bittings shear in the cylinder before and after; the growth is the security that it costs."""

    combinations_before: int
    combinations_after: int


def _cylinder(work: Work, cylinder_id: int) -> tuple[Cylinder, KeySystem]:
    cylinder = work.session.get(Cylinder, cylinder_id)
    if cylinder is None or cylinder.keyset_id is None:
        raise NotFound("keyed cylinder")
    own = work.session.get_one(Keyset, cylinder.keyset_id)
    return cylinder, get_system(work.session, own.system_id)


def _asked(system: KeySystem, cylinder: Cylinder, symbols: Sequence[str]) -> list[Keyset]:
    by_symbol = {keyset.symbol: keyset for keyset in system.keysets if keyset.level is not Level.CONTROL}
    unknown = [symbol for symbol in symbols if symbol not in by_symbol]
    if unknown:
        raise LedgerError("operators", f"{system.name} has no keyset {unknown[0][:24]!r}.")
    by_id = {keyset.id: keyset for keyset in system.keysets}
    chain = operators_of(by_id[cylinder.keyset_id or 0], is_nmk=cylinder.is_nmk, by_id=by_id)
    return [by_symbol[symbol] for symbol in dict.fromkeys(symbols) if by_symbol[symbol] not in chain]


def cross_keying_cost(work: Work, cylinder_id: int, symbols: Sequence[str]) -> CrossKeyingCost:
    """What it would cost to have the cylinder operated by these keysets too; saves nothing, shows no bitting."""
    cylinder, system = _cylinder(work, cylinder_id)
    further = _asked(system, cylinder, symbols)
    opened = open_bittings(work.session, work.vault, [system])
    by_id = {keyset.id: keyset for keyset in system.keysets}
    chain = operators_of(by_id[cylinder.keyset_id or 0], is_nmk=cylinder.is_nmk, by_id=by_id)
    rows = sa.select(CylinderOperator.keyset_id).where(CylinderOperator.cylinder_id == cylinder.id)
    now = [*chain, *(by_id[keyset_id] for keyset_id in work.session.scalars(rows) if keyset_id in by_id)]

    def combinations(keysets: Sequence[Keyset]) -> int:
        keys = [opened[keyset.id] for keyset in keysets if keyset.id in opened]
        return prod(len(depths) for depths in shearing_depths(keys)) if keys else 0

    return CrossKeyingCost(combinations(now), combinations([*now, *further]))


def cross_key(work: Work, cylinder_id: int, symbols: Sequence[str]) -> CrossKeyingCost:
    """Have a cylinder operated by further keysets of its own system.

    Refuses (KeyingError) when a key that is not meant to would then operate it, and (LedgerError) keysets of which a
    key is lost; nothing is saved then.
    """
    work.require(Role.BENCH)
    cost = cross_keying_cost(work, cylinder_id, symbols)
    with transaction(work.session):
        cylinder, system = _cylinder(work, cylinder_id)
        require_none_lost(work, cylinder_id, symbols)
        further = insert_operators(work, cylinder_id, symbols)
        if system.records is RecordsHolder.SHOP:
            prove_no_interchange(work, [system])
        record(
            work,
            "cross-keyed",
            f"key system {system.id}",
            f"A cylinder of {system.name} is operated by {', '.join(further)} too",
            job_id=cylinder.job_id,
            combinations_before=cost.combinations_before,
            combinations_after=cost.combinations_after,
        )
    return cost


def require_none_lost(work: Work, cylinder_id: int, symbols: Sequence[str]) -> None:
    """Refuse, on `operators`, to cross a cylinder with keysets of which a key is lost."""
    cylinder, system = _cylinder(work, cylinder_id)
    require_not_lost(work.session, _asked(system, cylinder, symbols), "operators")


def insert_operators(work: Work, cylinder_id: int, symbols: Sequence[str]) -> tuple[str, ...]:
    """Have keysets operate a cylinder that do not yet, inside the caller's transaction; gives their symbols.

    A cylinder that was pinned or checked has other pins by it: it loses its ticks (LedgerError past the bench).
    Whether a key of theirs is lost is the caller's to ask.
    """
    cylinder, system = _cylinder(work, cylinder_id)
    rows = sa.select(CylinderOperator.keyset_id).where(CylinderOperator.cylinder_id == cylinder.id)
    known = set(work.session.scalars(rows))
    further = [keyset for keyset in _asked(system, cylinder, symbols) if keyset.id not in known]
    require_not_retired(further, "operators")
    for keyset in further:
        work.session.add(CylinderOperator(cylinder_id=cylinder.id, keyset_id=keyset.id))
    symbols = tuple(keyset.symbol for keyset in further)
    if symbols:
        take_ticks_back(work, [cylinder.id], f"operated by {', '.join(symbols)} too")
    work.session.flush()
    return symbols
