"""A door list with errors is mended and read, many doors are changed at once, and the mistake is taken back."""

from collections.abc import Callable

from playwright.sync_api import Page, expect
from sqlalchemy.orm import Session

from app.ledger.tables import Role, User
from tests.factories import DoorFactory, HouseFactory, SiteFactory, UserFactory

LogIn = Callable[[User], Page]
WRONG = b"opening,location,hand\n101,Hall,up\n102,Stair,RH\n102,Store,LH\n"
MENDED = b"opening,location,hand\n101,Hall,RH\n102,Stair,RH\n103,Store,LH\n"


def _send(page: Page, content: bytes) -> None:
    page.get_by_label("File", exact=True).set_input_files(
        [{"name": "doors.csv", "mimeType": "text/csv", "buffer": content}]
    )
    page.get_by_role("button", name="Show what it would change").click()


def test_a_list_is_mended_changed_together_and_taken_back(log_in: LogIn, session: Session) -> None:
    HouseFactory()
    site = SiteFactory(name="North Hall")
    DoorFactory(site=site, opening_number="100", location="Porch")
    page = log_in(UserFactory(role=Role.COUNTER))
    page.get_by_role("link", name="Customers", exact=True).click()
    page.get_by_role("link", name="Doors", exact=True).click()
    page.get_by_role("link", name="North Hall").click()

    page.get_by_role("link", name="Import a list").click()
    _send(page, WRONG)
    expect(page.get_by_label("What up means")).to_be_visible()  # a hand that nobody knows is asked about
    page.get_by_role("button", name="Show what it would change").click()
    expect(page.locator("table.rows")).to_contain_text("row 2, column C (hand)")
    expect(page.locator("table.rows")).to_contain_text("Row 3 has 102 outside already")
    page.get_by_role("link", name="Correct the table and send it again").click()
    _send(page, MENDED)
    expect(page.locator("table.rows")).to_contain_text("101")
    page.get_by_role("button", name="Save 3 rows").click()
    page.get_by_role("link", name="North Hall").click()
    expect(page.get_by_text("3 doors added")).to_have_count(1)

    for number in ("101", "103"):
        page.get_by_label(f"Tick {number}").check()
    page.get_by_role("button", name="Change the ticked doors together").click()
    page.get_by_label("Set Location").check()
    page.get_by_label("Set Exit door").check()
    page.get_by_label("Exit door", exact=True).select_option("yes")
    page.get_by_role("button", name="Show before and after").click()
    expect(page.locator(".changes")).to_contain_text("Store")
    page.get_by_role("button", name="Save the changes").click()
    expect(page.locator("table.doors")).not_to_contain_text("Hall")  # the mistake: an empty field was ticked

    page.get_by_role("link", name="Undo …").first.click()
    expect(page.locator(".changes")).to_contain_text("Hall")
    page.get_by_role("button", name="Undo").click()
    expect(page.locator("table.doors")).to_contain_text("Hall")
    expect(page.locator("table.doors")).to_contain_text("Porch")
    expect(page.locator("table.doors .flag")).to_have_count(0)
