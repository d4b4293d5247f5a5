"""The customers' pages: found, read, changed; roles, bad input, escaping, the number of queries."""

from collections.abc import Callable
from datetime import date

import pytest
import sqlalchemy as sa
from flask.testing import FlaskClient

from app.ledger.tables import Contact, Customer, Event, Role, Site
from tests.factories import (
    ContactFactory,
    CustomerFactory,
    DoorFactory,
    JobFactory,
    KeySystemFactory,
    PriceTierFactory,
    SiteFactory,
    TaxRuleFactory,
)
from tests.keyed import counted

ClientAs = Callable[[Role | None], FlaskClient]
SCRIPT = "<script>alert(1)</script>"


@pytest.mark.postgresql
def test_all_who_are_found_by_words_are_counted_and_listed(clerk: FlaskClient) -> None:
    """The counter's list of who may be meant holds the newest alone; this one is turned page by page."""
    for place in range(201):
        CustomerFactory(name=f"North {place:03} School")
    page = clerk.get("/customers?q=school+north").text
    assert "201 found for" in page and "North 000 School" in page
    assert "North 200 School" in clerk.get("/customers?q=school+north&page=6").text


def test_a_list_says_the_exemption_in_words(clerk: FlaskClient) -> None:
    CustomerFactory(name="Saltmarsh Maritime College", exempt_certificate="E-4", exempt_until=date(2027, 5, 1))
    CustomerFactory(name="Lantern Row", exempt_certificate="E-5", exempt_until=date(2026, 11, 1))
    page = clerk.get("/customers").text
    assert "exempt until 1 May 2027" in page
    assert "certificate expired" in page


@pytest.mark.parametrize("wanted", ["maritime", "NORTH HALL", "555 0110", "bursar's friend"])
def test_customers_are_found_by_name_site_contact_and_phone(clerk: FlaskClient, wanted: str) -> None:
    college = CustomerFactory(name="Saltmarsh Maritime College", phone="(555) 0110", phone_digits="5550110")
    SiteFactory(customer=college, name="North Hall")
    ContactFactory(customer=college, name="The bursar's friend")
    CustomerFactory(name="Somebody Else")
    page = clerk.get("/customers", query_string={"q": wanted}).text
    assert "Saltmarsh Maritime College" in page
    assert "Somebody Else" not in page


def test_a_search_that_finds_nobody_says_so_and_pieces_come_without_the_page(clerk: FlaskClient) -> None:
    answer = clerk.get("/customers?q=100%25_", headers={"HX-Request": "true"})
    assert "Nobody on record holds this" in answer.text
    assert "<html" not in answer.text


def test_pages_hold_forty_each(clerk: FlaskClient) -> None:
    for number in range(45):
        CustomerFactory(name=f"Customer {number:03d}")
    assert "Page 1 of 2" in clerk.get("/customers").text
    second = clerk.get("/customers?page=2").text
    assert "Customer 044" in second and "Customer 001" not in second
    assert clerk.get("/customers?page=99999").status_code == 200
    assert clerk.get("/customers?page=x").status_code == 200


def test_a_customers_page_shows_whom_where_and_what(clerk: FlaskClient) -> None:
    customer = CustomerFactory(
        name="Harbourmaster's Flats", exempt_certificate="E-9", exempt_until=date(2026, 11, 30)
    )
    site = SiteFactory(customer=customer, name="The Flats")
    DoorFactory(site=site)
    DoorFactory(site=site)
    ContactFactory(customer=customer, name="Ines", duty="manager", phone="555-0148")
    JobFactory(customer=customer, title="Twenty-four flats")
    KeySystemFactory(customer=customer, name="Flats system")
    page = clerk.get(f"/customers/{customer.id}").text
    for words in ("Ines", "manager", "The Flats", "Twenty-four flats", "Flats system", "it ends in 5 days"):
        assert words in page
    assert '<td data-label="Doors" data-say="doors" class="number">2</td>' in page


def test_the_page_asks_the_database_a_bounded_number_of_questions(ledger, clerk: FlaskClient) -> None:
    customer = CustomerFactory()

    def questions() -> int:
        with counted(ledger.engine) as seen:
            assert clerk.get(f"/customers/{customer.id}").status_code == 200
        return len(seen)

    clerk.get("/customers")
    few = questions()
    for _ in range(12):
        site = SiteFactory(customer=customer)
        DoorFactory(site=site)
        JobFactory(customer=customer, site=site)
        KeySystemFactory(customer=customer)
        ContactFactory(customer=customer)
    assert questions() <= few + 1  # the jobs' sites are asked for at once where there are any
    assert few <= 15


def test_somebody_is_put_on_record(clerk: FlaskClient, session) -> None:
    PriceTierFactory(name="trade")
    TaxRuleFactory(place="Saltmarsh")
    answer = clerk.post(
        "/customers/new",
        data={
            "name": "  Gull &  Anchor ",
            "phone": "555-0164",
            "tier": "trade",
            "tax_place": "Saltmarsh",
            "exempt_certificate": "E-1",
            "exempt_until": "2027-01-31",
        },
    )
    assert answer.status_code == 303
    customer = session.scalar(sa.select(Customer))
    assert (customer.name, customer.tier, customer.exempt_until) == ("Gull & Anchor", "trade", date(2027, 1, 31))
    assert "Gull &amp; Anchor is saved." in clerk.get(answer.location).text


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"name": ""}, "Enter the customer&#39;s name."),
        ({"name": "x" * 10_000}, "At most 120 characters fit here."),
        ({"name": "A", "exempt_certificate": "E-1"}, "Enter the day on which the exemption certificate expires."),
        ({"name": "A", "exempt_until": "2027-01-31"}, "Enter the certificate&#39;s number"),
        ({"name": "A", "exempt_until": "tomorrow"}, "Write the day as 2026-01-31."),
        ({"name": "A", "exempt_until": "9999-01-31", "exempt_certificate": "E"}, "Enter a day from 1970 to 2199."),
        ({"name": "A", "tier": "platinum"}, "Choose one of the list."),
        ({"name": "A", "notes": "n" * 9000}, "At most 8,000 characters fit here."),
    ],
)
def test_what_cannot_be_is_refused_beside_its_field_and_kept(clerk, session, typed, said) -> None:
    answer = clerk.post("/customers/new", data={"phone": "555-0999", **typed})
    assert answer.status_code == 422
    assert said in answer.text
    assert "555-0999" in answer.text
    assert session.scalar(sa.select(sa.func.count()).select_from(Customer)) == 0


def test_a_change_is_saved_and_is_an_event(clerk: FlaskClient, session) -> None:
    customer = CustomerFactory(name="Old name", tier="no longer sold")
    data = {"name": "New name", "tier": "no longer sold", "version": "1"}
    assert clerk.post(f"/customers/{customer.id}/edit", data=data).status_code == 303
    session.commit()  # lets go of what it read before
    session.refresh(customer)
    assert customer.name == "New name"
    assert "name changed" in session.scalar(sa.select(Event.summary).where(Event.kind == "customer changed"))


def test_a_stale_save_says_who_changed_what_and_keeps_what_was_typed(client_as: ClientAs, session) -> None:
    customer = CustomerFactory(name="First")
    first, second = client_as(Role.COUNTER), client_as(Role.BENCH)
    assert first.post(f"/customers/{customer.id}/edit", data={"name": "Second", "version": "1"}).status_code == 303
    answer = second.post(f"/customers/{customer.id}/edit", data={"name": "Third", "version": "1"})
    assert answer.status_code == 409
    assert "name changed" in answer.text and "Third" in answer.text
    session.commit()  # lets go of what it read before
    session.refresh(customer)
    assert customer.name == "Second"


def test_sites_are_added_and_changed_and_not_twice(clerk: FlaskClient, session) -> None:
    customer = CustomerFactory()
    place = f"/customers/{customer.id}/sites/new"
    assert clerk.post(place, data={"site": "North Hall"}).status_code == 303
    again = clerk.post(place, data={"site": "North Hall", "address": "kept words"})
    assert again.status_code == 422
    assert "has a site named North Hall already" in again.text and "kept words" in again.text
    site = session.scalar(sa.select(Site))
    assert 'value="North Hall"' in clerk.get(f"/customers/sites/{site.id}").text
    data = {"site": "South Hall", "version": "1"}
    assert clerk.post(f"/customers/sites/{site.id}", data=data).status_code == 303
    assert clerk.post(f"/customers/sites/{site.id}", data=data).status_code == 409
    assert clerk.post(f"/customers/sites/{site.id}", data={"site": " ", "version": "2"}).status_code == 422


def test_contacts_are_added_changed_and_guarded_by_the_customers_version(clerk: FlaskClient, session) -> None:
    customer = CustomerFactory()
    assert clerk.post(f"/customers/{customer.id}/contacts/new", data={"name": "Ines"}).status_code == 303
    contact = session.scalar(sa.select(Contact))
    data = {"name": "Ines B.", "duty": "manager", "phone": "555-0101", "version": "1"}
    assert clerk.post(f"/customers/contacts/{contact.id}", data=data).status_code == 303
    assert clerk.post(f"/customers/contacts/{contact.id}", data=data).status_code == 409
    session.commit()  # lets go of what it read before
    session.refresh(contact)
    assert (contact.duty, contact.phone_digits) == ("manager", "5550101")


def test_what_people_typed_never_becomes_markup(clerk: FlaskClient) -> None:
    customer = CustomerFactory(name=SCRIPT, notes=SCRIPT, address=SCRIPT)
    SiteFactory(customer=customer, name=SCRIPT)
    ContactFactory(customer=customer, name=SCRIPT, email=SCRIPT)
    for path in (
        "/customers",
        f"/customers/{customer.id}",
        f"/customers/{customer.id}/edit",
        f"/customers?q={SCRIPT}",
    ):
        page = clerk.get(path).text
        assert SCRIPT not in page
        assert "&lt;script&gt;" in page


@pytest.mark.parametrize("path", ["/customers/9", "/customers/9/edit", "/customers/sites/9", "/customers/contacts/9"])
def test_a_record_that_is_not_there_is_a_calm_page(clerk: FlaskClient, path: str) -> None:
    answer = clerk.get(path)
    assert answer.status_code == 404
    assert "on record" in answer.text


def test_a_search_that_finds_nobody_leads_to_a_new_customer_of_that_name(clerk: FlaskClient) -> None:
    CustomerFactory(name="Lantern Row")
    for found in (clerk.get("/customers?q=Plover%20%26%20Son").text, clerk.get("/search?q=Plover%20%26%20Son").text):
        assert 'href="/customers/new?q=Plover+%26+Son">New customer: Plover &amp; Son</a>' in found
    assert "New customer" not in clerk.get("/customers?q=Lantern").text
    named = clerk.get("/customers/new?q=Plover+%26+Son").text
    assert 'name="name" required type="text" value="Plover &amp; Son"' in named, named
    called = clerk.get("/customers/new?q=555-0177").text
    assert 'value="555-0177"' in called and 'value="Plover' not in called
