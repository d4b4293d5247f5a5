"""J3, at the counter: 150 mortise cylinders on three floors, a master a floor, in four weeks; or in three days."""

import re
from collections import Counter

import sqlalchemy as sa
from playwright.sync_api import expect

from app.ledger.tables import Cylinder, Job, Key, Role
from tests.journeys.conftest import Hands, House

FLOOR = "50 mortise 1-1/8 626 AQ1 six pin GMK under"
ASKED = f"{FLOOR} AA, {FLOOR} AB, {FLOOR} AC, 3 keys to A, 4 keys to AA, 4 keys to AB, 4 keys to AC"


def ask_for_floors(hands: Hands, day: str) -> None:
    """Log in, find the customer, say the day and what is wanted, and start a key system for it."""
    page = hands.page
    hands.type("otterburn")
    hands.press("Enter")
    hands.type_day("Needed by", day)
    hands.access("q")
    hands.type(ASKED)
    hands.press("Enter")
    expect(page.locator("#quick-words")).not_to_contain_text("not understood")
    expect(page.locator("#lines fieldset.line")).to_have_count(7)
    hands.tab_to("System")
    hands.type("A n")  # a new one: the customer's own is of two levels
    hands.tab_to("System's name")
    hands.type("Tide House")
    hands.press("Tab")


def test_three_floors_go_to_the_factory_and_are_accepted_as_quoted(hands: Hands, house: House) -> None:
    page = hands.page
    hands.log_in(house.served, Role.COUNTER)
    ask_for_floors(hands, "12232026")
    till = page.get_by_label("Totals and keying")
    expect(till).to_contain_text("For 150 cylinders keyed GMK, the factory is the less costly way.")
    # Both ways start at nothing and are one cost at 13.5 cylinders: here 69.00 of set-up and 14.853 each, there
    # 185.00 of set-up, 28.00 of freight and 4.20 each.
    expect(till).to_contain_text("The factory is worth while from 14 such cylinders on.")
    # Fifteen working days from 25 November; here 90 minutes of set-up and 17 a cylinder: 44 hours, behind the rest.
    expect(till).to_contain_text("It is ready on Wednesday 16 December 2026; here it would be Thursday 17 December")
    expect(till).to_contain_text("grand master 3, master 12, change 300")
    hands.click("Add 1 × Bitting list from the factory")
    # A floor: 50 at 30.40 less 10 % trade, 27.36, keyed at the factory for 11.00, and 100 keys at 2.75: 2,193.00.
    # Three floors 6,579.00; a system of three levels 165.00; 15 keys at 3.25: 48.75; a bitting list 45.00.
    # 6,837.75, and 6.5 % of each amount by itself: 3 × (88.92 + 35.75 + 17.88) + 10.73 + 0.63 + 3 × 0.85 + 2.93 is
    # 444.49.
    expect(till).to_contain_text(re.compile(r"Total\s*\$7,282\.24"))
    hands.access("i")
    expect(page.get_by_role("heading", level=1)).to_have_text("Quote Q-1011-1")
    hands.report("J3, to the quote")
    quote = hands.read_paper("Print (PDF)")
    assert "Total $7,282.24" in quote and "$3,641.12" in quote  # half of it as deposit
    assert "Ready 15 working days after acceptance (on Wednesday 16 December 2026 if accepted on" in quote

    hands.access("a")
    told = page.locator("main")
    for number, floor in enumerate(("AA", "AB", "AC"), start=1):
        expect(told).to_contain_text(f"Line {number} gets {floor}1 to {floor}50 of Tide House, under {floor} and A.")
    expect(told).to_contain_text("150 cylinders are to be ordered.")
    hands.type("R. Otter")
    hands.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Job 1011")
    expect(page.locator("main")).to_contain_text("Quote Q-1011-1 is accepted. 150 cylinders are saved.")
    hands.report("J3, to the accepted job")
    order, bought = hands.read_paper("Factory order, Ardent Brass"), hands.read_paper("Hardware list")
    assert "150 cylinders, 315 keys" in order and "Needed by 23 December 2026" in order
    assert "AC50 grand master keyed under AC (GMK) AC50, AC, A 2 AC50" in order
    assert "150 Ardent Brass A18M-Q1-66.SC" in bought
    with house.ledger.sessions() as session:
        job = session.scalars(sa.select(Job).where(Job.number == 1011)).one()
        keys = Counter(key.keyset.symbol for key in session.scalars(sa.select(Key).where(Key.job_id == job.id)))
        assert (job.agreed_cents, str(job.promised_on), job.keyed_at) == (728224, "2026-12-16", "factory")
        assert [keys.pop(symbol) for symbol in ("A", "AA", "AB", "AC")] == [3, 4, 4, 4]
        assert len(keys) == 150 and {*keys.values()} == {2}

    hands.click("Log out")  # the owner looks at what both ways cost
    hands.log_in(house.served, Role.OWNER)
    hands.press("/")
    hands.type("Q-1011-1")
    hands.press("Enter")
    # Here: 69.00 + 150 × 15 min at 46.00 an hour, 1,725.00 + 114.00 of pins + 300 keys, 254.00 + 135.00 of blanks.
    # There: 185.00 + 150 × 4.20 less 20 %, 504.00 + 118.00 of freight.
    hands.click("Q-1011-1", "link")
    costs = page.get_by_role("table", name=re.compile("by way"))
    expect(costs).to_contain_text(re.compile(r"Total\s*\$2,297\.00\s*\$807\.00"))


def test_in_three_days_it_says_what_can_be_done_and_by_when(hands: Hands, house: House) -> None:
    page = hands.page
    hands.log_in(house.served, Role.COUNTER)
    ask_for_floors(hands, "11302026")  # Thursday, Friday, Monday
    till, first = page.get_by_label("Totals and keying"), page.locator("#lines fieldset.line").first
    # No mortise cylinder is on the shelf: six working days from 25 November.
    expect(till).to_contain_text("Nothing of it can be ready by Monday 30 November 2026.")
    expect(till).to_contain_text("ready on Thursday 17 December 2026; keyed at the factory, ready on Wednesday 16")
    expect(first).to_contain_text("The cylinders come in on Thursday 3 December 2026")

    hands.type_day("Needed by", "12082026")
    # The bench has 377 minutes free by then: 90 of set-up and 16 × 17 are 362.
    expect(till).to_contain_text("By Tuesday 8 December 2026 our bench can have 16 of 150 cylinders ready.")
    expect(till).to_contain_text("The other 134: keyed at the factory, ready on Wednesday 16 December 2026.")
    # Later: 34 × (27.36 + 11.00) + 68 × 2.75 and two floors, 1,491.24 + 2 × 2,193.00. First: 16 × (27.36 + 15.00)
    # + 32 × 3.25, 781.76, with the system, 165.00, and the masters' keys, 48.75.
    expect(till).to_contain_text("What comes later costs $5,877.24 of the $6,872.75 before tax.")
    hands.click("Quote as two deliveries")
    hands.access("i")
    expect(page.get_by_role("heading", level=1)).to_have_text("Quote Q-1011-1")
    expect(page.locator("main")).to_contain_text("16 cylinders ready 9 working days after acceptance")
    hands.access("a")
    hands.type("R. Otter")
    hands.press("Enter")
    expect(page.locator("main")).to_contain_text("Quote Q-1011-1 is accepted. 150 cylinders are saved.")
    hands.report("J3 in two deliveries")
    with house.ledger.sessions() as session:
        rows = sa.select(Cylinder).join(Job).where(Job.number == 1011, Cylinder.line_number == 1)
        symbols = {one.keyset.symbol for one in session.scalars(rows) if one.keyset}
        assert symbols == {f"AA{number}" for number in range(1, 17)}
