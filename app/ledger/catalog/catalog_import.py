"""A maker's catalog file: what it would change, then all of it on record, or nothing."""

import re
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError, Problem, Problems
from app.fitting import KEYED_CATEGORIES, BulkDecoder, CatalogItem, read_catalog, read_maker, to_json
from app.ledger.search.words import holds
from app.ledger.store.engine import get_row, transaction
from app.ledger.store.errors import Stale
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import CatalogRow, Maker

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many rows are done, and how many there are (0: not known yet)."""

STEP = 1000
MOST_EXPLAINED = 500  # the nearest legal number takes a search of its own; later problems only name the number
Item = tuple[CatalogItem, dict[str, Any]]
"""An item of a catalog, and what its number means where it is a cylinder."""

_WRITTEN = ("category", "description", "attributes", "cost_cents", "list_cents", "is_stocked")
_TABLE: sa.Table = CatalogRow.__table__  # type: ignore[assignment]  # declared wider than it is


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


def _nothing(doing: str, done: int, total: int) -> None:
    """Nobody watches."""


def _read(maker: Maker, name: str, content: bytes, progress: Progress) -> tuple[list[Item], list[Problem]]:
    """The items of a file, the number of each as the maker writes it, and all that is wrong."""
    rows = read_catalog(name, content, maker.name, lambda done: progress("reading rows", done, 0))
    problems = list(rows.problems)
    decoder = BulkDecoder(read_maker(maker.tables).patterns if maker.tables else ())
    items: list[Item] = []
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


def _compare(session: Session, maker_id: int, items: Iterable[Item]) -> _Delta:
    columns = ("id", *_WRITTEN, "part_number", "version")
    rows = session.execute(sa.select(*(_TABLE.c[name] for name in columns)).where(_TABLE.c.maker_id == maker_id))
    known = {row.part_number: row for row in rows}
    inserts, updates, unchanged = [], [], 0
    for item, attributes in items:
        values = {
            "maker_id": maker_id,
            "part_number": item.part_number,
            "category": item.category,
            "description": item.description,
            "attributes": attributes,
            "cost_cents": item.cost_cents,
            "list_cents": item.list_cents,
            "is_stocked": item.stocked,
            "version": 1,
        }
        row = known.get(item.part_number)
        if row is None:
            inserts.append(values)
        elif all(getattr(row, name) == values[name] for name in _WRITTEN):
            unchanged += 1
        else:
            updates.append({**values, "row_id": row.id, "version": row.version + 1})
    return _Delta(inserts, updates, unchanged, len(known) - len(updates) - unchanged)


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


def put_items(session: Session, maker_id: int, items: Iterable[Item]) -> None:
    """Put a maker's items on record, inside the caller's transaction; those that are not among them stay."""
    _write(session, _compare(session, maker_id, items), _nothing)
    forget_items(session)


def forget_items(session: Session) -> None:
    """Have the items that the session holds read again: rows were written without it."""
    for held in session.identity_map.values():
        if isinstance(held, CatalogRow):
            session.expire(held)


def plan_catalog(
    session: Session, maker_id: int, name: str, content: bytes, progress: Progress = _nothing
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
    progress: Progress = _nothing,
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


def catalog_page(
    session: Session, maker_id: int, text: str = "", page: int = 1, size: int = 50
) -> tuple[Sequence[CatalogRow], int]:
    """One page of a maker's items that hold every word of `text`, stocked first, and how many there are."""
    rows = sa.select(CatalogRow).where(CatalogRow.maker_id == maker_id)
    for word in text.split()[:8]:
        rows = rows.where(sa.or_(holds(CatalogRow.part_number, word), holds(CatalogRow.description, word)))
    count = session.scalar(sa.select(sa.func.count()).select_from(rows.subquery())) or 0
    order = (CatalogRow.is_stocked.desc(), CatalogRow.part_number)
    return session.scalars(rows.order_by(*order).limit(size).offset((page - 1) * size)).all(), count


def items_of(session: Session, maker: Maker) -> Iterator[CatalogItem]:
    """A maker's items as the fitting room knows them, by part number."""
    columns = ("part_number", "category", "description", "cost_cents", "list_cents", "is_stocked")
    rows = sa.select(*(_TABLE.c[name] for name in columns)).where(_TABLE.c.maker_id == maker.id)
    for row in session.execute(rows.order_by(_TABLE.c.part_number)):
        yield CatalogItem(
            row.part_number, maker.name, row.category, row.description, row.cost_cents, row.list_cents, row.is_stocked
        )
