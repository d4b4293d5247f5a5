"""The owner sends a first price list, corrects one piece, saves the maker, and quotes one of its numbers."""

import re
from collections.abc import Callable

from playwright.sync_api import Page, expect

from app.ledger.care.opening import Ledger
from app.ledger.tables import Role, User
from tests.chromium import Enter
from tests.factories import HouseFactory
from tests.web.catalog.test_learning import csv_list

LogIn = Callable[[User], Page]


def open_makers(page: Page) -> None:
    """From wherever one is to the makers, by the menu."""
    page.get_by_role("link", name="Goods", exact=True).click()
    page.get_by_role("link", name="Makers", exact=True).click()


def send_list(page: Page, content: bytes) -> None:
    """Name the maker and send its list, from a page that leads there."""
    page.get_by_role("link", name="Learn a maker from its price list").click()
    page.get_by_label("Maker", exact=True).fill("Tidewell")
    page.get_by_label("File").set_input_files([{"name": "list.csv", "mimeType": "text/csv", "buffer": content}])
    page.get_by_role("button", name="Read the list").click()
    expect(page.locator(".learned-count")).to_contain_text("60 of 60 numbers")


def test_a_list_goes_in_and_its_number_is_quoted(log_in: LogIn, owner: User) -> None:
    HouseFactory()
    page = log_in(owner)
    open_makers(page)
    send_list(page, csv_list())
    page.get_by_label("What SC means").fill("612 satin bronze")
    page.get_by_label("What SC means").press("Tab")
    expect(page.locator("#settling")).to_contain_text("612 satin bronze")
    page.get_by_role("button", name="Save Tidewell, 60 items").click()
    page.get_by_role("link", name="Quote one of its numbers at the counter").click()
    page.get_by_label("Quick line").fill("2 T18-Q1-SC")
    page.get_by_label("Quick line").press("Enter")
    line = page.locator("fieldset.line")
    expect(line).to_contain_text("mortise cylinder 1-1/8 in, six pin, keyway TQ1, 612 satin bronze")
    expect(line).to_contain_text("$48.00")


def test_a_wrong_list_is_undone_in_one_press_until_a_number_of_it_is_quoted(enter: Enter, shop: Ledger) -> None:
    page = enter(Role.OWNER)
    open_makers(page)
    send_list(page, csv_list().replace(b"\nT", b"\n9Z"))
    page.get_by_role("button", name="Save Tidewell, 60 items").click()
    page.get_by_role("button", name="Undo this import").click()
    expect(page.get_by_text("The import is undone: everything stands as before.")).to_be_visible()
    open_makers(page)
    expect(page.locator("main")).to_contain_text("Ardent Brass")
    expect(page.locator("main")).not_to_contain_text("Tidewell")
    send_list(page, csv_list())
    page.get_by_role("button", name="Save Tidewell, 60 items").click()
    page.get_by_role("link", name="Quote one of its numbers at the counter").click()
    page.locator("#find").press_sequentially("Harbourmaster")
    page.get_by_role("button", name=re.compile("Harbourmaster")).first.click()
    expect(page.locator("#who")).to_contain_text("555-0147")
    page.get_by_label("Quick line").fill("2 T18-Q1-SC")
    page.get_by_label("Quick line").press("Enter")
    expect(page.locator("fieldset.line")).to_contain_text("$43.20")
    page.get_by_role("button", name="Issue quote").click()
    page.wait_for_url(re.compile("/quotes/1001/1$"))
    open_makers(page)
    page.get_by_role("link", name="Learn a maker from its price list").click()
    page.get_by_role("link", name="The list, and undo").click()
    expect(page.get_by_text("cannot be undone any more: quotes issued with them (Q-1001-1).")).to_be_visible()
    expect(page.get_by_role("button", name="Undo this import")).to_have_count(0)
