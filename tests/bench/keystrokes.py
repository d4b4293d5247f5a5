"""How many keys and clicks three fixed walk-ins cost, from the counter page to the quote with its PDF, in a browser.

Prints the counts; it asserts nothing but that each ends in a PDF.
"""

import logging
import sys
import tempfile
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from playwright.sync_api import expect, sync_playwright

from app import create_app
from app.commands.demo import ROOT, build
from app.config import Config
from app.ledger.tables import Role
from tests.chromium import ARGUMENTS, CHROMIUM, serving
from tests.journeys.conftest import Hands

SIZE = {"width": 1366, "height": 768}


def a_pair_alike(hand: Hands) -> None:
    """A walk-in who is not on record: two cylinders by part number, keyed alike."""
    hand.type("plover")
    hand.press("Tab", "Tab", "Enter")  # past Search, to "New customer: plover"
    hand.access("p")
    hand.type("A18M-Q1-66.SC")
    hand.press("Tab", "Tab")
    hand.type("2")
    hand.press("Tab")
    hand.type("KA")


def keys_copied(hand: Hands) -> None:
    """A customer on record: three keys more of a keyset of theirs."""
    hand.type("harb")
    hand.press("Tab", "Tab", "Enter")
    hand.access("k")
    hand.type("3")
    hand.press("Tab")
    hand.type("1AA")


def three_rekeyed(hand: Hands) -> None:
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


WALK_INS: tuple[Callable[[Hands], None], ...] = (a_pair_alike, keys_copied, three_rekeyed)


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
                hand = Hands(context.new_page())
                hand.log_in(served, Role.COUNTER)
                walk_in(hand)
                hand.access("i")
                hand.page.wait_for_url("**/quotes/*/1")
                answer = hand.page.request.get(hand.page.url + "/quote.pdf")
                expect(hand.page.get_by_role("link", name="PDF").first).to_be_visible()
                assert answer.headers["content-type"] == "application/pdf"
                hand.report((walk_in.__doc__ or "").strip())
                context.close()
            chromium.close()


if __name__ == "__main__":
    main()
