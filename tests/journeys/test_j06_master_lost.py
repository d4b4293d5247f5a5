"""J6: the master of North Hall is lost; exposed, planned, quoted in phases, handed over, and the loss closed.

Awkward: a change, the grand master and a control key. Matrices and a factory's systems are walked without a browser,
tests/ledger/quoting/test_loss_quotes.py.
"""

import csv

import pytest
import sqlalchemy as sa
from playwright.sync_api import expect

from app.ledger.keysystems.system_queries import get_system
from app.ledger.store.work import Actor
from app.ledger.tables import Cylinder, CylinderState, Job, Key, Keyset, KeyState, KeySystem, Loss, Role, Stage
from tests.chromium import DATA
from tests.conftest import NOW
from tests.journeys.conftest import Hands, House
from tests.lost_and_safe import at_odds, keys_of, lost_cuts, opened_by

COLLEGE, DENTAL = "Saltmarsh Maritime College", "Lantern Row Dental"
with (DATA / "college_doors.csv").open(encoding="utf-8") as lines:
    # North Hall's master AA has these 48: N001 to N006, and 16, 16 and 10 on its three floors.
    NORTH = [row["opening"] for row in csv.DictReader(lines) if row["opening"].startswith("N")]


@pytest.fixture
def years_later(house: House) -> House:
    """Everything that was sold to the college and the dentists hangs on its doors, its keys are out."""
    with house.ledger.sessions() as session:
        for job in session.scalars(sa.select(Job).where(Job.number.in_((1003, 1004))).order_by(Job.id)):
            job.stage = Stage.CLOSED
            for cylinder in session.scalars(sa.select(Cylinder).where(Cylinder.job_id == job.id)):
                cylinder.state = CylinderState.FITTED
            for key in session.scalars(sa.select(Key).where(Key.job_id == job.id)):
                key.state, key.holder = KeyState.OUT, "M. Sheldrake"
        session.commit()
    return house


def _report(hands: Hands, symbol: str, system: str = COLLEGE) -> str:
    """Put on record, from the menu on, that a key of this keyset is lost; what the loss's page says of it."""
    hands.click("Key systems", "link")
    hands.page.locator("td").get_by_role("link", name=system, exact=True).last.click()
    hands.click("Lost key", "link")
    hands.page.get_by_label("A key of").select_option(symbol)
    hands.click("I do not know which copy", "radio")
    hands.click("Report the loss")
    return " ".join(hands.page.locator("main").inner_text().split())


def _plan(hands: Hands) -> str:
    """Choose the way that the page offers first; what it says of the ways."""
    hands.click("Make a plan", "link")
    told = " ".join(hands.page.locator("main table").inner_text().split())
    hands.click("Choose this plan")
    return told


def _issued_and_accepted(hands: Hands) -> None:
    """Issue quote and Accept, with nothing said but who accepted."""
    hands.access("i")
    hands.access("a")
    hands.type("M. Sheldrake")
    hands.click("Accept the quote")
    expect(hands.page.locator("main")).to_contain_text("is accepted.")


def _through_the_bench(hands: Hands) -> None:
    """From the accepted job's page until it is handed over."""
    page = hands.page
    hands.click("Put on the bench")
    hands.click("Bench page", "link")
    for done in ("pinned", "checked"):
        for place in range(page.get_by_role("button", name=f"{done}").filter(has_text="Whole rack").count()):
            page.get_by_role("button", name=f"Whole rack {place + 1} {done}").click()
            hands.settle()
    for box in page.locator("input[name=keys]").all():
        box.check()
    if page.locator("input[name=keys]").count():
        hands.click("Mark as cut")
    hands.click("All checked: move on")
    hands.click("Ready to hand over")
    page.get_by_label("Who takes it").fill("M. Sheldrake")
    if page.get_by_label("Handed over all the same").count():
        page.get_by_label("Handed over all the same").check()
    hands.click("Handed over")
    expect(page.locator("main")).to_contain_text("taken by M. Sheldrake")


def _closed(hands: Hands, symbol: str) -> None:
    """Close the loss of a keyset, which turns nothing any more."""
    hands.click("Key systems", "link")
    hands.click("Lost keys", "link")
    hands.click(symbol, "link", within=hands.page.locator("main tbody tr", has_text=symbol).first)
    hands.click("Close the loss")
    expect(hands.page.locator("main")).to_contain_text("closed")


def test_a_lost_master_ends_in_safe_doors_by_what_was_quoted(hands: Hands, years_later: House) -> None:
    page, main = hands.page, hands.page.locator("main")
    hands.log_in(years_later.served, Role.OWNER)
    assert "It exposes 48 doors." in _report(hands, "AA")
    # Two keys to each of 48 changes, and three of AA: 99 keys of 49 keysets.
    assert "Another master, with new keys for all that hangs under it" in (told := _plan(hands))
    assert "AD, AD1 to AD48 take the places of AA, AA1 to AA48." in told and "48 99 49" in told
    hands.click("By day", "radio")
    page.get_by_label("Cylinders a day").fill("30")
    hands.click("Make draft quotes")
    expect(main).to_contain_text("2 phases saved for later as jobs 1011 to 1012.")
    # 30 doors, six of them rim; 3 keys of AD and 60 of AD1 to AD30.
    expect(main).to_contain_text("63 keys come with it: 2 each to AD1 to AD30; 3 to AD.")
    expect(main).to_contain_text("Rekeys what hangs on N001, N002")
    _issued_and_accepted(hands)
    expect(main).to_contain_text("30 cylinders are saved.")
    hands.report("J6, to the accepted first phase")
    _through_the_bench(hands)

    expect(main).to_contain_text("The lost keys of AA still turn 18 doors.")
    was, opened, wrong = _reckoned(years_later, "AA")
    assert opened == sorted(NORTH)[30:] and wrong == []

    hands.click("Jobs", "link")
    hands.click("1012", "link")
    hands.click("Go on at the counter", "link")
    expect(main).to_contain_text("36 keys come with it: 2 each to AD31 to AD48.")
    _issued_and_accepted(hands)
    _through_the_bench(hands)
    expect(main).to_contain_text("no door")
    assert _reckoned(years_later, "AA") == (was, [], [])
    _closed(hands, "AA")
    hands.report("J6, to the closed loss")
    with years_later.ledger.work(Actor(None, "the test", Role.OWNER), NOW) as work:
        system = work.session.scalars(sa.select(KeySystem).where(KeySystem.name == COLLEGE)).one()
        cut = keys_of(work, get_system(work.session, system.id), KeyState.OUT)
        assert cut["AD"] == 3 and sum(cut[f"AD{number}"] for number in range(1, 49)) == 96


def _reckoned(house: House, symbol: str) -> tuple[tuple[int, ...], list[str], list[tuple[str, str]]]:
    """What was lost, the doors that it opens, and who is at odds with a door: every seal opened, by the cuts."""
    with house.ledger.work(Actor(None, "the test", Role.OWNER), NOW) as work:
        rows = sa.select(Loss).join(Keyset, Keyset.id == Loss.keyset_id).where(Keyset.symbol == symbol)
        loss = work.session.scalars(rows).one()
        system = get_system(work.session, loss.system_id)
        was = lost_cuts(work, loss)
        return was, opened_by(work, system, was), at_odds(work, system)


def test_a_lost_change_the_grand_master_and_a_control_key_are_followed_by_their_drafts(
    hands: Hands, years_later: House
) -> None:
    main = hands.page.locator("main")
    hands.log_in(years_later.served, Role.COUNTER)
    assert "It exposes 140 doors." in _report(hands, "A")
    # All 140 doors get other pins; two keys of A, which keeps its symbol.
    assert "A keeps its symbol and gets another bitting." in (told := _plan(hands)) and "140 2 1" in told
    hands.click("Chosen doors now", "radio")
    hands.page.get_by_label("Doors", exact=True).fill("S003")
    hands.click("Make draft quotes")
    expect(main).to_contain_text("2 keys come with it: 2 to A.")
    _issued_and_accepted(hands)
    opened = _reckoned(years_later, "A")[1]
    assert len(opened) == 140 and "S003" in opened

    assert "It exposes 6 doors." in _report(hands, "CONTROL", DENTAL)
    assert "A new control key, and all cores pinned for it" in _plan(hands)
    hands.click("Make draft quotes")
    expect(main).to_contain_text("Rekeys what hangs on")
    _issued_and_accepted(hands)
    expect(main).to_contain_text("6 cylinders are saved.")
    told = hands.read_paper("Keying schedule, by door")
    old = "a CONTROL cut to the old bitting, of those at hand"  # copy 1 is out, and may be the lost one
    assert f"Take the cores out with {old}, as they were; seat the new ones with CONTROL copy 2." in told
