"""What customers and sites were called before: kept when one is renamed, told on pages, found by the search."""

from collections.abc import Iterable, Sequence
from datetime import date

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.store.work import Work
from app.ledger.tables import Customer, Event, FormerName, Site


def _letters(name: str) -> str:
    return "".join(sign for sign in name.casefold() if sign.isalnum())


def keep_former(work: Work, row: Customer | Site, name: str) -> None:
    """Keep what a customer or site is called that gets this name, inside the caller's transaction.

    A name that is only written otherwise, in capitals or with a hyphen, is no other one.
    """
    if _letters(name) == _letters(row.name):
        return
    owner = {"customer_id": row.id} if isinstance(row, Customer) else {"site_id": row.id}
    work.session.add(FormerName(name=row.name, until=work.today, **owner))


def formerly(session: Session, row: Customer | Site) -> tuple[str, ...]:
    """The former names of a customer or site and the names of what was merged into it, each once, newest first."""
    merged: Sequence[Customer | Site]
    if isinstance(row, Customer):
        column = FormerName.customer_id
        merged = session.scalars(sa.select(Customer).where(Customer.merged_into_id == row.id)).all()
    else:
        column = FormerName.site_id
        merged = session.scalars(sa.select(Site).where(Site.merged_into_id == row.id)).all()
    merged = sorted(merged, key=lambda one: -one.id)
    ids = [row.id, *(one.id for one in merged)]
    rows = sa.select(FormerName.name).where(column.in_(ids)).order_by(FormerName.until.desc(), FormerName.id.desc())
    names = dict.fromkeys([*(one.name for one in merged), *session.scalars(rows)])
    return tuple(name for name in names if _letters(name) != _letters(row.name))


_WENT = {"customers merged": "gone", "customer split": ""}
"""Events by which jobs go to another customer, and the detail that names whose they were; "" for the subject's."""


def buyers_then(session: Session, job_id: int, customer: Customer, days: Iterable[date]) -> dict[date, str]:
    """What the customer of a job was called on each of these days, for papers of then: two queries.

    Whose job it was is told by the merges and splits that were not undone since.
    """
    wanted = sorted(set(days))
    if not wanted:
        return {}
    events = session.execute(
        sa.select(Event.id, Event.at, Event.kind, Event.subject, Event.detail)
        .where(Event.kind.in_((*_WENT, "merge of customers undone", "split of a customer undone")))
        .order_by(Event.id.desc())
    ).all()
    undone = {detail.get("undoes") for *_, detail in events}
    went = [
        (at.astimezone().date(), int(detail[_WENT[kind]] if _WENT[kind] else subject.rpartition(" ")[2]))
        for event_id, at, kind, subject, detail in events
        if kind in _WENT and event_id not in undone and job_id in detail["moved"].get("jobs.customer_id", ())
    ]
    whose = {day: next((who for left, who in reversed(went) if left > day), customer.id) for day in wanted}
    ids = {*whose.values(), customer.id}
    names = {one.id: one.name for one in session.scalars(sa.select(Customer).where(Customer.id.in_(ids)))}
    rows = sa.select(FormerName).where(FormerName.customer_id.in_(ids)).order_by(FormerName.until, FormerName.id)
    former = session.scalars(rows).all()
    return {
        day: next((one.name for one in former if one.customer_id == who and one.until > day), names.get(who, ""))
        for day, who in whose.items()
    }
