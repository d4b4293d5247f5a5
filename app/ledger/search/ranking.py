"""Which jobs, doors and customers a few words can mean, and how near: ids with a tier, 0 the nearest.

A word may stand in the row itself or in the name of who it belongs to: "101 college" is door 101 of the college.
"""

from __future__ import annotations

__all__ = ["customer_ids", "door_ids", "job_ids"]

from collections.abc import Iterator, Sequence
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.customers.models import Contact, Customer, Site
from app.ledger.doors.models import Door
from app.ledger.jobs.models import Job
from app.ledger.matching import holds
from app.ledger.search.words import word_ids

MOST = 200  # candidates of one kind: beyond them nobody reads, and a person types on
_BIGGEST_JOB = 10**9
_Ids = sa.Select[int]
_Ranked = sa.Select[int, int]


def customer_ids(session: Session, words: Sequence[str], digits: str = "") -> _Ranked:
    """Customers by digits in their phone (or a contact's), by their own words, then by a contact's or a site's."""
    contacts, sites = word_ids(session, Contact, words).subquery(), word_ids(session, Site, words).subquery()
    arms: list[_Ids] = []
    if digits:
        # Somebody reads out the last four digits as often as all of them, so they are looked for anywhere.
        arms.append(sa.select(Customer.id).where(Customer.phone_digits.contains(digits)).limit(MOST))
        theirs = sa.select(Contact.customer_id.label("id")).where(Contact.phone_digits.contains(digits))
        arms.append(theirs.limit(MOST))
    arms += [
        word_ids(session, Customer, words, whole=True),
        word_ids(session, Customer, words),
        sa.select(Contact.customer_id.label("id")).join(contacts, contacts.c.id == Contact.id),
        sa.select(Site.customer_id.label("id")).join(sites, sites.c.id == Site.id),
    ]
    return _ranked(arms)


def job_ids(session: Session, words: Sequence[str], number: int | None) -> _Ranked:
    """Jobs by number, by their own words, by their customer's or site's, and by both together."""
    arms: list[_Ids] = []
    if number is not None:
        arms.append(sa.select(Job.id).where(sa.or_(*_numbers(number))).order_by(Job.number).limit(MOST))
    arms += [word_ids(session, Job, words, whole=True), word_ids(session, Job, words)]
    for own, others in [((), tuple(words)), *_splits(words)]:
        for parent, column in ((Customer, Job.customer_id), (Site, Job.site_id)):
            held = [sa.or_(holds(Job.title, word), holds(Job.po_number, word)) for word in own]
            mine = sa.select(Job.id).where(column.in_(_listed(session, parent, others)), *held)
            arms.append(mine.order_by(Job.id.desc()).limit(MOST))
    return _ranked(arms)


def door_ids(session: Session, words: Sequence[str]) -> _Ranked:
    """Doors by opening number and location, and by these together with their site's or customer's name."""
    arms = [word_ids(session, Door, words, whole=True), word_ids(session, Door, words)]
    for own, others in _splits(words):
        held = [sa.or_(holds(Door.opening_number, word), holds(Door.location, word)) for word in own]
        theirs = sa.select(Site.id).where(Site.customer_id.in_(_listed(session, Customer, others)))
        for sites in (_listed(session, Site, others), theirs.limit(MOST)):
            arms.append(sa.select(Door.id).where(Door.site_id.in_(sites), *held).order_by(Door.id.desc()).limit(MOST))
    return _ranked(arms)


def _numbers(number: int) -> Iterator[sa.ColumnElement[bool]]:
    """The number itself, then those that begin with its digits."""
    yield Job.number == number
    width = 10
    while 0 < number * width < _BIGGEST_JOB:
        yield Job.number.between(number * width, number * width + width - 1)
        width *= 10


def _splits(words: Sequence[str]) -> Iterator[tuple[tuple[str, ...], tuple[str, ...]]]:
    """The ways to part the words into the row's own and its owner's: at one place, either side first."""
    for place in range(1, len(words)):
        left, right = tuple(words[:place]), tuple(words[place:])
        yield left, right
        yield right, left


def _listed(session: Session, model: Any, words: Sequence[str]) -> _Ids:
    # Wrapped, since a LIMIT inside of IN stands in a subquery of its own in every dialect.
    return sa.select(word_ids(session, model, words, MOST).subquery().c.id)


def _ranked(arms: Sequence[_Ids]) -> _Ranked:
    """Every id once, with the first arm that has it."""
    parts = []
    for tier, arm in enumerate(arms):
        found = arm.subquery()
        parts.append(sa.select(found.c.id.label("id"), sa.literal(tier, sa.Integer).label("tier")))
    together = sa.union_all(*parts).subquery()
    return sa.select(together.c.id, sa.func.min(together.c.tier).label("tier")).group_by(together.c.id)
