"""J6: the master of North Hall is lost; exposed, planned, quoted in phases, handed over, and the loss closed.

Awkward: a change, the grand master, a control key, a system that came from a matrix, one that the factory keeps, and
one on two keyways.
"""

import csv
import re
from collections.abc import Callable, Mapping
from random import Random

import pytest
import sqlalchemy as sa
from playwright.sync_api import expect

from app.ledger.keysystems.system_queries import get_system
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Cylinder, CylinderState, Job, Key, Keyset, KeyState, KeySystem, Loss, Role, Stage, User
from tests.chromium import DATA
from tests.conftest import NOW
from tests.journeys.conftest import Hands, House
from tests.lost_and_safe import at_odds, cuts_on_record, keys_of, lost_cuts, meant_to_open, opened_by
from tests.sold_systems import OPENS, sold_hall, sold_halls, sold_mill, sold_school

COLLEGE, DENTAL = "Saltmarsh Maritime College", "Lantern Row Dental"
SCHOOL, HALL, MILL = "The School", "The Hall", "The Mill"
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


def _sold(house: House, sell: Callable[[Work], KeySystem]) -> None:
    """Have a further system stand in the house, as it was sold long ago."""
    with house.ledger.sessions() as session:
        owner = Actor.of(session.scalars(sa.select(User).where(User.role == Role.OWNER)).one())
    with house.ledger.work(owner, NOW, Random(8)) as work:
        sell(work)


def _lost_key_page(hands: Hands, symbol: str, system: str = COLLEGE) -> None:
    """From the menu to a system's page of lost keys, with a keyset chosen there."""
    hands.click("Key systems", "link")
    hands.page.locator("td").get_by_role("link", name=system, exact=True).last.click()
    hands.click("Lost key", "link", within=hands.page.locator("main"))
    hands.page.get_by_label("A key of").select_option(symbol)


def _report(hands: Hands, symbol: str, system: str = COLLEGE) -> str:
    """Put on record that a key of this keyset is lost; what the loss's page says of it."""
    _lost_key_page(hands, symbol, system)
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


def _through_the_bench(hands: Hands) -> str:
    """From the accepted job's page until it is handed over; what the bench sheet says."""
    page = hands.page
    hands.click("Put on the bench")
    hands.click("Bench page", "link")
    sheet = hands.read_paper("Bench sheet, PDF")
    for done in ("pinned", "checked"):
        for place in range(page.get_by_role("button", name=f"{done}").filter(has_text="Whole rack").count()):
            page.get_by_role("button", name=f"Whole rack {place + 1} {done}").click()
            hands.settle()
    for box in page.locator("input[name=keys]").all():
        # What a key is cut of stands beside its tick, as on the sheet.
        named = re.findall(r"blank [A-Z0-9-]+, for", box.locator("xpath=..").inner_text())
        assert set(named) <= set(re.findall(r"blank [A-Z0-9-]+, for", sheet)) and bool(named) == ("blank " in sheet)
        box.check()
    if page.locator("input[name=keys]").count():
        hands.click("Mark as cut")
    hands.click("All checked: move on")
    hands.click("Ready to hand over")
    _handed_over(hands)
    return sheet


def _handed_over(hands: Hands) -> None:
    """From the page of a job that is ready until it is with the customer, paid or not."""
    page = hands.page
    page.get_by_label("Who takes it").fill("M. Sheldrake")
    if page.get_by_label("Handed over all the same").count():
        page.get_by_label("Handed over all the same").check()
    hands.click("Handed over")
    expect(page.locator("main")).to_contain_text("taken by M. Sheldrake")


def _loss(hands: Hands, symbol: str, system: str = COLLEGE) -> None:
    """From the menu to the page of the loss of a keyset."""
    hands.click("Key systems", "link")
    hands.click("Lost keys", "link")
    of_symbol = hands.page.get_by_role("link", name=symbol, exact=True)
    rows = hands.page.locator("main tbody tr", has_text=system).filter(has=of_symbol)
    hands.click(symbol, "link", within=rows)


def _closed(hands: Hands, symbol: str, system: str = COLLEGE) -> None:
    """Close the loss of a keyset, which turns nothing any more."""
    _loss(hands, symbol, system)
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


ONE, THREE = {"AQ1", "AQ2"}, {"AQ3", "AQ4"}
ENTERED = {"A": {*ONE, *THREE}, "AA": ONE, "AB": ONE, "SK": ONE, "AC": THREE, "AD": THREE}
"""What keys of the Hall on two keyways enter by the demo's tables, read by eye, where AD takes AC's place."""


def _reckoned(
    house: House, symbol: str, entered: Mapping[str, set[str]] | None = None
) -> tuple[tuple[int, ...], list[str], list[tuple[str, str]]]:
    """What was lost, the doors that it opens, and who is at odds with a door: every seal opened, by the cuts, and by
    what is `entered`.
    """
    with house.ledger.work(Actor(None, "the test", Role.OWNER), NOW) as work:
        rows = sa.select(Loss).join(Keyset, Keyset.id == Loss.keyset_id).where(Keyset.symbol == symbol)
        loss = work.session.scalars(rows).one()
        system = get_system(work.session, loss.system_id)
        was = lost_cuts(work, loss)
        opened = opened_by(work, system, was, entered and entered[symbol[:2]])
        return was, opened, at_odds(work, system, entered)


def test_a_lost_change_key_ends_in_one_safe_door(hands: Hands, years_later: House) -> None:
    page, main = hands.page, hands.page.locator("main")
    hands.log_in(years_later.served, Role.OWNER)
    _lost_key_page(hands, "AA7")
    hands.click("Show what it exposes")
    expect(main).to_contain_text("A key of AA7 operates 1 cylinder.")
    hands.click("I do not know which copy", "radio")
    hands.click("Report the loss")
    expect(main).to_contain_text("The loss of AA7 is on record. It exposes 1 door.")
    assert "AA49 takes the place of AA7." in _plan(hands)
    hands.click("Make draft quotes")
    expect(page.locator("#told-0")).to_contain_text("Rekeys what hangs on N101; it stays there.")
    # Typing works the page out anew, and what it rekeys is not lost by that.
    page.locator("#title").fill("Room 101 lost a key")
    expect(page.locator("#told-1")).to_contain_text("Keys to AA49")
    _issued_and_accepted(hands)
    expect(main).to_contain_text("1 cylinder is saved.")
    _through_the_bench(hands)
    expect(main).to_contain_text("The lost keys of AA7 turn no door any more.")
    assert _reckoned(years_later, "AA7")[1:] == ([], [])
    _closed(hands, "AA7")
    hands.report("J6, a change key, to the closed loss")
    with years_later.ledger.work(Actor(None, "the test", Role.OWNER), NOW) as work:
        system = work.session.scalars(sa.select(KeySystem).where(KeySystem.name == COLLEGE)).one()
        assert opened_by(work, system, cuts_on_record(work, system)["AA49"]) == ["N101"]
        assert keys_of(work, system, KeyState.OUT)["AA49"] == 2


def test_a_lost_grand_master_ends_in_safe_doors_by_chosen_doors_and_the_rest(hands: Hands, house: House) -> None:
    """The Hall: A over AA, with F1 to F5, F4 and F5 keyed alike, and AB, with F6; F7 is single."""
    _sold(house, sold_hall)
    main = hands.page.locator("main")
    hands.log_in(house.served, Role.OWNER)
    assert "It exposes 6 doors." in _report(hands, "A", HALL)
    # Six doors get other pins and nobody else another key: two keys of A, which keeps its symbol.
    told = _plan(hands)
    assert "A keeps its symbol and gets another bitting." in told and "6 2 1" in told
    hands.click("Chosen doors now", "radio")
    hands.page.get_by_label("Doors", exact=True).fill("F4")
    hands.click("Make draft quotes")
    expect(main).to_contain_text("2 keys come with it: 2 to A.")
    _issued_and_accepted(hands)
    expect(main).to_contain_text("2 cylinders are saved.")  # F5 hangs on the same key
    was, opened, _ = _reckoned(house, "A")
    assert opened == ["F1", "F2", "F3", "F4", "F5", "F6"]
    _through_the_bench(hands)
    expect(main).to_contain_text("The lost keys of A still turn 4 doors.")
    # The new A opens no door that is still to be done; nobody else's key is at odds with any.
    left = ["F1", "F2", "F3", "F6"]
    assert _reckoned(house, "A") == (was, left, [(door, "A") for door in left])

    _loss(hands, "A", HALL)
    expect(main.get_by_role("button", name="Close the loss")).to_have_count(0)
    hands.click("Quote the plan", "link")
    hands.click("Make draft quotes")
    expect(main).not_to_contain_text("come with it")  # the keys of A came with the first phase
    _issued_and_accepted(hands)
    expect(main).to_contain_text("4 cylinders are saved.")
    _through_the_bench(hands)
    expect(main).to_contain_text("The lost keys of A turn no door any more.")
    assert _reckoned(house, "A") == (was, [], [])
    _closed(hands, "A", HALL)
    hands.report("J6, the grand master, to the closed loss")
    with house.ledger.work(Actor(None, "the test", Role.OWNER), NOW) as work:
        system = work.session.scalars(sa.select(KeySystem).where(KeySystem.name == HALL)).one()
        opens = {symbol: opened_by(work, system, cuts) for symbol, cuts in cuts_on_record(work, system).items()}
        out = keys_of(work, system, KeyState.OUT)
    assert opens == {
        "A": ["F1", "F2", "F3", "F4", "F5", "F6"],
        "AA": ["F1", "F2", "F3", "F4", "F5"],
        "AB": ["F6"],
        "AA1": ["F1"],
        "AA2": ["F2"],
        "AA3": ["F3"],
        "AA4": ["F4", "F5"],
        "AB1": ["F6"],
        "SKD1": ["F7"],
    }
    assert out["A"] == 2 + 2  # the holders' old ones, to be called in, and the new ones


def test_a_lost_master_and_a_lost_grand_master_over_two_keyways_end_in_safe_doors(hands: Hands, house: House) -> None:
    """The Hall on AQ1, and AC with G1 to G3 on AQ3, cut as AA with F1 to F3 is: no key but A enters both."""
    _sold(house, sold_halls)
    page, main = hands.page, hands.page.locator("main")
    hands.log_in(house.served, Role.OWNER)
    _lost_key_page(hands, "AC", HALL)
    hands.click("Show what it exposes")
    expect(main).to_contain_text("A key of AC operates 3 cylinders.")
    expect(main).to_contain_text("tried against every cylinder that its keys enter")
    hands.click("I do not know which copy", "radio")
    hands.click("Report the loss")
    expect(main).to_contain_text("It exposes 3 doors.")
    told = _plan(hands)
    assert "AD, AD1 to AD3 take the places of AC, AC1 to AC3." in told and "3 8 4" in told
    hands.click("Make draft quotes")
    expect(main).to_contain_text("8 keys come with it: 2 each to AD1 to AD3, AD.")
    _issued_and_accepted(hands)
    expect(main).to_contain_text("3 cylinders are saved.")
    schedule = hands.read_paper("Keying schedule, by door")
    assert all(one in schedule for one in ("G1", "G2", "G3", "AD1", "AD2", "AD3")) and "blank" not in schedule
    sheet = _through_the_bench(hands)
    assert sheet.count("blank AK6-34, for AQ3") == 4 and "AK6-12" not in sheet
    expect(main).to_contain_text("The lost keys of AC turn no door any more.")
    assert _reckoned(house, "AC", ENTERED)[1:] == ([], [])
    _closed(hands, "AC", HALL)
    hands.report("J6, a master on another keyway, to the closed loss")

    assert "It exposes 9 doors." in _report(hands, "A", HALL)
    told = _plan(hands)
    assert "A keeps its symbol and gets another bitting." in told and "9 2 1" in told
    hands.click("Chosen doors now", "radio")
    page.get_by_label("Doors", exact=True).fill("F6, G1")
    hands.click("Make draft quotes")
    expect(main).to_contain_text("2 keys come with it: 2 to A.")
    _issued_and_accepted(hands)
    assert "blank AK6-ALL, for AQ1, AQ3" in _through_the_bench(hands)
    expect(main).to_contain_text("The lost keys of A still turn 7 doors.")
    _loss(hands, "A", HALL)
    hands.click("Quote the plan", "link")
    hands.click("Make draft quotes")
    _issued_and_accepted(hands)
    _through_the_bench(hands)
    expect(main).to_contain_text("The lost keys of A turn no door any more.")
    assert _reckoned(house, "A", ENTERED)[1:] == ([], [])
    _closed(hands, "A", HALL)
    hands.report("J6, the grand master over two keyways, to the closed loss")


def test_a_lost_control_key_ends_in_cores_that_it_takes_out_no_more(hands: Hands, years_later: House) -> None:
    main = hands.page.locator("main")
    hands.log_in(years_later.served, Role.OWNER)
    assert "It exposes 6 doors." in _report(hands, "CONTROL", DENTAL)
    assert "A new control key, and all cores pinned for it" in _plan(hands)
    hands.click("Make draft quotes")
    expect(main).to_contain_text("Rekeys what hangs on")
    _issued_and_accepted(hands)
    expect(main).to_contain_text("6 cylinders are saved.")
    told = hands.read_paper("Keying schedule, by door")
    old = "a CONTROL cut to the old bitting, of those at hand"  # copy 1 is out, and may be the lost one
    assert f"Take the cores out with {old}, as they were; seat the new ones with CONTROL copy 2." in told
    _through_the_bench(hands)
    expect(main).to_contain_text("The lost keys of CONTROL turn no door any more.")
    was, opened, wrong = _reckoned(years_later, "CONTROL")
    assert (opened, wrong) == ([], [])
    _closed(hands, "CONTROL", DENTAL)
    hands.report("J6, a control key, to the closed loss")
    with years_later.ledger.work(Actor(None, "the test", Role.OWNER), NOW) as work:
        system = work.session.scalars(sa.select(KeySystem).where(KeySystem.name == DENTAL)).one()
        now = cuts_on_record(work, system)["CONTROL"]
        assert now != was and len(opened_by(work, system, now)) == 6


def test_a_lost_master_of_a_matrix_ends_in_safe_doors_and_the_store_stays_shared(hands: Hands, house: House) -> None:
    """North's master opens n1 to n3 and the store, which Ann of North and Dan of South share."""
    _sold(house, sold_school)
    main = hands.page.locator("main")
    hands.log_in(house.served, Role.OWNER)
    assert "It exposes 4 doors." in _report(hands, "AA", SCHOOL)
    # One key to AA, and two each to AA1, AA2, AA3: 7 keys of four keysets, four doors.
    told = _plan(hands)
    assert "AB, AB1 to AB3 take the places of AA, AA1 to AA3." in told and "4 7 4" in told
    hands.click("Make draft quotes")
    expect(main).to_contain_text("7 keys come with it: 2 each to AB1 to AB3; 1 to AB.")
    _issued_and_accepted(hands)
    expect(main.locator("tbody tr", has_text="store").first).to_contain_text("XA2")
    _through_the_bench(hands)
    expect(main).to_contain_text("The lost keys of AA turn no door any more.")
    assert _reckoned(house, "AA")[1:] == ([], [])
    _closed(hands, "AA", SCHOOL)
    hands.report("J6, a matrix, to the closed loss")
    with house.ledger.work(Actor(None, "the test", Role.OWNER), NOW) as work:
        system = work.session.scalars(sa.select(KeySystem).where(KeySystem.name == SCHOOL)).one()
        cuts = cuts_on_record(work, system)
        people = {one.purpose_and_state: opened_by(work, system, cuts[one.symbol]) for one in system.keysets}
    head, *rows = (row.split(",") for row in OPENS.strip().splitlines())
    asked = {row[0]: sorted(door for door, mark in zip(head, row, strict=True) if mark == "x") for row in rows}
    assert people == asked | {f"{who}, retired": [] for who in ("north", "ann", "bea", "cid")}


def test_a_lost_master_of_a_factorys_system_ends_by_a_letter_and_new_cylinders(hands: Hands, house: House) -> None:
    """No bitting is in this house: what is exposed is told by levels, from the record."""
    _sold(house, sold_mill)
    main = hands.page.locator("main")
    hands.log_in(house.served, Role.OWNER)
    assert "It exposes 20 doors." in _report(hands, "AA", MILL)
    # Two keys to each of twenty changes, and one of AA: 41 keys of 21 keysets.
    told = _plan(hands)
    assert "AB, 1AB to 20AB take the places of AA, 1AA to 20AA." in told and "20 41 21" in told
    hands.click("The loss", "link")
    letter = hands.read_paper("Letter to the factory")
    assert "by our record it opens 20 cylinders" in letter and "A18M-Q1-66.SC" in letter
    assert "master AA 0 AB change 1AA to 20AA 20 1AB to 20AB" in letter
    hands.click("Quote the plan", "link")
    hands.click("Make draft quotes")
    expect(main).to_contain_text("41 keys come with it: 2 each to 1AB to 20AB; 1 to AB.")
    expect(main).to_contain_text("20 cylinders are to be ordered.")
    expect(main).not_to_contain_text("Who holds its records?")  # the factory: that is on record
    _issued_and_accepted(hands)
    expect(main).to_contain_text("20 cylinders are saved.")
    hands.click("Order the parts", "link")
    expect(main).to_contain_text("Keyed by the factory")
    hands.page.go_back()
    hands.click("Ready to hand over")
    expect(main).to_contain_text("The lost keys of AA still turn 20 doors.")
    _handed_over(hands)
    expect(main).to_contain_text("The lost keys of AA turn no door any more.")
    _closed(hands, "AA", MILL)
    hands.report("J6, a factory's system, to the closed loss")
    with house.ledger.work(Actor(None, "the test", Role.OWNER), NOW) as work:
        system = work.session.scalars(sa.select(KeySystem).where(KeySystem.name == MILL)).one()
        ids = [one.id for one in system.keysets]
        hung = work.session.scalars(
            sa.select(Cylinder).where(Cylinder.keyset_id.in_(ids)).order_by(Cylinder.id)
        ).all()
        by_door = {one.door.opening_number: one for one in hung if one.door and one.state is CylinderState.FITTED}
        assert {door: meant_to_open(one) for door, one in by_door.items()} == {
            f"F{number}": {f"{number}AB", "AB"} for number in range(1, 21)
        }
        out = keys_of(work, system, KeyState.OUT)
        assert out["AB"] == 1 and sum(out[f"{number}AB"] for number in range(1, 21)) == 40
