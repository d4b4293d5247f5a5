"""J2, at the counter: one mortise cylinder into the college's grand-master system, under AB, with two keys."""

import re

import sqlalchemy as sa
from playwright.sync_api import expect

from app.ledger.tables import Cylinder, Job, Key, KeySystem, Role
from tests.journeys.conftest import Hands, House

ASKED = "1 mortise cylinder under AB 2 keys"
COLLEGE = "Saltmarsh Maritime College"
TOTAL = re.compile(r"Total\s*\$42\.08")
GETS = f"AB47 of {COLLEGE}, under AB and A"  # AB has 6 rim and 40 mortise cylinders from its first job


def ask_for_one(hands: Hands, words: str) -> None:
    """Log in, find the college, say what it wants, take the first cylinder that is offered and choose its system."""
    page = hands.page
    hands.type("college")
    hands.press("Enter")
    expect(page.locator("#who")).to_contain_text("Written authority from the bursar before any key is cut.")
    hands.type(words)
    hands.press("Enter")
    # Of all mortise cylinders those come first that its keyway AQ3 lets join.
    expect(page.locator(":focus")).to_have_text("A18M-Q3-66.SC")
    hands.press("Enter")
    expect(page.locator("#system_id option")).to_have_text(["choose", f"{COLLEGE}: 3 levels, AQ3", "A new one"])
    expect(page.get_by_label("Totals and keying")).not_to_contain_text("New key system")
    if "under AB" in words:  # its only system that has this master
        expect(page.get_by_label("System", exact=True).locator("option:checked")).to_have_text(
            f"{COLLEGE}: 3 levels, AQ3"
        )
    else:
        hands.tab_to("System")
        hands.type("S")


def test_one_cylinder_joins_the_colleges_system(hands: Hands, house: House) -> None:
    page = hands.page
    hands.log_in(house.served, Role.COUNTER)
    ask_for_one(hands, ASKED)
    line, till = page.locator("#lines fieldset.line"), page.get_by_label("Totals and keying")
    # A18M-Q3-66.SC at 30.40 less the contract's 17.5 %: 25.08; keying GMK for the contract 11.50; two keys at 2.75.
    # 25.08 + 11.50 + 5.50 = 42.08, and the college is exempt from tax.
    expect(line).to_contain_text("1 × $25.08")
    expect(line).to_contain_text("Keying: grand master keyed under AB (GMK)")
    expect(line).to_contain_text("1 × $11.50")
    expect(line).to_contain_text("2 × $2.75")
    expect(line).to_contain_text(f"Gets {GETS}")
    expect(till).to_contain_text(TOTAL)
    expect(till).to_contain_text("Ask for written authority before keying into a system")
    hands.access("i")
    expect(page.get_by_role("heading", level=1)).to_have_text("Quote Q-1011-1")
    hands.report("J2, to the quote")
    quote = hands.read_paper("Print (PDF)")
    assert "Total $42.08" in quote and "master keyed under AB (GMK) 1 $11.50 $11.50" in quote
    assert "New key system" not in quote

    hands.access("a")
    told = page.locator("main")
    expect(told).to_contain_text(f"Line 1 gets {GETS}.")
    expect(told).to_contain_text("2 keys come with it: 2 to AB47.")
    expect(told).to_contain_text(f"written authority on file: {COLLEGE}: Letter of the bursar, M. Sheldrake.")
    hands.type("M. Sheldrake")
    hands.tab_to("Site")
    hands.type("Main campus")
    hands.press("Tab")
    hands.type("N101")  # the customer names a door that is keyed already: AA7, in the first job, is to hang there
    hands.press("Enter")
    expect(page.get_by_role("alert")).to_contain_text("N101 gets a cylinder on AA7 from job 1004.")
    hands.tab_to("The new cylinders take the places of those that are there")
    hands.press("Space")
    hands.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Job 1011")
    hands.report("J2, to the accepted job")
    schedule = hands.read_paper("Keying schedule, by door")
    assert "N101" in schedule and "AB47 AB47, AB, A 2" in schedule and "1 door, 1 cylinder, 2 keys" in schedule
    with house.ledger.sessions() as session:
        job = session.scalars(sa.select(Job).where(Job.number == 1011)).one()
        [cylinder] = session.scalars(sa.select(Cylinder).where(Cylinder.job_id == job.id))
        keys = session.scalars(sa.select(Key).where(Key.job_id == job.id)).all()
        names = session.scalars(sa.select(KeySystem.name).where(KeySystem.customer_id == job.customer_id)).all()
        assert (cylinder.keyset.symbol, cylinder.door.opening_number) == ("AB47", "N101")  # type: ignore[union-attr]
        assert [key.keyset.symbol for key in keys] == ["AB47", "AB47"]
        assert (job.agreed_cents, names) == (4208, [COLLEGE])


def test_a_master_that_is_not_there_is_refused_on_its_line(hands: Hands, house: House) -> None:
    page = hands.page
    hands.log_in(house.served, Role.COUNTER)
    ask_for_one(hands, ASKED.replace("AB", "ZZ"))
    line = page.locator("#lines fieldset.line")
    expect(line).to_contain_text(f"Under master {COLLEGE} has no master 'ZZ'; it has AA, AB, AC.")
    hands.access("i")
    expect(page.get_by_role("alert")).to_contain_text("has no master 'ZZ'")
    box = page.get_by_label("Under master", exact=True)
    expect(box).to_have_value("ZZ")
    box.fill("AB")
    hands.press("Tab")
    expect(line).to_contain_text(f"Gets {GETS}")
    expect(line).to_contain_text("A operates this too: key it GMK")
    hands.tab_to("Keying", back=True)
    hands.type("G")
    expect(page.get_by_label("Totals and keying")).to_contain_text(TOTAL)
    hands.access("i")
    expect(page.get_by_role("heading", level=1)).to_have_text("Quote Q-1011-1")
