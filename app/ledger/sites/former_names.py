"""What customers and sites were called before: kept when one is renamed, told on pages, found by the search."""

from collections.abc import Sequence

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.store.work import Work
from app.ledger.tables import Customer, FormerName, Site


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
