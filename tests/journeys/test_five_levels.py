"""Five levels, from the plan to the bench: keyed and priced by their depth, each cylinder under all keys above it."""

import re

import sqlalchemy as sa
from playwright.sync_api import expect

from app.ledger.keysystems.bittings import open_bittings
from app.ledger.keysystems.system_queries import get_system
from app.ledger.tables import KeySystem, Role
from tests.journeys.conftest import Hands, House
from tests.keying.oracle import operates

OVER = {"AAB": ["AA", "A", "GGGM"], "BBA": ["BB", "B", "GGGM"]}


def test_five_levels_go_from_the_plan_to_the_bench(hands: Hands, house: House) -> None:
    page, main = hands.page, hands.page.locator("main")
    hands.log_in(house.served, Role.OWNER)
    hands.open_plan("AQ5, Ardent Brass, 6 chambers", levels=5)
    for label in ("Great grands under each key above", "Grand masters under each key above"):
        page.get_by_label(label, exact=True).fill("2")
    page.locator("[name=great_grands_later]").fill("1")  # expansion is asked level by level
    page.get_by_label("Masters under each grand").fill("2")
    page.get_by_label("Changes under each master").fill("4")
    hands.click("Show plans")
    page.get_by_label("Customer").select_option(label="Saltmarsh Maritime College")
    page.get_by_label("Name of the system").fill("Boat hall")
    hands.click("Start by this plan", within=page.locator(".plan-card").last)
    expect(main).to_contain_text("Boat hall is started")

    # A later wing, level by level.
    for grand, count, changes in (("GGGM", 1, 0), ("C", 1, 0), ("CA", 1, 2)):
        hands.click("Extend", "link")
        page.get_by_label("New masters under").select_option(grand)
        page.get_by_label("How many masters").fill(str(count))
        page.get_by_label("Changes under each new master").fill(str(changes))
        hands.click("Extend the system")
    expect(main).to_contain_text("3 keysets added to Boat hall: CAA, CAA1, CAA2.")

    hands.click("Counter", "link")
    hands.type("college")
    hands.press("Enter")
    hands.access("q")
    hands.type("4 mortise 1-1/8 AQ5 626 under AAB two keys each")
    hands.press("Enter")
    hands.tab_to("System")
    hands.type("Boat")
    lines = page.locator("#lines fieldset.line")
    expect(lines.first).to_contain_text("Gets AAB1 to AAB4 of Boat hall, under AAB, AA, A and GGGM")
    expect(lines.first).to_contain_text("AA, A, GGGM operate this too: key it GGMK.")
    lines.first.get_by_label("Keying", exact=True).focus()
    hands.type("GGMK")
    expect(lines.first).not_to_contain_text("operate this too")
    expect(lines.first).to_contain_text(re.compile(r"4 × \$18\.00\s*\$72\.00"))
    hands.access("q")
    hands.type("3 mortise 1-1/8 AQ5 626 GGMK under BBA two keys each")
    hands.press("Enter")
    hands.access("i")
    hands.access("a")
    hands.type("M. Sheldrake")
    page.locator("[name=site_name]").fill("Boat hall")
    page.get_by_text("Or paste the doors from a spreadsheet").click()
    page.get_by_label("Door list").focus()
    page.keyboard.insert_text("\n".join(["opening,keyset", *(f"1{n:02}," for n in range(1, 7)), "107,BBA3"]))
    hands.click("Accept the quote")
    expect(main).to_contain_text("7 cylinders are saved.")
    schedule = hands.read_paper("Keying schedule, by door")
    for master, above in OVER.items():
        for number in (1, 2, 3):
            assert ", ".join([f"{master}{number}", master, *above[:-1]]) in schedule
    page.get_by_text("Confidential: 4").click()
    sheet = hands.read_paper("Bench sheet")
    assert sheet.count("Combinations that shear: 64; intended 5") == 7
    hands.report("Five levels, to the bench")

    with house.ledger.sessions() as session:
        row = session.scalars(sa.select(KeySystem).where(KeySystem.name == "Boat hall")).one()
        system = get_system(session, row.id)
        opened = open_bittings(session, house.ledger.vault, [system])
        keys = {one.symbol: opened[one.id] for one in system.keysets}
        assert len(keys) == 1 + 2 + 4 + 8 + 5 + 7
        for master, above in OVER.items():
            for number in range(1, 5 if master == "AAB" else 4):
                over = [f"{master}{number}", master, *above]
                pinned = [keys[symbol] for symbol in over]
                assert {symbol for symbol, cuts in keys.items() if operates(cuts, pinned)} == set(over)
                bottoms = [min(column) for column in zip(*pinned, strict=True)]
                assert f"bottom {' '.join(map(str, bottoms))}" in sheet
