"""J5, at the counter: an aluminum door, a 4 in stile, a deadbolt; a 2-1/4 in door, a mortise lock of another make."""

import re

import sqlalchemy as sa
from playwright.sync_api import Locator, expect

from app.ledger.tables import Job, JobLine, Role
from tests.journeys.conftest import Hands, House

ANOTHER_FACE = "The face will be Ardent Brass's on a lock of Pell & Rowe's."


def ask(hands: Hands, question: str, *boxes: tuple[str, str]) -> Locator:
    """Put a question of the Fit pages, box by box as Tab reaches them; its answer."""
    if not hands.page.get_by_role("navigation", name="Questions").count():
        hands.click("Fit", "link")
    hands.click(question, "link")
    expect(hands.page.get_by_label(boxes[0][0], exact=True)).to_be_focused()
    for place, (label, words) in enumerate(boxes):
        if place:
            hands.tab_to(label)
        hands.type(words)
    hands.press("Enter")
    return hands.page.locator("#answer")


def test_a_deadbolt_and_both_cylinders_of_a_thick_door_are_found_and_quoted(hands: Hands, house: House) -> None:
    page = hands.page
    hands.log_in(house.served, Role.COUNTER)
    hands.type("0164")
    hands.press("Enter")
    expect(page.locator("#who")).to_contain_text("Gull & Anchor")
    # Half of 4 in is 2; beside a 2-1/8 hole there is 2 - 1-1/16 = 15/16 left on either side.
    found = ask(hands, "Deadbolt", ("Deadbolt", "Cap"), ("Stile width", "4"), ("Material", "alu"))
    expect(found).to_contain_text("Capstan 2 deadbolt is had with a backset of 2, 2-3/8 and 2-3/4 in.")
    expect(found).to_contain_text("The middle of the stile is 2 in from the edge: the bolt is centered.")
    expect(found).to_contain_text("Left beside the hole: 15/16 in at the door's edge, 15/16 in on the inner side")
    expect(found).to_contain_text("is the lock made for a hollow stile?")
    hands.click("Put CAP2-Q1-66.SC on the quote")
    expect(page.locator("#lines fieldset.line")).to_contain_text("Bored deadbolt, six pin, keyway AQ1")
    hands.report("J5, the deadbolt on the quote")

    # A 1 in case in the middle of 2-1/4: 5/8 on either side, and 3/4 from the case to the back of the cam: 1-3/8.
    # Outside 1/16 of trim: 1-7/16, so that the 1-1/2 takes a ring of 1/16.
    hands.start()
    words = (("Lock", "Mar"), ("Door thickness", "2-1/4"), ("Cylinders of", "Ard"), ("Trim outside", "1/16"))
    found = ask(hands, "Length", *words)
    outside, inside = found.get_by_role("region", name="Outside"), found.get_by_role("region", name="Inside")
    expect(outside).to_contain_text("1-1/2 in with a 1/16 in ring")
    expect(outside).to_contain_text("with PC1 Standard cam (the lock's own cam)")
    expect(inside).to_contain_text("The door asks for 1-3/8 in. It sits flush without a ring.")
    expect(found).to_contain_text(
        f"{ANOTHER_FACE} The cam of Ardent Brass that works Market 10 entry lock is not known"
    )
    hands.click("Put both cylinders on the quote")
    lines = page.locator("#lines fieldset.line")
    expect(lines).to_have_count(6)
    hands.access("i")
    expect(page.get_by_role("alert")).to_contain_text("Ask the customer and record the answer.")
    for place in (1, 4):
        hands.click("Agrees", within=lines.nth(place))
        expect(lines.nth(place)).to_contain_text("customer agreed")
    hands.access("i")
    expect(page.get_by_role("heading", level=1)).to_have_text("Quote Q-1011-1")
    paper = hands.read_paper("Print (PDF)")
    hands.report("J5, both cylinders, to the printed quote")
    # Goods: deadbolt 46.80, cylinders 35.90 and 33.80, ring 2.70, two cams at 2.20, six keys at 3.25 = 19.50: 143.10.
    # Keying different 3 x 6.50 = 19.50. Tax 7.25% a line: 46.80 3.393, 35.90 2.60275, 33.80 2.4505, 2.70 .19575,
    # 2.20 .1595 twice, 6.50 .47125 three times: 10.37 in cents rounded a line.
    assert "Goods $143.10" in paper and "Labor $19.50" in paper and "Total $172.97" in paper
    for number in ("CAP2-Q1-66.SC", "A24M-Q1-66.SC", "A22M-Q1-66.SC", "AG-01", "PC1"):
        assert f"Part number {number}" in paper
    assert paper.count(f"Customer was told that {ANOTHER_FACE[0].lower()}{ANOTHER_FACE[1:-1]}") == 2
    assert "Capstan 2 deadbolt: backset 2 in, hole 2-1/8 in, stile 4 in" in paper
    hands.access("a")
    hands.type("T. Gull")
    hands.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Job 1011")
    with house.ledger.sessions() as session:
        of_job = sa.select(JobLine.part_number).join(Job).where(Job.number == 1011).order_by(JobLine.number)
        assert session.scalars(of_job).all() == [
            *("CAP2-Q1-66.SC", "A24M-Q1-66.SC", "AG-01", "PC1"),
            *("A22M-Q1-66.SC", "PC1"),
        ]


def test_a_door_of_57_mm_and_a_deadbolt_that_does_not_center(hands: Hands, house: House) -> None:
    page = hands.page
    hands.log_in(house.served, Role.COUNTER)
    # 57 / 25.4 = 2.2441 in: (2.2441 - 1) / 2 + 3/4 = 1.3720. The 1-3/8 is 0.003 in too long: less than 1/64, flush.
    found = ask(hands, "Length", ("Lock", "Mar"), ("Door thickness", "57 mm"), ("Cylinders of", "Ard"))
    outside = found.get_by_role("region", name="Outside")
    expect(outside).to_contain_text(re.compile(r"^Outside\s*1-3/8 in\s"))
    expect(outside).to_contain_text("It is 0.003 in too long: less than 1/64 in counts as flush.")
    expect(outside).to_contain_text("A22M-Q1-66.SC")
    expect(outside).not_to_contain_text("proud")
    # The Budget deadbolt has 2-3/8 and 2-3/4: 3/8 beside the middle of a 4 in stile at best.
    found = ask(hands, "Deadbolt", ("Deadbolt", "Bud"), ("Stile width", "4"), ("Material", "alu"))
    expect(found).to_contain_text("No backset centers")
    expect(found).to_contain_text("Budget deadbolt is had with a backset of 2-3/8 and 2-3/4 in, not of 2 in.")
    expect(found).to_contain_text("3/8 in farther from the door's edge than the middle of the stile.")
    centering = found.get_by_role("listitem").filter(has_text="CAP2-Q3-66.SC")
    expect(centering).to_contain_text("Capstan 2 deadbolt Ardent Brass, backset 2 in")
    hands.click("Put CAP2-Q3-66.SC on the quote", within=centering)
    expect(page.locator("#lines fieldset.line")).to_contain_text("Bored deadbolt, six pin, keyway AQ3")
    hands.report("J5, 57 mm and no backset that centers")
