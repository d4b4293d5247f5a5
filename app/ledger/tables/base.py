"""What every table shares: naming of constraints, exact column types, the version that a stale save trips on."""

from datetime import UTC, datetime
from enum import StrEnum
from fractions import Fraction
from functools import lru_cache
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import DeclarativeBase, Mapped, declared_attr, mapped_column

# Names are fixed from the first migration on: SQLite can only alter a table by name (Alembic's batch mode).
_NAMES = {
    "ix": "ix_%(column_0_label)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}


class Base(DeclarativeBase):
    """The base of every table of the ledger."""

    metadata = sa.MetaData(naming_convention=_NAMES)

    def __repr__(self) -> str:
        # Column values stay out: a row in a log line must never show what it holds.
        return f"<{type(self).__name__} {sa.inspect(self).identity}>"


def model_of(table: str) -> Any:
    """The model whose rows are in the table of this name."""
    return next(one.class_ for one in Base.registry.mappers if one.class_.__tablename__ == table)


class UTCDateTime(sa.types.TypeDecorator[datetime]):
    """A moment: always with a time zone in Python, always UTC in the database."""

    impl = sa.DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: sa.Dialect) -> datetime | None:
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a moment without a time zone")
        return value.astimezone(UTC)

    def process_result_value(self, value: datetime | None, dialect: sa.Dialect) -> datetime | None:
        if value is None:
            return None
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)


@lru_cache(maxsize=4096)  # the same few lengths stand in a great many rows
def _read(text: str) -> Fraction:
    return Fraction(text)


class Inches(sa.types.TypeDecorator[Fraction]):
    """An exact length in inches, kept as text such as '9/8'."""

    impl = sa.String(24)
    cache_ok = True

    def process_bind_param(self, value: Fraction | None, dialect: sa.Dialect) -> str | None:
        return None if value is None else str(Fraction(value))

    def process_result_value(self, value: Any | None, dialect: sa.Dialect) -> Fraction | None:
        return None if value is None else _read(value)


class LongText(sa.Text):
    """A text of several lines; the database sets it no end, a form at most `most` characters."""

    def __init__(self, most: int) -> None:
        super().__init__()
        self.most = most


def longest(column: Any) -> int:
    """How many characters a column takes, as in `longest(Customer.name)`; 0 where nothing says it."""
    kind = column.type
    return int(getattr(kind, "most", None) or getattr(kind, "length", None) or 0)


def choice(values: type[StrEnum], check: str = "", length: int = 24) -> sa.Enum:
    """A column that holds one of the words of `values`, checked by the database on SQLite and PostgreSQL.

    check: the name of its check where the table has two such columns; PostgreSQL takes a name once.
    """
    return sa.Enum(
        values,
        native_enum=False,
        create_constraint=True,
        length=length,
        name=check or values.__name__.lower(),
        values_callable=lambda kind: [member.value for member in kind],
    )


class Versioned:
    """A row that two people can edit: a save that started from an older version is refused."""

    version: Mapped[int] = mapped_column(sa.Integer, nullable=False, default=1)

    @declared_attr.directive
    def __mapper_args__(cls) -> dict[str, Any]:
        return {"version_id_col": cls.__table__.c.version}  # type: ignore[attr-defined]  # set by the mapper


def refuse_changes(model: type[Base], message: str) -> None:
    """Let no row of a table be changed or deleted once it stands: RuntimeError with the message."""

    def refuse(*_: object) -> None:
        raise RuntimeError(message)

    sa.event.listen(model, "before_update", refuse)
    sa.event.listen(model, "before_delete", refuse)
