"""Questions about makers, their catalogs, keyways and factory terms."""

import json
from collections.abc import Collection, Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, fields
from datetime import date
from functools import lru_cache
from itertools import product
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import BitternError
from app.fitting import (
    KEYED_CATEGORIES,
    CatalogItem,
    CylinderAttributes,
    Entering,
    FamilyFault,
    KeyBlank,
    MakerFile,
    MakerKeyway,
    decode_any,
    family_faults,
    from_json,
    read_maker,
)
from app.keying import BittingSpec
from app.ledger.catalog.price_queries import place_in_time
from app.ledger.store.engine import asked_once, get_row
from app.ledger.tables import FactoryTermsRow, Item, ItemKind, Keyway, Maker, PriceBookRow, SpecRow
from app.pricing import FactoryTerms

IN_CATALOG = sa.and_(Item.maker_id.is_not(None), Item.list_cents.is_not(None))
"""What stands in a maker's list; of what the stock alone has of a maker's, nobody knows a price."""
OWN = sa.and_(Item.maker_id.is_(None), Item.kind.not_in((ItemKind.PIN, ItemKind.UNPINNED)))
"""What the house itself sells and does by codes of its own."""
LONGEST_NUMBER = 80
MOST_LETTERS = 8  # 256 spellings


@dataclass(frozen=True, slots=True)
class MakerTables(MakerFile):
    """A maker's tables, ready for the fitting room, with its row's number."""

    id: int = 0


@asked_once
def maker_tables(session: Session) -> Mapping[str, MakerTables]:
    """Code → tables of every maker, by code."""
    rows = session.execute(sa.select(Maker.id, Maker.version, sa.cast(Maker.tables, sa.Text)).order_by(Maker.code))
    found = [_tables(*row) for row in rows]
    return {tables.code: tables for tables in found}


@lru_cache(maxsize=64)
def _tables(maker_id: int, version: int, text: str) -> MakerTables:
    # Patterns take a while to compile; the text is the whole truth about them, so it is the cache's key.
    maker = read_maker(json.loads(text))
    return MakerTables(**{each.name: getattr(maker, each.name) for each in fields(maker)}, id=maker_id)


@asked_once
def entering_of(session: Session) -> Entering:
    """Which key enters which keyway, by all makers' tables on record."""
    return Entering(*_families(session))


def faults_of_families(session: Session) -> tuple[FamilyFault, ...]:
    """What contradicts itself or hangs in the air in all makers' keyways and key blanks."""
    return family_faults(*_families(session))


def _families(session: Session) -> tuple[list[MakerKeyway], list[KeyBlank]]:
    makers = maker_tables(session).values()
    return [each for one in makers for each in one.keyways], [each for one in makers for each in one.blanks]


def blank_for(session: Session, keyways: Collection[str], chambers: int) -> tuple[int, str] | None:
    """The maker and the number of the blank of keys that have to enter all these keyways (`Entering.blank_for`).

    None where no maker's tables have one.
    """
    blank = entering_of(session).blank_for(keyways, chambers)
    makers = {one.name: one.id for one in maker_tables(session).values()}
    return (makers[blank.maker], blank.number) if blank is not None else None


def get_maker(session: Session, maker_id: int) -> Maker:
    """A maker; NotFound when there is none."""
    return get_row(session, Maker, maker_id, "maker")


def list_makers(session: Session) -> Sequence[tuple[Maker, int, int]]:
    """Every maker by name, with how many items it has and how many of them are stocked."""
    stocked = sa.func.count(sa.case((Item.is_stocked, 1)))
    rows = session.execute(
        sa.select(Maker, sa.func.count(Item.id), stocked)
        .outerjoin(Item, sa.and_(Item.maker_id == Maker.id, IN_CATALOG))
        .group_by(Maker.id)
        .order_by(Maker.name)
    )
    return [(row[0], row[1], row[2]) for row in rows]


def get_item(session: Session, maker_id: int | None, code: str, *only: sa.ColumnElement[bool]) -> Item | None:
    """The maker's item with this part number, or the house's own with this code, letters large or small."""
    mine = OWN if maker_id is None else Item.maker_id == maker_id
    items = sa.select(Item).where(mine, *only)
    item = session.scalar(items.where(Item.code == code))
    if item is None:
        others = [each for each in spellings(code) if each != code]
        likely = items.where(Item.code.in_(others)).order_by(Item.code).limit(1)
        item = session.scalar(likely) if others else None
    return item


def spellings(part_number: str) -> tuple[str, ...]:
    """A part number with its letters large and small in every way, so that an index on it answers.

    Of a number with many letters only as it is typed, in capitals, in small letters and as a title: all ways
    would be more than one question can hold.

    >>> spellings("Nm-1")
    ('NM-1', 'Nm-1', 'nM-1', 'nm-1')
    >>> spellings("ring-set brass")
    ('RING-SET BRASS', 'ring-set brass', 'Ring-Set Brass')
    """
    if len(part_number) > LONGEST_NUMBER:
        return ()
    if sum(letter.upper() != letter.lower() for letter in part_number) > MOST_LETTERS:
        return tuple(dict.fromkeys((part_number.upper(), part_number.lower(), part_number.title(), part_number)))
    ways = [dict.fromkeys((letter.upper(), letter.lower())) for letter in part_number]
    return tuple("".join(way) for way in product(*ways))


def item_attributes(item: Item) -> CylinderAttributes | None:
    """What cylinder an item is; None where it is none."""
    return from_json(item.attributes) if item.attributes else None


@asked_once
def factory_terms_on(session: Session, maker_id: int, day: date) -> FactoryTerms | None:
    """The maker's factory terms in force on a day; None where none are on record."""
    row = session.scalar(
        sa.select(FactoryTermsRow)
        .where(FactoryTermsRow.maker_id == maker_id, FactoryTermsRow.valid_from <= day)
        .order_by(FactoryTermsRow.valid_from.desc())
        .limit(1)
    )
    return None if row is None else FactoryTerms.from_json(row.terms)


def restricted_keyways(session: Session, day: date) -> frozenset[str]:
    """The keyways that need their owner's written word, as the makers' factory terms in force on a day say."""
    in_force = (factory_terms_on(session, maker_id, day) for maker_id in session.scalars(sa.select(Maker.id)))
    return frozenset[str]().union(*(terms.authorised_keyways for terms in in_force if terms is not None))


def factory_terms_by_maker(session: Session, today: date) -> Mapping[Maker, list[tuple[FactoryTermsRow, str]]]:
    """Maker → its dated terms with now, coming or past, the newest first; makers without terms have none."""
    makers = session.scalars(sa.select(Maker).order_by(Maker.name)).all()
    rows = session.scalars(sa.select(FactoryTermsRow).order_by(FactoryTermsRow.valid_from.desc())).all()
    dated = place_in_time(rows, today, lambda row: row.maker_id)
    return {maker: [each for each in dated if each[0].maker_id == maker.id] for maker in makers}


def spec_names(session: Session) -> Sequence[str]:
    """The names of all bitting specs on record, in order."""
    return session.scalars(sa.select(SpecRow.name).order_by(SpecRow.name)).all()


def tables_on_record(session: Session, maker: Maker, *, every_spec: bool = False) -> dict[str, Any]:
    """The maker's tables with its bitting specs as they are on record, under their names of today.

    What the tables hold of a spec is from the day when they were loaded; it may have been renamed or mended on its
    own page since, and must not come back with the next change of a cam. every_spec: all specs of the house, for a
    keyway that takes another one.
    """
    tables: dict[str, Any] = dict(maker.tables)
    linked: dict[str, str] = dict(
        session.execute(
            sa.select(Keyway.code, SpecRow.name).join(Keyway.spec).where(Keyway.maker_id == maker.id)
        ).all()
    )
    tables["keyways"] = [
        {**each, "bitting_spec": linked.get(each["name"], each["bitting_spec"])} for each in tables.get("keyways", [])
    ]
    held: Mapping[str, Any] = tables.get("bitting_specs", {})
    used = {each["bitting_spec"] for each in tables["keyways"]}
    wanted = sa.select(SpecRow.name, SpecRow.spec).order_by(SpecRow.name)
    rows: dict[str, Any] = dict(
        session.execute(wanted if every_spec else wanted.where(SpecRow.name.in_([*used, *held]))).all()
    )
    tables["bitting_specs"] = {name: _spec(held.get(name), row) for name, row in rows.items()}
    return tables


def _spec(held: Any, row: Any) -> Any:
    """The spec on record, in the maker's own writing where that says the same."""
    try:
        return held if held is not None and BittingSpec.from_json(held) == BittingSpec.from_json(row) else row
    except BitternError:
        return row


_MOST_ASKED = 10_000  # SQLite takes 32,766 values in one question


class ItemLookup:
    """Answers as `get_item` of what stands in a maker's list; the numbers given at first are read together, any other
    once.

    read: what was found of the former, by maker and part number.
    """

    def __init__(self, session: Session, numbers: Iterable[str]) -> None:
        self._session = session
        self._asked = frozenset(numbers)
        self._others: dict[tuple[int, str], Item | None] = {}
        self.read: dict[tuple[int, str], Item] = {}
        wanted = sorted({way for number in self._asked for way in (number, *spellings(number))})
        for start in range(0, len(wanted), _MOST_ASKED):
            part = Item.code.in_(wanted[start : start + _MOST_ASKED])
            for item in session.scalars(sa.select(Item).where(part, IN_CATALOG)):
                self.read[item.maker_id or 0, item.code] = item

    def get(self, maker_id: int, part_number: str) -> Item | None:
        """The maker's catalog item with this part number, letters large or small."""
        if part_number in self._asked:
            ways = ((maker_id, way) for way in (part_number, *spellings(part_number)))
            return next((self.read[way] for way in ways if way in self.read), None)
        key = (maker_id, part_number)
        if key not in self._others:
            self._others[key] = get_item(self._session, maker_id, part_number, IN_CATALOG)
        return self._others[key]


def plain_numbers(session: Session, typed: Iterable[str]) -> set[str]:
    """Which of the typed numbers are goods on which nothing is keyed, of a catalog or the price book; in capitals."""
    numbers = {number.strip().upper() for number in typed} - {""}
    items = {item.code.upper(): item for item in ItemLookup(session, numbers).read.values()}
    found = {number for number, item in items.items() if item.category not in KEYED_CATEGORIES}
    if others := numbers - items.keys():
        codes = sa.select(PriceBookRow.code).where(sa.func.upper(PriceBookRow.code).in_(others)).distinct()
        found |= {code.upper() for code in session.scalars(codes) if not _is_read(session, code)}
    return found


def _is_read(session: Session, number: str) -> bool:
    """Whether a maker's tables say what cylinder or lock a number is."""
    for maker in maker_tables(session).values():
        if maker.patterns:
            with suppress(BitternError):
                decode_any(maker.patterns, number)
                return True
    return False


_KEPT: dict[str, tuple[tuple[Any, ...], tuple[CatalogItem, ...]]] = {}
_MOST_KEPT = 4  # databases in one process: one in a shop, several in the tests


def shelf(session: Session) -> Sequence[CatalogItem]:
    """All items of all makers, cylinders with their attributes and maker.

    Making fifty thousand of them takes longer than a customer waits, so they are kept; the counts and versions of
    the rows tell when they are out of date.
    """
    where = str(session.get_bind().engine.url)
    own = Item
    items = sa.select(sa.func.count(own.id), sa.func.max(own.id), sa.func.sum(own.version)).where(IN_CATALOG)
    makers = sa.select(sa.func.count(Maker.id), sa.func.sum(Maker.version))
    state = (*session.execute(items).one(), *session.execute(makers).one())
    kept = _KEPT.get(where)
    if kept is None or kept[0] != state:
        if kept is None and len(_KEPT) >= _MOST_KEPT:
            _KEPT.pop(next(iter(_KEPT)), None)
        kept = _KEPT[where] = (state, tuple(_items(session)))
    return kept[1]


def _items(session: Session) -> list[CatalogItem]:
    table: Any = Item.__table__
    names = ("code", "category", "words", "cost_cents", "list_cents", "is_stocked", "attributes")
    columns = {name: table.c[name] for name in names}
    # What the maker's list names no longer is not offered among the first.
    columns["is_stocked"] = sa.and_(table.c.is_stocked, table.c.unlisted_from.is_(None))
    rows = session.execute(
        sa.select(Maker.name, *columns.values())
        .join(table, table.c.maker_id == Maker.id)
        .where(table.c.list_cents.is_not(None))
        .order_by(Maker.name, table.c.code)
    )
    found = []
    for maker, number, category, description, cost, list_cents, is_stocked, given in rows:
        attributes = _attributes(tuple(given.items()), maker) if given else None
        found.append(CatalogItem(number, maker, category, description, cost, list_cents, is_stocked, attributes))
    return found


@lru_cache(maxsize=20_000)
def _attributes(given: tuple[tuple[str, Any], ...], maker: str) -> Any:
    # The maker's name of today stands there, whatever it was called when the item was loaded.
    return from_json({**dict(given), "maker": maker})
