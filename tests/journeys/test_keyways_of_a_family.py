"""A system on three keyways of a family whose array is too small for it: from the plan to doors, audit and Extend."""

import sqlalchemy as sa
from playwright.sync_api import expect

from app.ledger.keysystems.bittings import open_bittings
from app.ledger.keysystems.system_queries import get_system, operators_of
from app.ledger.store.work import Actor
from app.ledger.tables import KeySystem, Role
from tests.conftest import NOW
from tests.journeys.conftest import Hands, House

PARTS = "AG to AM: AQ3; AN to AT: AQ5"
ENTERS = {"AQ1": {"AQ1", "AQ2"}, "AQ3": {"AQ3", "AQ4"}, "AQ5": {"AQ5", "AQ6"}}
"""What six-cut keys enter by the demo's tables, read by eye; the family's master blank enters all six."""


def test_an_array_is_had_once_on_each_keyway_from_the_plan_to_the_doors(hands: Hands, house: House) -> None:
    """Four depths a chamber beside the top's: 65 changes take four chambers, and two are left for 17 masters, for 16
    at most.
    """
    page, main = hands.page, hands.page.locator("main")
    hands.log_in(house.served, Role.OWNER)
    hands.open_plan("AQ1, Ardent Brass, 6 chambers", levels=3)
    page.get_by_label("Masters under each grand").fill("17")
    page.get_by_label("Changes under each master").fill("65")
    hands.click("Show plans")
    expect(main).to_contain_text("do not fit under this master")
    expect(main).to_contain_text("On AQ3, AQ4, AQ5, AQ6 the array can be had once more")
    page.get_by_label("Masters on other keyways of the family").fill(PARTS)
    hands.click("Show plans")
    expect(main).to_contain_text("6 × 65 bittings do")
    expect(main).to_contain_text("have none of them cut of another blank than stands here")
    plan = page.locator(".plan-card").first
    expect(plan).to_contain_text("6 for 17 keys")
    page.get_by_label("Customer").select_option(label="Saltmarsh Maritime College")
    page.get_by_label("Name of the system").fill("Boat hall")
    hands.click("Start by this plan", within=plan)
    expect(main).to_contain_text("AQ1, AQ3, AQ5")

    hands.click("Counter", "link")
    hands.type("college")
    hands.press("Enter")
    for number, (keyway, master) in enumerate((("AQ1", "AA"), ("AQ3", "AG"), ("AQ5", "AN"))):
        hands.access("q")
        hands.type(f"2 mortise 1-1/8 six pin {keyway} 626 GMK under {master} two keys each")
        hands.press("Enter")
        if number == 0:
            hands.tab_to("System")
            hands.type("Boat")
        line = page.locator("#lines fieldset.line").nth(number)
        expect(line).to_contain_text(f"Gets {master}1, {master}2 of Boat hall, under {master} and A")
    hands.access("i")
    hands.access("a")
    hands.type("M. Sheldrake")
    page.locator("[name=site_name]").fill("Boat hall")
    page.get_by_text("Or paste the doors from a spreadsheet").click()
    page.get_by_label("Door list").focus()
    page.keyboard.insert_text("\n".join(["opening,keyset", *(f"B{number}," for number in range(1, 7))]))
    hands.click("Accept the quote")
    expect(main).to_contain_text("6 cylinders are saved.")
    assert "AG1 AG1, AG, A" in hands.read_paper("Keying schedule, by door")

    hands.click("Key systems", "link")
    hands.click("Boat hall", "link")
    hands.click("Extend", "link")
    page.get_by_label("On keyway").select_option("AQ3")
    page.get_by_label("How many masters").fill("1")
    page.get_by_label("Changes under each new master").fill("2")
    hands.click("Extend the system")
    expect(main).to_contain_text("AU2")
    hands.click("Audit", "link")
    hands.click("Audit now")
    expect(main).to_contain_text("Clean: no key operates a cylinder that it must not")

    with house.ledger.work(Actor(None, "the test", Role.OWNER), NOW) as work:
        row = work.session.scalars(sa.select(KeySystem).where(KeySystem.name == "Boat hall")).one()
        system = get_system(work.session, row.id)
        by_id, opened = {one.id: one for one in system.keysets}, open_bittings(work.session, work.vault, [system])
        cuts = {one.symbol: opened[one.id] for one in system.keysets if one.id in opened}
        assert cuts["AA"] == cuts["AG"] == cuts["AN"] and cuts["AA1"] == cuts["AG1"] == cuts["AN1"]
        doors = [one for one in system.keysets if one.cylinders]
        opens = {
            (own.symbol, key)
            for own in doors
            for key in cuts
            if key == "A" or own.section in ENTERS[next(one.section for one in system.keysets if one.symbol == key)]
            if all(
                cut in depths
                for cut, depths in zip(
                    cuts[key],
                    zip(*(opened[one.id] for one in operators_of(own, is_nmk=False, by_id=by_id)), strict=True),
                    strict=True,
                )
            )
        }
        assert opens == {(own.symbol, key) for own in doors for key in (own.symbol, own.symbol[:2], "A")}
