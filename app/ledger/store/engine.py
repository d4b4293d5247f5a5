"""The database connection: SQLite's safety settings, the one way to write, and plain rows read fast."""

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import Any, Concatenate, Generic, ParamSpec, TypeVar

import sqlalchemy as sa
from sqlalchemy.exc import DataError, DBAPIError, IntegrityError
from sqlalchemy.orm import ORMExecuteState, Session, sessionmaker
from sqlalchemy.orm.exc import StaleDataError
from sqlalchemy.orm.interfaces import ORMOption

from app.errors import BitternError
from app.ledger.store.errors import NotFound, Stale, Taken, trouble_of
from app.ledger.store.turns import TurnQueue, queue_of
from app.ledger.tables import Versioned

_Asked = ParamSpec("_Asked")
_Row = TypeVar("_Row")
_Value = TypeVar("_Value")
_Edited = TypeVar("_Edited", bound=Versioned)
_WRITING = "bittern_writing"
_IS_OPEN = "bittern_transaction"
_ANSWERS = "bittern_answers"
WRITTEN = "bittern_written"
_QUEUE = "bittern_writer_queue"
_PATIENCE_SECONDS = 10
_ROWS_AT_ONCE = 200
_WRITER_LOCK = 0x626974  # any number will do, as long as every Bittern on this PostgreSQL database asks for the same


def make_engine(url: str) -> sa.Engine:
    """An engine on `url`. SQLite: WAL, foreign keys on, busy_timeout 10 s, synchronous FULL.

    Writing transactions queue up, on SQLite and on PostgreSQL: what a use case reads before it writes is then
    still true when it writes. SQLite's own transaction handling is switched off in the driver, so that a
    writing transaction can start with BEGIN IMMEDIATE, once it is its thread's turn; on PostgreSQL it starts with
    an advisory lock, which ends with the transaction. Readers never wait.
    """
    # What was being saved stays out of errors and so out of logs.
    engine = sa.create_engine(url, hide_parameters=True)
    if engine.dialect.name == "sqlite":
        engine.update_execution_options(**{_QUEUE: queue_of(str(Path(engine.url.database or "").resolve()))})

        @sa.event.listens_for(engine, "connect")
        def _settings(connection: Any, record: Any) -> None:
            connection.isolation_level = None
            for pragma in (
                "journal_mode=WAL",
                "foreign_keys=ON",
                f"busy_timeout={_PATIENCE_SECONDS * 1000}",
                "synchronous=FULL",
            ):
                connection.execute(f"PRAGMA {pragma}")

        @sa.event.listens_for(engine, "begin")
        def _begin(connection: sa.Connection) -> None:
            writing = connection.get_execution_options().get(_WRITING)
            connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")

    if engine.dialect.name == "postgresql":

        @sa.event.listens_for(engine, "begin")
        def _queue(connection: sa.Connection) -> None:
            if connection.get_execution_options().get(_WRITING):
                connection.exec_driver_sql(f"SET LOCAL lock_timeout = '{_PATIENCE_SECONDS}s'")
                connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({_WRITER_LOCK})")

    return engine


@contextmanager
def engine_on(url: str) -> Iterator[sa.Engine]:
    """`make_engine` for the block; its connections are let go at the end."""
    engine = make_engine(url)
    try:
        yield engine
    finally:
        engine.dispose()


def make_sessions(engine: sa.Engine) -> sessionmaker[Session]:
    """Sessions that keep loaded rows readable after a commit (pages render after the use case ends)."""
    return sessionmaker(engine, expire_on_commit=False)


def get_row(session: Session, table: type[_Row], row_id: int, what: str, *load: ORMOption) -> _Row:
    """The row with this id; NotFound tells that there is no such `what`. `load`: what is to come with it."""
    row = session.get(table, row_id, options=load)
    if row is None:
        raise NotFound(what)
    return row


def get_version(session: Session, table: type[_Edited], row_id: int, what: str, version: int | None) -> _Edited:
    """The row as it was read at `version`: NotFound, or Stale when somebody saved it since."""
    row = get_row(session, table, row_id, what)
    if row.version != version:
        raise Stale()
    return row


def asked_once(
    question: Callable[Concatenate[Session, _Asked], _Value],
) -> Callable[Concatenate[Session, _Asked], _Value]:
    """A question that several readers of one page ask: its answer holds until the session's transaction ends, or the
    session writes. What is asked for has to be hashable, and nobody may change the answer.
    """

    @wraps(question)
    def ask(session: Session, /, *asked: _Asked.args, **named: _Asked.kwargs) -> _Value:
        if session.autoflush:
            session.flush()
        answers = session.info.setdefault(_ANSWERS, {})
        place = question, asked, *named.items()
        if place not in answers:
            answers[place] = question(session, *asked, **named)
        answer: _Value = answers[place]
        return answer

    return ask


@sa.event.listens_for(Session, "after_flush")
@sa.event.listens_for(Session, "after_transaction_end")
def _forget(session: Session, *_: object) -> None:
    session.info.pop(_ANSWERS, None)


@sa.event.listens_for(Session, "do_orm_execute")
def _forget_what_is_written(state: ORMExecuteState) -> None:
    if not state.is_select:
        _forget(state.session)


def in_steps(values: Sequence[_Value], size: int = 5_000) -> Iterator[Sequence[_Value]]:
    """So many of the values at a time: one statement takes only so many, SQLite 32,766.

    >>> list(in_steps([1, 2, 3], 2))
    [[1, 2], [3]]
    """
    return (values[start : start + size] for start in range(0, len(values), size))


@dataclass(frozen=True, slots=True)
class Page(Generic[_Row]):
    """One page of a list, of how many pages, and how many rows there are in all."""

    rows: Sequence[_Row]
    count: int
    page: int
    pages: int


def place_of_page(count: int, page: int, size: int) -> tuple[int, int]:
    """The page that is shown of so many rows, the last one where there are not so many, and how many pages there are.

    >>> place_of_page(101, 9, 50), place_of_page(0, 1, 50)
    ((3, 3), (1, 1))
    """
    pages = max(-(-count // size), 1)
    return min(max(page, 1), pages), pages


def page_of(
    session: Session,
    rows: sa.Select[*tuple[Any, ...]],
    page: int,
    size: int,
    *,
    take: Callable[[sa.Select[*tuple[Any, ...]]], Sequence[_Row]] | None = None,
    counted: sa.Select[*tuple[Any, ...]] | None = None,
) -> Page[_Row]:
    """That page of the rows, or the last one where there are not so many.

    take: what makes the page's rows of the narrowed query; without, they are its first column's. counted: a query
    with as many rows, where that is quicker to count.
    """
    whole = (rows if counted is None else counted).order_by(None).subquery()
    count = session.scalar(sa.select(sa.func.count()).select_from(whole)) or 0
    page, pages = place_of_page(count, page, size)
    shown = rows.limit(size).offset((page - 1) * size)
    return Page(take(shown) if take else session.scalars(shown).all(), count, page, pages)


def page_in(rows: Sequence[_Row], page: int, size: int) -> Page[_Row]:
    """The same of rows that are all in hand.

    >>> page_in("ABCDE", 2, 3)
    Page(rows='DE', count=5, page=2, pages=2)
    """
    page, pages = place_of_page(len(rows), page, size)
    return Page(rows[(page - 1) * size : page * size], len(rows), page, pages)


@contextmanager
def trial(session: Session) -> Iterator[None]:
    """Do what the block does, so that it can be looked at, and undo it: rows that were read before are read anew."""
    with transaction(session):
        tried = session.begin_nested()
        yield
        tried.rollback()
    session.expire_all()


@contextmanager
def transaction(session: Session) -> Iterator[Session]:
    """One use case, one transaction: committed at the end of the block, undone if it raises.

    Inside the block of another it is a part of that one, which is saved or undone as a whole. Whatever the session
    read before is let go first, so the block sees the database as it is now. Raises
    Stale when somebody else saved the row first, Taken when a unique value exists already, LedgerBusy when
    another writer kept the database for too long, LedgerStopped when the disk or the file is in trouble.
    """
    if session.info.get(_IS_OPEN):
        yield session
        session.flush()
        return
    session.rollback()  # nobody waits with a connection in hand
    with _turn(session):
        session.info[_IS_OPEN] = True
        try:
            session.connection(execution_options={_WRITING: True})
            yield session
            session.commit()
        except BaseException as error:
            session.rollback()
            told = _told(error)
            if told is None:
                raise
            raise told from error
        finally:
            del session.info[_IS_OPEN]


def _turn(session: Session) -> AbstractContextManager[None]:
    queue: TurnQueue | None = session.get_bind().get_execution_options().get(_QUEUE)
    return queue.turn(_PATIENCE_SECONDS) if queue else nullcontext()


def _told(error: BaseException) -> BitternError | None:
    """What the database refused, in the ledger's own words; None for what is none of its refusals."""
    if isinstance(error, StaleDataError):
        return Stale()
    if isinstance(error, DataError):  # PostgreSQL's: a NUL, or more than a column holds, that no form turned away
        return BitternError("", "A box holds a character, or more text, than a record can keep.")
    if isinstance(error, IntegrityError):
        return Taken.from_database(str(error.orig))
    return trouble_of(error) if isinstance(error, DBAPIError) else None


def read(
    session: Session, statement: sa.Select[*tuple[Any, ...]], values: Mapping[str, Any] | None = None
) -> Sequence[sa.Row[*tuple[Any, ...]]]:
    """All rows of a statement over columns (never entities), inside the session's own transaction.

    What waits in the session is written first, as `session.execute` does it, whose further work for each statement
    takes longer than a small job's rows.
    """
    if session.autoflush:
        session.flush()
    return session.connection().execute(statement, values).all()


def read_columns(session: Session, statement: sa.Select[*tuple[Any, ...]]) -> list[list[Any]]:
    """The same by column. Of many rows only some are held as such at a time."""
    if session.autoflush:
        session.flush()
    found = session.connection().execute(statement)
    columns: list[list[Any]] = [[] for _ in statement.selected_columns]
    for rows in found.partitions(_ROWS_AT_ONCE):
        for column, values in zip(columns, zip(*rows, strict=True), strict=True):
            column += values
    return columns


def write_many(session: Session, change: sa.Update, rows: Sequence[Mapping[str, Any]]) -> None:
    """Change many rows past the session, each by its own values."""
    session.connection().execute(change, rows)
    _forget(session)


def insert_rows(session: Session, model: Any, rows: Sequence[Mapping[str, Any]]) -> Sequence[int]:
    """Add rows past the session, many in one statement; their ids, in this order.

    For a writing transaction, in whose turn nobody else adds any. Who waits under `WRITTEN` is told of them.
    """
    if not rows:
        return ()
    table = model.__table__
    start = {"version": 1} if issubclass(model, Versioned) else {}
    newest = session.scalar(sa.select(sa.func.max(table.c.id))) or 0
    for some in in_steps(rows):
        session.execute(sa.insert(table), [{**start, **row} for row in some])
    ids = session.scalars(sa.select(table.c.id).where(table.c.id > newest).order_by(table.c.id)).all()
    session.info.get(WRITTEN, _nobody_waits)(model, ids, {})
    return ids


def change_rows(session: Session, model: Any, rows: Mapping[int, Mapping[str, Any]]) -> None:
    """Give rows other values past the session, all of them in the same columns; a version goes up by one.

    Who waits under `WRITTEN` is told what stood there.
    """
    if not rows:
        return
    table = model.__table__
    names = tuple(next(iter(rows.values())))
    if WRITTEN in session.info:
        columns = sa.select(table.c.id, *(table.c[name] for name in names))
        before = {
            row[0]: dict(zip(names, row[1:], strict=True))
            for some in in_steps([*rows])
            for row in session.execute(columns.where(table.c.id.in_(some)))
        }
        session.info[WRITTEN](model, (), before)
    values: dict[str, Any] = {name: sa.bindparam(name) for name in names}
    if issubclass(model, Versioned):
        values["version"] = table.c.version + 1
    change = sa.update(table).where(table.c.id == sa.bindparam("row_id")).values(**values)
    write_many(session, change, [{"row_id": id_, **said} for id_, said in rows.items()])


def _nobody_waits(model: type[Any], ids: Sequence[int], before: Mapping[int, Any]) -> None:
    pass


def rows_by_id(session: Session, table: type[_Row], ids: Collection[int]) -> dict[int, _Row]:
    """The rows of these ids, read some at a time, before the first of them changes."""
    model: Any = table
    found: dict[int, _Row] = {}
    for some in in_steps([*ids]):
        found |= {row.id: row for row in session.scalars(sa.select(model).where(model.id.in_(some)))}
    return found
