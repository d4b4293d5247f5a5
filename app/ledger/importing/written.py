"""What an import wrote, kept so that it can be undone; and the undoing, as long as nothing else leans on it."""

import hashlib
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date, datetime
from fractions import Fraction
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.store.engine import WRITTEN, in_steps, write_many
from app.ledger.tables import Base, Inches, UTCDateTime, model_of
from app.validation import counted

_STEP = 500  # ids in one statement
_NOT_MARKED = frozenset({"version"})
_NAMED = 3
_STORY = frozenset({"events", "counters"})  # what was written there stays
_Marks = dict[int, str]


class WrittenRows:
    """Rows that are new, and rows that changed with what stood in them before: whatever use case wrote them."""

    def __init__(self) -> None:
        self._new: dict[type[Base], list[Base]] = {}
        self._bulk: dict[type[Base], list[int]] = {}
        self._ours: set[tuple[type[Base], int]] = set()
        self._changed: dict[type[Base], dict[int, dict[str, Any]]] = {}

    @classmethod
    def from_json(cls, written: Mapping[str, Any]) -> "WrittenRows":
        """What an import wrote, to go on with."""
        found = cls()
        for name, rows in written.items():
            model = model_of(name)
            found.note(model, [id_ for id_, _ in rows["new"]], {id_: kept for id_, _, kept in rows["changed"]})
        return found

    def forget(self, model: type[Base]) -> None:
        """What was written to a table is no more."""
        self._new.pop(model, None)
        self._bulk.pop(model, None)
        self._changed.pop(model, None)

    @contextmanager
    def watching(self, session: Session) -> Iterator[None]:
        """Note what the block writes through the session."""
        session.info[WRITTEN] = self.note
        sa.event.listen(session, "before_flush", self._before)
        sa.event.listen(session, "after_flush", self._after)
        try:
            yield
            session.flush()
        finally:
            del session.info[WRITTEN]
            sa.event.remove(session, "before_flush", self._before)
            sa.event.remove(session, "after_flush", self._after)

    def _before(self, session: Session, *_: object) -> None:
        for row in session.dirty:
            model = type(row)
            if model.__tablename__ in _STORY or (model, row.id) in self._ours:
                continue
            state = sa.inspect(row)
            names = [one.key for one in state.mapper.column_attrs if state.attrs[one.key].history.has_changes()]
            if names:
                table = model.__table__
                before = sa.select(*(table.c[name] for name in names)).where(table.c.id == row.id)
                kept = self._changed.setdefault(model, {}).setdefault(row.id, {})
                with session.no_autoflush:
                    for name, value in zip(names, session.execute(before).one(), strict=True):
                        kept.setdefault(name, _plain(value))

    def _after(self, session: Session, *_: object) -> None:
        for row in session.new:
            if type(row).__tablename__ not in _STORY:
                self._new.setdefault(type(row), []).append(row)
                self._ours.add((type(row), row.id))

    def note(self, model: type[Base], new: Iterable[int], changed: Mapping[int, Mapping[str, Any]]) -> None:
        """Note rows that were written in bulk, past the session: new ones, and what stood in changed ones."""
        ours = self._bulk.setdefault(model, [])
        ours.extend(new)
        self._ours.update((model, id_) for id_ in ours)
        held = self._changed.setdefault(model, {})
        for id_, before in changed.items():
            if (model, id_) not in self._ours:
                kept = held.setdefault(id_, {})
                for name, value in before.items():
                    kept.setdefault(name, _plain(value))

    def to_json(self, session: Session) -> dict[str, Any]:
        """By table: each new row with a mark of its words, each changed one with its mark and its words before."""
        session.flush()
        found: dict[str, Any] = {}
        for model in {**self._new, **self._bulk, **self._changed}:
            new = [row.id for row in self._new.get(model, ())]  # type: ignore[attr-defined]  # every table has an id
            new += self._bulk.get(model, ())
            changed = self._changed.get(model, {})
            table: Any = model.__table__
            marks = _marks(session, table, new) | _marks_of_changed(session, table, changed)
            found[model.__tablename__] = {
                "new": [[id_, marks[id_]] for id_ in new],
                "changed": [[id_, marks[id_], kept] for id_, kept in changed.items()],
            }
        return found


def _plain(value: Any) -> Any:
    return value if isinstance(value, str | int | dict | list | None) else str(value)


def _value(column: sa.Column[Any], plain: Any) -> Any:
    if plain is None:
        return None
    if isinstance(column.type, Inches):
        return Fraction(plain)
    if isinstance(column.type, UTCDateTime):
        return datetime.fromisoformat(plain)
    return date.fromisoformat(plain) if isinstance(column.type, sa.Date) else plain


def _marks(session: Session, table: sa.Table, ids: Collection[int], names: Collection[str] = ()) -> _Marks:
    """What tells whether a row still stands as it was written; names: only of these columns."""
    wanted = names or [column.name for column in table.columns if column.name not in _NOT_MARKED]
    columns = [table.c.id, *(table.c[name] for name in sorted(wanted) if name != "id")]
    marks = {}
    for some in in_steps(list(ids), _STEP):
        for row in session.execute(sa.select(*columns).where(table.c.id.in_(some))):
            words = repr([str(value) for value in row])
            marks[row.id] = hashlib.sha256(words.encode()).hexdigest()[:12]
    return marks


def _marks_of_changed(session: Session, table: sa.Table, changed: Mapping[int, Mapping[str, Any]]) -> _Marks:
    """As `_marks`, by the columns that were changed: undoing puts back no other."""
    alike: dict[tuple[str, ...], list[int]] = {}
    for id_, kept in changed.items():
        alike.setdefault(tuple(sorted(kept)), []).append(id_)
    marks: _Marks = {}
    for names, ids in alike.items():
        marks |= _marks(session, table, ids, names)
    return marks


def what_leans(session: Session, written: Mapping[str, Any]) -> tuple[str, ...]:
    """What stands against undoing it, in words: rows that changed since, rows of other tables that name new ones."""
    found = []
    for name, rows in written.items():
        table = Base.metadata.tables[name]
        noun = name.replace("_", " ").removesuffix("s")
        marks = {id_: mark for id_, mark, *_ in (*rows["new"], *rows["changed"])}
        now = _marks(session, table, [id_ for id_, _ in rows["new"]])
        now |= _marks_of_changed(session, table, {id_: kept for id_, _, kept in rows["changed"]})
        if other := [id_ for id_, mark in marks.items() if now.get(id_) != mark]:
            found.append(f"{counted(len(other), noun)} changed since{_named(session, table, other)}")
        new = {id_ for id_, _ in rows["new"]}
        for holder, column in _links_to(table):
            ours = {id_ for id_, _ in written.get(holder.name, {}).get("new", ())}
            count = 0
            for some in in_steps(list(new), _STEP):
                ids = session.scalars(sa.select(holder.c.id).where(column.in_(some)))
                count += sum(id_ not in ours for id_ in ids)
            if count:
                found.append(f"{counted(count, holder.name.replace('_', ' ').removesuffix('s'))} made of them")
    return tuple(found)


def _named(session: Session, table: sa.Table, ids: Sequence[int]) -> str:
    """The first of some rows in brackets, where they have a code or a name."""
    column = next((table.c[name] for name in ("code", "name") if name in table.c), None)
    if column is None:
        return ""
    rows = sa.select(column).where(table.c.id.in_(ids[:_STEP])).order_by(column)
    names = session.scalars(rows.limit(_NAMED)).all()
    return f" ({', '.join(names)}{', …' if len(ids) > len(names) else ''})" if names else ""


def _links_to(table: sa.Table) -> Iterator[tuple[sa.Table, sa.Column[Any]]]:
    for holder in Base.metadata.sorted_tables:
        for column in holder.columns:
            if any(link.column.table is table for link in column.foreign_keys):
                yield holder, column


def take_back(session: Session, written: Mapping[str, Any]) -> None:
    """Delete what is new and put back what was there, inside the caller's transaction."""
    session.flush()
    for table in reversed(Base.metadata.sorted_tables):
        rows = written.get(table.name)
        if rows is None:
            continue
        alike: dict[tuple[str, ...], list[dict[str, Any]]] = {}
        for id_, _, kept in rows["changed"]:
            before = {f"old_{name}": _value(table.c[name], plain) for name, plain in kept.items()}
            alike.setdefault(tuple(kept), []).append({"row_id": id_, **before})
        for names, values in alike.items():
            change = sa.update(table).where(table.c.id == sa.bindparam("row_id"))
            change = change.values({name: sa.bindparam(f"old_{name}") for name in names})
            if "version" in table.c:
                change = change.values(version=table.c.version + 1)
            write_many(session, change, values)
        for some in in_steps([id_ for id_, _ in rows["new"]], _STEP):
            session.execute(sa.delete(table).where(table.c.id.in_(some)))
    session.expire_all()
