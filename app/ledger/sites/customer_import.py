"""Use case: a table of customers goes on record."""

from __future__ import annotations

from datetime import timedelta

import sqlalchemy as sa

from app.errors import BitternError, Problem, Problems
from app.ledger.sites.customers import CustomerForm, SiteForm, insert_customer, insert_site
from app.ledger.store.engine import transaction
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Role
from app.spreadsheets import Column, read_count, read_table, text_up_to

_COLUMNS = [
    Column("name", text_up_to(120)),
    Column("phone", text_up_to(40), ""),
    Column("email", text_up_to(200), ""),
    Column("address", text_up_to(2000), ""),
    Column("tier", text_up_to(40), ""),
    Column("tax place", text_up_to(80), ""),
    Column("exempt certificate", text_up_to(80), ""),
    Column("exempt days", read_count, 0),
    Column("notes", text_up_to(8000), ""),
    Column("sites", text_up_to(2000), ""),
]


def import_customers(work: Work, text: str) -> int:
    """Put customers and their sites (names parted by |) on record: all of them, or Problems and nobody.

    `exempt days`: how many days from today the exemption certificate still holds. A customer whose name is
    on record already is a problem of its row.
    """
    work.require(Role.COUNTER, Role.BENCH)
    rows, problems = read_table(text, _COLUMNS)
    if problems:
        raise Problems(problems)
    with transaction(work.session):
        known = set(work.session.scalars(sa.select(Customer.name)))
        for number, row in rows:
            if row["name"] in known:
                problems.append(Problem(f"row {number}, name", f"{row['name']} is on record already."))
                continue
            known.add(row["name"])
            until = work.today + timedelta(days=row["exempt days"]) if row["exempt days"] else None
            try:
                customer = insert_customer(
                    work,
                    CustomerForm(
                        name=row["name"],
                        phone=row["phone"],
                        email=row["email"],
                        address=row["address"],
                        tier=row["tier"],
                        tax_place=row["tax place"],
                        exempt_certificate=row["exempt certificate"],
                        exempt_until=until,
                        notes=row["notes"],
                    ),
                )
                for site in filter(None, (name.strip() for name in row["sites"].split("|"))):
                    insert_site(work, customer.id, SiteForm(site, row["address"], row["tax place"]))
            except BitternError as error:
                problems.append(Problem(f"row {number}, {error.field}", error.message))
        if problems:
            raise Problems(problems)
    return len(rows)
