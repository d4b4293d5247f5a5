"""Words looked for in a table, ranked by nothing but its id: SQLite's FTS5 or PostgreSQL's tsvector, one face.

The database keeps its index of words in step by itself (migration 0006). All that is said in one dialect stands here.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import TSQUERY
from sqlalchemy.orm import Session

from app.fitting import SEPARATORS
from app.ledger.tables import CatalogRow, Contact, Customer, Door, Job, KeySystem, Site

SEARCHED: dict[Any, tuple[str, ...]] = {
    Customer: ("name", "email"),
    Contact: ("name", "email"),
    Site: ("name", "address"),
    Job: ("title", "po_number"),
    Door: ("opening_number", "location"),
    KeySystem: ("name",),
    CatalogRow: ("part_number", "description"),
}
"""Which columns of which tables are searched by word, as the migration indexed them; never one with a bitting."""

MOST = 200  # candidates of one kind: beyond them nobody reads, and a person types on
MOST_WORDS = 8
LAST = "\U0010ffff"  # no text that is typed sorts after it


def is_modelled(name: str | None, kind: str, parents: Any) -> bool:
    """Whether models speak of a table or index: not of `search_…`, which the migration makes in its own dialect.

    >>> is_modelled("jobs", "table", {}), is_modelled("search_jobs_data", "table", {})
    (True, False)
    """
    return not (kind in ("table", "index") and (name or "").startswith("search_"))


def read_words(text: str) -> tuple[str, ...]:
    """The words of a typed text in small letters, the first eight: what stands between blanks and punctuation.

    >>> read_words("Flat 2, AD-Q1_66"), read_words(" - ")
    (('flat', '2', 'ad', 'q1', '66'), ())
    """
    return tuple(re.findall(r"[^\W_]+", text.lower()))[:MOST_WORDS]


def dialect_of(session: Session) -> str:
    """Which database answers: "sqlite" or "postgresql"."""
    return session.get_bind().dialect.name


def query_of(dialect: str, words: Sequence[str], *, whole: bool = False) -> str:
    """What `word_ids` is asked for: rows that hold every word, or (not `whole`) a word that begins so.

    >>> query_of("sqlite", ("flat", "2")), query_of("postgresql", ("flat", "2"), whole=True)
    ('"flat"* AND "2"*', "'flat' & '2'")
    >>> query_of("postgresql", ("jos\u00e9",))
    "'jose':*"
    """
    if dialect == "sqlite":
        return " AND ".join(f'"{word}"' if whole else f'"{word}"*' for word in words)
    bare = (_without_accents(word) for word in words)  # SQLite takes them off by itself
    return " & ".join(f"'{word}'" if whole else f"'{word}':*" for word in bare)


def _without_accents(word: str) -> str:
    """As `search_words` takes them off: the marks of Latin, Greek and Cyrillic letters, no other script's."""
    apart = unicodedata.normalize("NFD", word)
    return unicodedata.normalize("NFC", re.sub("[\u0300-\u036f]+", "", apart))


def word_ids(dialect: str, model: Any, name: str, limit: int = MOST) -> sa.Select[int]:
    """The newest `limit` ids of a searched table's rows that answer a query, to be given as parameter `name`."""
    asked = sa.bindparam(name, type_=sa.String())
    if dialect == "sqlite":
        table = f"search_{model.__tablename__}"
        row = sa.column("rowid", sa.Integer)
        ids = sa.select(row.label("id")).select_from(sa.table(table)).where(sa.column(table).op("MATCH")(asked))
        return ids.order_by(row.desc()).limit(limit)
    texts = [getattr(model, column) for column in SEARCHED[model]]
    held = texts[0]
    for text in texts[1:]:  # as the index has it, so that the index is used
        held = held.op("||")(sa.literal_column("' '")).op("||")(text)
    matches = sa.func.search_words(held).op("@@", is_comparison=True)(sa.cast(asked, TSQUERY))
    return sa.select(model.id).where(matches).order_by(model.id.desc()).limit(limit)


def numbered(dialect: str, column: Any) -> sa.ColumnElement[str]:
    """A part number as its index has it: in small letters without separators, a blank, and as it is written.

    So a beginning of it is met however it is typed, and two numbers that differ by a separator alone stay two.
    """
    bare = sa.func.lower(column)
    for separator in SEPARATORS:  # spelled out, not as parameters: only then is the index used
        bare = sa.func.replace(bare, sa.literal_column(f"'{separator}'"), sa.literal_column("''"))
    key = bare.op("||")(sa.literal_column("' '")).op("||")(sa.func.lower(column))
    return key if dialect == "sqlite" else sa.collate(key, "C")


def ordered(dialect: str, column: Any) -> sa.ColumnElement[str]:
    """The column in the order of its code points, so that a beginning is one range of its index, up to LAST."""
    found: sa.ColumnElement[str] = column if dialect == "sqlite" else sa.collate(column, "C")
    return found
