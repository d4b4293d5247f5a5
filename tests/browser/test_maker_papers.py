"""A maker's catalog of 800 pages: sent in the browser, read with progress, and a page of it open in three presses."""

from collections.abc import Callable

import pytest
from playwright.sync_api import Page, expect

from app.ledger.tables import User
from tests.factories import HouseFactory, MakerFactory
from tests.plain_pdf import plain_pdf

LogIn = Callable[[User], Page]


@pytest.fixture
def maker(work) -> None:
    HouseFactory()
    MakerFactory(name="Ardent Brass", tables={"name": "Ardent Brass", "code": "ARD"})


def test_a_number_typed_at_the_counter_opens_its_page_of_800(log_in: LogIn, owner: User, maker) -> None:
    pages = [[f"Catalog page {number}", f"QX{number:03d}-66 mortise cylinder"] for number in range(1, 801)]
    page = log_in(owner)
    page.get_by_role("link", name="Goods", exact=True).click()
    page.get_by_role("link", name="Makers", exact=True).click()
    page.get_by_role("link", name="Ardent Brass").click()
    page.get_by_role("link", name="Papers", exact=True).click()
    page.get_by_role("link", name="Add a paper").click()
    sent = {"name": "catalog.pdf", "mimeType": "application/pdf", "buffer": plain_pdf(pages)}
    page.get_by_label("File").set_input_files([sent])
    page.get_by_label("Title").fill("Catalog")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("#run")).to_contain_text("Saved: 800 pages.")

    # From the counter's page, three presses: into the search, Enter behind the number, the page that was found.
    page.get_by_role("link", name="Counter", exact=True).click()
    page.get_by_role("searchbox").first.click()
    page.keyboard.type("QX731-66")
    page.keyboard.press("Enter")
    page.get_by_role("link", name="Catalog, page 731").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Catalog, page 731")
    picture = page.get_by_alt_text("The page as printed; its text follows")
    expect(picture).to_be_visible()
    assert picture.evaluate("image => image.decode().then(() => image.naturalWidth)") > 600
