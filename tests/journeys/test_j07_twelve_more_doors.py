"""J7, at the counter: twelve more doors of the college by a pasted list, symbols given for half of them."""

import re

import sqlalchemy as sa
from playwright.sync_api import expect

from app.ledger.tables import Cylinder, Job, Key, Keyset, KeySystem, Role
from tests.journeys.conftest import Hands, House

# North Hall's master AA has 48 cylinders, so the next is AA49. Listed: some of the next twelve, one further on, two
# as a clerk may write them, and one of a door that there is.
LISTED = ("AA51", "", "AA50", "", "AA63", "", "AA7", "", "aa 60", "", "AA-52", "")
GIVEN = ("AA51", "AA49", "AA50", "AA53", "AA63", "AA54", "AA7", "AA55", "AA60", "AA56", "AA52", "AA57")
DOORS = [f"N4{number:02}" for number in range(1, 13)]
MATRIX = {"hall": "1AA", "desk": "1AA", "store": "2AA"}


def test_twelve_doors_are_accepted_as_listed_and_the_next_schedule_marks_what_changed(
    hands: Hands, house: House
) -> None:
    page = hands.page
    hands.log_in(house.served, Role.COUNTER)
    hands.type("college")
    hands.press("Enter")
    hands.tab_to("Site", back=True)
    hands.type("Main")
    hands.access("q")
    hands.type("12 mortise 1-1/8 under AA two keys each")
    hands.press("Enter", "Enter")  # of what can join the system, the first
    hands.tab_to("System")
    hands.type("S")
    till = page.get_by_label("Totals and keying")
    expect(page.locator("#lines fieldset.line")).to_contain_text("Gets AA49 to AA60 of Saltmarsh Maritime College")
    # 12 at 25.08, the contract's; keyed at the factory for 11.00, and 24 keys at 2.75: 300.96 + 132.00 + 66.00.
    expect(till).to_contain_text(re.compile(r"Total\s*\$498\.96"))
    # Added to a system here 15.33 and 14.853 each; there 45.00, 28.00 and 4.20 each: from 6 on, but it takes no 11.
    expect(till).to_contain_text("The factory is worth while from 12 such cylinders on.")
    hands.access("i")
    hands.access("a")
    hands.type("M. Sheldrake")
    page.get_by_text("Or paste the doors from a spreadsheet").click()
    page.get_by_label("Door list").focus()
    rows = [f"{door},North Hall attic,LH,Mortise lock,{symbol}" for door, symbol in zip(DOORS, LISTED, strict=True)]
    page.keyboard.insert_text("\n".join(["opening,location,hand,lock,keyset", *rows]))
    hands.click("Accept the quote")
    expect(page.locator("main")).to_contain_text("Quote Q-1011-1 is accepted. 12 cylinders are saved.")
    hands.report("J7, to the accepted job")
    first = hands.read_paper("Keying schedule, by door")
    assert "for job 1011, revision 1" in first and "12 doors, 12 cylinders, 24 keys" in first
    assert all(f"{symbol} {symbol}, AA, A 2" in first for symbol in GIVEN) and "hanged" not in first
    with house.ledger.sessions() as session:
        job = session.scalars(sa.select(Job).where(Job.number == 1011)).one()
        cylinders = session.scalars(sa.select(Cylinder).where(Cylinder.job_id == job.id)).all()
        hung = {one.door.opening_number: one.keyset.symbol for one in cylinders if one.door and one.keyset}
        assert hung == dict(zip(DOORS, GIVEN, strict=True))
        keys = session.scalars(sa.select(Key).where(Key.job_id == job.id)).all()
        assert sorted(key.keyset.symbol for key in keys) == sorted(GIVEN * 2)

    hands.click("N401", "link")
    hands.click("Change this door", "link")
    hands.tab_to("Location")
    page.keyboard.press("Control+A")
    hands.type("North Hall loft")
    hands.press("Enter")
    hands.click("1011", "link")
    second = hands.read_paper("Keying schedule, by door")
    assert "for job 1011, revision 2" in second
    changed = "N401 location North Hall loft, was North Hall attic"
    assert f"Changed in revision 2, against the one before {changed}" in second
    assert second.count("changed") == 1
    hands.report("J7, to the second schedule")


def test_twelve_doors_join_a_system_out_of_a_matrix_whose_holders_cross(hands: Hands, house: House) -> None:
    page = hands.page
    hands.log_in(house.served, Role.BENCH)
    hands.click("Key systems", "link")
    hands.click("Who opens what", "link")
    page.get_by_label("Keyway").select_option(label="AQ4, Ardent Brass, 6 chambers")
    for box, words in (("door-0", "hall"), ("door-1", "desk"), ("door-2", "store"), ("holder-0", "clerk")):
        page.locator(f"[name={box}]").fill(words)
    page.locator("[name=holder-1]").fill("porter")
    for box in ("open-0-0", "open-0-1", "open-1-0", "open-1-2"):  # both open the hall: the keys stand side by side
        page.locator(f"[name={box}]").check()
    hands.click("Key it")
    page.get_by_role("checkbox", name="Cross hall for ").check()
    page.get_by_label("Customer").select_option(label="Saltmarsh Maritime College")
    page.get_by_label("Name of the system").fill("Slipway")
    page.get_by_label("Site of the doors").fill("Slipway")
    hands.click("Save bittings")

    hands.click("Log out")
    hands.log_in(house.served, Role.COUNTER)
    hands.type("college")
    hands.press("Enter")
    hands.type("12 mortise 1-1/8 AQ4 626 MK two keys each")
    hands.press("Enter")
    hands.tab_to("System")
    hands.type("Sl")
    line = page.locator("#lines fieldset.line")
    expect(line).to_contain_text("Slipway has no masters on record, its keys stand side by side: key these single")
    hands.tab_to("Keying", back=True)
    hands.type("SKD")
    expect(line).to_contain_text("Gets SKD1 to SKD12 of Slipway")
    hands.access("i")
    hands.access("a")
    hands.type("M. Sheldrake")
    page.locator("[name=site_name]").focus()
    hands.type("Slipway")
    page.get_by_text("Or paste the doors from a spreadsheet").click()
    page.get_by_label("Door list").focus()
    rows = [f"{door},Slip,LH,Mortise lock" for door in DOORS]
    page.keyboard.insert_text("\n".join(["opening,location,hand,lock", *rows]))
    hands.click("Accept the quote")
    expect(page.locator("main")).to_contain_text("Quote Q-1011-1 is accepted. 12 cylinders are saved.")
    schedule = hands.read_paper("Keying schedule, by door")
    assert all(f"SKD{n} SKD{n} 2" in schedule for n in range(1, 13)) and "12 doors, 12 cylinders, 24 keys" in schedule
    with house.ledger.sessions() as session:
        system = session.scalars(sa.select(KeySystem).where(KeySystem.name == "Slipway")).one()
        keyed = sa.select(Cylinder).join(Keyset).where(Keyset.system_id == system.id)
        hung = {
            one.door.opening_number: one.keyset.symbol for one in session.scalars(keyed) if one.door and one.keyset
        }
        # The matrix's three doors stay beside the twelve.
        assert hung == {**dict(zip(DOORS, (f"SKD{n}" for n in range(1, 13)), strict=True)), **MATRIX}
