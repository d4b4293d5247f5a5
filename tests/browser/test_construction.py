"""A building site in a browser, from quote to made dead: by a construction master, and by construction cores."""

import re

from playwright.sync_api import Page, expect

from app.ledger.care.opening import Ledger
from app.ledger.tables import Role
from tests.browser.test_main_job import line_box, paper_text
from tests.chromium import Enter, Served


def quote(page: Page, served: Served, part_number: str, way: str) -> None:
    """Two doors of a site, master keyed, with two construction keys."""
    page.goto(served.url("/"))
    page.get_by_role("link", name="Counter", exact=True).first.click()
    page.locator("#find").press_sequentially("I. Plover")
    page.get_by_role("button", name=re.compile("New customer: I. Plover")).click()
    page.locator("#customer_phone").fill("555-0191")
    page.get_by_role("button", name="Part number", exact=True).click()
    line_box(page, 0, "Part number").fill(part_number)  # type: ignore[attr-defined]
    line_box(page, 0, "Quantity").fill("2")  # type: ignore[attr-defined]
    line_box(page, 0, "Keying").select_option("MK")  # type: ignore[attr-defined]
    page.get_by_label("System's name").fill("Tideway House")
    page.get_by_label("Construction keying").select_option(label=way)
    page.get_by_label("Construction keys").fill("2")
    expect(page.locator("fieldset.line").first).to_contain_text("Construction keys")
    page.get_by_label("Building handed over").fill("2026-12-20")
    for box in page.locator("[id^=answer-]").all():
        box.fill("not needed here")
    page.get_by_role("button", name="Issue quote").click()
    page.wait_for_url(re.compile("/quotes/1001/1$"))


def accept(page: Page) -> None:
    page.get_by_role("link", name="Accept").click()
    page.get_by_label("Accepted by").fill("I. Plover")
    page.get_by_label("Site").fill("Tideway 4")
    for row, opening in enumerate(("101", "102"), start=1):
        page.get_by_label(f"Opening, row {row}").fill(opening)
    page.get_by_role("button", name="Accept the quote").click()
    page.wait_for_url(re.compile("/jobs/1001$"))


def pin_and_cut(page: Page, served: Served) -> str:
    """All of it at the bench, until it is ready; the text of the bench sheet."""
    page.goto(served.url("/jobs/1001"))
    page.get_by_role("button", name="Put on the bench").click()
    token = page.locator("input[name=csrf_token]").first.input_value()
    sheet = paper_text(page, served.url("/jobs/1001/bench-sheet.pdf"), "post", {"csrf_token": token})
    page.get_by_role("link", name="Bench page").click()
    page.get_by_role("button", name="Show bittings").click()
    for how in ("pinned", "checked"):
        for box in page.locator("input[name=cylinders]").all():
            box.check()
        page.get_by_role("button", name=f"Mark as {how}").click()
    for box in page.locator("input[name=keys]").all():
        box.check()
    page.get_by_role("button", name="Mark as cut").click()
    page.get_by_role("button", name="All checked: move on").click()
    page.get_by_role("button", name="Ready to hand over").click()
    return sheet


def test_a_construction_master_from_quote_to_made_dead(enter: Enter, served: Served, shop: Ledger) -> None:
    page = enter(Role.COUNTER)
    quote(page, served, "A18M-Q1-66.SC", "construction master")
    paper = paper_text(page, served.url("/quotes/1001/1/quote.pdf"))
    assert "Setting up for a construction key, until it is made dead" in " ".join(paper.split())
    accept(page)
    expect(page.locator("#construction").locator("..")).to_contain_text("2 cylinders in the shop yet.")
    page.get_by_role("link", name="Doors, made dead").click()
    expect(page.locator("main")).to_contain_text("A door is ticked as made dead once its cylinder is handed over.")
    expect(page.get_by_role("button", name="Made dead", exact=True)).to_have_count(0)
    schedule = " ".join(paper_text(page, served.url("/jobs/1001/keying-schedule.pdf")).split())
    assert "Tick when dead" in schedule
    assert "CMK turns these cylinders until the building is handed over" in schedule
    assert "Turn no permanent key before." in schedule and "bring all of them back" in schedule

    page = enter(Role.BENCH)
    sheet = " ".join(pin_and_cut(page, served).split())
    assert "Construction key CMK: ball in chamber" in sheet and "try CMK alone" in sheet
    assert "CMK (guard like a master)" in sheet

    page = enter(Role.COUNTER)
    page.get_by_role("link", name="Jobs", exact=True).first.click()
    page.get_by_role("link", name="1001").first.click()
    receipt = " ".join(paper_text(page, served.url("/jobs/1001/key-receipt.pdf")).split())
    assert "I have received the 2 keys listed" in receipt and "1AA" not in receipt  # nobody signs for a master yet
    assert "20 December 2026" in receipt
    expect(page.locator("fieldset.handing")).to_have_count(0)  # one press would give the masters away
    page.get_by_role("link", name="Hand over to the site").click()
    expect(page.locator("main")).to_contain_text("wait until the building is handed over: ")
    expect(page.locator("input[name=cylinder]:checked")).to_have_count(2)
    expect(page.get_by_label("Keys to CMK")).to_have_value("2")
    permanent = page.locator("[name^=keys-]:not([value='2'])")
    assert {one.input_value() for one in permanent.all()} == {"0"}
    page.get_by_label("Who takes it").fill("B. Reed")
    page.get_by_label("Keys to 1AA").fill("1")
    page.get_by_role("button", name="Hand over", exact=True).click()
    expect(page.get_by_role("alert")).to_contain_text("1 permanent key waits until the building is handed over: 1AA")
    expect(page.get_by_label("Who takes it")).to_have_value("B. Reed")
    expect(page.get_by_label("Keys to 1AA")).to_have_value("1")
    expect(page.get_by_label("Handed over all the same")).not_to_be_checked()
    page.get_by_label("Keys to 1AA").fill("0")
    page.get_by_role("button", name="Hand over", exact=True).click()
    construction = page.locator("section", has=page.locator("#construction"))
    expect(construction).to_contain_text("2 doors still open to the construction key. CMK: 2 with B. Reed.")

    page.get_by_role("link", name="Key systems", exact=True).first.click()
    page.get_by_role("link", name="Keys out", exact=True).first.click()
    expect(page.locator("tr", has_text="B. Reed").first).to_contain_text("20 Dec 2026")
    page.get_by_role("link", name="Jobs", exact=True).first.click()
    page.get_by_role("link", name="1001").first.click()

    # One door is turned, then the other; a wrong tick is undone.
    construction.get_by_role("link", name="Doors, made dead").click()
    lie_here = "permanent keys lie in the shop, and no key to those doors was ever handed over"
    expect(page.locator("main")).to_contain_text(f"4 {lie_here}")
    expect(page.get_by_label("101")).not_to_be_checked()  # a door is dead once it was tried
    page.get_by_label("101").check()
    page.get_by_role("button", name="Made dead", exact=True).click()
    expect(page.locator("#flashes")).to_contain_text("1 door made dead.")
    expect(page.locator("#flashes")).to_contain_text(lie_here)
    expect(page.locator("tr", has_text="101")).to_contain_text("made dead")
    expect(page.locator("tr", has_text="102")).to_contain_text("works")
    page.get_by_label("102").check()
    page.get_by_role("button", name="Made dead", exact=True).click()
    expect(page.get_by_text("2 doors made dead. CMK: 2 with B. Reed.")).to_be_visible()
    expect(page.get_by_text("count its keys and call them in like a master's")).to_be_visible()
    page.get_by_label("101").check()
    page.get_by_role("button", name="Undo").click()
    expect(page.locator("#flashes")).to_contain_text("Undone: 1 door no longer made dead.")
    page.get_by_label("102").check()
    page.get_by_role("button", name="Made dead", exact=True).click()
    expect(page.locator("#flashes")).to_contain_text("Nothing changed: made dead already.")
    page.get_by_role("button", name="Made dead", exact=True).click()
    expect(page.get_by_role("alert")).to_contain_text("Tick the doors that this is about.")
    page.get_by_label("101").check()
    page.get_by_role("button", name="Made dead", exact=True).click()
    expect(page.get_by_role("button", name="Made dead", exact=True)).to_have_count(0)
    page.get_by_role("link", name="The job").click()
    story = page.locator("section", has=page.locator("#story"))
    expect(story).to_contain_text("CMK made dead, Wednesday 25 November 2026: 1 door (102)")
    expect(story).to_contain_text("CMK not dead after all, Wednesday 25 November 2026: 1 door (101)")
    page.get_by_role("link", name="101").first.click()
    expect(page.get_by_text("CMK made dead (Cora)").last).to_be_visible()


def test_construction_cores_from_quote_to_the_shelf(enter: Enter, served: Served, shop: Ledger) -> None:
    page = enter(Role.COUNTER)
    quote(page, served, "NSC7:H1:626", "construction cores")
    paper = " ".join(paper_text(page, served.url("/quotes/1001/1/quote.pdf")).split())
    assert "Construction core, lent until the building is handed over" in paper
    accept(page)
    page = enter(Role.BENCH)
    sheet = " ".join(pin_and_cut(page, served).split())
    assert "CCK (control key)" in sheet and "ball" not in sheet

    page = enter(Role.COUNTER)
    page.goto(served.url("/jobs/1001"))
    page.get_by_role("link", name="Hand over to the site").click()
    page.get_by_label("Who takes it").fill("B. Reed")
    expect(page.locator("input[name=cylinder]:checked")).to_have_count(2)
    expect(page.get_by_label("Keys to CMK")).to_have_value("2")
    expect(page.get_by_label("Keys to CCK")).to_have_value("1")
    page.get_by_role("button", name="Hand over", exact=True).click()
    construction = page.locator("section", has=page.locator("#construction"))
    expect(construction).to_contain_text("2 doors still open to the construction key.")
    page.get_by_label("Who takes it").fill("I. Plover")
    page.get_by_label("Handed over all the same").check()
    page.get_by_role("button", name="Handed over", exact=True).click()
    expect(construction).to_contain_text("2 doors swapped. 2 construction cores not back: $76.00 to charge.")
    papers = [paper_text(page, served.url(f"/jobs/1001/hand-overs/{place}.pdf")) for place in (1, 2)]
    of_cores, of_permanent = (" ".join(text.split()) for text in papers)
    assert "To come back: 2 construction cores, lent until these permanent cores are in." in of_permanent
    assert "To come back" not in of_cores
    construction.get_by_role("link", name="Doors and cores").click()
    page.get_by_label("102").uncheck()
    page.get_by_role("button", name="Cores are back").click()
    expect(page.get_by_text("1 construction core not back: $38.00 to charge.")).to_be_visible()
    page.get_by_label("101").uncheck()
    page.get_by_role("button", name="Kept: charge them").click()
    expect(page.locator("#sums")).to_contain_text("$40.76")
    # Charged too early: the draft that is thrown away takes it back.
    token = page.url.partition("draft=")[2]
    page.get_by_role("link", name="Counter", exact=True).first.click()
    page.locator("form", has=page.locator(f"input[value='{token}']")).get_by_role("button", name="Delete").click()
    expect(page.locator("#flashes")).to_contain_text(
        "1 construction core of it: not back, and not charged for, again."
    )
    page.get_by_role("link", name="Jobs", exact=True).first.click()
    page.get_by_role("link", name="1001").first.click()
    expect(construction).to_contain_text("1 construction core not back: $38.00 to charge.")
    construction.get_by_role("link", name="Doors and cores").click()
    page.get_by_label("101").uncheck()
    page.get_by_role("button", name="Kept: charge them").click()
    expect(page.locator("#sums")).to_contain_text("$40.76")  # 38.00 and 7.25 % of it
    page.get_by_role("link", name="Jobs", exact=True).first.click()
    page.get_by_role("link", name="1001").first.click()
    expect(construction).to_contain_text("2 doors swapped. 1 construction core kept and charged.")
    construction.get_by_role("link", name="Doors and cores").click()
    expect(page.locator("tr", has_text="102")).to_contain_text("kept, charged")
    expect(page.get_by_role("button", name="Kept: charge them")).to_have_count(0)
