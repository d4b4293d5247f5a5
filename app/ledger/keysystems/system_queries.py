"""Questions about key systems that open no bitting."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol, TypeVar

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased, selectinload

from app.ledger.store.errors import NotFound
from app.ledger.tables import Cylinder, CylinderOperator, CylinderState, Keyset, KeySystem


class _Below(Protocol):
    """A keyset as a row of the ledger or as a plain one."""

    @property
    def parent_id(self) -> int | None: ...


_One = TypeVar("_One", bound=_Below)


def systems_sharing_keyway(session: Session, keyway: str, customer_id: int | None = None) -> Sequence[KeySystem]:
    """Systems on a keyway, of one customer or of all, keysets loaded: their keys enter each other's cylinders."""
    rows = (
        sa.select(KeySystem)
        .where(KeySystem.keyway == keyway)
        .options(selectinload(KeySystem.keysets), selectinload(KeySystem.spec))
        .order_by(KeySystem.id)
        # A system of this transaction may have been loaded before its keysets were added.
        .execution_options(populate_existing=True)
    )
    if customer_id is not None:
        rows = rows.where(KeySystem.customer_id == customer_id)
    session.flush()
    return session.scalars(rows).all()


def customers_keysets(session: Session, customer_id: int) -> Sequence[tuple[int, str]]:
    """A customer's keysets as (id, "AA1 of North Hall"), by system and as they were added."""
    rows = sa.select(Keyset.id, Keyset.symbol, KeySystem.name).join(KeySystem)
    rows = rows.where(KeySystem.customer_id == customer_id).order_by(KeySystem.name, Keyset.id)
    return [(keyset_id, f"{symbol} of {name}") for keyset_id, symbol, name in session.execute(rows)]


def operating_keysets(
    session: Session, systems: Sequence[KeySystem], *, with_replaced: bool = True
) -> dict[str, list[Keyset]]:
    """Each distinct way that cylinders of these systems are operated → the keysets that operate it.

    The name tells the keyset and its system; cylinders alike in this stand once. A cylinder's own keyset,
    the masters above it (unless NMK) and its cross-keyed operators operate it. The masters' own cylinders
    are there too. Without the replaced a fitted cylinder is left out in whose place another is on its way.
    """
    names = {system.id: system.name for system in systems}
    by_id = {keyset.id: keyset for system in systems for keyset in system.keysets}
    rows = session.execute(
        sa.select(Cylinder.id, sa.type_coerce(Cylinder.keyset_id, sa.Integer), Cylinder.is_nmk)
        .where(Cylinder.keyset_id.in_(by_id), Cylinder.state != CylinderState.REMOVED)
        .where(sa.true() if with_replaced else ~_is_replaced())
        .order_by(Cylinder.id)
    ).all()
    crossed: dict[int, list[int]] = {}
    for cylinder_id, keyset_id in session.execute(
        sa.select(CylinderOperator.cylinder_id, CylinderOperator.keyset_id)
        .join(Cylinder, Cylinder.id == CylinderOperator.cylinder_id)
        .where(Cylinder.keyset_id.in_(by_id))
        .order_by(CylinderOperator.id)
    ):
        crossed.setdefault(cylinder_id, []).append(keyset_id)
    found: dict[str, list[Keyset]] = {}
    for cylinder_id, keyset_id, is_nmk in rows:
        keyset = by_id[keyset_id]
        operators = operators_of(keyset, is_nmk=is_nmk, by_id=by_id)
        operators += [by_id[other] for other in crossed.get(cylinder_id, []) if other in by_id]
        own = symbol_on(keyset.symbol, is_crossed=cylinder_id in crossed, is_nmk=is_nmk)
        mark = f" ({cylinder_id})" if cylinder_id in crossed else ""
        found[f"{own} of {names[keyset.system_id]}{mark}"] = list(dict.fromkeys(operators))
    return found


def _is_replaced() -> sa.ColumnElement[bool]:
    """Whether a fitted cylinder makes way for one that a job is to bring to the same place on the door."""
    coming = aliased(Cylinder)
    return sa.and_(
        Cylinder.state == CylinderState.FITTED,
        sa.exists().where(
            coming.door_id == Cylinder.door_id,
            sa.func.lower(coming.position) == sa.func.lower(Cylinder.position),
            coming.state.not_in((CylinderState.FITTED, CylinderState.REMOVED)),
        ),
    )


def operators_of(keyset: Keyset, *, is_nmk: bool, by_id: dict[int, Keyset]) -> list[Keyset]:
    """The keyset itself and, unless NMK, every master above it, nearest first."""
    return chain_of(keyset, is_nmk=is_nmk, by_id=by_id)


def chain_of(keyset: _One, *, is_nmk: bool, by_id: Mapping[int, _One]) -> list[_One]:
    """The same for keysets read as plain rows."""
    chain = [keyset]
    above: int | None = None if is_nmk else keyset.parent_id
    while above is not None:
        chain.append(by_id[above])
        above = by_id[above].parent_id
    return chain


def symbol_on(symbol: str, *, is_crossed: bool, is_nmk: bool) -> str:
    """A keyset's symbol as a cylinder bears it: X before where it is cross-keyed, (NMK) after.

    >>> symbol_on("AA1", is_crossed=True, is_nmk=False), symbol_on("AA2", is_crossed=False, is_nmk=True)
    ('XAA1', 'AA2(NMK)')
    """
    return f"{'X' if is_crossed else ''}{symbol}{'(NMK)' if is_nmk else ''}"


def get_system(session: Session, system_id: int) -> KeySystem:
    """A system with its keysets; NotFound when there is none."""
    system = session.scalar(
        sa.select(KeySystem)
        .where(KeySystem.id == system_id)
        .options(selectinload(KeySystem.keysets), selectinload(KeySystem.spec), selectinload(KeySystem.customer))
    )
    if system is None:
        raise NotFound("key system")
    return system


def list_systems(session: Session, customer_id: int | None = None) -> Sequence[KeySystem]:
    """Key systems by customer and name."""
    rows = (
        sa.select(KeySystem).options(selectinload(KeySystem.customer)).order_by(KeySystem.customer_id, KeySystem.name)
    )
    if customer_id is not None:
        rows = rows.where(KeySystem.customer_id == customer_id)
    return session.scalars(rows).all()
