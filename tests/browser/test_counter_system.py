"""The key system of a master-keyed line follows the customer who is chosen on the page; a new one is sold unasked to
nobody.
"""

from collections.abc import Callable

import pytest
from playwright.sync_api import Browser, expect
from sqlalchemy.orm import Session

from app.ledger.keysystems.systems import SystemForm, insert_system
from app.ledger.store.engine import transaction
from app.ledger.store.work import Work
from app.ledger.tables import QuoteRevision, User
from tests.chromium import Served, fill_in_login
from tests.factories import UserFactory
from tests.ledger.conftest import customer_id
from tests.stocked import empty_house

__all__ = ["empty_house"]

FLATS, HALLS = "Old Flats: 2 levels, AQ1", "Three Halls: 3 levels, AQ1"


@pytest.fixture
def clerk(work: Work) -> User:
    """Somebody at the counter of a house with two customers who have a key system each."""
    with transaction(work.session):
        insert_system(work, SystemForm(customer_id(work, "Harbourmaster"), "Old Flats", 2, "AQ1", 6))
        insert_system(work, SystemForm(customer_id(work, "Saltmarsh Mar"), "Three Halls", 3, "AQ1", 6))
    user: User = UserFactory(name="Clerk")
    return user


@pytest.mark.parametrize("script", [True, False])
def test_the_list_of_systems_is_that_of_the_customer_chosen_on_the_page(
    browser: Browser, served: Served, clerk: User, session: Session, script: bool
) -> None:
    context = browser.new_context(java_script_enabled=script, viewport={"width": 1366, "height": 768})
    context.set_default_timeout(10_000)
    page = context.new_page()
    fill_in_login(page, served, clerk)

    def shown(press: Callable[[], object]) -> None:
        press()
        if not script:
            page.get_by_role("button", name="Update").last.click()

    def choose_customer(typed: str, name: str) -> None:
        page.get_by_label("Customer phone, name or site").fill(typed)
        if not script:
            page.locator("#who").get_by_role("button", name="Search").click()
        page.get_by_role("button", name=name).click()

    system, offered = page.get_by_label("System", exact=True), page.locator("#system_id option")
    till, line = page.get_by_label("Totals and keying"), page.locator("fieldset.line")
    billed, ask = page.get_by_text("design and records"), page.locator("#system_id-told")
    page.get_by_role("button", name="Part number").click()
    page.get_by_label("Part number").fill("A18M-Q1-66.SC")
    shown(lambda: page.get_by_label("Keying", exact=True).select_option("MK"))
    expect(offered).to_have_text(["A new one"])

    choose_customer("harbour", "Harbourmaster's Flats")
    expect(offered).to_have_text(["choose", FLATS, "A new one"])
    expect(ask).to_contain_text("choose one, or name a new one")
    expect(billed).to_have_count(0)
    expect(till).to_contain_text("1 thing to put right")
    page.get_by_role("button", name="Issue quote").click()
    expect(page.get_by_role("alert")).to_contain_text("Master-keyed cylinders need a key system")

    shown(lambda: system.select_option(FLATS))
    expect(ask).to_have_text("")
    shown(lambda: page.get_by_label("Under master").fill("ZZ"))
    expect(line).to_contain_text("Under master Old Flats has no master 'ZZ'; it has AA.")
    page.get_by_role("button", name="Issue quote").click()
    expect(page.get_by_role("alert")).to_contain_text("has no master 'ZZ'")
    shown(lambda: page.get_by_label("Under master").fill("AA"))
    expect(line).not_to_contain_text("has no master")

    page.get_by_role("button", name="Change", exact=True).click()
    expect(page.get_by_label("Customer phone, name or site")).to_be_focused()  # swapped in, and listening
    choose_customer("saltmarsh", "Saltmarsh Maritime College")
    expect(offered).to_have_text(["choose", "Old Flats: another customer's", HALLS, "A new one"])
    expect(system).to_have_value(str(1))
    expect(ask).to_contain_text("Old Flats belongs to another customer; choose one in the list.")
    expect(billed).to_have_count(0)
    page.get_by_role("button", name="Issue quote").click()
    expect(page.get_by_role("alert")).to_contain_text("Old Flats belongs to another customer")
    shown(lambda: system.select_option("A new one"))
    expect(billed).to_have_count(1)
    shown(lambda: system.select_option(HALLS))
    expect(billed).to_have_count(0)
    page.get_by_role("button", name="Issue quote").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Quote Q-1001-1")
    expect(page.get_by_label("The quote as on paper")).to_contain_text("master keyed under AA")
    assert "New key system" not in session.query(QuoteRevision).one().snapshot
    context.close()


def test_a_part_number_that_cannot_join_its_system_names_what_keeps_it_out(
    browser: Browser, served: Served, clerk: User
) -> None:
    page = browser.new_context().new_page()
    fill_in_login(page, served, clerk)
    page.get_by_label("Customer phone, name or site").fill("harbour")
    page.get_by_role("button", name="Harbourmaster's Flats").click()
    page.get_by_role("button", name="Part number").click()
    page.get_by_label("Part number").fill("A18M-Q3-66.SC")
    page.get_by_label("Keying", exact=True).select_option("MK")
    page.get_by_label("System", exact=True).select_option(FLATS)
    words = "Cylinders on keyway AQ3 cannot join Old Flats"
    expect(page.locator("fieldset.line")).to_contain_text(f"Keyway {words}")
    page.get_by_role("button", name="Issue quote").click()
    expect(page.get_by_role("alert")).to_contain_text(f"Keyway: {words}")
    page.context.close()
