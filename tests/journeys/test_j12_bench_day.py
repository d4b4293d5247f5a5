"""J12, at the bench: a day's work of 24 flats and a job of cores from one sheet and one page; a top pin runs out, a
tick was wrong, a key was cut wrong.

What stands where is added up here from the sealed bittings, cut by cut: in a plain cylinder of Ardent Brass the stack
is 18 high, so that a top pin is 18 less the deepest cut; in a core of Northlight it is 23, the control line 10 up.
"""

import re
from collections import Counter
from itertools import pairwise

import sqlalchemy as sa
from playwright.sync_api import expect
from sqlalchemy.orm import Session

from app.keying import PinSize
from app.ledger.bench.pins import stock_of
from app.ledger.care.opening import Ledger
from app.ledger.keysystems.bittings import open_bittings
from app.ledger.tables import Cylinder, CylinderState, Job, Key, KeyState, Role, Stage
from tests.journeys.conftest import Hands, House

FLATS, CORES = 1007, 1011
TOP = PinSize("top", 13)
LEFT = 40  # of them, once the bench has counted


def sell_two_cores(hands: Hands, house: House) -> None:
    """The counter's part: two cores keyed different for somebody new, accepted."""
    page = hands.page
    hands.log_in(house.served, Role.COUNTER)
    hands.type("B. Dunlin")
    hands.click("New customer: B. Dunlin")
    page.locator("#customer_phone").fill("555-0188")
    hands.click("Part number")
    line = page.locator("#lines fieldset.line")
    line.get_by_label("Part number").fill("NSC7:H1:626")
    line.get_by_label("Quantity").fill("2")
    line.get_by_label("Keying", exact=True).select_option("KD")
    expect(line).to_contain_text("4 ×")
    hands.click("Issue quote")
    hands.click("Accept", "link")
    page.get_by_label("Accepted by").fill("B. Dunlin")
    hands.click("Accept the quote")
    expect(page.get_by_role("heading", level=1)).to_have_text(f"Job {CORES}")
    hands.click("Log out")


def pins_of(session: Session, ledger: Ledger, number: int) -> dict[str, Counter[PinSize]]:
    """Opening, or keyset, → the pins of its cylinder, in the order sold."""
    job = session.scalars(sa.select(Job).where(Job.number == number)).one()
    found = {}
    for cylinder in session.scalars(sa.select(Cylinder).where(Cylinder.job_id == job.id).order_by(Cylinder.id)):
        keyset = cylinder.keyset
        assert keyset is not None
        opened = open_bittings(session, ledger.vault, [keyset.system])
        by_symbol = {one.symbol: opened[one.id] for one in keyset.system.keysets}
        keys = [by_symbol[symbol] for symbol in (keyset.symbol, "AA") if symbol in by_symbol]
        control = by_symbol.get("CONTROL")
        pins = Counter[PinSize]()
        for chamber, cuts in enumerate(zip(*keys, strict=True)):
            low, *_ = depths = sorted(set(cuts))
            pins[PinSize("bottom", low)] += 1
            pins.update(PinSize("master", b - a) for a, b in pairwise(depths))
            line = depths[-1] if control is None else control[chamber] + 10
            pins.update([PinSize("build-up", line - depths[-1])] if line > depths[-1] else [])
            pins[PinSize("top", (18 if control is None else 23) - line)] += 1
        found[cylinder.door.opening_number if cylinder.door else keyset.symbol] = pins
    return found


def who_waits(flats: dict[str, Counter[PinSize]]) -> list[str]:
    """Who does not get all his top pins when each gets his in the order sold."""
    left, waits = LEFT, []
    for opening, pins in flats.items():
        if pins[TOP] > left:
            waits.append(opening)
        else:
            left -= pins[TOP]
    return waits


def test_a_day_at_the_bench(hands: Hands, house: House) -> None:
    page = hands.page
    sell_two_cores(hands, house)
    with house.ledger.sessions() as session:
        flats, cores = (pins_of(session, house.ledger, number) for number in (FLATS, CORES))
        of_flats, of_cores = (_stock(session, house.ledger, number) for number in (FLATS, CORES))
    waiting = who_waits(flats)
    assert 0 < len(waiting) < 24 and len(cores) == 2

    hands.log_in(house.served, Role.BENCH)
    for number in (FLATS, CORES):
        hands.click(str(number), "link")
        hands.click("Put on the bench")
        hands.click("Bench", "link")
    hands.start()
    hands.click("Job 1004 in the day", "checkbox")
    hands.click("The day’s work of these jobs")
    expect(page.locator(".day-job")).to_have_count(2)
    expect(page.locator("section.rack")).to_have_count(3)

    # ---- the sheet: a page a rack, the control key on the cores' ----
    sheet = hands.read_paper("Day’s sheet, PDF")
    assert "page 3 of 3" in sheet
    for rack, keys in (("Rack 1 of 2: 12 cylinders", "27 keys"), ("Rack 2 of 2: 12 cylinders", "24 keys")):
        assert f"{rack}, {keys} · job {FLATS}" in sheet
    assert f"Rack 1 of 1: 2 cylinders, 5 keys · job {CORES}" in sheet and "CONTROL (control key)" in sheet

    # ---- the shelf is counted, and a top pin is short: named, refused, combined ----
    hands.click("pins to pick", "link", within=page.locator(f"#job-{FLATS}"))
    hands.click("Show the pins")
    hands.click("Count the shelf", "link")
    page.get_by_label("top pin 13", exact=True).fill(str(LEFT))
    hands.click("Save the counts")
    hands.click("Bench", "link")
    hands.click("Job 1004 in the day", "checkbox")
    hands.click("The day’s work of these jobs")
    expect(page.locator(f"#job-{FLATS}")).to_contain_text(f"{', '.join(waiting)} cannot be pinned")
    for rack in (1, 2):
        hands.click(f"Whole rack {rack} pinned", within=page.locator(f"#job-{FLATS}"))
    expect(page.get_by_text(f"Not ticked off: {', '.join(waiting)}.")).to_be_visible()
    expect(page.locator(f"#of-{FLATS}")).to_contain_text(f"{24 - len(waiting)} pinned, 0 checked of 24")
    hands.click("Which pin, and what combines to it", "link")
    hands.click("Show the pins")
    lacks = sum(flats[one][TOP] for one in waiting) - (LEFT - sum(flats[one][TOP] for one in set(flats) - {*waiting}))
    expect(page.get_by_role("heading", name=f"top 13: {lacks} short")).to_be_visible()
    hands.click("Take top 11 + top 2 in its place", "checkbox")
    hands.click("Draw what is there")
    hands.click("The job on the bench", "link")
    for rack in (1, 2):
        if page.locator(f"section.rack:has(#rack-{FLATS}-{rack})").get_by_text("to pin").count():
            hands.click(f"Whole rack {rack} pinned")
    expect(page.locator(".strip")).to_contain_text("24 of 24")

    # ---- a wrong tick undone, and what is not ticked moves nothing on ----
    hands.click("F05", "checkbox")
    hands.click("Undo")
    expect(page.get_by_text("1 cylinder to pin and check anew.")).to_be_visible()
    for rack in (1, 2):
        hands.click(f"Whole rack {rack} checked")
    expect(page.get_by_text("Rack 2: 12 cylinders ticked off as checked.")).to_be_visible()
    hands.click("All checked: move on")
    expect(page.get_by_role("alert")).to_contain_text("1 of this job's cylinders is not ticked off as checked: F05.")
    hands.click("Bench page", "link")
    hands.click("Whole rack 1 pinned")
    hands.click("Whole rack 1 checked")

    # ---- keys cut, one of them wrong ----
    page.locator("input[name=keys]").evaluate_all("boxes => boxes.forEach((box) => { box.checked = true })")
    hands.click("Mark as cut")
    hands.click("A key cut wrong", "link")
    option = page.get_by_label("Key", exact=True).locator("option", has_text=re.compile("^7AA,"))
    page.get_by_label("Key", exact=True).select_option(option.get_attribute("value"))
    page.get_by_label("Copies").fill("2")
    page.get_by_label("What is wrong").fill("The third cut ran into the fourth")
    hands.click("Scrap")
    expect(page.locator(".strip")).to_contain_text("1 of 5")
    page.locator(".tick", has_text=re.compile(r"^\s*7AA")).get_by_role("checkbox").check()
    hands.click("Mark as cut")
    hands.click("All checked: move on")

    # ---- the cores, from the day's page again ----
    hands.click("Bench", "link")
    hands.click("Job 1004 in the day", "checkbox")
    hands.click("The day’s work of these jobs")
    for how in ("pinned", "checked"):
        hands.click(f"Whole rack 1 {how}", within=page.locator(f"#job-{CORES}"))
    page.locator("input[name=keys]").evaluate_all("boxes => boxes.forEach((box) => { box.checked = true })")
    hands.click("Mark as cut", within=page.locator(f"#job-{CORES}"))
    hands.click("All checked: move on", within=page.locator(f"#job-{CORES}"))
    hands.report("J12, the bench's day")

    # ---- what is true at the end ----
    with house.ledger.sessions() as session:
        jobs = session.scalars(sa.select(Job).where(Job.number.in_((FLATS, CORES)))).all()
        assert {job.stage for job in jobs} == {Stage.CHECKED}
        assert {one.state for job in jobs for one in job.cylinders} == {CylinderState.CHECKED}
        states = Counter(
            key.state for key in session.scalars(sa.select(Key).where(Key.job_id.in_([job.id for job in jobs])))
        )
        assert states[KeyState.CUT] == 51 + 5 and states[KeyState.ORDERED] == 0
        instead = Counter({PinSize("top", 11): lacks, PinSize("top", 2): lacks})
        taken = sum(flats.values(), Counter[PinSize]()) + instead
        taken[TOP] -= lacks
        gone = Counter({**of_flats, TOP: LEFT})
        gone.subtract(_stock(session, house.ledger, FLATS))
        assert +gone == +taken and min(gone.values()) == 0
        gone = Counter(of_cores)
        gone.subtract(_stock(session, house.ledger, CORES))
        assert +gone == sum(cores.values(), Counter[PinSize]()) and min(gone.values()) == 0


def _stock(session: Session, ledger: Ledger, number: int) -> dict[PinSize, int]:
    """What the shelf has for the cylinders of a job."""
    job = session.scalars(sa.select(Job).where(Job.number == number)).one()
    keyset = job.cylinders[0].keyset
    assert keyset is not None
    return stock_of(session, ledger.vault, keyset.system.spec_id)
