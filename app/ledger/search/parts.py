"""Part numbers under a few typed characters: the catalogue's, then those that stand on cylinders only."""

from __future__ import annotations

__all__ = ["PartFound", "find_parts"]

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased

from app.ledger.doors.models import Cylinder
from app.ledger.makers.models import CatalogueItem, Maker
from app.ledger.search.words import LAST, folded, word_ids

COUNTED = 1000  # cylinders under one part number are counted so far: more are "more than"


@dataclass(frozen=True, slots=True)
class PartFound:
    """A part number: what it is, where it is from, on how many cylinders on record it is (1,000: or more)."""

    part_number: str
    description: str
    maker_name: str
    cylinders: int


def find_parts(session: Session, text: str, words: Sequence[str], limit: int) -> tuple[PartFound, ...]:
    """Catalogue items first, then part numbers that stand on cylinders only (composed, never in a catalogue)."""
    whole = word_ids(session, CatalogueItem, words, whole=True).subquery()
    begun = word_ids(session, CatalogueItem, words).subquery()
    ids = sa.union(sa.select(whole.c.id), sa.select(begun.c.id)).subquery()
    number = folded(session, CatalogueItem.part_number)
    nearest = sa.case((_begins(number, text), 0), else_=1)
    listed = session.execute(
        sa.select(CatalogueItem.part_number, CatalogueItem.description, Maker.name, _count(CatalogueItem.part_number))
        .join(ids, ids.c.id == CatalogueItem.id)
        .join(Maker, Maker.id == CatalogueItem.maker_id)
        .order_by(nearest, CatalogueItem.part_number)
        .limit(limit)
    )
    found = [PartFound(*row) for row in listed]
    known = {part.part_number for part in found}
    found += [part for part in _fitted(session, text, limit) if part.part_number not in known]
    return tuple(found[:limit])


def _begins(number: sa.ColumnElement[str], text: str) -> sa.ColumnElement[bool]:
    low = text.lower()
    return sa.and_(number >= low, number < low + LAST)


def _count(number: Any) -> sa.ScalarSelect[int]:
    some = sa.select(Cylinder.id).where(Cylinder.part_number == number).limit(COUNTED).correlate(CatalogueItem)
    return sa.select(sa.func.count()).select_from(some.subquery()).scalar_subquery()


def _fitted(session: Session, text: str, limit: int) -> list[PartFound]:
    """From one part number on cylinders to the next in the index, not from cylinder to cylinder."""
    number = folded(session, Cylinder.part_number)
    first = sa.select(number).where(_begins(number, text)).order_by(number).limit(1).scalar_subquery()
    step = sa.select(first.label("number"), sa.literal(1, sa.Integer).label("place")).cte("numbers", recursive=True)
    other = aliased(Cylinder)
    following = folded(session, other.part_number)
    after = (
        sa.select(following)
        # One lower bound, the number before: with two SQLite may take the wrong one and walk every cylinder.
        .where(following > step.c.number, following < text.lower() + LAST)
        .order_by(following)
        .limit(1)
        .correlate(step)
        .scalar_subquery()
    )
    step = step.union_all(
        sa.select(after, step.c.place + 1).where(step.c.number.is_not(None), step.c.place < 2 * limit)
    )
    of_number, counted = aliased(Cylinder), aliased(Cylinder)
    one = (
        sa.select(of_number.id).where(folded(session, of_number.part_number) == step.c.number).order_by(of_number.id)
    )
    some = sa.select(counted.id).where(folded(session, counted.part_number) == step.c.number).limit(COUNTED)
    each = (
        sa.select(
            one.limit(1).correlate(step).scalar_subquery().label("id"),
            sa.select(sa.func.count())
            .select_from(some.correlate(step).subquery())
            .scalar_subquery()
            .label("cylinders"),
        )
        .where(step.c.number.is_not(None))
        .subquery()
    )
    rows = session.execute(
        sa.select(Cylinder.part_number, Cylinder.words, each.c.cylinders)
        .join(each, each.c.id == Cylinder.id)
        .order_by(Cylinder.part_number)
    )
    return [PartFound(number, words, "", count) for number, words, count in rows]
