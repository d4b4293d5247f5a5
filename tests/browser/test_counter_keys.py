"""Further keys at the counter: whose they are is asked on the line, and after acceptance they are to be cut."""

import sqlalchemy as sa
from playwright.sync_api import Page, expect
from sqlalchemy.orm import Session

from app.ledger.tables import Key, Keyset, User
from tests.browser.test_counter import worked_out
from tests.chromium import Served
from tests.factories import PASSWORD, UserFactory
from tests.stocked import empty_house

__all__ = ["empty_house"]


def test_a_line_of_keys_asks_whose_they_are_and_follows_its_line(
    page: Page, served: Served, session: Session, owner: User
) -> None:
    UserFactory(name="Clerk")
    page.goto(served.url("/login"))
    page.get_by_label("Name").fill("Clerk")
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Log in").click()
    page.get_by_label("Customer phone, name or site").fill("gull")
    page.get_by_role("button", name="Gull & Anchor").click()
    add = page.get_by_role("button", name="Part number", exact=True)
    expect(page.get_by_label("Quick line")).to_be_focused()  # swapped in, and listening
    lines = page.locator("#lines fieldset.line")
    for count, keying in (("1", "KD"), ("2", "KA"), ("3", "KD")):
        add.click()
        expect(page.get_by_label("Part number").last).to_be_focused()
        page.get_by_label("Part number").last.fill("A18M-Q1-66.SC")
        page.get_by_label("Quantity").last.fill(count)
        page.get_by_label("Keying", exact=True).last.select_option(keying)
    page.get_by_role("button", name="Keys", exact=True).click()
    expect(lines).to_have_count(4)
    last = lines.nth(3)
    expect(last).to_contain_text("Say which keys these are: those of line 1, line 2, line 3, a keyset such as AA")
    offered = last.get_by_label("Keys of").get_attribute("list")
    expect(page.locator(f"#{offered} option")).to_have_count(4)
    page.get_by_role("button", name="Issue quote").click()
    expect(page.get_by_role("alert")).to_contain_text("Keys of: Say which keys these are")

    last.get_by_label("Quantity").fill("4")
    last.get_by_label("Keys of").fill("line 3")
    expect(last).to_contain_text("on 3 keysets: enter 3 keys or a multiple of that")
    last.get_by_label("Quantity").fill("6")
    expect(last).to_contain_text("Further keys to line 3, 2 each of 3 keysets")
    lines.first.get_by_role("button", name="Remove").click()
    expect(lines).to_have_count(3)
    keys = lines.nth(2)
    expect(keys.get_by_label("Keys of")).to_have_value("line 2")
    expect(keys).to_contain_text("Further keys to line 2, 2 each of 3 keysets")
    worked_out(page)
    page.get_by_role("button", name="Issue quote").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Quote Q-1001-1")
    page.get_by_role("link", name="Accept").click()
    page.get_by_label("Accepted by").fill("T. Gull")
    page.get_by_role("button", name="Accept the quote").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("1001")
    rows = sa.select(Keyset.symbol, sa.func.count()).join(Key, Key.keyset_id == Keyset.id).group_by(Keyset.symbol)
    assert sorted(map(tuple, session.execute(rows))) == [("SKD1", 4), ("SKD2", 4), ("SKD3", 4), ("SKD4", 4)]
