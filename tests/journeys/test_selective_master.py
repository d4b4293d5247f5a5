"""A selective master, from the plan to the schedule: the engineers' key opens chosen doors of two departments."""

import re
from itertools import product

import sqlalchemy as sa
from playwright.sync_api import expect

from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.bittings import open_bittings, open_plan, spec_of
from app.ledger.keysystems.system_queries import get_system, operating_keysets
from app.ledger.store.work import Actor
from app.ledger.tables import Job, Key, KeySystem, Role
from tests.conftest import NOW
from tests.journeys.conftest import Hands, House


def test_a_selective_master_goes_from_the_plan_to_the_schedule(hands: Hands, house: House) -> None:
    page, main = hands.page, hands.page.locator("main")
    hands.log_in(house.served, Role.OWNER)
    hands.open_plan("AQ4, Ardent Brass, 6 chambers", levels=3)
    expect(page.get_by_label("Grand masters under each key above")).to_be_hidden()
    page.get_by_label("Masters under each grand").fill("2")
    page.get_by_label("Changes under each master").fill("12")
    page.get_by_label("Selective master").fill("eng")
    hands.click("Show plans")
    plan = page.locator(".plan-card", has_text="Most room for changes")
    expect(plan).to_contain_text("Published: 20 to 25 % of a system's capacity.")
    [(after, before, cost)] = re.findall(
        r"holds ([\d,]+) bittings with it, ([\d,]+) without, (\d+) %", plan.inner_text()
    )
    page.get_by_label("Customer").select_option(label="Saltmarsh Maritime College")
    page.get_by_label("Name of the system").fill("Boat hall")
    hands.click("Start by this plan", within=plan)
    expect(main).to_contain_text("ENG")
    expect(main).to_contain_text("selective master")
    hands.click("Selective master", "link")
    expect(main).to_contain_text("No cylinder is under it yet.")
    hands.report("Selective master, to the system")

    hands.click("Counter", "link")
    hands.type("college")
    hands.press("Enter")
    hands.access("q")
    hands.type("3 mortise 1-1/8 AQ4 626 GMK under AA(ENG) two keys each")
    hands.press("Enter")
    hands.tab_to("System")
    hands.type("Boat")
    lines = page.locator("#lines fieldset.line")
    expect(lines.first).to_contain_text("Gets AA1 to AA3 of Boat hall, under AA, A and ENG")
    hands.access("q")
    hands.type("3 mortise 1-1/8 AQ4 626 GMK under AB two keys each")
    hands.press("Enter")
    expect(lines.nth(1)).to_contain_text("Gets AB1 to AB3 of Boat hall, under AB and A")
    hands.access("q")
    hands.type("2 keys to ENG")
    hands.press("Enter")
    expect(main).to_contain_text("14 keys come with it: 2 each to AA1 to AA3, AB1 to AB3, ENG.")
    hands.access("i")
    hands.access("a")
    hands.type("M. Sheldrake")
    page.locator("[name=site_name]").fill("Boat hall")
    page.get_by_text("Or paste the doors from a spreadsheet").click()
    page.get_by_label("Door list").focus()
    rows = ["B1,", "B2,", "B3,", "B4,", "B5,AB2(ENG)", "B6,"]
    page.keyboard.insert_text("\n".join(["opening,keyset", *rows]))
    hands.click("Accept the quote")
    expect(main).to_contain_text("6 cylinders are saved.")
    schedule = hands.read_paper("Keying schedule, by door")
    for number in (1, 2, 3):
        assert f"AA{number}(ENG) AA{number}, ENG, AA, A" in schedule
    assert "AB2(ENG) AB2, ENG, AB, A" in schedule
    assert "AB1 AB1, AB, A" in schedule and "AB3 AB3, AB, A" in schedule and "XA" not in schedule
    hands.report("Selective master, to the schedule")

    with house.ledger.work(Actor(None, "the test", Role.OWNER), NOW) as work:
        row = work.session.scalars(sa.select(KeySystem).where(KeySystem.name == "Boat hall")).one()
        system = get_system(work.session, row.id)
        opened = open_bittings(work.session, work.vault, [system])
        keys = {one.symbol: opened[one.id] for one in system.keysets if one.id in opened}
        opens = {
            name: {symbol for symbol, cuts in keys.items() if _turns(cuts, [opened[one.id] for one in way.keysets])}
            for name, way in operating_keysets(work.session, [system]).items()
        }
        assert sum("ENG" in them for them in opens.values()) == 4
        assert opens["AB1 of Boat hall"] == {"AB1", "AB", "A"}
        assert audit_systems(work, [system]).is_clean
        # What it costs, counted one by one.
        array, spec = open_plan(work.vault, system), spec_of(system)
        assert array is not None and array.withheld is not None
        columns = [
            [depth for depth in spec.all_depths if depth != top and (depth - top) % spec.step == 0]
            if role != "-"
            else [top]
            for top, role in zip(array.tmk, array.roles, strict=True)
        ]
        every = [cuts for cuts in product(*columns) if spec.allows(cuts)]
        chamber, depth = array.withheld
        kept = sum(cuts[chamber - 1] != depth for cuts in every)
        assert (after, before) == (f"{kept:,}", f"{len(every):,}")
        assert int(cost) == round(100 * (len(every) - kept) / len(every))
        job = work.session.scalars(sa.select(Job).order_by(Job.number.desc()).limit(1)).one()
        cut = work.session.scalars(sa.select(Key).where(Key.job_id == job.id)).all()
        assert sum(one.keyset.symbol == "ENG" for one in cut) == 2


def _turns(cuts: tuple[int, ...], pinned: list[tuple[int, ...]]) -> bool:
    return all(cut in depths for cut, depths in zip(cuts, zip(*pinned, strict=True), strict=True))
