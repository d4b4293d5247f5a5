"""J4, at the counter: an old cylinder with a worn number; the customer's key must go on working."""

import sqlalchemy as sa
from playwright.sync_api import expect

from app.ledger.tables import Cylinder, Event, Job, Key, Role
from tests.journeys.conftest import Hands, House

KEYED = "keyed to the customer's key (AQ1)"


def ask(hands: Hands, words: str) -> None:
    """Find the shop by its phone and say what is read off the old cylinder and its key."""
    hands.type("0164")
    hands.press("Enter")
    expect(hands.page.get_by_label("Quick line")).to_be_focused()
    hands.type(words)
    hands.press("Enter")


def test_a_worn_number_is_completed_and_keyed_to_the_customers_key(hands: Hands, house: House) -> None:
    page = hands.page
    hands.log_in(house.served, Role.COUNTER)
    ask(hands, "18M-Q?-66 626 AQ1 to the customer's key, 2 keys")
    # Six keyways, three cams, six finishes, keyed, zero-bitted or construction keyed: 6 x 3 x 6 x 3 = 324 numbers.
    expect(page.locator("#lines")).to_contain_text("It can be any of 324; the first:")
    # The catalog has eleven of them: on the key's keyway in the same finish first, the others of its keyway next.
    offered = page.get_by_label("What a worn number can be").get_by_role("button")
    expect(offered).to_have_count(12)
    assert offered.all_inner_texts() == [
        *("A18M-Q1-66.SC", "A18M-Q1-66L.SC", "A18M-Q1-66.SC+Z"),
        *("A18M-Q1-66.BB", "A18M-Q1-66.OB", "A18M-Q1-66.SB"),
        *("A18M-Q2-66.SC", "A18M-Q3-66.SC", "A18M-Q4-66.SC", "A18M-Q5-66.SC", "A18M-Q3-66.SC+Z"),
        "A18M-Q1-66H.SC",
    ]
    expect(offered.first).to_be_focused()
    hands.press("Enter")
    line = page.locator("#lines fieldset.line")
    expect(page.get_by_label("On the door now")).to_have_value("18M-Q?-66")
    # 30.40 + keying 7.50 + decoding 12.00 + two keys at 3.25: 56.40. Tax on the goods alone, 36.90 at 7.25%: 2.67525.
    expect(line).to_contain_text(f"Keying: {KEYED}")
    expect(line).to_contain_text("$56.40")
    hands.access("i")
    expect(page.get_by_role("heading", level=1)).to_have_text("Quote Q-1011-1")
    quote = hands.read_paper("Print (PDF)")
    hands.report("J4, to the printed quote")
    assert hands.counted == 7
    old = "In place of 18M-Q?-66, mortise cylinder 1-1/8 in, six pin, 626 satin chromium, Ardent Brass"
    assert f"Keying: {KEYED} 1 $7.50 $7.50" in quote and "Decoding the customer's key 1 $12.00" in quote
    assert old in quote and "Part number A18M-Q1-66.SC" in quote and "Total $59.07" in quote

    hands.access("a")
    hands.type("T. Gull")
    hands.press("Enter")
    expect(page.locator("main")).to_contain_text("SKD2 waits for the customer's key (AQ1): keep the key with the job")
    expect(page.locator("main")).to_contain_text("In place of 18M-Q?-66, finish 626")
    assert f"SKD2 SKD2 2 {KEYED}" in hands.read_paper("Keying schedule, by door")
    hands.click("Log out")

    hands.log_in(house.served, Role.BENCH)
    expect(page.get_by_role("row", name="1011")).to_contain_text("key to decode")
    hands.click("1011", "link")
    expect(page.locator("main")).to_contain_text("SKD2 waits for the customer's key (AQ1): nothing is pinned")
    hands.click("Decode the key", "link")
    hands.type("274163")
    hands.press("Enter")
    expect(page.locator("main")).to_contain_text("The customer's key of SKD2 is decoded.")
    hands.report("J4, decoded at the bench")
    sheet = hands.read_paper("Bench sheet, PDF")
    assert "2 7 4 1 6 3" in sheet and "customer's key (AQ1)" in sheet
    with house.ledger.sessions() as session:
        job = session.scalars(sa.select(Job).where(Job.number == 1011)).one()
        [cylinder] = session.scalars(sa.select(Cylinder).where(Cylinder.job_id == job.id))
        keys = session.scalars(sa.select(Key).where(Key.job_id == job.id)).all()
        assert cylinder.keyset is not None and cylinder.keyset.is_customers_key
        assert [key.keyset_id for key in keys] == [cylinder.keyset_id] * 2
        assert not session.scalars(sa.select(Event.id).where(Event.summary.contains("274163"))).all()


def test_a_key_that_does_not_enter_the_new_cylinder_is_refused_with_one_that_it_enters(
    hands: Hands, house: House
) -> None:
    page = hands.page
    hands.log_in(house.served, Role.COUNTER)
    ask(hands, "18M-Q?-66 626 to the customer's key, 2 keys")
    expect(page.get_by_label("What a worn number can be").get_by_role("button").first).to_be_focused()
    hands.click("Put A18M-Q1-66.SC on the line")
    line = page.locator("#lines fieldset.line")
    expect(line).to_contain_text("Is the customer's key on AQ1? Enter its keyway, or the number on its bow.")
    hands.tab_to("Key's keyway")
    hands.type("AQ3")
    hands.press("Tab")
    expect(line).to_contain_text("A key on AQ3 does not enter keyway AQ1: choose a cylinder on AQ3.")
    hands.access("i")
    expect(page.get_by_role("alert")).to_contain_text("A key on AQ3 does not enter keyway AQ1")
    line.get_by_label("On the key's keyway").get_by_role("button", name="Put A18M-Q3-66.SC on the line").press(
        "Enter"
    )
    hands.settle()
    expect(page.get_by_label("On the door now")).to_have_value("18M-Q?-66")
    expect(line).to_contain_text("Keying: keyed to the customer's key (AQ3)")
    expect(page.get_by_label("Totals and keying")).to_contain_text("$59.07")
    hands.access("i")
    expect(page.get_by_role("heading", level=1)).to_have_text("Quote Q-1011-1")
    hands.report("J4, a key that does not enter")
