"""One question to the whole ledger: jobs, quotes, customers, doors, key symbols, part numbers. Never a bitting.

Bittings are sealed, so no search can meet them; keyed fingerprints are not searched either.
"""

from __future__ import annotations

__all__ = ["DoorFound", "Found", "JobFound", "KeysetFound", "PartFound", "QuoteFound", "search"]

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.customers.models import Customer, Site
from app.ledger.customers.queries import find_customers
from app.ledger.doors.models import Cylinder, Door
from app.ledger.jobs.models import Job, QuoteRevision, Stage
from app.ledger.keysystems.models import Keyset, KeySystem, Level
from app.ledger.makers.models import CatalogueItem, Maker
from app.ledger.matching import begins, holds

LONGEST = 120
_QUOTE = re.compile(r"([0-9]{1,9})\s*[-–/]\s*([0-9]{1,4})")
_BIGGEST = 2**31 - 1


@dataclass(frozen=True, slots=True)
class JobFound:
    """A job by its number, its title, the customer's order number or the customer."""

    number: int
    customer_name: str
    title: str
    stage: Stage
    promised_on: date | None
    po_number: str


@dataclass(frozen=True, slots=True)
class QuoteFound:
    """A quote revision, found by job number and revision ("1007-2")."""

    job_number: int
    revision: int
    customer_name: str
    valid_until: date


@dataclass(frozen=True, slots=True)
class DoorFound:
    """A door by its opening number or its location."""

    door_id: int
    opening_number: str
    location: str
    site_name: str
    customer_name: str


@dataclass(frozen=True, slots=True)
class KeysetFound:
    """A keyset by its symbol."""

    system_id: int
    symbol: str
    level: Level
    system_name: str
    customer_name: str


@dataclass(frozen=True, slots=True)
class PartFound:
    """A part number: what it is, where it is from, on how many cylinders on record it is."""

    part_number: str
    description: str
    maker_name: str
    cylinders: int


@dataclass(frozen=True, slots=True)
class Found:
    """What a search met, by kind, the nearest first; at most `limit` of each."""

    text: str
    limit: int
    jobs: tuple[JobFound, ...] = ()
    quotes: tuple[QuoteFound, ...] = ()
    customers: Sequence[Customer] = ()
    doors: tuple[DoorFound, ...] = ()
    keysets: tuple[KeysetFound, ...] = ()
    parts: tuple[PartFound, ...] = ()

    @property
    def is_empty(self) -> bool:
        """Whether nothing was met at all."""
        return not (self.jobs or self.quotes or self.customers or self.doors or self.keysets or self.parts)


def search(session: Session, text: str, limit: int = 12) -> Found:
    """Everything that a phone number, name, job, quote, door, part number or key symbol can mean.

    One query a kind, eight in all. Text beyond 120 characters is cut off: nothing on record is found by more.
    """
    wanted = " ".join(text.split())[:LONGEST]
    if not wanted:
        return Found("", limit)
    return Found(
        wanted,
        limit,
        jobs=_jobs(session, wanted, limit),
        quotes=_quotes(session, wanted, limit),
        customers=find_customers(session, wanted, limit),
        doors=_doors(session, wanted, limit),
        keysets=_keysets(session, wanted, limit),
        parts=_parts(session, wanted, limit),
    )


def _number(text: str) -> int | None:
    digits = text.removeprefix("#").strip()
    return int(digits) if re.fullmatch(r"[0-9]{1,10}", digits) and int(digits) <= _BIGGEST else None


def _jobs(session: Session, text: str, limit: int) -> tuple[JobFound, ...]:
    number = _number(text)
    conditions = [holds(Job.title, text), begins(Job.po_number, text), holds(Customer.name, text)]
    if number is not None:
        conditions.append(Job.number == number)
    exact = sa.case((Job.number == (number or 0), 0), else_=1)
    rows = session.execute(
        sa.select(Job.number, Customer.name, Job.title, Job.stage, Job.promised_on, Job.po_number)
        .join(Customer, Customer.id == Job.customer_id)
        .where(sa.or_(*conditions))
        .order_by(exact, Job.number.desc())
        .limit(limit)
    )
    return tuple(JobFound(*row) for row in rows)


def _quotes(session: Session, text: str, limit: int) -> tuple[QuoteFound, ...]:
    found = _QUOTE.fullmatch(text)
    number = int(found[1]) if found else _number(text)
    if number is None or number > _BIGGEST:
        return ()
    condition = Job.number == number
    if found:
        condition = sa.and_(condition, QuoteRevision.revision == int(found[2]))
    rows = session.execute(
        sa.select(Job.number, QuoteRevision.revision, Customer.name, QuoteRevision.valid_until)
        .join(Job, Job.id == QuoteRevision.job_id)
        .join(Customer, Customer.id == Job.customer_id)
        .where(condition)
        .order_by(QuoteRevision.revision.desc())
        .limit(limit)
    )
    return tuple(QuoteFound(*row) for row in rows)


def _doors(session: Session, text: str, limit: int) -> tuple[DoorFound, ...]:
    nearest = sa.case(
        (sa.func.lower(Door.opening_number) == text.lower(), 0), (begins(Door.opening_number, text), 1), else_=2
    )
    rows = session.execute(
        sa.select(Door.id, Door.opening_number, Door.location, Site.name, Customer.name)
        .join(Site, Site.id == Door.site_id)
        .join(Customer, Customer.id == Site.customer_id)
        .where(sa.or_(begins(Door.opening_number, text), holds(Door.location, text)))
        .order_by(nearest, Customer.name, Site.name, Door.opening_number)
        .limit(limit)
    )
    return tuple(DoorFound(*row) for row in rows)


def _keysets(session: Session, text: str, limit: int) -> tuple[KeysetFound, ...]:
    # The marks around a symbol on a schedule are not part of it: X before is cross-keyed, (NMK) after no master.
    symbol = re.sub(r"\s*\(NMK\)$", "", text, flags=re.IGNORECASE).upper()
    symbol = symbol[1:] if symbol.startswith("X") and len(symbol) > 1 else symbol
    rows = session.execute(
        sa.select(KeySystem.id, Keyset.symbol, Keyset.level, KeySystem.name, Customer.name)
        .join(KeySystem, KeySystem.id == Keyset.system_id)
        .join(Customer, Customer.id == KeySystem.customer_id)
        .where(Keyset.symbol == symbol)
        .order_by(Customer.name, KeySystem.name)
        .limit(limit)
    )
    return tuple(KeysetFound(*row) for row in rows)


def _parts(session: Session, text: str, limit: int) -> tuple[PartFound, ...]:
    """Catalogue items first, then part numbers that stand on cylinders only (composed, never in a catalogue)."""
    fitted = (
        sa.select(
            Cylinder.part_number, sa.func.count().label("cylinders"), sa.func.min(Cylinder.words).label("words")
        )
        .where(Cylinder.part_number != "", begins(Cylinder.part_number, text))
        .group_by(Cylinder.part_number)
        .subquery()
    )
    listed = session.execute(
        sa.select(
            CatalogueItem.part_number,
            CatalogueItem.description,
            Maker.name,
            sa.func.coalesce(fitted.c.cylinders, 0),
        )
        .join(Maker, Maker.id == CatalogueItem.maker_id)
        .outerjoin(fitted, fitted.c.part_number == CatalogueItem.part_number)
        .where(sa.or_(begins(CatalogueItem.part_number, text), holds(CatalogueItem.description, text)))
        .order_by(sa.case((begins(CatalogueItem.part_number, text), 0), else_=1), CatalogueItem.part_number)
        .limit(limit)
    )
    found = [PartFound(*row) for row in listed]
    known = {part.part_number for part in found}
    others = session.execute(
        sa.select(fitted.c.part_number, fitted.c.words, fitted.c.cylinders)
        .order_by(fitted.c.part_number)
        .limit(limit)
    )
    found += [PartFound(number, words, "", count) for number, words, count in others if number not in known]
    return tuple(found[:limit])
