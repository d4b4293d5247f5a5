"""A job is handed over: with and without a script, at the counter's size and on a phone."""

import pytest
import sqlalchemy as sa
from playwright.sync_api import Browser, expect

from app.ledger.store.work import Work
from app.ledger.tables import Key, KeyState, Role, Stage
from tests import factories
from tests.chromium import Served, fill_in_login
from tests.keyed import keyed_job


@pytest.mark.parametrize(("script", "width", "height"), [(True, 1366, 768), (False, 390, 844)])
def test_who_takes_it_is_asked_and_what_is_open_is_told_first(
    browser: Browser, served: Served, work: Work, script: bool, width: int, height: int
) -> None:
    keyed = keyed_job(work, Stage.READY)
    factories.JobLineFactory(job=keyed.job)
    factories.QuoteRevisionFactory(job=keyed.job, total_cents=10_725)
    cut = work.session.scalars(sa.select(Key).where(Key.keyset_id == keyed.cylinders[0].keyset_id)).one()
    cut.state = KeyState.CUT
    work.session.commit()
    clerk = factories.UserFactory(role=Role.COUNTER)
    context = browser.new_context(java_script_enabled=script, viewport={"width": width, "height": height})
    context.set_default_timeout(10_000)
    page = context.new_page()
    fill_in_login(page, served, clerk)
    if width < 768:
        page.get_by_role("button", name="Menu").click()
    page.get_by_role("link", name="Jobs", exact=True).click()
    page.get_by_role("link", name=str(keyed.job.number), exact=True).click()
    asked = page.get_by_role("group", name="Hand it over")
    expect(asked).to_contain_text("2 keys are not cut yet: AA copy 1; 2AA copy 1.")
    expect(asked).to_contain_text("$107.25 of $107.25 is not paid.")
    assert page.evaluate("document.documentElement.scrollWidth") <= width if script else True
    asked.get_by_role("button", name="Handed over").click()
    expect(page.get_by_role("alert")).to_contain_text("Enter who takes it: a person's name.")
    page.get_by_label("Who takes it").fill("R. Teal")
    page.get_by_label("Who takes it").press("Enter")
    expect(page.get_by_role("alert")).to_contain_text("Tick that it is handed over all the same, and press again.")
    expect(page.get_by_label("Who takes it")).to_have_value("R. Teal")
    page.get_by_label("Handed over all the same").check()
    page.get_by_role("button", name="Handed over").click()
    expect(page.get_by_text("ready → handed over: taken by R. Teal.")).to_be_visible()
    expect(page.locator(".strip")).to_contain_text("R. Teal")
    work.session.rollback()
    work.session.expire_all()
    states = {
        f"{key.keyset.symbol} {key.copy_number}": (key.state, key.holder)
        for key in work.session.scalars(sa.select(Key))
    }
    assert states == {
        "AA 1": (KeyState.ORDERED, ""),
        "1AA 1": (KeyState.OUT, "R. Teal"),
        "2AA 1": (KeyState.ORDERED, ""),
    }
    context.close()
