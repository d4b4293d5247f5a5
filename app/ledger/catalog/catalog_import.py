"""A maker's catalog file: what it would change, then all of it on record, or nothing."""

import re
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError, Problem, Problems
from app.fitting import KEYED_CATEGORIES, BulkDecoder, CatalogItem, read_catalog, read_maker, to_json
from app.ledger.store.engine import get_row, transaction
from app.ledger.store.errors import Stale
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Item, ItemKind, Maker

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many rows are done, and how many there are (0: not known yet)."""

STEP = 1000
MOST_EXPLAINED = 500  # the nearest legal number takes a search of its own; later problems only name the number
ReadItem = tuple[CatalogItem, dict[str, Any]]
"""An item of a catalog, and what its number means where it is a cylinder."""

_SAID = ("category", "words", "attributes", "cost_cents", "list_cents", "is_stocked")
_WRITTEN = (*_SAID, "kind", "cylinder_type", "finish")
_TABLE: sa.Table = Item.__table__  # type: ignore[assignment]  # declared wider than it is


@dataclass(frozen=True, slots=True)
class CatalogPlan:
    """What a catalog file would do: rows that are new, changed and as they are; items on record that the file does
    not name stay. `problems` are told by row and column; with one, nothing can be loaded."""

    new: int
    changed: int
    unchanged: int
    unnamed: int
    problems: tuple[Problem, ...]

    @property
    def rows(self) -> int:
        """The rows that could be read."""
        return self.new + self.changed + self.unchanged


@dataclass(frozen=True, slots=True)
class _Delta:
    """What to insert, what to update (with `row_id`), how many rows stay, how many on record are not named."""

    inserts: list[dict[str, Any]]
    updates: list[dict[str, Any]]
    unchanged: int
    unnamed: int

    def plan(self, problems: Iterable[Problem]) -> CatalogPlan:
        """What it does, in numbers."""
        return CatalogPlan(len(self.inserts), len(self.updates), self.unchanged, self.unnamed, tuple(problems))


def nobody_watches(doing: str, done: int, total: int) -> None:
    """Tell nobody."""


def _read(maker: Maker, name: str, content: bytes, progress: Progress) -> tuple[list[ReadItem], list[Problem]]:
    """The items of a file, the number of each as the maker writes it, and all that is wrong."""
    rows = read_catalog(name, content, maker.name, lambda done: progress("reading rows", done, 0))
    problems = list(rows.problems)
    decoder = BulkDecoder(read_maker(maker.tables).patterns if maker.tables else ())
    items: list[ReadItem] = []
    seen: dict[str, int] = {}
    misread = 0
    for number, (item, row) in enumerate(zip(rows.items, rows.rows, strict=True), 1):
        if number % STEP == 0:
            progress("reading part numbers", number, len(rows.items))
        attributes = {}
        if item.category in KEYED_CATEGORIES and decoder.patterns:
            try:
                written, made = decoder.read(item.part_number, explain=misread < MOST_EXPLAINED)
                item, attributes = replace(item, part_number=written), to_json(made)
            except BitternError as error:
                misread += 1
                problems.append(Problem(f"row {row}, column part_number", error.message))
        first = seen.setdefault(item.part_number, row)
        if first != row:  # the same number as typed was told already, when the row was read
            said = f"This is {item.part_number}, which stands in row {first} already."
            problems.append(Problem(f"row {row}, column part_number", said))
        items.append((item, attributes))
    problems.sort(key=_row_of)
    return items, problems


def _row_of(problem: Problem) -> int:
    found = re.match(r"row (\d+)", problem.field)
    return int(found[1]) if found else 0


_OF_CATEGORY = {"cylinder": ItemKind.PART, "lock": ItemKind.LOCK, "key_blank": ItemKind.BLANK}


def kind_of(category: str, code: str, words: str, cams: Collection[str]) -> ItemKind:
    """What a maker's item is. cams: the part numbers of the maker's cams.

    >>> kind_of("hardware", "R-18", "Cylinder ring 1/8 in", ()).value, kind_of("hardware", "H-1", "Hinge", ()).value
    ('ring', 'goods')
    """
    if category in _OF_CATEGORY:
        return _OF_CATEGORY[category]
    if code in cams:
        return ItemKind.CAM
    return ItemKind.RING if " ring " in f" {words.lower()} " else ItemKind.GOODS


def columns_of(attributes: Mapping[str, Any]) -> dict[str, str]:
    """What of a cylinder's attributes stands in columns of its item, too."""
    return {"cylinder_type": attributes.get("type") or "", "finish": (attributes.get("finish") or "")[:24]}


def cams_of(tables: Mapping[str, Any] | None) -> frozenset[str]:
    """The part numbers of a maker's cams."""
    return frozenset(cam["part_number"] for cam in (tables or {}).get("cams", ()) if cam.get("part_number"))


def item_values(
    maker_id: int, item: CatalogItem, attributes: dict[str, Any], cams: Collection[str]
) -> dict[str, Any]:
    """An item of a maker as its row has it."""
    return {
        "maker_id": maker_id,
        "code": item.part_number,
        "category": item.category,
        "words": item.description,
        "attributes": attributes,
        "cost_cents": item.cost_cents,
        "list_cents": item.list_cents,
        "is_stocked": item.stocked,
        "kind": kind_of(item.category, item.part_number, item.description, cams),
        **columns_of(attributes),
        "version": 1,
    }


def _compare(session: Session, maker_id: int, given: Iterable[ReadItem]) -> _Delta:
    items = list(given)
    columns = ("id", *_WRITTEN, "code", "version")
    rows = session.execute(sa.select(*(_TABLE.c[name] for name in columns)).where(_TABLE.c.maker_id == maker_id))
    known = {row.code: row for row in rows}
    cams = cams_of(session.scalar(sa.select(Maker.tables).where(Maker.id == maker_id)))
    inserts, updates, unchanged = [], [], 0
    for item, attributes in items:
        values = item_values(maker_id, item, attributes, cams)
        row = known.get(item.part_number)
        if row is None:
            inserts.append(values)
        elif all(getattr(row, name) == values[name] for name in _SAID):
            unchanged += 1
        else:
            updates.append({**values, "row_id": row.id, "version": row.version + 1})
    named = {item.part_number for item, _ in items}
    unnamed = sum(row.list_cents is not None and code not in named for code, row in known.items())
    return _Delta(inserts, updates, unchanged, unnamed)


def _write(session: Session, delta: _Delta, progress: Progress) -> None:
    total = len(delta.inserts) + len(delta.updates)
    progress("saving", 0, total)
    for start in range(0, len(delta.inserts), STEP * 10):
        part = delta.inserts[start : start + STEP * 10]
        session.execute(sa.insert(_TABLE), part)
        progress("saving", start + len(part), total)
    if delta.updates:
        change = sa.update(_TABLE).where(_TABLE.c.id == sa.bindparam("row_id"))
        columns = ("row_id", *_WRITTEN, "version")
        session.execute(change, [{name: row[name] for name in columns} for row in delta.updates])
        progress("saving", total, total)


def put_items(session: Session, maker_id: int, items: Iterable[ReadItem]) -> None:
    """Put a maker's items on record, inside the caller's transaction; those that are not among them stay."""
    _write(session, _compare(session, maker_id, items), nobody_watches)
    forget_items(session)


def forget_items(session: Session) -> None:
    """Have the items that the session holds read again: rows were written without it."""
    for held in session.identity_map.values():
        if isinstance(held, Item):
            session.expire(held)


def plan_catalog(
    session: Session, maker_id: int, name: str, content: bytes, progress: Progress = nobody_watches
) -> CatalogPlan:
    """What the catalog file `name` (.csv or .xlsx) would change; nothing is saved.

    BitternError on `file` when it cannot be read at all; problems of rows are in the plan, all of them.
    """
    items, problems = _read(get_row(session, Maker, maker_id, "maker"), name, content, progress)
    progress("comparing with what is on record", 0, 0)
    return _compare(session, maker_id, items).plan(problems)


def load_catalog(
    work: Work,
    maker_id: int,
    name: str,
    content: bytes,
    progress: Progress = nobody_watches,
    shown: CatalogPlan | None = None,
) -> CatalogPlan:
    """Put a maker's catalog on record: all of it, or Problems by row and nothing.

    Items that the file does not name stay, since quotes and doors may name them. shown: the plan that somebody
    agreed to; Stale when the catalog has changed since, so that the file would do something else.
    """
    work.require_owner()
    items, problems = _read(get_row(work.session, Maker, maker_id, "maker"), name, content, progress)
    if problems:
        raise Problems(problems)
    with transaction(work.session):
        progress("comparing with what is on record", 0, 0)
        delta = _compare(work.session, maker_id, items)
        plan = delta.plan(())
        if shown is not None and shown != plan:
            raise Stale("The catalog was changed after this file was shown. Send it again. Nothing was saved.")
        _write(work.session, delta, progress)
        record(
            work,
            "catalogue loaded",
            f"maker {maker_id}",
            f"{len(delta.inserts):,} items new, {len(delta.updates):,} changed, from {name[:80]}",
        )
    return plan


def count_items(session: Session, maker_id: int) -> int:
    """How many items of a maker's list are on record."""
    rows = sa.select(sa.func.count(Item.list_cents)).where(Item.maker_id == maker_id)
    return session.scalar(rows) or 0


def items_of(session: Session, maker: Maker) -> Iterator[CatalogItem]:
    """A maker's items as the fitting room knows them, by part number."""
    columns = ("code", "category", "words", "cost_cents", "list_cents", "is_stocked")
    rows = sa.select(*(_TABLE.c[name] for name in columns))
    rows = rows.where(_TABLE.c.maker_id == maker.id, _TABLE.c.list_cents.is_not(None))
    for row in session.execute(rows.order_by(_TABLE.c.code)):
        yield CatalogItem(
            row.code, maker.name, row.category, row.words, row.cost_cents, row.list_cents, row.is_stocked
        )
