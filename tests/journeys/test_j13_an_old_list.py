"""J13, bench and owner: another shop's list of an old system is taken over, and five doors are added to it."""

import re

import sqlalchemy as sa
from playwright.sync_api import expect

from app.keying import write_bitting
from app.ledger.keysystems.bittings import open_bittings, spec_of
from app.ledger.tables import Cylinder, Job, Keyset, KeySystem, ListRowAside, Role
from tests.journeys.conftest import Hands, House
from tests.keying.oracle import operates

# As a spreadsheet left it: blanks between the cuts here, a number made of them there (0 3 1 0 1 2, 0 5 9 6 3 8), and
# 108 typed from 102. Ardent AQ: six cuts, 0 to 9, MACS 7, two-step; every change differs from 417250 in each chamber
# by an even number.
LISTED = """Old Mill, keys\t\t\t
Key no.\tCuts\tKind\tWhere
TMK\t4 1 7 2 5 0\tTMK\toffice
101\t31012\troom key\t101
102\t2 5 3 4 3 4\troom key\t102
103\t6-7-5-6-7-6\troom key\t103
104\t8.9.9.8.9.8\troom key\t104
105\t235014\troom key\t105
106\t59638\troom key\t106
107\t6 3 1 8 7 2\troom key\t107
108\t2 5 3 4 3 4\troom key\t108
"""
NAMES = ["TMK", "101", "102", "103", "104", "105", "106", "107"]
SYMBOLS = ["AA", "1AA", "2AA", "3AA", "4AA", "5AA", "6AA", "7AA"]
CUTS = ["417250", "031012", "253434", "675676", "899898", "235014", "059638", "631872"]
ON_108 = "853416"  # what the bench reads from the key itself
DOORS = ["201", "202", "203", "204", "205"]


def paste(hands: Hands, listed: str, name: str) -> None:
    """Send a list from the page of key systems, and read it on AQ5."""
    page = hands.page
    hands.click("Key systems", "link")
    hands.click("Existing list", "link")
    page.get_by_label("Or paste it here").focus()
    page.keyboard.insert_text(listed)
    hands.click("Show what it would change")
    if page.get_by_role("button", name="Show what it would change").count():  # columns that were guessed are shown
        hands.click("Show what it would change")
    page.get_by_label("Keyway").select_option(label="AQ5, Ardent Brass, 6 chambers")
    hands.click("Read the list")
    page.get_by_label("Customer").select_option(label="Otterburn Property Care")
    page.get_by_label("Name of the system").fill(name)


def ask_for_five(hands: Hands, keying: str) -> None:
    """At the counter: five mortise cylinders into Old Mill."""
    hands.type("otterburn")
    hands.press("Enter")
    hands.access("q")
    hands.type(f"5 mortise 1-1/8 AQ5 626 {keying} two keys each")
    hands.press("Enter")
    hands.tab_to("System")
    hands.type("Old")


def test_good_rows_are_taken_the_rest_asked_or_aside_and_five_doors_added(hands: Hands, house: House) -> None:
    page, main = hands.page, hands.page.locator("main")
    hands.log_in(house.served, Role.OWNER)
    paste(hands, LISTED, "Old Mill")
    for word, count in (("Taken", 6), ("Asked", 2), ("Aside", 1)):
        expect(main.locator("dl.strip")).to_contain_text(re.compile(rf"{word}\s*{count}\b"))
    expect(main).to_contain_text("5 of 6 cuts: was a leading zero lost?")
    expect(main).to_contain_text("The same bitting as row 5, 102: one must be another.")
    for row, cuts in ((4, "031012"), (9, "059638")):
        page.locator(f"#zero-{row}").check()
        expect(page.locator(f"label[for=zero-{row}]")).to_contain_text(cuts)
    hands.click("Import 6 keys")
    expect(main).to_contain_text("Old Mill is imported: 8 keysets, their bittings sealed.")
    expect(main).to_contain_text("1 key of the list that Old Mill came from is not settled (108)")
    expect(main).to_contain_text("2AA 102")
    with house.ledger.sessions() as session:
        system = session.scalars(sa.select(KeySystem).where(KeySystem.name == "Old Mill")).one()
        assert [(one.symbol, one.own_symbol) for one in system.keysets] == list(zip(SYMBOLS, NAMES, strict=True))
        opened = open_bittings(session, house.ledger.vault, [system])
        assert [write_bitting(spec_of(system), opened[one.id]) for one in system.keysets] == CUTS
        assert system.sealed_plan is not None

    # The counter is told before it promises anything.
    hands.click("Log out")
    hands.log_in(house.served, Role.COUNTER)
    ask_for_five(hands, "MK")
    line = page.locator("#lines fieldset.line")
    expect(line).to_contain_text("is not settled (108): a new key could be cut like it")

    # The bench has read the key of 108; the owner enters it.
    hands.click("Log out")
    hands.log_in(house.served, Role.OWNER)
    hands.click("Key systems", "link")
    hands.click("Old Mill", "link")
    hands.click("108", "link")
    page.get_by_label("Its bitting").fill(ON_108)
    hands.click("Settle it")
    expect(main).to_contain_text("Settled. Entered as 8AA.")
    hands.click("Log out")

    hands.log_in(house.served, Role.COUNTER)
    ask_for_five(hands, "MK")
    expect(line).to_contain_text("Gets 9AA to 13AA of Old Mill, under AA")
    hands.access("i")
    hands.access("a")
    hands.type("B. Otter")
    page.locator("[name=site_name]").focus()
    hands.type("Mill Lane")
    page.get_by_text("Or paste the doors from a spreadsheet").click()
    page.get_by_label("Door list").focus()
    page.keyboard.insert_text("\n".join(["opening,location", *(f"{door},Mill floor 2" for door in DOORS)]))
    hands.click("Accept the quote")
    expect(main).to_contain_text("is accepted. 5 cylinders are saved.")
    schedule = hands.read_paper("Keying schedule, by door")
    assert all(f"{number}AA {number}AA, AA 2" in schedule for number in range(9, 14))
    hands.report("J13")
    with house.ledger.sessions() as session:
        system = session.scalars(sa.select(KeySystem).where(KeySystem.name == "Old Mill")).one()
        opened = open_bittings(session, house.ledger.vault, [system])
        keys = {one.symbol: opened[one.id] for one in system.keysets}
        new = [f"{number}AA" for number in range(9, 14)]
        job = session.scalars(sa.select(Job).order_by(Job.id.desc())).first()
        keyed = session.scalars(sa.select(Keyset.symbol).join(Cylinder).where(Cylinder.job_id == job.id))
        assert sorted(keyed) == sorted(new)
        master = keys["AA"]
        for symbol in new:  # by plain comparison: in each cylinder its own key and the master turn, no other
            assert {one for one, cuts in keys.items() if operates(cuts, [keys[symbol], master])} == {symbol, "AA"}
            assert all(cut != over and (cut - over) % 2 == 0 for cut, over in zip(keys[symbol], master, strict=True))
            for other in {*keys} - {"AA", symbol}:
                assert not operates(keys[symbol], [keys[other], master])
        assert session.scalars(sa.select(ListRowAside.settled)).all() == ["Entered as 8AA"]


def test_a_list_without_its_top_master_is_taken_and_never_extended(hands: Hands, house: House) -> None:
    page, main = hands.page, hands.page.locator("main")
    hands.log_in(house.served, Role.OWNER)
    paste(hands, LISTED.replace("TMK\t4 1 7 2 5 0\tTMK\toffice\n", ""), "Old Mill")
    expect(main).to_contain_text("The list lacks AA: what it opens is not known")
    page.locator("[name=leaves_asked]").check()
    hands.click("Import 5 keys")
    expect(main).to_contain_text("are not settled (AA, 101, 106, 108)")
    hands.click("Extend", "link")
    expect(main).to_contain_text("until then key single (SKD)")
    hands.click("Log out")
    hands.log_in(house.served, Role.COUNTER)
    ask_for_five(hands, "SKD")
    line = page.locator("#lines fieldset.line")
    expect(line).to_contain_text("Gets SKD1 to SKD5")
