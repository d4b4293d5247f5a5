"""A maker is added, one of its tables is changed or exported; names that tables share are checked."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError, Problem, Problems
from app.fitting import maker_problems, read_maker
from app.keying import BittingSpec
from app.ledger.catalog.catalog_import import items_of
from app.ledger.catalog.maker_queries import tables_on_record
from app.ledger.catalog.makers import Reread, put_keyways, reread_catalog
from app.ledger.catalog.sheet_reading import read_sheet
from app.ledger.catalog.sheets import Row, find_sheet
from app.ledger.store.engine import get_version, transaction
from app.ledger.store.errors import LedgerError, Taken
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Maker
from app.spreadsheets import head_problems, table_rows

MOST_BYTES = 4_000_000


def add_maker(work: Work, name: str, code: str) -> Maker:
    """Put a maker on record by name and short code, its tables empty. Taken when either is another's."""
    work.require_owner()
    tables = {"name": name.strip(), "code": code.strip().upper(), "patterns": [], "keyways": [], "bitting_specs": {}}
    read = read_maker(tables)
    with transaction(work.session):
        for column, value in ((Maker.name, read.name), (Maker.code, read.code)):
            if work.session.scalar(sa.select(Maker.id).where(sa.func.lower(column) == value.lower())):
                raise Taken(column.key, f"{value} is on record already.")
        maker = Maker(name=read.name, code=read.code, tables=tables)
        work.session.add(maker)
        work.session.flush()
        record(work, "maker added", f"maker {maker.id}", f"{maker.name} saved")
        return maker


@dataclass(frozen=True, slots=True)
class TableChange:
    """A maker with its table changed, and the cylinders of its catalog that are not understood any more."""

    maker: Maker
    unread: tuple[str, ...] = ()


def change_table(work: Work, maker_id: int, version: int, key: str, rows: Sequence[tuple[int, Row]]) -> TableChange:
    """Replace one of a maker's tables; Problems by row and column and nothing when it cannot be read.

    Where its part numbers mean something else from now on, the catalog's cylinders are read anew.
    """
    work.require_owner()
    with transaction(work.session):
        maker = get_version(work.session, Maker, maker_id, "maker", version)
        sheet = find_sheet(maker.tables, key)
        before = tables_on_record(work.session, maker)
        tables = plan_table(work.session, maker, key, rows)
        kept = {*before["bitting_specs"], *(each["bitting_spec"] for each in tables["keyways"])}
        tables["bitting_specs"] = {name: spec for name, spec in tables["bitting_specs"].items() if name in kept}
        read, was = read_maker({**tables, "items": []}), read_maker({**before, "items": []})
        if read == was:
            return TableChange(maker)
        maker.tables = tables
        put_keyways(work, maker, read)
        reread = Reread() if read.patterns == was.patterns else reread_catalog(work.session, maker, read.patterns)
        work.session.flush()
        record(work, "maker's table changed", f"maker {maker_id}", _changed_words(maker, sheet.title, reread))
        return TableChange(maker, reread.unread)


def plan_table(session: Session, maker: Maker, key: str, rows: Sequence[tuple[int, Row]]) -> dict[str, Any]:
    """The maker's tables as they would be with these rows in one of them; Problems by row and column.

    Keyways may take any bitting spec on record; what a row names of another table must be there.
    """
    tables = tables_on_record(session, maker, every_spec=key == "keyways")
    others = session.scalars(sa.select(Maker.tables).where(Maker.id != maker.id)).all()
    return read_sheet(tables, find_sheet(tables, key), rows, others)


def _changed_words(maker: Maker, title: str, reread: Reread) -> str:
    said = f"{maker.name}: {title} changed"
    if reread.changed:
        said += f", {reread.changed:,} cylinders of the catalog read anew"
    return f"{said}, {len(reread.unread):,} not understood any more" if reread.unread else said


def read_table_file(tables: Mapping[str, Any], key: str, name: str, content: bytes) -> list[tuple[int, Row]]:
    """The rows of a CSV or XLSX file for one of a maker's tables, with their row numbers in the file.

    BitternError when the file cannot be read or its head is not the table's; the rows are checked by `read_sheet`.
    """
    sheet = find_sheet(tables, key)
    rows = list(table_rows(name, content))
    if not rows:
        raise BitternError(
            "file", f"This file is empty. The first row names the columns: {', '.join(sheet.columns)}."
        )
    head = [" ".join(cell.split()).casefold() for cell in rows[0]]
    while head and not head[-1]:
        head.pop()
    if problems := head_problems(head, sheet.columns, sheet.columns):
        raise Problems(problems)
    return [(number, dict(zip(head, row, strict=False))) for number, row in enumerate(rows[1:], 2)]


def plan_maker(session: Session, content: bytes) -> tuple[dict[str, Any], Maker | None]:
    """A maker's JSON file read and checked, and the maker on record that it would replace; nothing is saved.

    Problems name the table, row and field; the patterns must be such that numbers can be told apart.
    """
    if len(content) > MOST_BYTES:
        raise BitternError("file", "This file is too large for a maker's tables; load the items as a catalog.")
    try:
        given = json.loads(content.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise BitternError("file", "This file is not JSON in UTF-8 that can be read.") from error
    problems = [*maker_problems(given), *_spec_problems(given)]
    if problems:
        raise Problems(problems)
    read = read_maker(given)
    known = session.scalar(sa.select(Maker).where(Maker.code == read.code))
    other = session.scalar(sa.select(Maker).where(sa.func.lower(Maker.name) == read.name.lower()))
    if other is not None and other is not known:
        raise LedgerError("name", f"{read.name} is on record with the code {other.code}; use that code.")
    return given, known


def _spec_problems(given: Any) -> list[Problem]:
    """What is wrong with each bitting spec of a maker's file, as far as there are any to look at."""
    specs = given.get("bitting_specs") if isinstance(given, dict) else None
    problems: list[Problem] = []
    for name, spec in specs.items() if isinstance(specs, dict) else ():
        try:
            BittingSpec.from_json(spec, f"bitting_specs.{name[:60]}")
        except BitternError as error:
            problems += error.problems
    return problems


def maker_json(session: Session, maker: Maker) -> dict[str, Any]:
    """The maker's whole file: its tables, and its items as they are on record. `import_maker` reads it back."""
    items = [
        {
            "part_number": item.part_number,
            "category": item.category,
            "description": item.description,
            "cost_cents": item.cost_cents,
            "list_cents": item.list_cents,
            "stocked": item.stocked,
        }
        for item in items_of(session, maker)
    ]
    return {**tables_on_record(session, maker), "items": items}
