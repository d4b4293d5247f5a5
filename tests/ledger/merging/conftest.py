"""Two customers on one keyway, each with a site, doors, a system, a book of single keys and a quoted job."""

import secrets
from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction

import pytest
import sqlalchemy as sa

from app.fitting import CylinderAttributes
from app.ledger.keys.keys import KeyIssueForm, cut_copies, issue_keys, order_copies
from app.ledger.keysystems.keysets import add_keysets
from app.ledger.keysystems.systems import SystemForm, insert_system, single_keyed_system
from app.ledger.quoting.issuing import IssueForm, issue_quote
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest
from app.ledger.sites.customers import ContactForm, CustomerForm, SiteForm, add_contact, add_customer, add_site
from app.ledger.sites.cylinders import CylinderForm, add_cylinder
from app.ledger.sites.doors import DoorForm, add_door
from app.ledger.store.engine import transaction
from app.ledger.store.work import Work
from app.ledger.tables import Base, Keyset, LineKind, RecordsHolder
from app.pricing import KeyingKind

MORTISE = CylinderAttributes("mortise", Fraction(9, 8), 6, 6, "AQ1", "standard", None, "626")
LEFT_OUT = {"events", "counters", "users", "logins", "login_attempts"}


@dataclass
class House:
    """Ids of what was put on record for one customer."""

    customer: int
    site: int
    system: int
    book: int
    job: int
    doors: list[int] = field(default_factory=list)


def put(work: Work, name: str, *openings: str) -> House:
    """A customer with one site: the first door keyed single, each other one to a change of its own system."""
    customer = add_customer(work, CustomerForm(name, phone="(555) 010-0155", email=f"{name[:4].lower()}@y.example"))
    site = add_site(work, customer.id, SiteForm("Main Hall"))
    add_contact(work, customer.id, ContactForm(f"Porter of {name}"))
    with transaction(work.session):
        system = insert_system(work, SystemForm(customer.id, f"{name} System", 2, "AQ1", 6, changes=20))
        keysets = [keyset.id for keyset in add_keysets(work, system, len(openings) - 1)]
        book = single_keyed_system(work, customer.id, "AQ1", 6, RecordsHolder.SHOP)
        keysets.insert(0, add_keysets(work, book, 1)[0].id)
    house = House(customer.id, site.id, system.id, book.id, 0)
    for opening, keyset in zip(openings, keysets, strict=True):
        door = add_door(work, site.id, DoorForm(opening_number=opening))
        add_cylinder(work, door.id, CylinderForm("outside", "mortise cylinder", keyset_id=keyset))
        house.doors.append(door.id)
    symbol = work.session.get_one(Keyset, keysets[1]).symbol
    copies = order_copies(work, system.id, symbol, 2)
    cut_copies(work, system.id, symbol, copies)
    issue_keys(work, KeyIssueForm(system.id, symbol, copies[:1], f"Porter of {name}"))
    line = LineRequest(LineKind.CYLINDER, 1, "ARD", attributes=MORTISE, keying=KeyingInstruction(KeyingKind.SKD))
    ask = QuoteRequest(customer.id, (line,), site_id=site.id, keyed_at="shop", override_reason="soon")
    house.job = issue_quote(work, IssueForm(ask, secrets.token_hex(8))).job_id
    return house


@pytest.fixture
def north(work: Work) -> House:
    return put(work, "Northgate School", "101", "102", "103")


@pytest.fixture
def south(work: Work) -> House:
    return put(work, "Southgate School", "101", "201")


@pytest.fixture
def rows(work: Work) -> Callable[[], dict[str, list[tuple[object, ...]]]]:
    """`rows()`: every row on record but the events', without versions and sealed bytes, by table."""

    def read() -> dict[str, list[tuple[object, ...]]]:
        work.session.rollback()
        found = {}
        for table in Base.metadata.sorted_tables:
            if table.name in LEFT_OUT:
                continue
            columns = [
                one
                for one in table.columns
                if one.name != "version"
                and not isinstance(one.type, sa.LargeBinary)
                and (table.name, one.name) != ("bittings", "id")
            ]
            found[table.name] = sorted((tuple(row) for row in work.session.execute(sa.select(*columns))), key=repr)
        return found

    return read
