"""Questions about bitting specs; none opens a bitting."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload

from app.keying import BittingSpec
from app.ledger.store.errors import NotFound
from app.ledger.tables import KeySystem, Keyway, Maker, SpecRow


@dataclass(frozen=True, slots=True)
class SpecUse:
    """A spec in the list: its keyways' codes, and how many key systems are keyed by it."""

    row: SpecRow
    keyways: tuple[str, ...]
    systems: int

    @property
    def spec(self) -> BittingSpec:
        """The spec itself."""
        return read_spec(self.row)


def read_spec(row: SpecRow) -> BittingSpec:
    """The spec of a row, under the row's name."""
    return BittingSpec.from_json({**row.spec, "name": row.name})


def get_spec(session: Session, spec_id: int) -> SpecRow:
    """One spec; NotFound when there is none."""
    row = session.get(SpecRow, spec_id)
    if row is None:
        raise NotFound("bitting spec")
    return row


def list_specs(session: Session) -> tuple[SpecUse, ...]:
    """Every spec by name with what uses it: three queries."""
    rows = session.scalars(sa.select(SpecRow).order_by(SpecRow.name)).all()
    keyways: dict[int, list[str]] = {}
    for spec_id, code in session.execute(sa.select(Keyway.spec_id, Keyway.code).order_by(Keyway.code)):
        keyways.setdefault(spec_id, []).append(code)
    counted = sa.select(KeySystem.spec_id, sa.func.count()).group_by(KeySystem.spec_id)
    systems = dict(session.execute(counted).all())
    return tuple(SpecUse(row, tuple(keyways.get(row.id, ())), systems.get(row.id, 0)) for row in rows)


def use_of(session: Session, row: SpecRow) -> tuple[Sequence[Keyway], Sequence[KeySystem]]:
    """The keyways cut to a spec and the systems keyed by it."""
    keyways = session.scalars(
        sa.select(Keyway).where(Keyway.spec_id == row.id).options(joinedload(Keyway.maker)).order_by(Keyway.code)
    ).all()
    systems = session.scalars(
        sa.select(KeySystem)
        .where(KeySystem.spec_id == row.id)
        .options(joinedload(KeySystem.customer))
        .order_by(KeySystem.name)
    ).all()
    return keyways, systems


def keyway_chambers(session: Session) -> list[tuple[str, str, int]]:
    """Code, maker's name and most chambers of every keyway, by code."""
    rows = session.execute(
        sa.select(Keyway.code, Maker.name, SpecRow.spec).join(Keyway.maker).join(Keyway.spec).order_by(Keyway.code)
    )
    return [(code, maker, BittingSpec.from_json(spec).chambers) for code, maker, spec in rows]
