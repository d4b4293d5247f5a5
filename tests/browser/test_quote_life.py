"""A quote's life in a browser: a price of next week re-quoted then; two ways, accepted as B; a reason kept in."""

import re
from datetime import timedelta

from playwright.sync_api import Page, expect

from app.ledger.care.opening import Ledger
from app.ledger.tables import Role
from tests.browser.test_main_job import line_box, paper_text
from tests.chromium import Enter, Served
from tests.conftest import NOW

REASON = "their manager drinks tea with ours"


def start(page: Page, served: Served, name: str) -> None:
    page.goto(served.url("/counter"))
    page.locator("#find").press_sequentially(name)
    page.get_by_role("button", name=re.compile(name)).first.click()
    page.locator("#who .chosen").wait_for()


def test_a_price_of_next_week_is_requoted_then(enter: Enter, served: Served, shop: Ledger) -> None:
    page = enter(Role.OWNER)
    page.goto(served.url("/goods?q=RING-SET"))
    page.get_by_role("row", name="everybody").get_by_role("link", name="Change").click()
    page.get_by_label("Price each").fill("12.80")
    page.get_by_label("From", exact=True).fill("2026-11-30")
    page.get_by_role("button", name="Save").click()
    expect(page.locator("main")).to_contain_text("30 Nov 2026")
    start(page, served, "Lantern")
    page.get_by_role("button", name="Hardware", exact=True).click()
    line_box(page, 0, "Item").select_option("RING-SET")  # type: ignore[attr-defined]
    expect(page.locator("#sums")).to_contain_text("$10.51")  # 9.80 and 7.25 % of it
    page.get_by_role("button", name="Issue quote").click()
    page.wait_for_url(re.compile("/quotes/1001/1$"))

    served.app.extensions["clock"] = lambda: NOW + timedelta(days=8)
    page = enter(Role.OWNER)
    page.goto(served.url("/quotes/1001/1"))
    page.get_by_role("link", name="Re-quote").click()
    row = page.locator(".changes tbody tr")
    expect(row).to_contain_text("changed")
    expect(row).to_contain_text("$3.00 more")
    page.get_by_role("button", name="Issue as revision 2").click()
    page.wait_for_url(re.compile("/quotes/1001/2$"))
    expect(page.locator(".paper")).to_contain_text("$12.80")


def test_two_ways_are_offered_and_b_is_accepted_while_the_reason_stays_with_the_owner(
    enter: Enter, served: Served, shop: Ledger
) -> None:
    page = enter(Role.COUNTER)
    start(page, served, "Harbourmaster")
    page.get_by_role("button", name="Part number", exact=True).click()
    for label, value in (("Part number", "AD-Q1-66.SC"), ("Quantity", "24")):
        line_box(page, 0, label).fill(value)  # type: ignore[attr-defined]
    line_box(page, 0, "Keying").select_option("MK")  # type: ignore[attr-defined]
    # A question is answered where it stands, and the totals go on beside it.
    page.locator("#answer-no-master-keys").fill("the landlord has his own")
    page.get_by_text("Key it somewhere else").click()
    page.locator("#keyed_at").select_option("shop")
    page.locator("#override_reason").fill(REASON)
    page.get_by_label("Offer the factory too, as option B").check()
    expect(page.locator("#option-sum")).to_contain_text("Option B: $")
    page.get_by_role("button", name="Issue quote").click()
    page.wait_for_url(re.compile("/quotes/1001/1$"))
    expect(page.locator(".options")).to_contain_text("15 working days")
    assert REASON not in page.content()
    paper = paper_text(page, served.url("/quotes/1001/1/quote.pdf"))
    assert "Option A" in paper and "Option B" in paper and REASON not in paper and "landlord" not in paper

    page.get_by_role("link", name="Accept").click()
    page.get_by_label("Accepted by").fill("R. Teal")
    page.get_by_label(re.compile("^B: keyed at the factory")).check()
    page.get_by_role("button", name="Accept the quote").click()
    page.wait_for_url(re.compile("/jobs/1001$"))
    expect(page.locator("main")).to_contain_text("option B, keyed at the factory")
    assert REASON not in page.content()
    page.goto(served.url("/quotes/1001/1"))
    assert REASON not in page.content()
    page = enter(Role.OWNER)
    page.goto(served.url("/quotes/1001/1"))
    expect(page.locator("main")).to_contain_text(REASON)
