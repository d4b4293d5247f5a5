"""A job of interchangeable cores: its control key is on the papers that need it, its cuts on the bench's alone."""

import re

import sqlalchemy as sa
from playwright.sync_api import expect

from app.keying import write_bitting
from app.ledger.care.opening import Ledger
from app.ledger.keysystems.bittings import open_bittings, spec_of
from app.ledger.tables import KeySystem, Role
from tests.browser.test_main_job import line_box, paper_text
from tests.chromium import Enter, Served


def test_a_core_jobs_control_key_is_on_its_papers(enter: Enter, served: Served, shop: Ledger) -> None:
    page = enter(Role.COUNTER)
    page.goto(served.url("/counter"))
    page.locator("#find").press_sequentially("I. Plover")
    page.get_by_role("button", name=re.compile("New customer: I. Plove")).click()
    page.locator("#customer_phone").fill("555-0191")
    page.get_by_role("button", name="Part number", exact=True).click()
    line_box(page, 0, "Part number").fill("NSC7:H1:626")  # type: ignore[attr-defined]
    line_box(page, 0, "Quantity").fill("2")  # type: ignore[attr-defined]
    line_box(page, 0, "Keying").select_option("KD")  # type: ignore[attr-defined]
    expect(page.locator("fieldset.line").first).to_contain_text("4 ×")
    page.get_by_role("button", name="Issue quote").click()
    page.wait_for_url(re.compile("/quotes/1001/1$"))
    page.get_by_role("link", name="Accept").click()
    page.get_by_label("Accepted by").fill("I. Plover")
    page.get_by_role("button", name="Accept the quote").click()
    page.wait_for_url(re.compile("/jobs/1001$"))

    with shop.sessions() as session:
        (system,) = session.scalars(sa.select(KeySystem)).all()
        opened = open_bittings(session, shop.vault, [system])
        bittings = {one.symbol: write_bitting(spec_of(system), opened[one.id]) for one in system.keysets}
    assert set(bittings) == {"SKD1", "SKD2", "CONTROL"}

    page = enter(Role.BENCH)
    page.goto(served.url("/jobs/1001"))
    page.get_by_role("button", name="Put on the bench").click()
    token = page.locator("input[name=csrf_token]").first.input_value()
    rows = {
        "bench-sheet": r"CONTROL\s+\(control key\)\s+([0-9 ]+) × 1",
        "keys-to-cut": r"CONTROL\s+control key\s+1\s+([0-9 ]+)",
    }
    for paper, row_of in rows.items():
        text = paper_text(page, served.url(f"/jobs/1001/{paper}.pdf"), "post", {"csrf_token": token})
        row = re.search(row_of, text)
        assert row is not None and bittings["CONTROL"] in re.sub(r"\s", "", row[1]), paper
        assert "5 keys" in text, paper
    page.get_by_role("link", name="Bench page").click()
    expect(page.locator(".strip")).to_contain_text("5 of 5")
    for how in ("pinned", "checked"):
        for box in page.locator("input[name=cylinders]").all():
            box.check()
        page.get_by_role("button", name=f"Mark as {how}").click()
        expect(page.locator("#flashes")).to_contain_text(f"ticked off as {how}")
    for box in page.locator("input[name=keys]").all():
        box.check()
    page.get_by_role("button", name="Mark as cut").click()
    expect(page.get_by_text("5 keys ticked off as cut.")).to_be_visible()
    page.get_by_role("button", name="All checked: move on").click()
    page.get_by_role("button", name="Ready to hand over").click()

    page = enter(Role.COUNTER)
    page.goto(served.url("/jobs/1001"))
    page.get_by_label("Who takes it").fill("R. Teal")
    page.get_by_label("Handed over all the same").check()
    page.get_by_role("button", name="Handed over").click()
    expect(page.get_by_text("ready → handed over: taken by R. Teal.")).to_be_visible()
    receipt = paper_text(page, served.url("/jobs/1001/key-receipt.pdf"))
    assert re.search(
        r"CONTROL\s+1\s+CONTROL 1\s+blank Northlight NKH-7A\s+takes out the cores of\s+this system", receipt
    ), receipt
    assert "R. Teal" in receipt and "the 5 keys listed" in receipt
    papers = ("key-receipt", "keying-schedule", "keyset-schedule", "key-holders")
    for text in (paper_text(page, served.url(f"/jobs/1001/{paper}.pdf")) for paper in papers):
        assert all(bitting not in re.sub(r"\s", "", text) for bitting in bittings.values())
