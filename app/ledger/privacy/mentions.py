"""Where a person's words stand: every text of every table that can tell of people, looked through the same way."""

import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.people.users import name_key
from app.ledger.privacy.words import Mark, Replacer
from app.ledger.quoting.snapshot import snapshot_hash
from app.ledger.search.words import dialect_of
from app.ledger.store.vault import Vault
from app.ledger.tables import Base, Contact, Customer, Draft, Event, LoginAttempt, Site, User

Values = dict[str, Any]
NOBODY = 0
"""Stands for a customer where a row is nobody's: the house's own story, its logins."""

# Tables that tell of no customer and no person; every other one is looked through, a new one too.
LEFT_ALONE = {
    "bench_terms": "figures",
    "bench_times": "figures",
    "bitting_specs": "depths",
    "bittings": "sealed",
    "counters": "numbers",
    "deletions": "numbers",
    "factory_terms": "figures",
    "house": "the house itself",
    "house_identity": "a random word",
    "items": "goods",
    "keyways": "makers' keyways",
    "login_rules": "figures",
    "makers": "makers' tables",
    "money_rules": "figures",
    "price_rows": "prices",
    "price_rules": "prices",
    "maker_paper_pages": "a maker's paper as it came",
    "price_tiers": "prices",
    "quote_rules": "the house's own words",
    "replaced_texts": "sealed",
    "stock_places": "the house's own places",
    "tax_rules": "figures",
    "vault_checks": "a hash",
}
# Columns of text that hold no words of people: the house's own words, codes and hashes.
_CODES = frozenset(
    {
        "blind_code",
        "cam",
        "code",
        "exempt_certificate",
        "family",
        "finish",
        "hand",
        "keyed_at",
        "keyway",
        "kind",
        "means",
        "part_number",
        "password_hash",
        "pin_hash",
        "position",
        "request_token",
        "sha256",
        "stored_name",
        "subject",
        "symbol",
        "table_name",
        "tailpiece",
        "task",
        "tax_percent",
        "tax_place",
        "tier",
        "token",
        "type",
        "uid",
        "urgency",
    }
)
_OF_LOGINS = frozenset({User.__tablename__, LoginAttempt.__tablename__})
_OF_ACTORS = frozenset({"actor_name", "issued_by"})
"""Names of the house's own people, which go with their login alone."""


def text_columns(table: sa.Table) -> list[sa.Column[Any]]:
    """The columns of a table in which people may be named."""
    return [
        column
        for column in table.columns
        if isinstance(column.type, sa.String | sa.JSON)
        and not isinstance(column.type, sa.Enum)
        and column.name not in _CODES
    ]


def searched_tables() -> list[sa.Table]:
    """The tables that are looked through, by their names."""
    tables = sorted(Base.metadata.tables.values(), key=lambda one: one.name)
    return [one for one in tables if one.name not in LEFT_ALONE and text_columns(one)]


@dataclass(frozen=True, slots=True)
class Mention:
    """A row that tells of somebody: what stands in its columns, what is to stand there, whose records it is among."""

    table: sa.Table = field(repr=False)
    row: Mapping[str, Any] = field(repr=False)
    after: Values = field(repr=False)
    customer_id: int

    @property
    def key(self) -> Any:
        """The row's own."""
        return self.row[self._key_column.name]

    @property
    def where(self) -> sa.ColumnElement[bool]:
        """Which row it is."""
        found: sa.ColumnElement[bool] = self._key_column == self.key
        return found

    @property
    def _key_column(self) -> sa.Column[Any]:
        return next(iter(self.table.primary_key.columns))


class Looker:
    """Looks for marks through the house's tables.

    own: the customer whose records are looked through for the marks that are its own. is_login: the names of the
    house's own people are looked at too, since they are whom it is about.
    """

    def __init__(
        self, session: Session, hasher: Vault, marks: list[Mark], *, own: int | None = None, is_login: bool = False
    ) -> None:
        self._session = session
        self._own, self._is_login = own, is_login
        self._every = Replacer(hasher, [mark for mark in marks if not mark.own])
        self._with_own = Replacer(hasher, marks)
        self._owners = _Owners(session)

    def mentions(self, patterns: list[str] | None) -> Iterator[Mention]:
        """Every row with such words; patterns: a coarse choice for SQL, None looks at each row."""
        for table in searched_tables():
            if table.name in _OF_LOGINS and not self._is_login:
                continue
            columns = text_columns(table)
            rows = sa.select(table).order_by(*table.primary_key.columns)
            if patterns is not None:
                dialect, wanted = dialect_of(self._session), dict.fromkeys(patterns)
                rows = rows.where(sa.or_(*(_like(dialect, column, one) for column in columns for one in wanted)))
            for row in self._session.execute(rows.execution_options(yield_per=2000)).mappings():
                held = dict(row)
                after, customer_id = self._after(table, columns, held)
                if after:
                    yield Mention(table, held, after, customer_id)

    def _after(self, table: sa.Table, columns: list[sa.Column[Any]], row: Values) -> tuple[Values, int]:
        """The columns that change, with what is to stand there; and whose the row is."""
        after = self._changed(table, columns, row, self._with_own)
        if not after:
            return {}, NOBODY
        customer_id = self._owners.of(table, row)
        if customer_id != self._own:
            after = self._changed(table, columns, row, self._every)
        return after, customer_id

    def _changed(self, table: sa.Table, columns: list[sa.Column[Any]], row: Values, replacer: Replacer) -> Values:
        after: Values = {}
        for column in columns:
            value = row[column.name]
            if not value or (column.name in _OF_ACTORS and not self._is_login):
                continue
            if column.name == "snapshot":
                new = self._frozen(value, replacer)
            else:
                new = replacer.value(value)
                most = getattr(column.type, "length", None)
                new = new[:most] if isinstance(new, str) and most else new
            if new != value:
                after[column.name] = "" if column.name == "phone_digits" else new
        if "snapshot" in after:
            after["sha256"] = snapshot_hash(after["snapshot"])
        return after

    def _frozen(self, text: str, replacer: Replacer) -> str:
        """The words of a quote or an invoice with the person's replaced; who issued it stays unless it is they."""
        said = json.loads(text)
        new = {name: replacer.value(value) for name, value in said.items()}
        # The house's own head is no customer's; who issued it is known by a login.
        new["house"] = said["house"]
        if not self._is_login:
            new["issued_by"] = said["issued_by"]
        return text if new == said else json.dumps(new, sort_keys=True, ensure_ascii=False, separators=(",", ":"))


def _like(dialect: str, column: sa.Column[Any], pattern: str) -> sa.ColumnElement[bool]:
    # SQLite's LIKE takes large and small letters for the same; a copy of each text in small letters takes long.
    like: sa.ColumnElement[bool] = sa.cast(column, sa.Text).op("LIKE" if dialect == "sqlite" else "ILIKE")(pattern)
    return like


class _Owners:
    """Whose records a row is among: the customer that its links lead to, NOBODY where they lead to none."""

    def __init__(self, session: Session) -> None:
        self._session = session
        self._known: dict[tuple[str, Any], int] = {}

    def of(self, table: sa.Table, row: Mapping[str, Any]) -> int:
        """The customer's id, or NOBODY."""
        if table.name == Customer.__tablename__:
            return int(row["id"])
        if table.name == Draft.__tablename__ and (named := customer_of_draft(row["typed"])):
            return named
        for column in table.columns:
            for link in sorted(column.foreign_keys, key=lambda one: one.column.table.name):
                target = link.column.table
                value = row.get(column.name)
                if value is not None and target.name != User.__tablename__ and target.name not in LEFT_ALONE:
                    found = self._at(target, value)
                    if found != NOBODY:
                        return found
        return self._of_subject(str(row["subject"])) if table.name == Event.__tablename__ else NOBODY

    def _at(self, table: sa.Table, key: Any) -> int:
        if (table.name, key) not in self._known:
            self._known[table.name, key] = NOBODY  # a row may point back to itself
            links = [one for one in table.columns if one.foreign_keys or one.primary_key]
            row = (
                self._session.execute(sa.select(*links).where(next(iter(table.primary_key.columns)) == key))
                .mappings()
                .first()
            )
            self._known[table.name, key] = self.of(table, dict(row)) if row else NOBODY
        return self._known[table.name, key]

    def _of_subject(self, subject: str) -> int:
        """Of an event's subject, such as "site 3"."""
        word, _, number = subject.rpartition(" ")
        table = _SUBJECTS.get(word)
        if table is None or not number.isdecimal():
            return NOBODY
        return self._at(Base.metadata.tables[table], int(number)) if table != "customers" else int(number)


_SUBJECTS = {"customer": "customers", "site": "sites", "key system": "key_systems", "door": "doors"}


def customer_of_draft(typed: Any) -> int:
    """The customer that a page of the counter was typed for; 0 for none."""
    if isinstance(typed, dict):
        for name, value in typed.items():
            if name.endswith("customer_id") and str(value).isdecimal():
                return int(value)
            if found := customer_of_draft(value):
                return found
    return NOBODY


CLEARED: dict[str, Callable[[str], Values]] = {
    Customer.__tablename__: lambda put: {
        **dict.fromkeys(("phone", "phone_digits", "email", "address", "notes"), ""),
        "name": put,
    },
    Contact.__tablename__: lambda put: {
        **dict.fromkeys(("duty", "phone", "phone_digits", "email"), ""),
        "name": put,
    },
    Site.__tablename__: lambda put: {"name": put, "address": ""},
    User.__tablename__: lambda put: {
        "name": put,
        "name_key": name_key(put),
        "active": False,
        "password_hash": "",
        "pin_hash": "",
        "factor_sealed": None,
    },
}
"""Table → what is to stand in a row that is about the person, beside the words that are looked for everywhere."""
