"""How many keys and clicks three fixed walk-ins cost, from the login page to the quote's PDF, in a real browser.

Every letter typed, every key pressed and every click counts one. Prints the counts; it asserts nothing but that
each ends in a PDF.
"""

import logging
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from playwright.sync_api import Page, expect, sync_playwright

from app import create_app
from app.commands.demo import ROOT, build
from app.commands.demo_house import DEMO_LOGINS
from app.config import Config
from app.ledger.tables import Role
from tests.browser.conftest import ARGUMENTS, CHROMIUM, serving

SIZE = {"width": 1366, "height": 768}


class Counted:
    """A keyboard and a mouse on one page that count what is done with them."""

    def __init__(self, page: Page) -> None:
        self.page, self.keys, self.clicks = page, 0, 0

    def type(self, words: str) -> None:
        self.page.keyboard.type(words)
        self.keys += len(words)
        self.settle()

    def press(self, *names: str) -> None:
        for name in names:
            self.page.keyboard.press(name)
            self.keys += 1
        self.settle()

    def access(self, key: str) -> None:
        """The browser's access key (Alt and a letter, two keys): what it stands for is pressed in its place."""
        self.page.locator(f"[accesskey={key}]").press("Enter")
        self.keys += 2
        self.settle()

    def click(self, name: str, role: str = "link") -> None:
        self.page.get_by_role(role, name=name).first.click()  # type: ignore[arg-type]
        self.clicks += 1

    def settle(self) -> None:
        """Wait as a person does: until what was typed has been answered."""
        self.page.wait_for_timeout(400)  # longer than the page waits for the next letter
        expect(self.page.locator(".htmx-request")).to_have_count(0)


def log_in(hand: Counted) -> None:
    name, _, password = next(login for login in DEMO_LOGINS if login[1] is Role.COUNTER)
    hand.type(name)
    hand.press("Tab")
    hand.type(password)
    hand.press("Enter")
    expect(hand.page.get_by_role("heading", level=1)).to_have_text("Counter")


def a_pair_alike(hand: Counted) -> None:
    """A walk-in who is not on record: two cylinders by part number, keyed alike."""
    hand.type("plover")
    hand.press("Tab", "Tab", "Enter")  # past Search, to "New customer: plover"
    hand.access("p")
    hand.type("A18M-Q1-66.SC")
    hand.press("Tab", "Tab")
    hand.type("2")
    hand.press("Tab")
    hand.type("KA")


def keys_copied(hand: Counted) -> None:
    """A customer on record: three keys more of a keyset of theirs."""
    hand.type("harb")
    hand.press("Tab", "Tab", "Enter")
    hand.access("k")
    hand.type("3")
    hand.press("Tab")
    hand.type("1AA")


def three_rekeyed(hand: Counted) -> None:
    """A customer on record: three of their own rim cylinders rekeyed alike."""
    hand.type("gull")
    hand.press("Tab", "Tab", "Enter")
    hand.access("r")
    hand.type("Rim")
    hand.press("Tab")
    hand.type("6")
    hand.press("Tab")
    hand.type("AQ1")
    hand.press("Tab")
    hand.type("3")
    hand.press("Tab")
    hand.type("KA")


WALK_INS: tuple[Callable[[Counted], None], ...] = (a_pair_alike, keys_copied, three_rekeyed)


def main() -> None:
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)  # that requests wait is what is measured
    with tempfile.TemporaryDirectory() as folder:
        house = Path(folder) / "instance"
        shop, _ = build(house, ROOT / "demo_data", datetime.now(UTC))
        shop.ledger.close()
        app = create_app(replace(Config(instance=house), is_demo=True))
        with serving(app) as served, sync_playwright() as playwright:
            chromium = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
            for walk_in in WALK_INS:
                context = chromium.new_context(viewport=SIZE, locale="en-US")  # type: ignore[arg-type]
                hand = Counted(context.new_page())
                hand.page.goto(served.url("/login"))
                log_in(hand)
                login_keys = hand.keys
                walk_in(hand)
                hand.access("i")
                hand.page.wait_for_url("**/quotes/*/1")
                answer = hand.page.request.get(hand.page.url + "/quote.pdf")
                expect(hand.page.get_by_role("link", name="PDF").first).to_be_visible()
                hand.clicks += 1  # the link to the PDF
                assert answer.headers["content-type"] == "application/pdf"
                words = (walk_in.__doc__ or "").strip()
                print(f"{words} {login_keys} keys to log in, {hand.keys - login_keys} keys, {hand.clicks} click")
                context.close()
            chromium.close()


if __name__ == "__main__":
    main()
