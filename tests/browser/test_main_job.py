"""The whole job in a browser: quoted, accepted and scheduled at the counter, pinned, and watched by the owner."""

import re

import sqlalchemy as sa
from playwright.sync_api import Page, Response, expect
from sqlalchemy.orm import Session

from app.keying import write_bitting
from app.ledger.care.opening import Ledger
from app.ledger.keysystems.bittings import open_bittings, spec_of
from app.ledger.tables import Event, Job, Key, KeySystem, Role
from tests.chromium import Enter, Served
from tests.reading import pdf_text


def paper_text(page: Page, url: str, method: str = "get", form: dict[str, str] | None = None) -> str:
    """The text of a PDF that the page's own session is given."""
    answer = page.request.get(url) if method == "get" else page.request.post(url, form=form or {})
    assert answer.status == 200 and answer.headers["content-type"] == "application/pdf"
    return pdf_text(answer.body())


def line_box(page: Page, line: int, label: str) -> object:
    return page.locator("fieldset.line").nth(line).get_by_label(label, exact=True)


def bittings(ledger: Ledger) -> list[str]:
    with ledger.sessions() as session:
        systems = session.scalars(sa.select(KeySystem)).all()
        opened = open_bittings(session, ledger.vault, systems)
        return [
            write_bitting(spec_of(system), opened[keyset.id])
            for system in systems
            for keyset in system.keysets
            if keyset.id in opened
        ]


def quote_a_walk_in(page: Page, served: Served) -> None:
    """Three lines, a keyed-alike pair among them, to a customer who is not on record yet."""
    page.goto(served.url("/counter"))
    page.locator("#find").press_sequentially("I. Plover")
    page.get_by_role("button", name=re.compile("New customer: I. Plover")).click()
    page.locator("#customer_phone").fill("555-0191")
    page.get_by_role("button", name="Part number", exact=True).click()
    line_box(page, 0, "Part number").fill("A18M-Q1-66.SC")  # type: ignore[attr-defined]
    line_box(page, 0, "Quantity").fill("2")  # type: ignore[attr-defined]
    line_box(page, 0, "Keying").select_option("KA")  # type: ignore[attr-defined]
    # 2 cylinders at 30.40 off the list, keyed alike at 7.50, with four keys at 3.25.
    expect(page.locator("fieldset.line").first).to_contain_text("4 × $3.25")
    expect(page.locator("#sums")).to_contain_text("$94.15")
    page.get_by_role("button", name="Hardware", exact=True).click()
    line_box(page, 1, "Item").select_option("RING-SET")  # type: ignore[attr-defined]
    page.get_by_role("button", name="Trip", exact=True).click()
    line_box(page, 2, "Item").select_option("TRIP")  # type: ignore[attr-defined]
    # Goods 60.80 + 13.00 + 9.80, of which 7.25 % is 6.06; labor 15.00 + 85.00.
    expect(page.locator("#sums")).to_contain_text("$189.66")
    page.locator("#answer-trip-without-labour").fill("a survey only")
    page.get_by_role("button", name="Issue quote").click()
    page.wait_for_url(re.compile("/quotes/1001/1$"))


def accept_it(page: Page, served: Served) -> None:
    page.get_by_role("link", name="Accept").click()
    page.get_by_label("Accepted by").fill("I. Plover")
    page.get_by_label("Site").fill("Tideway 4")
    for row, (opening, place) in enumerate((("FRONT", "Street door"), ("BACK", "Yard door")), start=1):
        page.get_by_label(f"Opening, row {row}").fill(opening)
        page.get_by_label(f"Location, row {row}").fill(place)
    page.get_by_label("Hand, row 1").select_option("RH")
    page.get_by_role("button", name="Accept the quote").click()
    page.wait_for_url(re.compile("/jobs/1001$"))


def test_the_counter_does_the_whole_job(enter: Enter, served: Served, shop: Ledger) -> None:
    page = enter(Role.COUNTER)
    quote_a_walk_in(page, served)
    quote = paper_text(page, served.url("/quotes/1001/1/quote.pdf"))
    assert "I. Plover" in quote and "A18M-Q1-66.SC" in quote and "$189.66" in quote
    assert "Margin" not in quote and "Cost" not in quote
    accept_it(page, served)
    expect(page.get_by_text("FRONT")).to_be_visible()
    schedule = paper_text(page, served.url("/jobs/1001/keying-schedule.pdf"))
    assert {"FRONT", "BACK", "SKD1"} <= set(schedule.split())
    found = bittings(shop)
    assert len(found) == 1
    assert found[0] not in schedule and found[0] not in page.content()
    with shop.sessions() as session:
        assert session.scalar(sa.select(sa.func.count()).select_from(Key)) == 4


def test_the_counter_gets_403_for_every_page_and_pdf_with_bittings(
    enter: Enter, served: Served, shop: Ledger
) -> None:
    page = enter(Role.COUNTER)
    quote_a_walk_in(page, served)
    accept_it(page, served)
    token = page.locator("input[name=csrf_token]").first.input_value()
    gets = ["/bench", "/bench/jobs/1001"]
    posts = [
        "/bench/jobs/1001/bittings",
        "/bench/jobs/1001/ticks",
        "/jobs/1001/bench-sheet.pdf",
        "/key-systems/1/bittings",
        "/key-systems/1/bitting-list.pdf",
    ]
    for url in gets:
        assert page.request.get(served.url(url)).status == 403, url
    for url in posts:
        answer = page.request.post(served.url(url), form={"csrf_token": token})
        assert answer.status == 403, url
        assert bittings(shop)[0] not in answer.text()


def test_the_bench_pins_checks_and_readies_it(enter: Enter, served: Served, shop: Ledger, session: Session) -> None:
    page = enter(Role.COUNTER)
    quote_a_walk_in(page, served)
    accept_it(page, served)
    page = enter(Role.BENCH)
    page.goto(served.url("/bench"))
    page.get_by_role("link", name="1001").click()
    bitting = bittings(shop)[0]
    assert bitting not in page.content()
    page.get_by_role("button", name="Show bittings").click()
    expect(page.get_by_text(bitting, exact=True)).to_be_visible()
    token = page.locator("input[name=csrf_token]").first.input_value()
    sheet = paper_text(page, served.url("/jobs/1001/bench-sheet.pdf"), "post", {"csrf_token": token})
    assert "CONFIDENTIAL" in sheet and bitting in re.sub(r"\s", "", sheet)
    reveals = session.scalars(sa.select(Event).where(Event.kind == "bittings revealed")).all()
    assert [event.actor_name for event in reveals] == ["Bram", "Bram"]
    page.goto(served.url("/jobs/1001"))
    page.get_by_role("button", name="Put on the bench").click()
    page.get_by_role("button", name="All checked").click()
    expect(page.get_by_role("alert")).to_contain_text("2 of this job's cylinders are not ticked off as checked")
    page.get_by_role("link", name="Bench page").click()
    for how in ("pinned", "checked"):
        for box in page.locator("input[name=cylinders]").all():
            box.check()
        page.get_by_role("button", name=f"Mark as {how}").click()
        expect(page.locator("#flashes")).to_contain_text(f"ticked off as {how}")
    page.get_by_role("button", name="All checked: move on").click()
    page.get_by_role("button", name="Ready to hand over").click()
    expect(page.get_by_text("ready", exact=True).first).to_be_visible()
    session.rollback()  # what this session read before is an older look at the database
    assert session.scalars(sa.select(Job.stage)).one() == "ready"


def test_the_owner_sees_the_day_the_margin_and_the_story(
    enter: Enter, served: Served, shop: Ledger, session: Session
) -> None:
    page = enter(Role.COUNTER)
    quote_a_walk_in(page, served)
    accept_it(page, served)
    page = enter(Role.OWNER)
    page.goto(served.url("/ledger"))
    row = page.get_by_role("row").filter(has_text="I. Plover")
    expect(row).to_contain_text("approved")
    expect(row).to_contain_text("$183.60")
    expect(page.get_by_role("columnheader", name="Margin")).to_be_visible()
    row.get_by_role("link", name="1001").click()
    for words in ("Quote Q-1001-1 issued", "Quote Q-1001-1 accepted by I. Plover"):
        expect(page.get_by_text(words)).to_be_visible()
    owners = paper_text(page, served.url("/quotes/1001/1/owner.pdf"))
    assert "Margin" in owners
    answer: Response | None = page.goto(served.url("/key-systems/1"))
    assert answer is not None and answer.status == 200
    page.get_by_role("button", name="Show bittings").click()
    expect(page.get_by_text("SKD1").first).to_be_visible()
    assert session.scalars(sa.select(Event.actor_name).where(Event.kind == "bittings revealed")).all() == ["Wren"]
