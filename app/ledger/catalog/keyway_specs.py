"""The bitting specs of a maker's keyways, as they are on record today: a spec has a page of its own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError
from app.keying import BittingSpec
from app.ledger.tables import Keyway, Maker, SpecRow


def spec_names(session: Session) -> Sequence[str]:
    """The names of all bitting specs on record, in order."""
    return session.scalars(sa.select(SpecRow.name).order_by(SpecRow.name)).all()


def tables_on_record(session: Session, maker: Maker, *, every_spec: bool = False) -> dict[str, Any]:
    """The maker's tables with its bitting specs as they are on record, under their names of today.

    What the tables hold of a spec is from the day when they were loaded; it may have been renamed or mended on its
    own page since, and must not come back with the next change of a cam. every_spec: all specs of the house, for a
    keyway that takes another one.
    """
    tables: dict[str, Any] = dict(maker.tables)
    linked: dict[str, str] = dict(
        session.execute(
            sa.select(Keyway.code, SpecRow.name).join(Keyway.spec).where(Keyway.maker_id == maker.id)
        ).all()
    )
    tables["keyways"] = [
        {**each, "bitting_spec": linked.get(each["name"], each["bitting_spec"])} for each in tables.get("keyways", [])
    ]
    held: Mapping[str, Any] = tables.get("bitting_specs", {})
    used = {each["bitting_spec"] for each in tables["keyways"]}
    wanted = sa.select(SpecRow.name, SpecRow.spec).order_by(SpecRow.name)
    rows: dict[str, Any] = dict(
        session.execute(wanted if every_spec else wanted.where(SpecRow.name.in_([*used, *held]))).all()
    )
    tables["bitting_specs"] = {name: _spec(held.get(name), row) for name, row in rows.items()}
    return tables


def _spec(held: Any, row: Any) -> Any:
    """The spec on record, in the maker's own writing where that says the same."""
    try:
        return held if held is not None and BittingSpec.from_json(held) == BittingSpec.from_json(row) else row
    except BitternError:
        return row
