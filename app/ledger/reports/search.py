"""One question to the whole ledger: jobs, quotes, customers, doors, key symbols, part numbers. Never a bitting.

Bittings are sealed, so no search can meet them; keyed fingerprints are not searched either. Every query here reads
a bounded number of rows, however long the record is: the newest that hold the words, ranked among themselves.
"""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from functools import cache
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased

from app.fitting import without_separators
from app.ledger.catalog.maker_papers import FoundPage, find_pages
from app.ledger.keys.key_queries import KEY_RECEIPTS, KeyReceipt, find_receipt, keys_of_holders, person_key, say_held
from app.ledger.keysystems.copy_numbers import read_stamp
from app.ledger.search.words import (
    LAST,
    dialect_of,
    door_ids,
    holder_ids,
    job_ids,
    number_values,
    numbered,
    ordered,
    query_of,
    read_words,
    values_of,
    word_ids,
)
from app.ledger.sites.customer_queries import find_customers
from app.ledger.store.engine import read
from app.ledger.store.errors import NotFound
from app.ledger.store.numbers import (
    NumberAsked,
    account_payment_number,
    invoice_number,
    purchase_number,
    read_number,
    return_number,
)
from app.ledger.tables import (
    AccountPayment,
    BlindCode,
    Counter,
    Customer,
    Cylinder,
    Door,
    GoodsReturn,
    Invoice,
    Item,
    Job,
    Key,
    Keyset,
    KeyState,
    KeySystem,
    Maker,
    Payment,
    PurchaseOrder,
    QuoteRevision,
    Site,
)

LONGEST = 120
_CUSTOMER = Customer.name.label("customer_name")
_Rows = Sequence[sa.Row[*tuple[Any, ...]]]


# What is said before a number and is not part of it: "#", "no.", "their order", a phone's country code.
_LABEL = re.compile(
    r"^(?:(?:p\.?o\.?|(?:their |purchase )?order)(?=[\s:#]))?[\s:]*(?:no\.|number |\+1(?=\D)|#)?\s*", re.I
)
_AND = re.compile(r"(?<=\s)and(?=\s)", re.I)


@dataclass(frozen=True, slots=True)
class SearchResults:
    """What a search met, by kind, the nearest first; at most `limit` of each.

    Rows have the names of the columns that their statement asks for. A keyset is met by its symbol, a key by symbol
    and copy number ("AA1-3", or with a blind code) or by whoever holds it; a holder by name, phone, customer or what
    the key is for; a paper by its number with or without its letter (numbers.py), a
    key receipt with the number beside it. `cylinders` of a part number: on how many on record it is (1,000: or more).
    """

    text: str
    limit: int
    jobs: _Rows = ()
    quotes: _Rows = ()
    payments: _Rows = ()
    key_receipts: tuple[tuple[int, KeyReceipt], ...] = ()
    papers: tuple["FoundPaper", ...] = ()
    customers: Sequence[Customer] = ()
    doors: _Rows = ()
    keysets: _Rows = ()
    keys: _Rows = ()
    holders: tuple["FoundHolder", ...] = ()
    parts: _Rows = ()
    pages: Sequence[FoundPage] = ()
    holders_of: Mapping[int, Sequence[str]] = field(default_factory=dict)  # by keyset

    def out_of(self, keyset_id: int) -> Sequence[str]:
        """Who has the keys of a keyset that was met, each person once."""
        return self.holders_of.get(keyset_id, ())

    @property
    def is_empty(self) -> bool:
        """Whether nothing was met at all."""
        people = self.jobs or self.quotes or self.customers
        papers = self.payments or self.key_receipts or self.papers
        return not (
            people or papers or self.doors or self.keysets or self.keys or self.holders or self.parts or self.pages
        )


def search(session: Session, text: str, limit: int = 12) -> SearchResults:
    """Everything that a phone number, name, job, quote, door, part number, key symbol or key copy can mean.

    A query or two a kind. Each word may be the beginning of one on record; whole words come first. Where nothing is
    met, what stands before a number and how it is parted are read otherwise. Text beyond 120 characters is cut off:
    nothing on record is found by more.
    """
    wanted = " ".join(text.split())[:LONGEST]
    found = _search(session, wanted, limit)
    for other in dict.fromkeys(_other_ways(wanted)):
        if found.is_empty and other != wanted:
            found = replace(_search(session, other, limit), text=wanted)
    # Names and places are words of the makers' pages too: those are shown for a number, or where nothing else is met.
    is_number = " " not in wanted and any(map(str.isdigit, wanted))
    return replace(found, pages=find_pages(session, wanted, limit=limit)) if is_number or found.is_empty else found


def _other_ways(wanted: str) -> Iterator[str]:
    """Other writings of what somebody typed: without its label, in words and numbers apart, as a quote's revision.

    >>> list(_other_ways("PO# LRD88")), list(_other_ways("no. 1003 1"))
    (['LRD88', 'LRD 88', 'LRD88'], ['1003 1', '1003 1', '1003-1'])
    """
    bare = " ".join(_AND.sub(" ", _LABEL.sub("", wanted)).split())
    yield bare
    yield re.sub(r"(?<=[^\W\d_])(?=\d)", " ", bare)
    yield re.sub(r"^(\d{4,}) (\d{1,2})$", r"\1-\2", bare)


def _search(session: Session, wanted: str, limit: int) -> SearchResults:
    words = read_words(wanted)
    if not words:
        return SearchResults(wanted, limit)
    asked, keysets = read_number(wanted), _keysets(session, wanted, limit)
    return SearchResults(
        wanted,
        limit,
        jobs=_jobs(session, asked, words, limit),
        quotes=_quotes(session, asked, limit),
        payments=_payments(session, asked, limit),
        key_receipts=_key_receipts(session, asked),
        papers=_papers(session, asked),
        customers=find_customers(session, wanted, limit),
        doors=_doors(session, wanted, words, limit),
        keysets=keysets,
        holders_of=_holders_of(session, [keyset.keyset_id for keyset in keysets]),
        keys=_keys(session, wanted, words, limit),
        holders=_holders(session, words, limit),
        parts=find_parts(session, wanted, words, limit),
    )


def _jobs(session: Session, asked: NumberAsked | None, words: Sequence[str], limit: int) -> _Rows:
    number, dialect = asked.job if asked else None, dialect_of(session)
    values = values_of(dialect, words)
    if number is not None:
        values |= number_values(number)
    return read(session, _jobs_asked(dialect, len(words), number is not None, limit), values)


@cache
def _jobs_asked(dialect: str, words: int, has_number: bool, limit: int) -> sa.Select[*tuple[Any, ...]]:
    ranked = job_ids(dialect, words, has_number=has_number).subquery()
    rows = (
        sa.select(Job.number, _CUSTOMER, Job.title, Job.stage, Job.promised_on, Job.po_number)
        .join(ranked, ranked.c.id == Job.id)
        .join(Customer, Customer.id == Job.customer_id)
    )
    if has_number:  # the number itself is the first of its ranges
        exact = sa.case((Job.number == sa.bindparam("low0", type_=sa.Integer()), 0), else_=1)
        rows = rows.order_by(exact)
    return rows.order_by(ranked.c.tier, Job.number.desc()).limit(limit)


def _quotes(session: Session, asked: NumberAsked | None, limit: int) -> _Rows:
    if asked is None or "Q" not in asked.kinds:
        return ()
    return read(session, _quotes_asked(limit), {"number": asked.number, "revision": asked.place})


@cache
def _quotes_asked(limit: int) -> sa.Select[*tuple[Any, ...]]:
    revision: sa.BindParameter[int] = sa.bindparam("revision", type_=sa.Integer)
    return (
        sa.select(Job.number.label("job_number"), QuoteRevision.revision, _CUSTOMER, QuoteRevision.valid_until)
        .join(Job, Job.id == QuoteRevision.job_id)
        .join(Customer, Customer.id == Job.customer_id)
        .where(
            Job.number == sa.bindparam("number"),
            QuoteRevision.revision == sa.func.coalesce(revision, QuoteRevision.revision),
        )
        .order_by(QuoteRevision.revision.desc())
        .limit(limit)
    )


def _payments(session: Session, asked: NumberAsked | None, limit: int) -> _Rows:
    if asked is None or "R" not in asked.kinds:
        return ()
    return read(session, _payments_asked(limit), {"number": asked.number, "place": asked.place})


@cache
def _payments_asked(limit: int) -> sa.Select[*tuple[Any, ...]]:
    of_job = (
        sa.select(
            Job.number.label("job_number"),
            sa.func.row_number().over(order_by=Payment.id).label("place"),
            _CUSTOMER,
            *(Payment.received_on, Payment.cents, Payment.means),
        )
        .join(Job, Job.id == Payment.job_id)
        .join(Customer, Customer.id == Job.customer_id)
        .where(Job.number == sa.bindparam("number"))
        .subquery()
    )
    place: sa.BindParameter[int] = sa.bindparam("place", type_=sa.Integer)
    wanted = of_job.c.place == sa.func.coalesce(place, of_job.c.place)
    return sa.select(of_job).where(wanted).order_by(of_job.c.place).limit(limit)


def _key_receipts(session: Session, asked: NumberAsked | None) -> tuple[tuple[int, KeyReceipt], ...]:
    if asked is None or "K" not in asked.kinds or asked.place is not None:
        return ()
    last = session.scalar(sa.select(Counter.value).where(Counter.name == KEY_RECEIPTS)) or 0
    if not 0 < asked.number <= last:  # receipts are read one by one: look only where there is one
        return ()
    try:
        return ((asked.number, find_receipt(session, asked.number)),)
    except NotFound:
        return ()


@dataclass(frozen=True, slots=True)
class FoundPaper:
    """A paper with a number of its own. kind: I an invoice or credit note, T a return, P an order to a maker, M money
    for several jobs. id: what its page is asked by. whose: the customer's or maker's name.
    """

    kind: str
    id: int
    number: str
    words: str
    whose: str
    job_number: int | None
    on: date | None
    cents: int | None = None


def _papers(session: Session, asked: NumberAsked | None) -> tuple[FoundPaper, ...]:
    if asked is None or asked.place is not None or asked.kinds not in _PAPERS:
        return ()
    found = _PAPERS[asked.kinds](session, asked.number)
    return () if found is None else (found,)


def _invoice(session: Session, number: int) -> FoundPaper | None:
    one = session.scalar(sa.select(Invoice).where(Invoice.number == number))
    if one is None:
        return None
    whose, said = one.job.customer.name, invoice_number(number)
    return FoundPaper("I", number, said, one.kind.words, whose, one.job.number, one.invoiced_on, one.total_cents)


def _return(session: Session, number: int) -> FoundPaper | None:
    one = session.scalar(sa.select(GoodsReturn).where(GoodsReturn.number == number))
    if one is None:
        return None
    day, whose = one.at.astimezone().date(), one.job.customer.name
    return FoundPaper("T", number, return_number(number), f"Goods back: {one.reason}", whose, one.job.number, day)


def _order(session: Session, number: int) -> FoundPaper | None:
    one = session.scalar(sa.select(PurchaseOrder).where(PurchaseOrder.number == purchase_number(number)))
    if one is None:
        return None
    return FoundPaper("P", one.id, one.number, f"Order, {one.state.value}", one.maker.name, None, one.expected_on)


def _account_payment(session: Session, number: int) -> FoundPaper | None:
    one = session.scalar(sa.select(AccountPayment).where(AccountPayment.number == number))
    if one is None:
        return None
    said = account_payment_number(number)
    return FoundPaper(
        "M", one.customer_id, said, f"Payment, {one.means}", one.customer.name, None, one.received_on, one.cents
    )


_PAPERS: Mapping[str, Callable[[Session, int], FoundPaper | None]] = {
    "I": _invoice,
    "T": _return,
    "P": _order,
    "M": _account_payment,
}


def _doors(session: Session, text: str, words: Sequence[str], limit: int) -> _Rows:
    dialect = dialect_of(session)
    values = values_of(dialect, words) | {"opening": text.lower()}
    return read(session, _doors_asked(dialect, len(words), limit), values)


@cache
def _doors_asked(dialect: str, words: int, limit: int) -> sa.Select[*tuple[Any, ...]]:
    ranked = door_ids(dialect, words).subquery()
    opening = sa.bindparam("opening", type_=sa.String())
    return (
        sa.select(
            Door.id.label("door_id"), Door.opening_number, Door.location, Site.name.label("site_name"), _CUSTOMER
        )
        .join(ranked, ranked.c.id == Door.id)
        .join(Site, Site.id == Door.site_id)
        .join(Customer, Customer.id == Site.customer_id)
        .order_by(
            sa.case((sa.func.lower(Door.opening_number) == opening, 0), else_=1),
            ranked.c.tier,
            Customer.name,
            Site.name,
            Door.opening_number,
        )
        .limit(limit)
    )


def _symbol(text: str) -> str:
    """A keyset's symbol without the marks around it on a schedule: X before is cross-keyed, (NMK) no master's."""
    symbol = re.sub(r"\s*\(NMK\)$", "", text, flags=re.IGNORECASE).upper()
    return symbol[1:] if symbol.startswith("X") and len(symbol) > 1 else symbol


def _keysets(session: Session, text: str, limit: int) -> _Rows:
    symbol = _symbol(text).replace(" ", "")
    return read(
        session,
        _keysets_asked(dialect_of(session), limit),
        {"low": symbol, "high": symbol + LAST, "own": " ".join(text.split())},
    )


@cache
def _keysets_asked(dialect: str, limit: int) -> sa.Select[*tuple[Any, ...]]:
    low, high = sa.bindparam("low", type_=sa.String()), sa.bindparam("high", type_=sa.String())
    symbol = ordered(dialect, Keyset.symbol)
    # As many as the index has at hand, before they are told apart: a symbol stands in very many systems.
    own = sa.bindparam("own", type_=sa.String())
    columns = sa.select(
        *(Keyset.id, Keyset.symbol, Keyset.level, Keyset.system_id, Keyset.blind_code, Keyset.own_symbol),
        Keyset.keyway,
    )
    arms = (
        columns.where(symbol >= low, symbol < high).order_by(symbol, Keyset.id).limit(20 * limit).subquery(),
        columns.where(Keyset.blind_code == low, low != "").limit(limit).subquery(),
        columns.join(BlindCode, BlindCode.keyset_id == Keyset.id).where(BlindCode.code == low).subquery(),
        columns.where(Keyset.own_symbol.in_((low, own)), low != "").order_by(Keyset.id).limit(limit).subquery(),
    )
    begun = sa.union(*(sa.select(arm) for arm in arms)).subquery()
    return (
        sa.select(
            KeySystem.id.label("system_id"),
            begun.c.id.label("keyset_id"),
            begun.c.symbol,
            begun.c.level,
            begun.c.blind_code,
            begun.c.own_symbol,
            KeySystem.name.label("system_name"),
            sa.case((begun.c.keyway != "", begun.c.keyway), else_=KeySystem.keyway).label("keyway"),
            _CUSTOMER,
        )
        .join(KeySystem, KeySystem.id == begun.c.system_id)
        .join(Customer, Customer.id == KeySystem.customer_id)
        .order_by(
            sa.case(
                (begun.c.blind_code == low, 0), (begun.c.symbol == low, 0), (begun.c.own_symbol == own, 0), else_=1
            ),
            sa.func.length(begun.c.symbol),
            begun.c.symbol,
            Customer.name,
            KeySystem.name,
        )
        .limit(limit)
    )


def _keys(session: Session, text: str, words: Sequence[str], limit: int) -> _Rows:
    stamp, dialect = read_stamp(text), dialect_of(session)
    values: dict[str, str | int] = {"symbol": "", "copy": 0, "held": query_of(dialect, words)}
    if stamp is not None:
        values |= {"symbol": _symbol(stamp[0]), "copy": stamp[1]}
    return read(session, _keys_asked(dialect, limit), values)


@cache
def _keys_asked(dialect: str, limit: int) -> sa.Select[*tuple[Any, ...]]:
    symbol = sa.bindparam("symbol", type_=sa.String())
    bearing = sa.union(
        sa.select(Keyset.id).where(Keyset.symbol == symbol),
        sa.select(Keyset.id).where(Keyset.blind_code == symbol, symbol != ""),
        sa.select(BlindCode.keyset_id).where(BlindCode.code == symbol),
    ).subquery()
    copies = (
        sa.select(Key.id, sa.literal(0, sa.Integer).label("tier"))
        .join(bearing, bearing.c.id == Key.keyset_id)
        .where(Key.copy_number == sa.bindparam("copy"))
        # By no index of the keys: it would be read from its end, until as many are found as are shown.
        .order_by((Key.id + 0).desc())
        .limit(limit)
        .subquery()
    )
    held = word_ids(dialect, Key, "held").subquery()
    arms = (sa.select(copies.c.id, copies.c.tier), sa.select(held.c.id, sa.literal(1, sa.Integer).label("tier")))
    met = sa.union_all(*arms).subquery()
    ranked = sa.select(met.c.id, sa.func.min(met.c.tier).label("tier")).group_by(met.c.id).subquery()
    return (
        sa.select(
            Key.id.label("key_id"),
            Keyset.symbol,
            Key.copy_number,
            Key.state,
            Key.holder,
            Key.changed_at,
            Keyset.blind_code,
            KeySystem.customer_id,
            sa.case((Keyset.keyway != "", Keyset.keyway), else_=KeySystem.keyway).label("keyway"),
            KeySystem.name.label("system_name"),
            _CUSTOMER,
        )
        .join(ranked, ranked.c.id == Key.id)
        .join(Keyset, Keyset.id == Key.keyset_id)
        .join(KeySystem, KeySystem.id == Keyset.system_id)
        .join(Customer, Customer.id == KeySystem.customer_id)
        .order_by(ranked.c.tier, Key.holder, Keyset.id.desc(), Key.copy_number)
        .limit(limit)
    )


@dataclass(frozen=True, slots=True)
class FoundHolder:
    """A person with keys out, and what they are in words, a keyset each."""

    customer_id: int
    customer_name: str
    name: str
    phone: str
    held: tuple[str, ...]
    keys: int


def _holders(session: Session, words: Sequence[str], limit: int) -> tuple[FoundHolder, ...]:
    dialect = dialect_of(session)
    met = read(session, _holders_asked(dialect, len(words), limit), values_of(dialect, words))
    people = {(row.customer_id, person_key(row.holder)): row for row in reversed(met)}
    held = keys_of_holders(session, [(row.customer_id, row.holder) for row in met]) if met else {}
    return tuple(
        FoundHolder(
            row.customer_id,
            row.customer_name,
            row.holder,
            next((key.holder_phone for key in held[person] if key.holder_phone), ""),
            tuple(say_held(held[person])),
            len(held[person]),
        )
        for person, row in reversed(people.items())
    )


@cache
def _holders_asked(dialect: str, words: int, limit: int) -> sa.Select[*tuple[Any, ...]]:
    ranked = holder_ids(dialect, words).subquery()
    return (
        sa.select(KeySystem.customer_id, _CUSTOMER, Key.holder, sa.func.min(ranked.c.tier).label("tier"))
        .join(ranked, ranked.c.id == Key.id)
        .join(Keyset, Keyset.id == Key.keyset_id)
        .join(KeySystem, KeySystem.id == Keyset.system_id)
        .join(Customer, Customer.id == KeySystem.customer_id)
        .where(Key.state == KeyState.OUT, Key.holder != "")
        .group_by(KeySystem.customer_id, Customer.name, Key.holder)
        .order_by(sa.func.min(ranked.c.tier), Key.holder, Customer.name)
        .limit(limit)
    )


def _holders_of(session: Session, keyset_ids: Sequence[int]) -> dict[int, list[str]]:
    """Keyset id → who holds its keys now, by name."""
    rows = read(session, _HOLDERS_OF, {"keysets": list(keyset_ids)}) if keyset_ids else ()
    found: dict[int, list[str]] = {}
    for row in rows:
        found.setdefault(row.keyset_id, []).append(row.holder or "somebody not named")
    return found


_HOLDERS_OF = (
    sa.select(Key.keyset_id, Key.holder)
    .where(Key.keyset_id.in_(sa.bindparam("keysets", expanding=True)), Key.state == KeyState.OUT)
    .distinct()
    .order_by(Key.keyset_id, Key.holder)
)


COUNTED = 1000  # cylinders under one part number are counted so far: more are "more than"
_LOW, _HIGH = sa.bindparam("low", type_=sa.String()), sa.bindparam("high", type_=sa.String())


def find_parts(session: Session, text: str, words: Sequence[str], limit: int) -> _Rows:
    """Catalog items first, then part numbers that stand on cylinders only (composed, never in a catalog)."""
    dialect = dialect_of(session)
    low = without_separators(text).lower()
    values = {
        "whole": query_of(dialect, words, whole=True),
        "begun": query_of(dialect, words),
        "low": low,
        "high": low + LAST,
    }
    listed = read(session, _listed(dialect, limit), values)
    known = {part.part_number for part in listed}
    fitted = read(session, _fitted(dialect, limit), {"low": low, "high": low + LAST})
    return [*listed, *(part for part in fitted if part.part_number not in known)][:limit]


@cache
def _listed(dialect: str, limit: int) -> sa.Select[*tuple[Any, ...]]:
    """The catalog's, those that begin so first."""
    ids = sa.union(
        sa.select(word_ids(dialect, Item, "whole").subquery().c.id),
        sa.select(word_ids(dialect, Item, "begun").subquery().c.id),
        sa.select(_begun(dialect, limit).subquery().c.id),
    ).subquery()
    some = sa.select(Cylinder.id).where(Cylinder.part_number == Item.code).limit(COUNTED)
    count = (
        sa.select(sa.func.count()).select_from(some.correlate(Item).subquery()).scalar_subquery().label("cylinders")
    )
    nearest = sa.case((_begins(numbered(dialect, Item.code)), 0), else_=1)
    return (
        sa.select(
            Item.code.label("part_number"), Item.words.label("description"), Maker.name.label("maker_name"), count
        )
        .join(ids, ids.c.id == Item.id)
        .join(Maker, Maker.id == Item.maker_id)
        .order_by(nearest, Item.code)
        .limit(limit)
    )


def _begun(dialect: str, limit: int) -> sa.Select[int]:
    """The catalog's whose number begins as typed, with its separators or without."""
    number = numbered(dialect, Item.code)
    return sa.select(Item.id).where(_begins(number)).order_by(number).limit(limit)


@cache
def _fitted(dialect: str, limit: int) -> sa.Select[*tuple[Any, ...]]:
    """From one part number on cylinders to the next in the index, not from cylinder to cylinder."""
    number = numbered(dialect, Cylinder.part_number)
    first = sa.select(number).where(_begins(number)).order_by(number).limit(1).scalar_subquery()
    step = sa.select(first.label("number"), sa.literal(1, sa.Integer).label("place")).cte("numbers", recursive=True)
    other = aliased(Cylinder)
    following = numbered(dialect, other.part_number)
    after = (
        sa.select(following)
        # One lower bound, the number before: with two SQLite may take the wrong one and walk every cylinder.
        .where(following > step.c.number, following < _HIGH)
        .order_by(following)
        .limit(1)
        .correlate(step)
        .scalar_subquery()
    )
    step = step.union_all(
        sa.select(after, step.c.place + 1).where(step.c.number.is_not(None), step.c.place < 2 * limit)
    )
    of_number, counted = aliased(Cylinder), aliased(Cylinder)
    same = numbered(dialect, of_number.part_number) == step.c.number
    one = sa.select(of_number.id).where(same).order_by(of_number.id)
    some = sa.select(counted.id).where(numbered(dialect, counted.part_number) == step.c.number).limit(COUNTED)
    count = sa.select(sa.func.count()).select_from(some.correlate(step).subquery()).scalar_subquery()
    each = (
        sa.select(one.limit(1).correlate(step).scalar_subquery().label("id"), count.label("cylinders"))
        .where(step.c.number.is_not(None))
        .subquery()
    )
    return (
        sa.select(
            Cylinder.part_number,
            Cylinder.words.label("description"),
            sa.literal("").label("maker_name"),
            each.c.cylinders,
        )
        .join(each, each.c.id == Cylinder.id)
        .order_by(Cylinder.part_number)
    )


def _begins(number: Any) -> sa.ColumnElement[bool]:
    return sa.and_(number >= _LOW, number < _HIGH)
