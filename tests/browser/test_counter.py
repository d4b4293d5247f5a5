"""A clerk serves a walk-in with a real browser: with the keyboard alone, and without JavaScript."""

import threading
from collections.abc import Callable

import pytest
import sqlalchemy as sa
from flask import request
from playwright.sync_api import Browser, BrowserContext, Page, expect
from sqlalchemy.orm import Session

from app.ledger.tables import QuoteRevision, User
from app.pricing import show_cents
from tests.chromium import Served, fill_in_login
from tests.factories import PASSWORD, CustomerFactory, UserFactory
from tests.stocked import empty_house

__all__ = ["empty_house"]

PART = "A18M-Q1-66.SC"
WORK_OUT = "**/counter/work-out"
FOCUSED = """() => {
  const found = document.activeElement;
  const labels = [...(found.labels ?? [])].map((label) => label.innerText.trim());
  return [...labels, found.getAttribute("aria-label"), found.innerText?.trim()];
}"""
"""The names of what has the focus: its labels, what it is called, and its own words."""


@pytest.fixture
def clerk(session: Session, owner: User) -> User:
    user: User = UserFactory(name="Clerk")
    return user


class Keys:
    """A keyboard that counts: every key pressed, letters of a word each for themselves."""

    def __init__(self, page: Page) -> None:
        self._page = page
        self.pressed = 0

    def type(self, words: str) -> None:
        self._page.keyboard.type(words)
        self.pressed += len(words)

    def press(self, *keys: str) -> None:
        for key in keys:
            self._page.keyboard.press(key)
            self.pressed += 1

    def reach(self, name: str) -> None:
        """Tab on until the box, button or link of that name has the focus; it has to be in the tab order."""
        for _ in range(80):
            self.press("Tab")
            if name in self._page.evaluate(FOCUSED):
                return
        raise AssertionError(f"The keyboard does not reach {name}")


def schedule_opened(page: Page, press: Callable[[], None]) -> None:
    """Press the link of the keying schedule; what comes is its PDF."""
    with page.context.expect_event(
        "response", lambda answer: answer.url.endswith("/keying-schedule.pdf"), timeout=0
    ) as found:
        press()
    assert found.value.status == 200 and found.value.headers["content-type"] == "application/pdf"


def worked_out(page: Page) -> None:
    """Wait until what was typed last has been worked out."""
    expect(page.locator(".htmx-request")).to_have_count(0)


def test_a_walk_in_by_keyboard_from_log_in_to_the_schedule(served, page: Page, clerk: User, session: Session) -> None:
    page.goto(served.url("/login"))
    expect(page.get_by_label("Name")).to_be_focused()  # a page is loaded before it moves the focus
    keys = Keys(page)
    keys.type(clerk.name)
    keys.press("Tab")
    keys.type(PASSWORD)
    keys.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_have_text("Counter")
    expect(page.get_by_label("Customer phone, name or site")).to_be_focused()
    before = keys.pressed
    keys.type("plover")
    expect(page.get_by_role("button", name="New customer: plover")).to_be_visible()
    keys.press("Tab", "Tab", "Enter")
    expect(page.get_by_label("New customer")).to_have_value("plover")
    quick = page.get_by_label("Quick line")
    expect(quick).to_be_focused()
    keys.type(f"2 {PART} KA")
    keys.press("Enter")
    expect(page.get_by_label("Part number")).to_have_value(PART)
    expect(quick).to_have_value("")
    till = page.get_by_label("Totals and keying")
    expect(till).to_contain_text("$94.15")  # 60.80 and 13.00 taxed at 7.25 %, keying 15.00 not
    expect(page.get_by_text("Keying: keyed alike (KA)")).to_be_visible()
    # Enter works out; only the button issues.
    keys.press("Enter")
    worked_out(page)
    expect(page.get_by_role("heading", level=1)).to_have_text("Counter")
    issue = page.get_by_role("button", name="Issue quote")
    # The driver's Alt+I does not reach the browser's access keys, so the key that it stands for is counted.
    expect(issue).to_have_attribute("accesskey", "i")
    issue.press("Enter")
    keys.pressed += 1
    expect(page.get_by_role("heading", level=1)).to_have_text("Quote Q-1001-1")
    assert keys.pressed - before <= 31, keys.pressed - before
    revision = session.scalars(sa.select(QuoteRevision)).one()
    expect(page.get_by_label("The quote as on paper")).to_contain_text(show_cents(revision.total_cents))
    keys.reach("Accept")
    keys.press("Enter")
    expect(page.get_by_label("Accepted by")).to_be_visible()
    for label, words in (
        ("Accepted by", "I. Plover"),
        ("Site", "Tideway 4"),
        ("Opening, row 1", "FRONT"),
        ("Opening, row 2", "BACK"),
    ):
        keys.reach(label)
        keys.type(words)
    keys.reach("Accept the quote")
    keys.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text("1001")
    expect(page.get_by_text("FRONT")).to_be_visible()
    keys.reach("Keying schedule, by door")
    schedule_opened(page, lambda: keys.press("Enter"))


def test_what_is_typed_before_the_page_is_ready_is_looked_up(served, log_in, clerk: User) -> None:
    page = log_in(clerk)
    # The first to hear that the page is read, before htmx and the page's own script.
    early = """document.addEventListener("DOMContentLoaded", () => {
      document.getElementById("find").value = "plover";
    })"""
    page.add_init_script(early)
    page.goto(served.url("/counter"))
    expect(page.get_by_role("button", name="New customer: plover")).to_be_visible()


def test_what_is_mended_before_a_refused_page_is_ready_is_followed(served, log_in, clerk: User) -> None:
    page = log_in(clerk)
    page.get_by_role("button", name="Part number").click()
    page.get_by_label("Part number").fill("A18M-Q1-67.SC")
    expect(page.locator("fieldset.line")).to_contain_text("not understood as chambers")
    page.add_init_script("""document.addEventListener("DOMContentLoaded", () => {
      document.querySelector("input[name$=part_number]").value = "A18M-Q1-66.SC";
    })""")
    page.get_by_role("button", name="Issue quote").click()
    expect(page.get_by_role("alert")).to_contain_text("Nothing is saved yet")
    expect(page.locator("fieldset.line")).to_contain_text("Mortise cylinder 1-1/8 in")


def settles_within(page: Page, place: str, width: int) -> bool:
    """Whether what stands at `place` comes to be no wider than the screen; a busy machine lays a page out late."""
    for _ in range(50):
        box = page.locator(place).bounding_box()
        if box and box["x"] + box["width"] <= width:
            return True
        page.wait_for_timeout(100)
    return False


TYPE_AND_PRESS = """(kind) => {
  const box = document.getElementById("title");
  box.value = "Back door";
  box.dispatchEvent(new Event("input", {bubbles: true}));
  const button = document.querySelector(`#add button[value=${kind}]`);
  button.focus();
  button.click();
}"""
"""As a fast hand does: a button is pressed before the page has followed what was typed."""


def test_a_press_counts_once_however_slow_the_answers(
    log_in: Callable[[User], Page], served: Served, clerk: User
) -> None:
    answering = threading.Event()
    answering.set()

    def wait_for_it() -> None:
        if request.endpoint == "counter.work_out":
            assert answering.wait(30)

    page = log_in(clerk)
    served.app.before_request_funcs.setdefault(None, []).append(wait_for_it)
    page.goto(served.url("/counter"))
    lines = page.locator("#lines fieldset.line")
    answering.clear()
    page.evaluate(TYPE_AND_PRESS, "trip")
    page.wait_for_timeout(600)  # by now the page has asked anew, for what was typed, with the button still in focus
    answering.set()
    expect(lines).to_have_count(1)
    page.wait_for_load_state("networkidle")
    expect(lines).to_have_count(1)
    answering.clear()
    with page.expect_request(WORK_OUT):
        page.locator("#title").press_sequentially(" lock")
    for kind in ("Hardware", "Labor", "Keys"):
        page.get_by_role("button", name=kind, exact=True).click()
    answering.set()
    expect(lines).to_have_count(4)


FOLLOW = """() => {
  window.merged = new Promise((done) => addEventListener("htmx:afterSettle", () => done(true), {once: true}));
}"""
HANDS = """() => {
  const box = document.activeElement;
  const own = document.querySelector("#lines details.own");
  return [box.id, box.value, box.selectionStart, own.open, Math.round(scrollY)];
}"""
"""Where the hands are: the box in focus, what stands in it, the caret, what is opened, how far one scrolled."""


def answering_in_turn(served: Served) -> threading.Semaphore:
    """From now on each answer to the counter waits until it is released."""
    turn = threading.Semaphore(0)

    def wait_for_turn() -> None:
        if request.endpoint == "counter.work_out":
            assert turn.acquire(timeout=30)

    served.app.before_request_funcs.setdefault(None, []).append(wait_for_turn)
    return turn


def test_lines_of_every_kind_are_removed_one_by_one(
    log_in: Callable[[User], Page], served: Served, clerk: User
) -> None:
    page = log_in(clerk)
    page.goto(served.url("/counter"))
    lines, kinds = page.locator("#lines fieldset.line"), page.locator("#add button").all_inner_texts()
    for kind in [*kinds, "Keys", "Keys"]:
        count = lines.count()
        page.locator("#add").get_by_role("button", name=kind, exact=True).click()
        expect(lines).to_have_count(count + 1)
    for left in range(len(kinds) + 1, -1, -1):
        lines.first.get_by_role("button", name="Remove").click()
        expect(lines).to_have_count(left)


def test_an_answer_that_is_late_takes_nothing_from_what_is_typed_while_the_next_is_due(
    log_in: Callable[[User], Page], served: Served, clerk: User
) -> None:
    page = log_in(clerk)
    page.goto(served.url("/counter"))
    page.get_by_role("button", name="Part number").click()
    page.get_by_label("Part number").wait_for()
    turn = answering_in_turn(served)
    with page.expect_request(WORK_OUT):
        page.get_by_label("Part number").fill(PART)
    page.get_by_label("Quantity").fill("2")
    page.wait_for_timeout(500)  # by now the page has asked for it, and waits for its turn
    with page.expect_request(WORK_OUT):
        turn.release()
    page.wait_for_timeout(200)  # the first answer has settled in the page
    page.get_by_label("Keying", exact=True).select_option("KA")
    page.wait_for_timeout(500)
    for _ in range(4):
        turn.release()
    expect(page.get_by_text("2 × $7.50")).to_be_visible()
    expect(page.get_by_label("Keying", exact=True)).to_have_value("KA")


def test_words_entered_while_a_customer_is_still_being_chosen_become_lines(
    log_in: Callable[[User], Page], served: Served, clerk: User
) -> None:
    CustomerFactory(name="Plover Court", phone="555-0147")
    page = log_in(clerk)
    page.get_by_label("Customer phone, name or site").press_sequentially("plover")
    turn = answering_in_turn(served)
    with page.expect_request(WORK_OUT):
        page.get_by_role("button", name="Plover Court").click()
    page.get_by_label("Quick line").fill(f"2 {PART} KA")
    page.get_by_label("Quick line").press("Enter")
    page.wait_for_timeout(600)  # by now the page would ask for what is typed as well, and waits for its turn
    for _ in range(4):
        turn.release()
    expect(page.get_by_label("Part number")).to_have_value(PART)
    expect(page.locator("#who")).to_contain_text("555-0147")
    expect(page.get_by_label("Quick line")).to_have_value("")


def test_a_slow_answer_takes_nothing_from_what_is_typed_meanwhile(
    log_in: Callable[[User], Page], served: Served, clerk: User
) -> None:
    page = log_in(clerk)
    page.goto(served.url("/counter"))
    page.get_by_role("button", name="Part number").click()
    expect(page.get_by_label("Part number")).to_be_focused()
    turn = answering_in_turn(served)
    page.set_viewport_size({"width": 1366, "height": 400})
    with page.expect_request(WORK_OUT):
        page.get_by_label("Part number").fill(PART)
    # The answer to the number alone is under way; meanwhile the clerk goes on.
    page.evaluate(FOLLOW)
    page.get_by_text("Own price, discount, day, remark").click()
    page.get_by_label("Remark").fill("both sides")
    page.get_by_label("Keying", exact=True).select_option("KA")
    page.get_by_label("Quantity").fill("2")
    page.locator("#title").press_sequentially("Back dor ")
    for key in ("ArrowLeft", "ArrowLeft"):
        page.keyboard.press(key)
    page.evaluate("scrollTo(0, 60)")
    before = page.evaluate(HANDS)
    turn.release()
    assert page.evaluate("window.merged")
    expect(page.locator("fieldset.line")).to_contain_text("Mortise cylinder 1-1/8 in")
    assert page.evaluate(HANDS) == before == ["title", "Back dor ", 7, True, before[4]]
    page.keyboard.type("o")
    for _ in range(5):
        turn.release()
    worked_out(page)
    page.wait_for_load_state("networkidle")
    expect(page.locator("#title")).to_have_value("Back door ")
    expect(page.get_by_label("Remark")).to_have_value("both sides")
    expect(page.get_by_label("Keying", exact=True)).to_have_value("KA")
    expect(page.get_by_label("Quantity")).to_have_value("2")
    expect(page.get_by_text("Keying: keyed alike (KA)")).to_be_visible()


def test_a_box_that_a_slow_press_changes_keeps_what_was_typed_since(
    log_in: Callable[[User], Page], served: Served, clerk: User
) -> None:
    page = log_in(clerk)
    page.goto(served.url("/counter"))
    for kind in ("Part number", "Part number", "Keys"):
        page.get_by_role("button", name=kind, exact=True).click()
        worked_out(page)
    keys_of = page.get_by_label("Keys of")
    with page.expect_response("**/counter/work-out"):
        keys_of.fill("line 2")
    worked_out(page)
    turn = answering_in_turn(served)
    page.evaluate(FOLLOW)
    with page.expect_request(WORK_OUT):
        page.get_by_role("button", name="Remove").first.click()
    keys_of.fill("AA")  # the answer will say "line 1"
    turn.release()
    assert page.evaluate("window.merged")
    expect(page.locator("#lines fieldset.line")).to_have_count(2)
    expect(keys_of).to_have_value("AA")
    for _ in range(5):
        turn.release()
    page.wait_for_load_state("networkidle")
    expect(keys_of).to_have_value("AA")


def test_a_question_is_answered_without_losing_its_box(log_in: Callable[[User], Page], served, clerk: User) -> None:
    page = log_in(clerk)
    page.goto(served.url("/counter"))
    page.get_by_role("button", name="Trip").click()
    page.get_by_label("Item").select_option("TRIP")
    answer = page.get_by_label("A trip is on the quote, but no labor")
    expect(page.get_by_text("1 question: might a line be missing?")).to_be_visible()
    answer.press_sequentially("only ")
    expect(page.get_by_text("1 question: might a line be missing?")).to_have_count(0)
    page.keyboard.type("measured")
    expect(page.get_by_text("Not needed, because only measured")).to_be_visible()
    expect(answer).to_be_focused()
    expect(answer).to_have_value("only measured")
    # On a new page what is answered has stepped back, and can be opened again.
    page.goto(served.url("/counter?draft=1"))
    expect(answer).to_be_hidden()
    page.get_by_text("Not needed, because only measured").click()
    expect(answer).to_be_visible()


def test_of_two_tabs_on_one_draft_the_second_is_told_and_neither_loses_anything(
    log_in: Callable[[User], Page], served, clerk: User
) -> None:
    first = log_in(clerk)
    first.goto(served.url("/counter"))
    first.get_by_role("button", name="Trip").click()
    first.get_by_label("About", exact=True).wait_for()
    with first.expect_request(WORK_OUT):  # what is typed is followed after 0.3 s
        first.get_by_label("About", exact=True).fill("Shed")
    worked_out(first)
    second = first.context.new_page()
    second.goto(served.url("/counter"))
    second.get_by_role("link", name="Go on with the draft").click()
    with first.expect_request(WORK_OUT):
        first.get_by_label("About", exact=True).fill("Shed and boathouse")
    worked_out(first)
    second.get_by_label("Quantity").fill("3")
    told = second.get_by_role("alert")
    expect(told).to_contain_text("This page was changed in another tab as well.")
    with second.expect_request(WORK_OUT):
        second.get_by_label("Quantity").fill("4")
    worked_out(second)
    expect(told).to_be_visible()
    expect(first.get_by_role("alert")).to_have_count(0)
    told.get_by_role("link", name="the other draft").click()
    expect(second.get_by_label("About", exact=True)).to_have_value("Shed and boathouse")
    expect(second.get_by_label("Quantity")).to_have_value("1")
    second.goto(served.url("/counter"))
    expect(second.get_by_role("link", name="Go on with the draft")).to_have_count(2)


def test_a_press_that_changes_what_is_typed_is_seen_in_its_box(
    log_in: Callable[[User], Page], served, clerk: User
) -> None:
    page = log_in(clerk)
    page.goto(served.url("/counter"))
    page.get_by_role("button", name="Part number").click()
    page.get_by_label("Part number").fill(PART)
    page.get_by_label("Keys each").fill("0")
    page.get_by_role("button", name="Add 2 keys a cylinder").click()
    expect(page.get_by_label("Keys each")).to_have_value("2")


def test_a_walk_in_without_javascript(browser: Browser, served, clerk: User, session: Session) -> None:
    context: BrowserContext = browser.new_context(java_script_enabled=False, viewport={"width": 1366, "height": 768})
    context.set_default_timeout(10_000)
    page = context.new_page()
    fill_in_login(page, served, clerk)
    page.get_by_label("Customer phone, name or site").fill("gull")
    page.locator("#who").get_by_role("button", name="Search").click()
    page.get_by_role("button", name="Gull & Anchor").click()
    page.get_by_role("button", name="Cylinder", exact=True).click()
    page.get_by_label("Type").select_option("mortise")
    for label, value in (("Length", "1-1/8"), ("Pins", "6"), ("Keyway", "AQ9"), ("Finish", "626"), ("Quantity", "2")):
        page.get_by_label(label, exact=True).fill(value)
    page.get_by_role("button", name="Issue quote").click()
    expect(page.get_by_role("alert")).to_contain_text("Nothing is saved yet")
    expect(page.get_by_label("Length", exact=True)).to_have_value("1-1/8")
    page.get_by_label("Keyway", exact=True).fill("AQ1")
    page.get_by_label("Keyway", exact=True).press("Enter")
    expect(page.get_by_text("$60.80").first).to_be_visible()
    page.get_by_role("button", name="Issue quote").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Quote Q-1001-1")
    page.get_by_role("link", name="Accept").click()
    expect(page.get_by_label("Accepted by")).to_be_visible()
    for width in (390, 1366):
        page.set_viewport_size({"width": width, "height": 768})
        assert settles_within(page, ".doors", width)
    page.get_by_label("Accepted by").fill("T. Gull")
    page.get_by_label("Site").fill("Shop front")
    page.get_by_label("Opening, row 1").fill("F1")
    page.get_by_label("Opening, row 2").fill("B1")
    page.get_by_role("button", name="Accept the quote").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("1001")
    assert session.scalars(sa.select(QuoteRevision)).one().total_cents > 0
    schedule_opened(page, page.get_by_role("link", name="Keying schedule, by door", exact=True).click)
    context.close()


def open_counter(page: Page, served, log_in, clerk: User) -> None:
    log_in(clerk)
    page.goto(served.url("/counter"))


def test_lines_are_added_copied_and_removed_without_losing_what_is_typed(served, page: Page, log_in, clerk) -> None:
    open_counter(page, served, log_in, clerk)
    page.get_by_role("button", name="Part number").click()
    page.get_by_label("Part number").fill(PART)
    page.get_by_role("button", name="Duplicate").click()
    expect(page.get_by_label("Part number")).to_have_count(2)
    expect(page.get_by_label("Part number").nth(1)).to_have_value(PART)
    page.get_by_label("Part number").nth(1).fill("A18M-Q9-66.SC")
    told = page.get_by_text("The nearest legal number is A18M-Q1-66.SC")
    expect(told).to_be_visible()
    expect(page.get_by_label("Part number").nth(1)).to_have_attribute("aria-invalid", "true")
    page.get_by_role("button", name="Remove").first.click()
    expect(page.get_by_label("Part number")).to_have_count(1)
    expect(page.get_by_label("Part number")).to_have_value("A18M-Q9-66.SC")


@pytest.mark.parametrize("script", [True, False])
def test_enter_on_the_only_hit_chooses_it(browser: Browser, served, clerk: User, script: bool) -> None:
    context = browser.new_context(java_script_enabled=script)
    context.set_default_timeout(10_000)
    page = context.new_page()
    fill_in_login(page, served, clerk)
    find = page.get_by_label("Customer phone, name or site")
    find.fill("555-0164")
    find.press("Enter")
    expect(page.locator("#who")).to_contain_text("Gull & Anchor")
    expect(page.get_by_label("Quick line")).to_be_focused()
    page.get_by_role("button", name="Change", exact=True).click()
    find.fill("555-01")  # several
    find.press("Enter")
    expect(page.locator("#find-told")).to_contain_text("Choose a customer")
    expect(find).to_have_value("555-01")
    page.get_by_role("button", name="Trip").click()
    find.fill("555-0164")  # and left there, nobody chosen
    page.get_by_label("Quantity").fill("2")
    page.get_by_label("Quantity").press("Enter")
    expect(page.locator("#find-told")).to_contain_text("Choose a customer")
    expect(page.get_by_label("Quantity")).to_have_value("2")
    if script:
        find.press("Enter")
        expect(page.locator("#who")).to_contain_text("Gull & Anchor")
    context.close()


def test_a_master_keyed_line_asks_for_its_system_and_shows_both_ways(served, page: Page, log_in, clerk) -> None:
    open_counter(page, served, log_in, clerk)
    page.get_by_role("button", name="Part number").click()
    page.get_by_label("Part number").fill("AD-Q1-66.SC")
    page.get_by_label("Quantity").fill("24")
    system = page.get_by_role("region", name="Key system")
    expect(system).to_be_hidden()
    page.get_by_label("Keying", exact=True).select_option("MK")
    expect(system).to_be_visible()
    page.get_by_label("System's name").fill("The Flats")
    ways = page.get_by_role("region", name="Keying of Ardent Brass, 24 cylinders")
    expect(ways).to_contain_text("Factory")
    expect(ways).to_contain_text("chosen")
    expect(page.get_by_text("New key system The Flats, 2 levels")).to_be_visible()


@pytest.mark.parametrize("size", [(1366, 768), (390, 844)])
def test_the_total_is_always_in_view_and_nothing_is_too_wide(served, page: Page, log_in, clerk, size) -> None:
    open_counter(page, served, log_in, clerk)
    page.set_viewport_size({"width": size[0], "height": size[1]})
    page.get_by_label("Quick line").fill(f"50 {PART} KA")
    page.get_by_label("Quick line").press("Enter")
    page.get_by_text("Give a discount on the goods").click()
    page.locator("#discount").fill("5%")
    page.get_by_role("button", name="Update").click()
    expect(page.locator("#sums")).to_contain_text("Discount")
    for kind in ("Part number", "Cylinder", "Rekey", "Keys", "Hardware", "Labor", "Trip"):
        page.get_by_role("button", name=kind, exact=True).click()
        worked_out(page)
    for edge in ("window.scrollTo(0, 0)", "window.scrollTo(0, document.body.scrollHeight)"):
        page.evaluate(edge)
        expect(page.get_by_text("Total", exact=True)).to_be_in_viewport()
        expect(page.get_by_role("button", name="Issue quote")).to_be_in_viewport()
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
