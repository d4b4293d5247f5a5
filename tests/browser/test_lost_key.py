"""A lost change key in a browser, from the log-in to the keys to cut: its draft, issued and accepted as it stands."""

import re

import sqlalchemy as sa
from playwright.sync_api import expect

from app.ledger.care.opening import Ledger
from app.ledger.quoting.request import KeyingInstruction, QuoteRequest, SystemRequest
from app.ledger.store.work import Actor
from app.ledger.tables import Cylinder, CylinderState, Job, Key, KeyState, Role, Stage, User
from app.pricing import KeyingKind
from tests.chromium import Enter
from tests.conftest import NOW
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import accept, issued, mortise, openings


def three_flats(shop: Ledger) -> None:
    """Fitted and handed over, under one master."""
    with shop.sessions() as session:
        owner = session.scalars(sa.select(User).where(User.role == Role.OWNER)).one()
        actor = Actor.of(owner)
    with shop.work(actor, NOW) as work:
        lines = (mortise(3, KeyingInstruction(KeyingKind.MK)),)
        system = SystemRequest(name="The Hall")
        ask = QuoteRequest(
            customer_id(work, "Harbourmaster"), lines, system=system, keyed_at="shop", override_reason="x"
        )
        job = issued(work, ask)
        accept(work, job, openings(3))
        for cylinder in work.session.scalars(sa.select(Cylinder)):
            cylinder.state = CylinderState.FITTED
        for key in work.session.scalars(sa.select(Key)):
            key.state, key.holder = KeyState.OUT, "Flat"
        work.session.get_one(Job, job.id).stage = Stage.CLOSED
        work.session.commit()


def test_a_lost_change_key_is_rekeyed_by_its_draft_as_it_stands(enter: Enter, shop: Ledger) -> None:
    three_flats(shop)
    page = enter(Role.COUNTER)
    page.get_by_role("link", name="Key systems").first.click()
    page.get_by_role("link", name="The Hall").first.click()
    page.get_by_role("link", name="Lost key").first.click()
    page.get_by_label("A key of").select_option("2AA")
    page.get_by_role("button", name="Show what it exposes").click()
    expect(page.locator("main")).to_contain_text("operates 1 cylinder")
    page.get_by_label("I do not know which copy, or how many").check()
    page.get_by_role("button", name="Report the loss").click()
    expect(page.locator("#flashes")).to_contain_text("The loss of 2AA is on record. It exposes 1 door.")
    page.get_by_role("link", name="Make a plan").click()
    page.get_by_role("button", name="Choose this plan").click()
    page.get_by_role("button", name="Make draft quotes").click()
    expect(page.locator("#told-0")).to_contain_text("Rekeys what hangs on F2; it stays there.")
    # Typing works the page out anew, and what it rekeys is not lost by that.
    page.locator("#title").fill("Flat 2 lost a key")
    expect(page.locator("#told-1")).to_contain_text("Keys to 4AA")
    page.get_by_role("button", name="Issue quote").click()
    page.wait_for_url(re.compile("/quotes/1002/1$"))
    page.get_by_role("link", name="Accept", exact=True).click()
    expect(page.locator(".rekeyed")).to_contain_text("F2")
    page.get_by_label("Accepted by").fill("R. Teal")
    page.get_by_role("button", name="Accept the quote").click()
    page.wait_for_url(re.compile("/jobs/1002$"))
    expect(page.locator("main")).to_contain_text("F2")
    page = enter(Role.BENCH)
    page.get_by_role("link", name="Bench").first.click()
    page.get_by_role("link", name=re.compile("1002")).first.click()
    page.get_by_role("button", name="Show bittings").click()
    expect(page.locator("main")).to_contain_text("Keys to cut: 2")
    expect(page.locator("main")).to_contain_text("4AA")
