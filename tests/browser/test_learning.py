"""The owner sends a first price list, corrects one piece, saves the maker, and quotes one of its numbers."""

from collections.abc import Callable

from playwright.sync_api import Page, expect

from app.ledger.tables import User
from tests.factories import HouseFactory
from tests.web.catalog.test_learning import csv_list

LogIn = Callable[[User], Page]


def test_a_list_goes_in_and_its_number_is_quoted(log_in: LogIn, owner: User) -> None:
    HouseFactory()
    page = log_in(owner)
    page.get_by_role("link", name="Goods", exact=True).click()
    page.get_by_role("link", name="Makers", exact=True).click()
    page.get_by_role("link", name="Learn a maker from its price list").click()
    page.get_by_label("Maker", exact=True).fill("Tidewell")
    page.get_by_label("File").set_input_files([{"name": "list.csv", "mimeType": "text/csv", "buffer": csv_list()}])
    page.get_by_role("button", name="Read the list").click()
    count = page.locator(".learned-count")
    expect(count).to_contain_text("60 of 60 numbers")
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
