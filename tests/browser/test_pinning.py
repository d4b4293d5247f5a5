"""Pinning in a browser, from the log-in: keys that stop at the tip, five chambers in six, pins in inches, a gauge."""

import re
from decimal import Decimal

import sqlalchemy as sa
from playwright.sync_api import Page, expect

from app.keying import write_bitting
from app.ledger.care.opening import Ledger
from app.ledger.keysystems.bittings import open_bittings, spec_of
from app.ledger.tables import KeySystem, Role
from tests.browser.test_main_job import line_box, paper_text
from tests.chromium import Enter, Served


def _open_spec(page: Page, name: str) -> None:
    page.get_by_role("link", name="Goods", exact=True).click()
    page.get_by_role("link", name="Makers", exact=True).first.click()
    page.get_by_role("link", name="Bitting specs", exact=True).click()
    page.get_by_role("link", name=name).click()


def _quote(page: Page, *lines: tuple[str, int, str]) -> None:
    """Part number, quantity and keying of each line, for a walk-in; issued and accepted."""
    page.get_by_role("link", name="Counter", exact=True).click()
    page.locator("#find").press_sequentially("I. Plover")
    page.get_by_role("button", name=re.compile("New customer: I. Plove")).click()
    page.locator("#customer_phone").fill("555-0191")
    for number, (part, quantity, keying) in enumerate(lines):
        page.get_by_role("button", name="Part number", exact=True).click()
        line_box(page, number, "Part number").fill(part)  # type: ignore[attr-defined]
        line_box(page, number, "Quantity").fill(str(quantity))  # type: ignore[attr-defined]
        line_box(page, number, "Keying").select_option(keying)  # type: ignore[attr-defined]
    if any(keying == "MK" for _, _, keying in lines):
        page.get_by_label("System", exact=True).select_option("A new one")
        page.locator("#system_name").fill("Plover's Row")


def _accept(page: Page) -> None:
    page.get_by_role("button", name="Issue quote").click()
    page.wait_for_url(re.compile("/quotes/1001/1$"))
    page.get_by_role("link", name="Accept").click()
    page.get_by_label("Accepted by").fill("I. Plover")
    page.get_by_role("button", name="Accept the quote").click()
    page.wait_for_url(re.compile("/jobs/1001$"))


def _at_bench(page: Page) -> None:
    page.get_by_role("link", name="Jobs", exact=True).first.click()
    page.get_by_role("link", name=re.compile("1001")).first.click()
    page.get_by_role("button", name="Put on the bench").click()
    page.get_by_role("link", name="Bench page").click()
    page.get_by_role("button", name="Show bittings").click()


def _bittings(shop: Ledger) -> dict[str, str]:
    with shop.sessions() as session:
        [system] = session.scalars(sa.select(KeySystem)).all()
        opened = open_bittings(session, shop.vault, [system])
        return {one.symbol: write_bitting(spec_of(system), opened[one.id]) for one in system.keysets}


def test_cores_are_pinned_and_their_keys_read_from_the_tip(enter: Enter, served: Served, shop: Ledger) -> None:
    page = enter(Role.OWNER)
    _open_spec(page, "Northlight small format")
    expect(page.get_by_text("the last cut is cut 1")).to_be_visible()
    for words in ("Sidebars", "Angled cuts", "Half depths"):
        expect(page.get_by_text(words, exact=True)).to_be_visible()
    page.get_by_role("link", name="Change", exact=True).click()
    boxes = {
        "Root depth of the shallowest cut": "8.08 mm",
        "First cut": "0.080",
        "Spacing": "0.150",
        "Shallowest bottom pin": "0.110",
        "Kit: bottom pins": "0.110 to 0.230 by 0.005",
    }
    for label, typed in boxes.items():
        page.get_by_label(label).fill(typed)
    page.get_by_role("button", name="Save the spec").click()
    expect(page.get_by_text("Tip stop to the middle of each cut")).to_be_visible()
    expect(page.get_by_text("bottoms 0.11 to 0.23 by 0.005 in", exact=False)).to_be_visible()

    page = enter(Role.COUNTER)
    _quote(page, ("NSC7:H1:626", 2, "KD"))
    # Single keyed: one bitting of 10^7.
    expect(
        page.get_by_text("At most one in 10,000,000 of all bittings turns each cylinder of line 1.")
    ).to_be_visible()
    _accept(page)
    page = enter(Role.BENCH)
    _at_bench(page)
    cuts = _bittings(shop)["SKD1"]
    rack = page.locator("article.group").filter(has_text="SKD1").first
    assert rack.locator("thead th").all_inner_texts()[1:] == ["7", "6", "5", "4", "3", "2", "1"]
    assert rack.locator("tbody tr").last.locator("td").all_inner_texts() == [*cuts]  # bottom pins, bow to tip
    expect(rack).to_contain_text("one in 10,000,000 of all bittings")
    page.locator("summary").first.click()
    expect(page.get_by_text("These keys stop at the tip.").first).to_be_attached()
    token = page.locator("input[name=csrf_token]").first.input_value()
    keys = paper_text(page, served.url("/jobs/1001/keys-to-cut.pdf"), "post", {"csrf_token": token})
    assert re.search(r"cut 7\s+\.9800\s+cut 6\s+\.8300", keys) and "These keys stop at the tip" in keys
    sheet = paper_text(page, served.url("/jobs/1001/bench-sheet.pdf"), "post", {"csrf_token": token})
    # .110 and .0125 a depth; a kit of fives has .1350 just so, and .1225 as .1200 at the nearest.
    told = dict(re.findall(r"bottom (\d) (\.\d{4}) \(", sheet.replace("\n", " ")))
    assert told
    for depth, inches in told.items():
        assert Decimal(inches) == Decimal("0.110") + int(depth) * Decimal("0.0125")

    page.get_by_role("link", name="Key systems", exact=True).click()
    page.get_by_role("link", name="Decode a key").click()
    page.get_by_label("Key system", exact=True).select_option(index=1)
    page.get_by_label("Measured root depths, or depths").fill(" ".join(reversed(cuts)))
    page.get_by_label("Read from").select_option("tip to bow")
    page.get_by_label("What for").fill("which core it is")
    page.get_by_role("button", name="Decode").click()
    expect(page.locator(".lead b.code")).to_have_text("SKD1")
    assert page.locator("b.depth").all_inner_texts() == [*cuts]


def test_five_chambers_join_a_system_of_six_cuts(enter: Enter, served: Served, shop: Ledger) -> None:
    page = enter(Role.COUNTER)
    _quote(page, ("LOC1-Q1-56.SC", 2, "MK"), ("A18M-Q1-66.SC", 2, "MK"))
    expect(page.locator("fieldset.line").first).to_contain_text("5 chambers, while keys of Plover's Row have 6 cuts")
    expect(page.get_by_text("At most one in 3,125 of all bittings turns each cylinder of line 1.")).to_be_visible()
    expect(page.get_by_text("At most one in 15,625 of all bittings turns each cylinder of line 2.")).to_be_visible()
    _accept(page)
    schedule = paper_text(page, served.url("/jobs/1001/keying-schedule.pdf"))
    assert schedule.count("5 chambers, keys of 6 cuts") == 2
    page = enter(Role.BENCH)
    _at_bench(page)
    cuts = _bittings(shop)
    assert len({bitting[:5] for symbol, bitting in cuts.items() if symbol != "AA"}) == 4
    for symbol, chambers in {"1AA": 5, "2AA": 5, "3AA": 6, "4AA": 6}.items():
        rack = page.locator("article.group").filter(has=page.get_by_text(symbol, exact=True)).first
        assert rack.locator("thead th").all_inner_texts()[1:] == [str(n) for n in range(1, chambers + 1)]
        pairs = zip(cuts["AA"], cuts[symbol], strict=True)
        bottoms = [min(pair) for pair in pairs][:chambers]
        assert rack.locator("tbody tr").last.locator("td").all_inner_texts() == bottoms
        assert ("5 chambers, keys of 6 cuts" in rack.inner_text()) == (chambers == 5)
