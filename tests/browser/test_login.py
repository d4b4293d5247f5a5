"""A person logs in with a real browser."""

from collections.abc import Callable

from playwright.sync_api import Page, expect

from app.ledger.tables import User
from tests.factories import HouseFactory


def test_the_owner_logs_in_and_out(owner: User, log_in: Callable[[User], Page]) -> None:
    HouseFactory()
    page = log_in(owner)
    page.get_by_role("link", name="Settings", exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Users")
    expect(page.get_by_role("link", name="Settings", exact=True)).to_have_attribute("aria-current", "page")
    page.get_by_role("button", name="Log out").click()
    expect(page.get_by_role("status")).to_contain_text("You are logged out.")
    page.go_back()
    page.reload()
    expect(page.get_by_role("heading", level=1)).to_have_text("Log in")


def test_the_keyboard_alone_logs_in(page: Page, served, owner: User) -> None:
    page.goto(served.url("/login"))
    expect(page.get_by_label("Name")).to_be_focused()  # a page is loaded before it moves the focus
    page.keyboard.type(owner.name)
    page.keyboard.press("Tab")
    page.keyboard.type("reed bed at low water")
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Log out")).to_be_visible()
    page.keyboard.press("Tab")
    expect(page.get_by_role("link", name="Skip to the page")).to_be_focused()


def test_the_menu_of_a_phone_opens_and_closes_without_a_script(page: Page, owner: User, log_in) -> None:
    page.set_viewport_size({"width": 390, "height": 844})
    log_in(owner)
    menu = page.get_by_role("navigation", name="Pages")
    expect(menu).to_be_hidden()
    page.get_by_role("button", name="Menu").click()
    expect(menu).to_be_visible()
    page.keyboard.press("Escape")
    expect(menu).to_be_hidden()


def test_no_page_is_wider_than_a_phone(page: Page, owner: User, log_in, served) -> None:
    HouseFactory()
    page.set_viewport_size({"width": 390, "height": 844})
    log_in(owner)
    for path in ("/house", "/house/users/new", f"/house/users/{owner.id}", "/my-password", "/nowhere"):
        page.goto(served.url(path))
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= 390, (path, wide)
