"""Questions about customers and sites."""

from collections.abc import Mapping, Sequence
from functools import cache

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased, selectinload

from app.ledger.search.words import customer_ids, dialect_of, holds, read_words, values_of
from app.ledger.sites.customers import CustomerForm, phone_digits
from app.ledger.sites.likeness import LikeCustomer, find_like
from app.ledger.store.engine import Page, get_row, page_of
from app.ledger.tables import Contact, Customer, Cylinder, Door, Event, FormerName, Job, Keyset, KeySystem, Site


def find_customers(session: Session, text: str, limit: int = 12) -> Sequence[Customer]:
    """Customers with words that begin as `text`'s do, or with its digits in their phone; best first.

    Their own words come before those of a contact or a site, a name that starts with the text before one that only
    holds it. Empty text finds nobody.
    """
    wanted = text.strip()
    words = _words_of(wanted)
    if not words:
        return []
    digits = "" if any(sign.isalpha() for sign in wanted) else phone_digits(wanted)
    if len(digits) == 11:  # with the country's own 1, which is seldom on record
        digits = digits.removeprefix("1")
    dialect = dialect_of(session)
    values = values_of(dialect, words) | {"starts": f"{_escaped(wanted)}%", "digits": digits}
    has_digits = len(digits) >= 3
    return session.scalars(_found(dialect, has_digits, limit), values).all()


def _words_of(wanted: str) -> tuple[str, ...]:
    """The words that are looked for; "and" is what a name on record may have an & for."""
    words = read_words(wanted)
    return tuple(word for word in words if word != "and") or words


@cache
def _found(dialect: str, has_digits: bool, limit: int) -> sa.Select[Customer]:
    ranked = customer_ids(dialect, has_digits=has_digits).subquery()
    starts = Customer.name.ilike(sa.bindparam("starts", type_=sa.String()), escape="\\")
    return (
        sa.select(Customer)
        .join(ranked, ranked.c.id == Customer.id)
        .options(selectinload(Customer.sites))
        .order_by(sa.case((starts, 0), else_=1), ranked.c.tier, Customer.name, Customer.id)
        .limit(limit)
    )


def _met(session: Session, wanted: str) -> sa.ColumnElement[bool]:
    """Whether a customer holds the text just so, or has words that begin as its words do."""
    words, dialect = _words_of(wanted), dialect_of(session)
    if not words:
        return _holds(wanted)
    ranked = customer_ids(dialect, has_digits=False, limit=None).subquery()
    return sa.or_(_holds(wanted), Customer.id.in_(sa.select(ranked.c.id).params(values_of(dialect, words))))


def _holds(wanted: str) -> sa.ColumnElement[bool]:
    former = sa.select(FormerName.customer_id).where(holds(FormerName.name, wanted))
    sites = sa.select(Site.customer_id).join(FormerName, FormerName.site_id == Site.id)
    merged = aliased(Customer)
    theirs_too = sa.or_(holds(merged.name, wanted), merged.id.in_(former))
    conditions = [
        holds(Customer.name, wanted),
        Customer.id.in_(former.where(FormerName.customer_id.is_not(None))),
        Customer.id.in_(sites.where(holds(FormerName.name, wanted))),
        Customer.id.in_(sa.select(merged.merged_into_id).where(merged.merged_into_id.is_not(None), theirs_too)),
        Customer.id.in_(sa.select(Site.customer_id).where(holds(Site.name, wanted))),
        Customer.contacts.any(holds(Contact.name, wanted)),
    ]
    digits = phone_digits(wanted)
    if len(digits) >= 3:
        phones = (Customer.phone_digits, Contact.phone_digits)
        own, theirs = (column.contains(digits) for column in phones)
        conditions += [own, Customer.contacts.any(theirs)]
    return sa.or_(*conditions)


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("%", "\\%").replace("_", "\\_")


def get_customer(session: Session, customer_id: int) -> Customer:
    """A customer with contacts and sites; NotFound when there is none."""
    load = (selectinload(Customer.sites), selectinload(Customer.contacts))
    return get_row(session, Customer, customer_id, "customer", *load)


def list_customers(session: Session, page: int = 1, size: int = 50, text: str = "") -> Page[Customer]:
    """One page of the customers that hold `text` or its words (all of them for none), by name."""
    rows = sa.select(Customer).options(selectinload(Customer.sites)).order_by(Customer.name, Customer.id)
    rows = rows.where(Customer.merged_into_id.is_(None))
    return page_of(session, rows.where(_met(session, text.strip())) if text.strip() else rows, page, size)


def get_site(session: Session, site_id: int) -> Site:
    """A site with its customer; NotFound when there is none."""
    return get_row(session, Site, site_id, "site", selectinload(Site.customer))


def get_contact(session: Session, contact_id: int) -> Contact:
    """A contact with the customer; NotFound when there is none."""
    return get_row(session, Contact, contact_id, "contact", selectinload(Contact.customer))


def customer_jobs(session: Session, customer_id: int, limit: int = 25) -> Sequence[Job]:
    """The customer's newest jobs, with their sites."""
    return session.scalars(
        sa.select(Job)
        .where(Job.customer_id == customer_id)
        .options(selectinload(Job.site))
        .order_by(Job.number.desc())
        .limit(limit)
    ).all()


def customer_systems(session: Session, customer_id: int) -> Sequence[tuple[KeySystem, int]]:
    """The customer's key systems by name, each with how many keysets it has."""
    rows = session.execute(
        sa.select(KeySystem, sa.func.count(Keyset.id))
        .outerjoin(Keyset, Keyset.system_id == KeySystem.id)
        .where(KeySystem.customer_id == customer_id)
        .group_by(KeySystem.id)
        .order_by(KeySystem.name)
    )
    return [(system, count) for system, count in rows]


def doors_by_site(session: Session, customer_id: int) -> Mapping[int, int]:
    """Site id → how many doors are on record there, for the customer's sites that have any."""
    rows = session.execute(
        sa.select(Door.site_id, sa.func.count())
        .join(Site, Site.id == Door.site_id)
        .where(Site.customer_id == customer_id)
        .group_by(Door.site_id)
    )
    return {row[0]: row[1] for row in rows}


def customer_story(session: Session, customer_id: int) -> Sequence[Event]:
    """What happened to a customer and to what was merged into it, newest first."""
    merged = sa.select(Customer.id).where(Customer.merged_into_id == customer_id)
    subjects = [f"customer {one}" for one in (customer_id, *session.scalars(merged))]
    rows = sa.select(Event).where(Event.subject.in_(subjects)).order_by(Event.id.desc()).limit(12)
    return session.scalars(rows).all()


def like_customer(session: Session, customer: Customer) -> tuple[LikeCustomer, ...]:
    """Who may be the same as a customer on record."""
    form = CustomerForm(customer.name, customer.phone, customer.email)
    return find_like(session, form, customer.id)


def doors_of_customer(session: Session, customer_id: int) -> Mapping[int, list[tuple[int, str]]]:
    """Site id → its doors as (id, opening number), in their order."""
    rows = sa.select(Door.site_id, Door.id, Door.opening_number).join(Site, Site.id == Door.site_id)
    rows = rows.where(Site.customer_id == customer_id).order_by(
        Door.site_id, sa.func.length(Door.opening_number), Door.opening_number
    )
    found: dict[int, list[tuple[int, str]]] = {}
    for site_id, door_id, opening in session.execute(rows.limit(3000)):
        found.setdefault(site_id, []).append((door_id, opening))
    return found


def jobs_on_their_doors(session: Session, customer_id: int) -> Sequence[tuple[Job, Customer]]:
    """The newest jobs that were done for others on doors that are this customer's now, as after a split."""
    on_doors = (
        sa.select(Cylinder.job_id)
        .join(Door, Door.id == Cylinder.door_id)
        .join(Site, Site.id == Door.site_id)
        .where(Site.customer_id == customer_id)
    )
    rows = sa.select(Job, Customer).join(Customer, Customer.id == Job.customer_id)
    rows = rows.where(Job.customer_id != customer_id, Job.id.in_(on_doors)).order_by(Job.number.desc()).limit(12)
    return [(job, customer) for job, customer in session.execute(rows)]
