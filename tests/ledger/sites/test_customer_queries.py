"""A customer is found by the words that somebody says, at the counter and on the page of all customers alike."""

import pytest

from app.ledger.sites.customer_queries import find_customers, list_customers
from app.ledger.sites.customers import CustomerForm, SiteForm, add_customer, add_site
from app.ledger.store.work import Work


@pytest.mark.parametrize(
    "said",
    ["gull and anchor", "Gull & Anchor", "gull anch", "anchor gull", "gulls head", "555 0164", "tideway house"],
)
@pytest.mark.postgresql
def test_who_is_found_at_the_counter_is_found_on_the_page_of_all(work: Work, said: str) -> None:
    """Else the page offers to add somebody once more who is on record."""
    gull = add_customer(work, CustomerForm("Gull & Anchor at Gull's Head", phone="555-0164"))
    add_site(work, gull.id, SiteForm("Tideway, old house"))
    add_customer(work, CustomerForm("Andrews", phone="555-0165"))
    assert [one.id for one in find_customers(work.session, said)] == [gull.id]
    assert [one.id for one in list_customers(work.session, text=said).rows] == [gull.id]


def test_and_alone_is_the_beginning_of_a_name(work: Work) -> None:
    andrews = add_customer(work, CustomerForm("Andrews", phone="555-0165"))
    assert [one.id for one in find_customers(work.session, "and")] == [andrews.id]
