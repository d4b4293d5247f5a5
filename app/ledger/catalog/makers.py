"""A maker's tables are saved; a catalog's cylinders are read anew when the pattern changes."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError, Problems
from app.fitting import BulkDecoder, MakerFile, Pattern, decode_any, read_maker, repeated_rows, to_json
from app.keying import BittingSpec
from app.ledger.catalog.specs import refuse_breaking
from app.ledger.store.engine import transaction
from app.ledger.store.errors import Stale
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import CatalogRow, Keyway, Maker, SpecRow


def import_maker(work: Work, given: object, version: int | None = None) -> Maker:
    """Put a maker's whole file on record, or bring an earlier one up to date: all of it or nothing.

    `given` is the parsed JSON of a maker's file. BitternError names the table and row at fault. Items that
    are no longer in the file stay, since quotes and doors may name them, and are read by the new pattern.
    version: the maker's when the file was shown, 0 for a new one; Stale when somebody saved since. None:
    whatever is on record is replaced.
    """
    work.require_owner()
    read = read_maker(given)
    if repeated := repeated_rows(read):
        raise Problems(repeated)
    for name, spec in read.bitting_specs.items():
        BittingSpec.from_json(spec, f"bitting_specs.{name}")
    with transaction(work.session):
        maker = work.session.scalar(sa.select(Maker).where(Maker.code == read.code))
        if version is not None and version != (maker.version if maker else 0):
            raise Stale()
        if maker is None:
            maker = Maker(code=read.code, name=read.name)
            work.session.add(maker)
        maker.name = read.name
        maker.tables = json.loads(json.dumps(given))
        work.session.flush()
        put_keyways(work, maker, read)
        _items(work, maker, read)
        work.session.flush()
        reread_catalog(work.session, maker, read.patterns)
        record(
            work,
            "maker imported",
            f"maker {maker.id}",
            f"{maker.name}: {len(read.items)} items, {len(read.keyways)} keyways",
        )
        return maker


def put_keyways(work: Work, maker: Maker, read: MakerFile) -> None:
    """Bring the maker's specs and keyways on record up to its tables, inside the caller's transaction."""
    specs = {name: BittingSpec.from_json(spec) for name, spec in read.bitting_specs.items()}
    _keyways(work, maker, read, {name: _spec(work, name, spec) for name, spec in specs.items()})


def _spec(work: Work, name: str, spec: BittingSpec) -> SpecRow:
    row = work.session.scalar(sa.select(SpecRow).where(SpecRow.name == name))
    if row is None:
        row = SpecRow(name=name, spec=spec.to_json())
        work.session.add(row)
    else:
        refuse_breaking(work, row, BittingSpec.from_json(row.spec), spec)
    row.spec = spec.to_json()
    return row


def _keyways(work: Work, maker: Maker, read: MakerFile, specs: dict[str, SpecRow]) -> None:
    known = {row.code: row for row in work.session.scalars(sa.select(Keyway).where(Keyway.maker_id == maker.id))}
    for keyway in read.keyways:
        row = known.get(keyway.name) or Keyway(maker_id=maker.id, code=keyway.name)
        row.spec = specs[keyway.bitting_spec]
        work.session.add(row)


def _items(work: Work, maker: Maker, read: MakerFile) -> None:
    known = {
        row.part_number: row
        for row in work.session.scalars(sa.select(CatalogRow).where(CatalogRow.maker_id == maker.id))
    }
    for item in read.items:
        row = known.get(item.part_number) or CatalogRow(maker_id=maker.id, part_number=item.part_number)
        row.category, row.description = item.category, item.description
        row.cost_cents, row.list_cents, row.is_stocked = item.cost_cents, item.list_cents, item.stocked
        attributes = item.attributes
        if attributes is None and item.category == "cylinder":
            attributes = decode_any(read.patterns, item.part_number)[0].attributes
        row.attributes = to_json(attributes) if attributes else {}
        work.session.add(row)


_TABLE: sa.Table = CatalogRow.__table__  # type: ignore[assignment]  # declared wider than it is


@dataclass(frozen=True, slots=True)
class Reread:
    """How many cylinders are something else now, and the numbers that were understood and are not any more."""

    changed: int = 0
    unread: tuple[str, ...] = ()


def reread_catalog(session: Session, maker: Maker, patterns: Sequence[Pattern]) -> Reread:
    """Put on record what each of the maker's cylinders is by these patterns, inside the caller's transaction.

    A number that they do not read stays in the catalog and can be sold by its number; it only is not found any
    more by what it is.
    """
    session.flush()
    decoder = BulkDecoder(patterns)
    columns = (_TABLE.c.id, _TABLE.c.part_number, _TABLE.c.attributes, _TABLE.c.version)
    rows = session.execute(sa.select(*columns).where(_TABLE.c.maker_id == maker.id, _TABLE.c.category == "cylinder"))
    changes: list[dict[str, Any]] = []
    unread = []
    for row in rows.all():
        try:
            attributes = to_json(decoder.attributes(row.part_number, explain=False)) if patterns else {}
        except BitternError:
            attributes = {}
        if attributes == row.attributes:
            continue
        if not attributes:
            unread.append(row.part_number)
        changes.append({"row_id": row.id, "attributes": attributes, "version": row.version + 1})
    if changes:
        values: dict[str, sa.BindParameter[Any]] = {name: sa.bindparam(name) for name in ("attributes", "version")}
        session.execute(sa.update(_TABLE).where(_TABLE.c.id == sa.bindparam("row_id")).values(**values), changes)
        for held in session.identity_map.values():
            if isinstance(held, CatalogRow):
                session.expire(held)
    return Reread(len(changes) - len(unread), tuple(sorted(unread)))
