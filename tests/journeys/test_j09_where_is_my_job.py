"""J9, on the phone: "where is my job?" The promise in at most five keys and clicks, from any page."""

from playwright.sync_api import expect

from app.ledger.tables import Role
from tests.journeys.conftest import Hands, House


def test_hands_come_in_and_are_counted(hands: Hands, house: House) -> None:
    hands.log_in(house.served, Role.COUNTER)
    hands.tab_to("Search phones, names, jobs, quotes, doors, parts, key symbols and key copies")
    hands.start()
    hands.type("college")
    hands.press("Enter")
    expect(hands.page.get_by_role("heading", level=1)).to_have_text("Search")
    hands.report("J9")
    assert (hands.counted, hands.strokes) == (2, 8)
