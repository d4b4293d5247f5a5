"""The screen lock in a real browser: the page is covered, and what was typed is still there afterwards."""

from collections.abc import Callable

from flask import Flask
from playwright.sync_api import Page, expect

from app.ledger.people.own_secrets import set_pin
from app.ledger.store.work import Work
from app.ledger.tables import User
from tests.factories import PASSWORD, HouseFactory, KeywayFactory
from tests.keyed import bitting_in, keyed_job

PIN = "2580"


def test_what_was_typed_stays_behind_the_cover(
    work: Work, owner: User, served, log_in: Callable[[User], Page], web: Flask
) -> None:
    HouseFactory()
    set_pin(work, PASSWORD, PIN)
    page = log_in(owner)
    page.goto(served.url("/house/users/new"))
    page.get_by_label("Name", exact=True).fill("Petra Plover")
    page.get_by_role("button", name="Lock", exact=True).click()
    box = page.get_by_label("PIN", exact=True)
    expect(box).to_be_focused()
    page.keyboard.press("Escape")
    page.keyboard.press("Escape")
    expect(page.get_by_role("heading", name="Add a user")).to_be_hidden()
    expect(page.get_by_text("Petra Plover")).to_be_hidden()
    box.fill("0000")
    page.keyboard.press("Enter")
    expect(page.get_by_text("4 tries left")).to_be_visible()
    page.get_by_label("PIN", exact=True).fill(PIN)
    page.keyboard.press("Enter")
    expect(page.get_by_label("Name", exact=True)).to_have_value("Petra Plover")
    page.get_by_role("button", name="Lock", exact=True).click()
    expect(page.get_by_label("PIN", exact=True)).to_be_visible()
    page.reload()
    expect(page.get_by_role("heading", level=1)).to_have_text("The screen is locked")
    page.get_by_label("PIN", exact=True).fill(PIN)
    page.get_by_role("button", name="Unlock").click()
    expect(page.get_by_role("heading", level=1)).not_to_have_text("The screen is locked")


def test_a_page_with_bittings_is_left_when_it_is_locked(
    work: Work, owner: User, served, log_in: Callable[[User], Page]
) -> None:
    keyed = keyed_job(work)
    page = log_in(owner)
    page.goto(served.url(f"/bench/jobs/{keyed.job.number}"))
    page.get_by_role("button", name="Show bittings").click()
    expect(page.get_by_text("Confidential")).to_be_visible()
    assert bitting_in(page.content())
    page.get_by_role("button", name="Lock", exact=True).click()
    expect(page.get_by_role("heading", level=1)).to_have_text("The screen is locked")
    expect(page.get_by_role("button", name="Unlock")).to_be_visible()
    assert not bitting_in(page.content())


def test_an_old_list_is_left_when_it_is_locked(owner: User, served, log_in: Callable[[User], Page]) -> None:
    """As its columns are said, and as it is read; it still waits for whoever comes back."""
    HouseFactory()
    KeywayFactory(code="AQ1")
    page = log_in(owner)

    def lock_and_come_back() -> None:
        there = page.url
        expect(page.get_by_text("83847").first).to_be_visible()
        page.get_by_role("button", name="Lock", exact=True).click()
        expect(page.get_by_role("button", name="Unlock")).to_be_visible()
        assert "83847" not in page.content()
        page.get_by_label("Password", exact=True).fill(PASSWORD)
        page.get_by_role("button", name="Unlock").click()
        expect(page.get_by_role("button", name="Lock", exact=True)).to_be_visible()
        page.goto(there)

    page.get_by_role("link", name="Key systems", exact=True).click()
    page.get_by_role("link", name="Existing list", exact=True).click()
    page.get_by_label("Or paste it here").fill(
        "key,notch,rank\nGMK,417250,GMK\n101,838472,change\n102,83847,change\n"
    )
    page.get_by_role("button", name="Show what it would change").click()
    expect(page.get_by_role("heading", name="Which column is which?")).to_be_visible()
    lock_and_come_back()
    page.get_by_label("What column B notch is").select_option(label="Bitting (needed)")
    page.get_by_label("What column C rank is").select_option(label="Level")
    page.get_by_role("button", name="Show what it would change").click()
    expect(page.get_by_role("heading", name="Existing bitting list")).to_be_visible()
    page.get_by_label("Keyway").select_option("AQ1")
    page.get_by_role("button", name="Read the list").click()
    expect(page.get_by_role("heading", name="What it asks")).to_be_visible()
    lock_and_come_back()
    expect(page.get_by_role("heading", name="Existing bitting list")).to_be_visible()


def test_a_tab_that_rests_locks_none_where_somebody_works_and_the_lock_covers_both(
    owner: User, served, log_in: Callable[[User], Page]
) -> None:
    HouseFactory()
    clock = (page := log_in(owner)).context.clock
    clock.install()
    page.goto(served.url("/house/users/new"))
    resting = page.context.new_page()
    resting.goto(served.url("/house"))
    resting.evaluate("""() => {
      window.hearing = new BroadcastChannel("bittern");
      window.hearing.onmessage = ({ data }) => {
        document.body.dataset.heard = (document.body.dataset.heard ?? "") + data;
      };
    }""")
    for turn in (1, 2):  # sixteen minutes; a screen locks after fifteen
        clock.run_for("08:00")
        page.get_by_label("Name", exact=True).press_sequentially("x")
        expect(resting.locator("body")).to_have_attribute("data-heard", "used" * turn)
    expect(resting.locator("h1")).to_be_visible()
    expect(page.get_by_label("Name", exact=True)).to_have_value("xx")
    clock.run_for("16:00")
    for tab in (page, resting):
        expect(tab.get_by_role("heading", name="The screen is locked")).to_be_visible()
    page.get_by_label("Password", exact=True).fill(PASSWORD)
    page.keyboard.press("Enter")
    expect(page.get_by_label("Name", exact=True)).to_have_value("xx")
    expect(resting.locator("dialog")).to_be_hidden()


def test_a_login_that_ended_in_another_tab_keeps_what_is_typed_here(
    owner: User, served, log_in: Callable[[User], Page]
) -> None:
    HouseFactory()
    page = log_in(owner)
    page.goto(served.url("/customers/new"))
    page.get_by_label("Name", exact=True).fill("Harbour Lights Cafe")
    other = page.context.new_page()
    other.goto(served.url("/house"))
    other.get_by_role("button", name="Log out").click()
    expect(other.get_by_role("heading", level=1)).to_have_text("Log in")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("status")).to_contain_text("what you typed is still here")
    page.get_by_label("Name").fill(owner.name)
    page.get_by_label("Password").fill(PASSWORD)
    page.keyboard.press("Enter")
    expect(page.get_by_label("Name", exact=True)).to_have_value("Harbour Lights Cafe")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Harbour Lights Cafe")
