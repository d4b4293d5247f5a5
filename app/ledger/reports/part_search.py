"""Part numbers under a few typed characters: the catalogue's, then those that stand on cylinders only."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased

from app.fitting import without_separators
from app.ledger.search.words import LAST, dialect_of, numbered, query_of, word_ids
from app.ledger.store.rows import read
from app.ledger.tables import CatalogueItem, Cylinder, Maker

COUNTED = 1000  # cylinders under one part number are counted so far: more are "more than"
_LOW, _HIGH = sa.bindparam("low", type_=sa.String()), sa.bindparam("high", type_=sa.String())


@dataclass(frozen=True, slots=True)
class PartFound:
    """A part number: what it is, where it is from, on how many cylinders on record it is (1,000: or more)."""

    part_number: str
    description: str
    maker_name: str
    cylinders: int


def find_parts(session: Session, text: str, words: Sequence[str], limit: int) -> tuple[PartFound, ...]:
    """Catalogue items first, then part numbers that stand on cylinders only (composed, never in a catalogue)."""
    dialect = dialect_of(session)
    low = without_separators(text).lower()
    values = {
        "whole": query_of(dialect, words, whole=True),
        "begun": query_of(dialect, words),
        "low": low,
        "high": low + LAST,
    }
    found = [PartFound(*row) for row in read(session, _listed(dialect, limit), values)]
    known = {part.part_number for part in found}
    for number, said, count in read(session, _fitted(dialect, limit), {"low": low, "high": low + LAST}):
        if number not in known:
            found.append(PartFound(number, said, "", count))
    return tuple(found[:limit])


@cache
def _listed(dialect: str, limit: int) -> sa.Select[str, str, str, int]:
    """The catalogue's, those that begin so first."""
    ids = sa.union(
        sa.select(word_ids(dialect, CatalogueItem, "whole").subquery().c.id),
        sa.select(word_ids(dialect, CatalogueItem, "begun").subquery().c.id),
        sa.select(_begun(dialect, limit).subquery().c.id),
    ).subquery()
    some = sa.select(Cylinder.id).where(Cylinder.part_number == CatalogueItem.part_number).limit(COUNTED)
    count = sa.select(sa.func.count()).select_from(some.correlate(CatalogueItem).subquery()).scalar_subquery()
    nearest = sa.case((_begins(numbered(dialect, CatalogueItem.part_number)), 0), else_=1)
    return (
        sa.select(CatalogueItem.part_number, CatalogueItem.description, Maker.name, count)
        .join(ids, ids.c.id == CatalogueItem.id)
        .join(Maker, Maker.id == CatalogueItem.maker_id)
        .order_by(nearest, CatalogueItem.part_number)
        .limit(limit)
    )


def _begun(dialect: str, limit: int) -> sa.Select[int]:
    """The catalogue's whose number begins as typed, with its separators or without."""
    number = numbered(dialect, CatalogueItem.part_number)
    return sa.select(CatalogueItem.id).where(_begins(number)).order_by(number).limit(limit)


@cache
def _fitted(dialect: str, limit: int) -> sa.Select[str, str, int]:
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
        sa.select(Cylinder.part_number, Cylinder.words, each.c.cylinders)
        .join(each, each.c.id == Cylinder.id)
        .order_by(Cylinder.part_number)
    )


def _begins(number: Any) -> sa.ColumnElement[bool]:
    return sa.and_(number >= _LOW, number < _HIGH)
