"""Words looked for in the tables, by SQLite's FTS5 or PostgreSQL's tsvector, and how near a row is to them.

The database keeps its index of words in step by itself (migration 0006). All that is said in one dialect stands here.
Jobs, doors and customers are found as ids with a tier, 0 the nearest. A word may stand in the row itself or in the
name of who it belongs to: "101 college" is door 101 of the college. Each statement is made out of the shape of what
was typed alone, so that it is made once; what was typed itself goes in as parameters, from `values_of` and its like.
"""

import re
import unicodedata
from collections.abc import Iterator, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.dialects.postgresql import TSQUERY
from sqlalchemy.orm import Session

from app.fitting import SEPARATORS
from app.ledger.tables import (
    Contact,
    Customer,
    Door,
    FormerName,
    Item,
    Job,
    Key,
    Keyset,
    KeyState,
    KeySystem,
    MakerPaperPage,
    Site,
)

SEARCHED: dict[Any, tuple[str, ...]] = {
    Customer: ("name", "email"),
    Contact: ("name", "email"),
    Site: ("name", "address"),
    FormerName: ("name",),
    Job: ("title", "po_number"),
    Door: ("opening_number", "location"),
    KeySystem: ("name",),
    Keyset: ("purpose", "blind_code"),
    Key: ("holder", "holder_phone", "phone_digits"),
    Item: ("code", "words"),
    MakerPaperPage: ("text", "joined"),
}
"""Which columns of which tables are searched by word, as the migration indexed them; never one with a bitting."""

MOST = 200  # candidates of one kind: beyond them nobody reads, and a person types on
MOST_WORDS = 8
_APART = frozenset("odlm")  # letters before an apostrophe that names begin with
_SHORTEST_OWNER = 4  # letters: what is shorter and ends in s is hardly somebody's
LAST = "\U0010ffff"  # no text that is typed sorts after it
_WIDTHS = tuple(10**size for size in range(9))  # how many numbers begin with the digits typed, by their length
_BIGGEST_JOB = 10**9
_Ids = sa.Select[int]
_Ranked = sa.Select[int, int]
_Values = dict[str, str | int]


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

    Of words that only begin so, an s at the end may stand apart on record, behind an apostrophe, as may the letter
    that O'Neill or D'Arcy begins with; and two neighbors may be one word there.

    >>> query_of("sqlite", ("flat", "2")), query_of("postgresql", ("flat", "2"), whole=True)
    ('("flat"* AND "2"*) OR ("flat2"*)', "('flat' & '2')")
    >>> query_of("postgresql", ("jos\u00e9s",))
    "(('joses':* | 'jose':*))"
    >>> query_of("postgresql", ("oneill",))
    "(('oneill':* | ('o' & 'neill':*)))"
    """
    both, either = (" AND ", " OR ") if dialect == "sqlite" else (" & ", " | ")

    def one(word: str) -> str:
        if whole:
            return _quoted(dialect, word, "")
        ends = [word, word[:-1]] if word.endswith("s") and len(word) > _SHORTEST_OWNER else [word]
        begun = "*" if dialect == "sqlite" else ":*"
        ways = [_quoted(dialect, end, begun) for end in ends]
        if word[0] in _APART and len(word) > _SHORTEST_OWNER:
            ways.append(f"({_quoted(dialect, word[0], '')}{both}{_quoted(dialect, word[1:], begun)})")
        return f"({either.join(ways)})" if len(ways) > 1 else ways[0]

    ways = [tuple(words)]
    if not whole:
        ways += [(*words[:at], words[at] + words[at + 1], *words[at + 2 :]) for at in range(len(words) - 1)]
    return either.join(f"({both.join(map(one, way))})" for way in ways)


def _quoted(dialect: str, word: str, after: str) -> str:
    if dialect == "sqlite":
        return f'"{word}"{after}'
    return f"'{_without_accents(word)}'{after}"  # SQLite takes them off by itself


def _without_accents(word: str) -> str:
    """As `search_words` takes them off: the marks of Latin, Greek and Cyrillic letters, no other script's."""
    apart = unicodedata.normalize("NFD", word)
    return unicodedata.normalize("NFC", re.sub("[\u0300-\u036f]+", "", apart))


def word_ids(dialect: str, model: Any, name: str, limit: int | None = MOST) -> sa.Select[int]:
    """The newest `limit` ids (None: all) of a searched table's rows that answer a query, the parameter `name`."""
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


def values_of(dialect: str, words: Sequence[str]) -> _Values:
    """What `words` are as parameters: `whole`, `begun`, and each way to part them into own and owner's words."""
    values: _Values = {"whole": query_of(dialect, words, whole=True), "begun": query_of(dialect, words)}
    for part, (own, others) in enumerate(_parts(words)):
        values[f"theirs{part}"] = query_of(dialect, others)
        values.update((f"own{part}_{place}", pattern_of(word)) for place, word in enumerate(own))
    return values


def number_values(number: int) -> _Values:
    """A number as the parameters of ranges: itself, then those that begin with its digits; the rest are empty."""
    values: _Values = {}
    for size, width in enumerate(_WIDTHS):
        low = number * width
        fits = size == 0 or 0 < low < _BIGGEST_JOB
        values |= {f"low{size}": low if fits else 1, f"high{size}": low + width - 1 if fits else 0}
    return values


def _current(model: Any) -> Any:
    """The id of the row, or of what it was merged into."""
    return sa.func.coalesce(model.merged_into_id, model.id).label("id")


def _named(dialect: str, model: Any, name: str, limit: int | None = MOST) -> list[_Ids]:
    """Customers or sites by their own words, in the name of what they were merged into too; then by a former name."""
    found = word_ids(dialect, model, name, limit).subquery()
    once = word_ids(dialect, FormerName, name, limit).subquery()
    owner = FormerName.customer_id if model is Customer else FormerName.site_id
    by_former = sa.select(_current(model)).join(FormerName, owner == model.id).join(once, once.c.id == FormerName.id)
    return [sa.select(_current(model)).join(found, found.c.id == model.id), by_former]


def customer_ids(dialect: str, *, has_digits: bool, limit: int | None = MOST) -> _Ranked:
    """Customers by `digits` in their phone (or a contact's), by their own words, then by a contact's or a site's.

    limit: how many of the newest each of these looks at; None where all are listed, page by page.
    """
    contacts = word_ids(dialect, Contact, "begun", limit).subquery()
    sites = [rows.subquery() for rows in _named(dialect, Site, "begun", limit)]
    arms: list[_Ids] = []
    if has_digits:
        # Somebody reads out the last four digits as often as all of them, so they are looked for anywhere.
        digits = sa.bindparam("digits", type_=sa.String())
        arms.append(sa.select(_current(Customer)).where(Customer.phone_digits.contains(digits)).limit(limit))
        theirs = sa.select(Contact.customer_id.label("id")).where(Contact.phone_digits.contains(digits))
        arms.append(theirs.limit(limit))
    own, former = _named(dialect, Customer, "begun", limit)
    arms += [
        _named(dialect, Customer, "whole", limit)[0],
        own,
        former,
        sa.select(Contact.customer_id.label("id")).join(contacts, contacts.c.id == Contact.id),
        *(sa.select(Site.customer_id.label("id")).join(rows, rows.c.id == Site.id) for rows in sites),
    ]
    return _ranked(arms)


def job_ids(dialect: str, words: int, *, has_number: bool) -> _Ranked:
    """Jobs by number, by so many words of their own, by their customer's or site's, and by both together."""
    arms: list[_Ids] = []
    if has_number:
        for size in range(len(_WIDTHS)):  # apart, so that each is a range of the index
            begins = Job.number.between(_whole(f"low{size}"), _whole(f"high{size}"))
            arms.append(sa.select(Job.id).where(begins).order_by(Job.number).limit(MOST))
    arms += [word_ids(dialect, Job, "whole"), word_ids(dialect, Job, "begun")]
    asked: list[tuple[str, list[sa.BindParameter[str]]]] = [("begun", []), *_shapes(words)]
    for name, own in asked:
        for parent, column in ((Customer, Job.customer_id), (Site, Job.site_id)):
            held = [sa.or_(holds_pattern(Job.title, word), holds_pattern(Job.po_number, word)) for word in own]
            mine = sa.select(Job.id).where(column.in_(_listed(dialect, parent, name)), *held)
            arms.append(mine.order_by(Job.id.desc()).limit(MOST))
    return _ranked(arms)


def door_ids(dialect: str, words: int) -> _Ranked:
    """Doors by opening number and location, and by these together with their site's or customer's name."""
    arms = [word_ids(dialect, Door, "whole"), word_ids(dialect, Door, "begun")]
    for name, own in _shapes(words):
        held = [sa.or_(holds_pattern(Door.opening_number, word), holds_pattern(Door.location, word)) for word in own]
        theirs = sa.select(Site.id).where(Site.customer_id.in_(_listed(dialect, Customer, name)))
        for sites in (_listed(dialect, Site, name), theirs.limit(MOST)):
            arms.append(sa.select(Door.id).where(Door.site_id.in_(sites), *held).order_by(Door.id.desc()).limit(MOST))
    return _ranked(arms)


def holder_ids(dialect: str, words: int) -> _Ranked:
    """Keys that are out, by their holder or his phone, by the keyset's purpose or blind code, by the customer."""
    purposes, customers = _listed(dialect, Keyset, "begun"), _listed(dialect, Customer, "begun")
    arms = [
        word_ids(dialect, Key, "begun"),
        _out(Key.keyset_id.in_(purposes)),
        _out(KeySystem.customer_id.in_(customers)),
    ]
    for name, own in _shapes(words):
        held = [sa.or_(holds_pattern(Key.holder, word), holds_pattern(Keyset.purpose, word)) for word in own]
        arms.append(_out(KeySystem.customer_id.in_(_listed(dialect, Customer, name)), *held))
    return _ranked(arms)


def _out(*conditions: sa.ColumnElement[bool]) -> _Ids:
    keys = sa.select(Key.id).join(Key.keyset).join(Keyset.system).where(Key.state == KeyState.OUT, *conditions)
    return keys.order_by(Key.id.desc()).limit(MOST)


def _parts(words: Sequence[str]) -> Iterator[tuple[tuple[str, ...], tuple[str, ...]]]:
    """The ways to part the words into the row's own and its owner's: at one place, either side first."""
    for place in range(1, len(words)):
        left, right = tuple(words[:place]), tuple(words[place:])
        yield left, right
        yield right, left


def _shapes(words: int) -> Iterator[tuple[str, list[sa.BindParameter[str]]]]:
    """Of each of `_parts`: the parameter of the owner's words, and those of the row's own."""
    for part, (own, _) in enumerate(_parts([""] * words)):
        yield f"theirs{part}", [sa.bindparam(f"own{part}_{place}", type_=sa.String()) for place in range(len(own))]


def _whole(name: str) -> sa.BindParameter[int]:
    return sa.bindparam(name, type_=sa.Integer())


def _listed(dialect: str, model: Any, name: str) -> _Ids:
    # Wrapped, since a LIMIT inside of IN stands in a subquery of its own in every dialect.
    named = _named(dialect, model, name) if model in (Customer, Site) else [word_ids(dialect, model, name)]
    parts = [sa.select(rows.subquery().c.id) for rows in named]
    return sa.select(sa.union_all(*parts).subquery().c.id)


def _ranked(arms: Sequence[_Ids]) -> _Ranked:
    """Every id once, with the first arm that has it."""
    parts = []
    for tier, arm in enumerate(arms):
        found = arm.subquery()
        parts.append(sa.select(found.c.id.label("id"), sa.literal(tier, sa.Integer).label("tier")))
    together = sa.union_all(*parts).subquery()
    return sa.select(together.c.id, sa.func.min(together.c.tier).label("tier")).group_by(together.c.id)


def holds(column: Any, text: str) -> sa.ColumnElement[bool]:
    """Whether the column holds the text anywhere."""
    return holds_pattern(column, pattern_of(text))


def holds_pattern(column: Any, pattern: Any) -> sa.ColumnElement[bool]:
    """`holds` for a pattern made by `pattern_of`, or for the parameter that will be one."""
    found: sa.ColumnElement[bool] = column.ilike(pattern, escape="\\")
    return found


def pattern_of(text: str) -> str:
    """The text as a pattern that is met anywhere.

    >>> pattern_of("100 %")
    '%100 \\\\%%'
    """
    return f"%{_plain(text)}%"


def _plain(text: str) -> str:
    return text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")
