"""Makers: added, read from their files, changed table by table; their cylinders are read anew by a new pattern."""

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError, Problems
from app.fitting import (
    KEYED_CATEGORIES,
    BulkDecoder,
    CatalogItem,
    MakerFile,
    Pattern,
    decode_any,
    maker_problems,
    read_maker,
    to_json,
)
from app.keying import BittingSpec, check_rules
from app.ledger.catalog.maker_items import columns_of, forget_items, items_of, put_items
from app.ledger.catalog.maker_queries import tables_on_record
from app.ledger.catalog.sheet_reading import family_problems, read_sheet
from app.ledger.catalog.sheets import Row, find_sheet
from app.ledger.catalog.specs import refuse_breaking
from app.ledger.store.engine import change_rows, get_version, transaction
from app.ledger.store.errors import LedgerError, Stale, Taken
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Item, ItemKind, Keyway, Maker, SpecRow
from app.spreadsheets import head_problems, table_rows
from app.validation import place_problems

MOST_BYTES = 4_000_000


def import_maker(work: Work, given: object, version: int | None = None) -> Maker:
    """Put a maker's whole file on record, or bring an earlier one up to date: all of it or nothing.

    `given` is the parsed JSON of a maker's file. BitternError names the table and row at fault. Items that
    are no longer in the file stay, since quotes and doors may name them, and are read by the new pattern.
    version: the maker's when the file was shown, 0 for a new one; Stale when somebody saved since. None:
    whatever is on record is replaced.
    """
    work.require_owner()
    read = _checked(work.session, given)
    with transaction(work.session):
        maker = work.session.scalar(sa.select(Maker).where(Maker.code == read.code))
        if version is not None and version != (maker.version if maker else 0):
            raise Stale()
        if maker is None:
            maker = Maker(code=read.code, name=read.name)
            work.session.add(maker)
        maker.name = read.name
        maker.tables = {name: each for name, each in json.loads(json.dumps(given)).items() if name != "items"}
        work.session.flush()
        put_keyways(work, maker, read)
        put_items(work.session, maker.id, _items(read))
        reread_catalog(work.session, maker, read.patterns)
        record(
            work,
            "maker imported",
            f"maker {maker.id}",
            f"{maker.name}: {len(read.items)} items, {len(read.keyways)} keyways",
        )
        return maker


def put_keyways(work: Work, maker: Maker, read: MakerFile) -> None:
    """Bring the maker's specs, keyways, blanks and cams up to its tables, inside the caller's transaction."""
    _put_pieces(work.session, maker, read)
    specs = {name: _spec(work, name, spec) for name, spec in read.bitting_specs.items()}
    _keyways(work, maker, read, specs)


def _put_pieces(session: Session, maker: Maker, read: MakerFile) -> None:
    """Items of the blanks and cams that the maker's tables name, where there are none yet."""
    named = {cam.part_number: (ItemKind.CAM, f"{cam.name.capitalize()} cam") for cam in read.cams if cam.part_number}
    named |= {one.number: (ItemKind.BLANK, f"Key blank, {', '.join(one.keyways)}") for one in read.blanks}
    known = set(session.scalars(sa.select(Item.code).where(Item.maker_id == maker.id, Item.code.in_(named))))
    for code, (kind, words) in named.items():
        if code not in known:
            category = "key_blank" if kind is ItemKind.BLANK else "hardware"
            session.add(Item(maker_id=maker.id, kind=kind, code=code, category=category, words=words[:300]))
    session.flush()


def _spec(work: Work, name: str, given: Mapping[str, Any]) -> SpecRow:
    """The spec on record as the file has it; the house's own rules stay where the file has none."""
    spec = BittingSpec.from_json(given)
    row = work.session.scalar(sa.select(SpecRow).where(SpecRow.name == name))
    if row is None:
        row = SpecRow(name=name, spec=spec.to_json())
        work.session.add(row)
    else:
        before = BittingSpec.from_json(row.spec)
        spec = spec if "rules" in given else replace(spec, rules=before.rules)
        refuse_breaking(work, row, before, spec)
    row.spec = spec.to_json()
    return row


def _keyways(work: Work, maker: Maker, read: MakerFile, specs: dict[str, SpecRow]) -> None:
    known = {row.code: row for row in work.session.scalars(sa.select(Keyway).where(Keyway.maker_id == maker.id))}
    for keyway in read.keyways:
        row = known.get(keyway.name) or Keyway(maker_id=maker.id, code=keyway.name)
        row.spec = specs[keyway.bitting_spec]
        work.session.add(row)


def _items(read: MakerFile) -> Iterator[tuple[CatalogItem, dict[str, Any]]]:
    for item in read.items:
        attributes = item.attributes
        if attributes is None and item.category in KEYED_CATEGORIES:
            attributes = decode_any(read.patterns, item.part_number)[0].attributes
        yield item, to_json(attributes) if attributes else {}


_TABLE: sa.Table = Item.__table__  # type: ignore[assignment]  # declared wider than it is


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
    columns = (_TABLE.c.id, _TABLE.c.code, _TABLE.c.attributes)
    rows = session.execute(
        sa.select(*columns).where(_TABLE.c.maker_id == maker.id, _TABLE.c.category.in_(KEYED_CATEGORIES))
    )
    changes: dict[int, dict[str, Any]] = {}
    unread = []
    for row in rows.all():
        try:
            attributes = to_json(decoder.read(row.code, explain=False)[1]) if patterns else {}
        except BitternError:
            attributes = {}
        if attributes == row.attributes:
            continue
        if not attributes:
            unread.append(row.code)
        changes[row.id] = {"attributes": attributes, **columns_of(attributes)}
    change_rows(session, Item, changes)
    forget_items(session)
    return Reread(len(changes) - len(unread), tuple(sorted(unread)))


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
class Ordering:
    """How to order from a maker. finish_leads: a finish and working days a line, "US10B 25"."""

    address: str
    email: str
    account_number: str
    minimum_cents: int | None
    lead_days: int | None
    finish_leads: str


def set_ordering(work: Work, maker_id: int, version: int, ordering: Ordering) -> Maker:
    """Save how to order from a maker; BitternError on `finish_leads` where a line is no finish with days."""
    work.require_owner()
    leads = read_finish_leads(ordering.finish_leads)
    with transaction(work.session):
        maker = get_version(work.session, Maker, maker_id, "maker", version)
        maker.address, maker.email = ordering.address, ordering.email
        maker.account_number, maker.minimum_cents = ordering.account_number, ordering.minimum_cents or 0
        maker.lead_days, maker.finish_leads = ordering.lead_days, leads
        work.session.flush()
        record(work, "maker's ordering changed", f"maker {maker_id}", f"How to order from {maker.name} changed")
        return maker


def read_finish_leads(text: str) -> dict[str, int]:
    """Finish → working days from order to goods, out of a box with one a line; BitternError on `finish_leads`.

    >>> read_finish_leads("US10B 25\\n613: 20")
    {'US10B': 25, '613': 20}
    """
    found: dict[str, int] = {}
    for line in filter(None, (line.strip() for line in text.splitlines())):
        finish, _, days = line.replace(":", " ").replace("=", " ").rpartition(" ")
        if not finish.strip() or not (days.isascii() and days.isdecimal() and len(days) < 4) or len(finish) > 24:
            raise BitternError("finish_leads", f"Write a finish and its working days, US10B 25, not “{line[:40]}”.")
        found[finish.strip()] = int(days)
    return found


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
        raise BitternError("file", "This file is too large for a maker's tables; send its items as a table of goods.")
    try:
        given = json.loads(content.decode("utf-8-sig"))
    except (ValueError, RecursionError) as error:
        raise BitternError("file", "This file is not JSON in UTF-8 that can be read.") from error
    read = _checked(session, given)
    known = session.scalar(sa.select(Maker).where(Maker.code == read.code))
    other = session.scalar(sa.select(Maker).where(sa.func.lower(Maker.name) == read.name.lower()))
    if other is not None and other is not known:
        raise LedgerError("name", f"{read.name} is on record with the code {other.code}; use that code.")
    return given, known


def _checked(session: Session, given: Any) -> MakerFile:
    """A maker's file that is sound; else Problems with all that is wrong with it, with its bitting specs, or with its
    key blanks beside those of the other makers on record.
    """
    problems = [*maker_problems(given)]
    specs = given.get("bitting_specs") if isinstance(given, dict) else None
    for name, spec in specs.items() if isinstance(specs, dict) else ():
        try:
            check_rules(BittingSpec.from_json(spec))
        except BitternError as error:
            problems += place_problems(error.problems, f"bitting_specs.{name[:60]}")
    if problems:
        raise Problems(problems)
    read = read_maker(given)
    if problems := family_problems(given, session.scalars(sa.select(Maker.tables).where(Maker.code != read.code))):
        raise Problems(problems)
    return read


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
