"""A table of customers: all of them go on record, or none, with every problem by its row in the file."""

from __future__ import annotations

import pytest
import sqlalchemy as sa

from app.errors import Problems
from app.ledger.sites.customers import import_customers
from app.ledger.store.work import Work
from app.ledger.tables import Customer, Site


def test_customers_and_their_sites_go_on_record(work: Work) -> None:
    assert import_customers(work, "name,sites\nNet Loft Cafe,Front house | Annex\n") == 1
    sites = sa.select(Site.name).join(Customer).where(Customer.name == "Net Loft Cafe").order_by(Site.name)
    assert work.session.scalars(sites).all() == ["Annex", "Front house"]


def test_a_customer_on_record_is_a_problem_of_the_row_in_the_file(work: Work) -> None:
    import_customers(work, "name\nNet Loft Cafe\n")
    with pytest.raises(Problems) as refused:
        import_customers(work, "name\nQuay Bakery\n\nNet Loft Cafe\nQuay Bakery\n")
    assert [problem.field for problem in refused.value.problems] == ["row 4, name", "row 5, name"]
    assert work.session.scalar(sa.select(Customer.id).where(Customer.name == "Quay Bakery")) is None
