"""The screen lock in a real browser: the page is covered, and what was typed is still there afterwards."""

from collections.abc import Callable

from flask import Flask
from playwright.sync_api import Page, expect

from app.ledger.people.own_secrets import set_pin
from app.ledger.store.work import Work
from app.ledger.tables import User
from tests.factories import PASSWORD, HouseFactory
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
