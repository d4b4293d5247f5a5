"""J9, on the phone: "where is my job?" The promise in at most five keys and clicks, from any page.

The demo's jobs, on Wednesday, November 25: 1003 was promised for November 9, so it is 16 days late; 1007, the 24
flats, is promised for November 27; 1004, the three halls, for December 9.
"""

from playwright.sync_api import expect

from app.ledger.tables import Role
from tests.journeys.conftest import Hands, House

FLATS = "24 flats under one master approved promised 27 Nov 2026"
DENTAL = "Cores for the practice checked promised 9 Nov 2026 late 16 days"
HALLS = "Three halls rekeyed before term on the bench promised 9 Dec 2026"
ASKED = (  # from a page, the menu's word and its leaf, with these words
    ("Counter", "n 001", HALLS),  # an opening, with a blank more
    ("Jobs", "sandpiper", DENTAL),  # who holds one of its keys
    ("Customers, Doors", "1AA-2", DENTAL),  # the stamp on a key
    ("Goods, Makers", "1007-1", FLATS),  # a quote with its revision, and without
    ("Customers", "1007", FLATS),
    ("Key systems", "adq1 66sc", FLATS),  # a part number, without what parts it
    ("Counter, Fit", "harbourmasters flats", FLATS),  # a name, an apostrophe less
)


def test_the_promise_is_told_within_five_keys_from_any_page(hands: Hands, house: House) -> None:
    hands.log_in(house.served, Role.COUNTER)
    found = hands.page.locator("#found")
    for start, words, promise in ASKED:
        for word in start.split(", "):
            hands.click(word, "link")
        hands.start()
        hands.press("/")
        hands.type(words)
        hands.press("Enter")
        expect(found).to_contain_text(promise)
        hands.report(f"J9, {words!r} from {start}")
        assert hands.counted == 3
    hands.click("Job 1007", "link", within=found)
    expect(hands.page.get_by_role("heading", level=1)).to_contain_text("1007")
    assert hands.counted == 4
    hands.report("J9, and to the job")
