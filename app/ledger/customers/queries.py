"""Questions about customers and sites."""

from __future__ import annotations

__all__ = ["find_customers", "get_customer", "list_customers"]

from collections.abc import Sequence

import sqlalchemy as sa
from sqlalchemy.orm import Session, selectinload

from app.ledger.customers.actions import phone_digits
from app.ledger.customers.models import Contact, Customer, Site
from app.ledger.errors import NotFound


def find_customers(session: Session, text: str, limit: int = 12) -> Sequence[Customer]:
    """Customers whose name, site or contact holds `text`, or whose phone holds its digits; best first.

    A name that starts with the text comes before one that only holds it. Empty text finds nobody.
    """
    wanted = text.strip()
    if not wanted:
        return []
    held = f"%{_escaped(wanted)}%"
    conditions = [
        Customer.name.ilike(held, escape="\\"),
        Customer.sites.any(Site.name.ilike(held, escape="\\")),
        Customer.contacts.any(Contact.name.ilike(held, escape="\\")),
    ]
    digits = phone_digits(wanted)
    if len(digits) >= 3:
        conditions += [
            Customer.phone_digits.contains(digits),
            Customer.contacts.any(Contact.phone_digits.contains(digits)),
        ]
    starts = sa.case((Customer.name.ilike(f"{_escaped(wanted)}%", escape="\\"), 0), else_=1)
    return session.scalars(
        sa.select(Customer)
        .where(sa.or_(*conditions))
        .options(selectinload(Customer.sites))
        .order_by(starts, Customer.name, Customer.id)
        .limit(limit)
    ).all()


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")


def get_customer(session: Session, customer_id: int) -> Customer:
    """A customer with contacts and sites; NotFound when there is none."""
    customer = session.scalar(
        sa.select(Customer)
        .where(Customer.id == customer_id)
        .options(selectinload(Customer.sites), selectinload(Customer.contacts))
    )
    if customer is None:
        raise NotFound("customer")
    return customer


def list_customers(session: Session, page: int = 1, size: int = 50) -> tuple[Sequence[Customer], int]:
    """One page of all customers by name, and how many there are."""
    count = session.scalar(sa.select(sa.func.count()).select_from(Customer)) or 0
    rows = session.scalars(
        sa.select(Customer)
        .options(selectinload(Customer.sites))
        .order_by(Customer.name, Customer.id)
        .limit(size)
        .offset((page - 1) * size)
    ).all()
    return rows, count
