"""J15, the specialist: levels stay, a colleague's door and a shared store are crossed, a reserve is kept."""

import re
from math import prod

import sqlalchemy as sa
from playwright.sync_api import Locator, expect

from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.bittings import open_bittings
from app.ledger.keysystems.system_queries import get_system
from app.ledger.store.work import Actor
from app.ledger.tables import Cylinder, Event, Job, KeySystem, Role
from tests.conftest import NOW
from tests.journeys.conftest import Hands, House

HEADS = {"1": "Avery", "2": "Brook", "3": "Carey"}
DOORS = {floor: [f"{floor}{n:02}" for n in range(1, 21)] for floor in HEADS}  # 20 on each of three floors
ALSO = {"107": "108", "109": "201"}  # a colleague's door, and one of another head's


def _list() -> str:
    """The owner, a head a floor and a person a door; the heads of the first two floors share the store S1."""
    rows = ["person\tdoors\talso opens", "Owner\tall\t"]
    rows += [f"{head}\t{'; '.join(DOORS[floor])}\t{'S1' if floor != '3' else ''}" for floor, head in HEADS.items()]
    rows += [f"P{door}\t{door}\t{ALSO.get(door, '')}" for floor in HEADS for door in DOORS[floor]]
    return "\n".join(rows)


def _cost(row: Locator) -> tuple[int, int]:
    """The combinations before and after, as the row says them."""
    [(before, after)] = re.findall(r"([\d,]+) → ([\d,]+)", row.inner_text())
    return int(before.replace(",", "")), int(after.replace(",", ""))


def test_levels_stay_and_what_crosses_is_asked_one_by_one(hands: Hands, house: House) -> None:
    page, main = hands.page, hands.page.locator("main")
    hands.log_in(house.served, Role.OWNER)
    hands.click("Key systems", "link")
    hands.click("Who opens what", "link")
    page.get_by_label("Keyway").select_option(label="AQ4, Ardent Brass, 6 chambers")
    page.get_by_text("Or paste a list").click()
    page.get_by_label("Or a list").focus()
    page.keyboard.insert_text(_list())
    hands.click("Key it")
    expect(main).to_contain_text("By levels: 3.", timeout=20_000)
    rows = page.get_by_role("table", name="Exceptions").locator("tbody tr")
    expect(rows).to_have_count(3)
    tick = page.get_by_role("checkbox", name="Cross 108 for P107").bounding_box()
    assert tick is not None and tick["height"] < 30, "a tick as large as a button"
    colleague, other, store = (rows.filter(has_text=words) for words in ("P107", "P109", "S1"))
    expect(colleague).not_to_contain_text("uncontrolled")
    # The key of P109 has its own head's cuts in it, so that the head would come in: it asks.
    expect(other).to_contain_text("uncontrolled")
    expect(other).to_contain_text("It would let Avery in: only a key cut outside its master's array keeps that out.")

    page.get_by_label("Customer").select_option(label="Saltmarsh Maritime College")
    page.get_by_label("Name of the system").fill("Annex")
    page.get_by_label("Site of the doors").fill("Annex")
    page.get_by_label("Reserve").fill("each floor: 10")
    page.get_by_role("checkbox", name="Cross 108 for P107").check()
    page.get_by_role("checkbox", name="Cross S1 for ").check()
    hands.click("Save bittings")
    expect(main).to_contain_text("201 stays shut to P109.")
    page.get_by_role("checkbox", name="They go without").check()
    hands.click("Save bittings")
    expect(main).to_contain_text("Changed against what was asked first: P109 goes without 201.", timeout=20_000)
    expect(rows).to_have_count(2)
    costs = {"108": _cost(colleague), "S1": _cost(store)}
    hands.click("Save bittings")
    expect(main).to_contain_text("61 doors planned on them.")
    keysets = page.locator("ul.tree .keyset")
    masters = [keysets.filter(has=page.get_by_text(master, exact=True)) for master in ("AA", "AB", "AC")]
    for master in masters:
        expect(master).to_contain_text("10 changes under it on no door yet")
    reserves = page.locator("section[aria-labelledby=reserves] tbody tr")
    for floor, master in (("1", "AA"), ("2", "AB"), ("3", "AC")):
        expect(reserves.filter(has_text=f"floor {floor}")).to_contain_text(re.compile(rf"{master}\s*10 of 10"))
    hands.report("J15, to the saved system")

    # Two doors more come, nobody says to which floor: they take new changes, and the reserves are kept.
    hands.click("Counter", "link")
    hands.type("college")
    hands.press("Enter")
    hands.tab_to("Site", back=True)
    hands.type("Annex")
    hands.access("q")
    hands.type("2 mortise 1-1/8 AQ4 626 GMK under AA two keys each")
    hands.press("Enter")
    hands.tab_to("System")
    hands.type("Annex")
    line = page.locator("#lines fieldset.line")
    expect(line).to_contain_text("Gets AA31, AA32 of Annex, under AA and A")
    expect(line).to_contain_text("Under AA 10 changes for floor 1 are in reserve: choose that under Reserve")
    hands.access("i")
    hands.access("a")
    hands.type("M. Sheldrake")
    hands.press("Enter")
    expect(main).to_contain_text("2 cylinders are saved.")
    hands.click("Key systems", "link")
    hands.click("Annex", "link")
    for master in masters:
        expect(master).to_contain_text("10 changes under it on no door yet")
    hands.report("J15, to two doors more")

    # Twelve doors more on the second floor. The list at acceptance tells the floor: ten take what is kept for it.
    hands.click("Counter", "link")
    hands.type("college")
    hands.press("Enter")
    hands.tab_to("Site", back=True)
    hands.type("Annex")
    hands.access("q")
    hands.type("12 mortise 1-1/8 AQ4 626 GMK under AB two keys each")
    hands.press("Enter")
    hands.tab_to("System")
    hands.type("Annex")
    expect(line).to_contain_text("Gets AB31 to AB42 of Annex, under AB and A")
    line.get_by_label("Reserve").fill("floor 2")
    expect(line).to_contain_text("The reserve for floor 2 has 10 changes left, and this line needs 12")
    line.get_by_label("Reserve").fill("")
    expect(line).to_contain_text("Gets AB31 to AB42 of Annex, under AB and A")
    hands.access("i")
    hands.access("a")
    hands.type("M. Sheldrake")
    page.get_by_text("Or paste the doors from a spreadsheet").click()
    page.get_by_label("Door list").focus()
    doors = [f"2{number},," for number in range(21, 32)]  # eleven of the second floor, and one that takes the third's
    page.keyboard.insert_text("\n".join(["opening,location,keyset", *doors, "230B,third floor,"]))
    hands.click("Accept the quote")
    asked = page.get_by_role("checkbox", name="The reserve may be used so")
    expect(main).to_contain_text("The reserve for floor 2 is used up, so 231 takes a free change. Tick")
    asked.check()
    hands.click("Accept the quote")
    expect(main).to_contain_text("12 cylinders are saved.")
    hands.click("Key systems", "link")
    hands.click("Annex", "link")
    expect(reserves.filter(has_text="floor 2")).to_contain_text("0 of 10 used up")
    expect(reserves.filter(has_text="floor 3")).to_contain_text("10 of 10")
    hands.report("J15, to a reserve that is used up")

    with house.ledger.work(Actor(None, "the test", Role.OWNER), NOW) as work:
        system = work.session.scalars(sa.select(KeySystem).where(KeySystem.name == "Annex")).one()
        assert system.levels == 3
        planned = work.session.scalars(sa.select(Cylinder).where(Cylinder.job_id.is_(None))).all()
        hung = {one.door.opening_number: one for one in planned if one.door and one.is_planned}
        people = {one.purpose: one.symbol for one in system.keysets if one.purpose}
        by_symbol = {one.symbol: one for one in system.keysets}
        later = {
            one.door.opening_number: one.keyset
            for one in work.session.scalars(sa.select(Cylinder).where(Cylinder.job_id.is_not(None)))
            if one.door and one.keyset and one.keyset.symbol in by_symbol and one.keyset.system_id == system.id
        }
        assert [later[f"2{number}"].reserved_for for number in range(21, 31)] == ["floor 2"] * 10
        assert later["231"].reserved_for == "" and later["230B"].reserved_for == ""
        for door in [door for floor in HEADS for door in DOORS[floor]]:
            assert hung[door].keyset.symbol == people[f"P{door}"]
        crossed = {door: one for door, one in hung.items() if one.operators}
        assert {door: [two.keyset.symbol for two in one.operators] for door, one in crossed.items()} == {
            "108": [people["P107"]],
            "S1": [people["Brook"]],
        }
        opened = open_bittings(work.session, work.vault, [system])
        for door, (before, after) in costs.items():
            own = hung[door].keyset
            chain = [own, own.parent, own.parent.parent] if own.parent.parent else [own, own.parent]
            cuts = [opened[one.id] for one in chain]
            further = [*cuts, *(opened[one.keyset_id] for one in hung[door].operators)]
            depths = [prod(len(set(cut)) for cut in zip(*keys, strict=True)) for keys in (cuts, further)]
            assert [before, after] == depths
        kinds = [Event.kind == "crossing agreed", Event.kind == "matrix changed"]
        assert [len(work.session.scalars(sa.select(Event).where(kind)).all()) for kind in kinds] == [2, 1]
        assert audit_systems(work, [get_system(work.session, system.id)]).is_clean
        assert work.session.scalars(sa.select(Job).order_by(Job.number.desc()).limit(1)).one().stage == "approved"
