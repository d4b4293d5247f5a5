"""A walk-in who waits: found by phone, his words typed as he says them, the quote printed; by keyboard."""

from playwright.sync_api import expect

from app.ledger.tables import Role
from tests.journeys.conftest import Hands, House, hands, house

__all__ = ["hands", "house"]


def test_two_deadbolts_alike_and_four_keys_are_quoted_and_printed_in_seven_keys(hands: Hands, house: House) -> None:
    page = hands.page
    hands.log_in(house.served, Role.COUNTER)
    hands.type("0164")
    hands.press("Enter")
    expect(page.locator("#who")).to_contain_text("Gull & Anchor")
    quick = page.get_by_label("Quick line")
    expect(quick).to_be_focused()
    hands.type("2 deadbolts keyed alike four keys")
    expect(page.locator("#quick-words")).to_contain_text("deadbolts: bored deadbolt")
    hands.press("Enter")
    expect(page.get_by_role("button", name="Put CAP2-Q1-66.SC on the line")).to_be_focused()
    hands.press("Enter")
    line = page.locator("#lines fieldset.line")
    expect(line).to_contain_text("2 × $46.80")
    expect(line).to_contain_text("Keys, 4 in all")
    expect(line).to_contain_text("$121.60")  # 93.60, keying alike 15.00, keys 13.00
    expect(quick).to_be_focused()
    expect(quick).to_have_value("")
    hands.access("i")
    expect(page.get_by_role("heading", level=1)).to_have_text("Quote Q-1011-1")
    with page.expect_response("**/quote.pdf") as answer:
        hands.access("p")
    assert answer.value.headers["content-type"] == "application/pdf"
    hands.report("J1, to the printed quote")
    assert hands.counted == 7
