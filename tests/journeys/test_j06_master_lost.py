"""J6, the keying half: a master of the college is lost; awkward: a change, the grand master, a control key."""

import csv
import re

import sqlalchemy as sa
from playwright.sync_api import expect

from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.bittings import open_bittings
from app.ledger.keysystems.system_queries import get_system
from app.ledger.store.work import Actor
from app.ledger.tables import Cylinder, Door, Job, KeySystem, Role
from tests.chromium import DATA
from tests.conftest import NOW
from tests.journeys.conftest import Hands, House

COLLEGE = "Saltmarsh Maritime College"
with (DATA / "college_doors.csv").open(encoding="utf-8") as lines:
    # North Hall's master AA has these 48: N001 to N006, and 16, 16 and 10 on its three floors.
    NORTH = [row["opening"] for row in csv.DictReader(lines) if row["opening"].startswith("N")]
SHARED = ("N309", "N310")  # the stores that South Hall's master AB opens too


def _show_loss(hands: Hands, symbol: str, system: str = COLLEGE) -> str:
    """What the page says of a lost key of this keyset, from the menu on."""
    hands.click("Key systems", "link")
    hands.page.locator("td").get_by_role("link", name=system, exact=True).last.click()
    hands.click("Lost key", "link")
    hands.page.get_by_label("A key of").select_option(symbol)
    hands.click("Show what it exposes")
    return " ".join(hands.page.get_by_label("What it exposes", exact=True).inner_text().split())


def test_a_lost_master_is_planned_with_proven_bittings_and_shut_out_by_what_is_quoted(
    hands: Hands, house: House
) -> None:
    page, main = hands.page, hands.page.locator("main")
    hands.log_in(house.served, Role.OWNER)
    told = _show_loss(hands, "AA")
    assert "A key of AA operates 48 cylinders." in told
    # Two keys to each of 48 changes, and AA's three; AA itself is the 49th keyset.
    assert "Exposed 48 To rekey 48 New keys 99 Keysets replaced 49" in told
    assert "New bittings for this plan were found and tried against every cylinder and key" in told
    assert "No quote can carry this out as it is" in told
    assert "Quote as rekeyed under the new master what hangs under AA: 48 cylinders on 48 keysets." in told
    assert "In the door list name what else operates N309, N310." in told

    # As it says: one master more, and a quote under it.
    hands.click("The system", "link")
    hands.click("Extend", "link")
    page.get_by_label("New masters under").select_option("A")
    page.get_by_label("How many masters").fill("1")
    hands.click("Extend the system")
    expect(main).to_contain_text("1 keyset added to Saltmarsh Maritime College: AD.")
    hands.click("Counter", "link")
    hands.type("college")
    hands.press("Enter")
    hands.tab_to("Site", back=True)
    hands.type("Main")
    hands.access("q")
    hands.type("48 rekey mortise AQ3 six pin under AD two keys each")
    hands.press("Enter")
    hands.tab_to("System")
    hands.type("S")
    expect(page.locator("#lines fieldset.line")).to_contain_text("Gets AD1 to AD48 of Saltmarsh Maritime College")
    hands.access("i")
    hands.access("a")
    hands.type("M. Sheldrake")
    page.get_by_label("Door list").focus()
    rows = [f"{door},{'AB' if door in SHARED else ''}" for door in NORTH]
    page.keyboard.insert_text("\n".join(["opening,operated by", *rows]))
    hands.click("Accept the quote")
    expect(main).to_contain_text("Quote Q-1011-1 is accepted. 48 cylinders are saved.")
    hands.report("J6, to the accepted job")
    assert "Work on its way shuts this key out of 48 of them." in _show_loss(hands, "AA")

    with house.ledger.work(Actor(None, "the test", Role.OWNER), NOW) as work:
        system = work.session.scalars(sa.select(KeySystem).where(KeySystem.name == COLLEGE)).one()
        job = work.session.scalars(sa.select(Job).where(Job.number == 1011)).one()
        cuts = {one.symbol: open_bittings(work.session, work.vault, [system])[one.id] for one in system.keysets}
        made = work.session.scalars(sa.select(Cylinder).where(Cylinder.job_id == job.id)).all()
        assert sorted(one.door.opening_number for one in made if one.door) == sorted(NORTH)
        for one in made:
            assert one.keyset is not None and one.keyset.parent is not None and one.keyset.parent.symbol == "AD"
            keys = [one.keyset.symbol, "AD", "A", *(two.keyset.symbol for two in one.operators)]
            shut = [
                chamber
                for chamber, depths in enumerate(zip(*(cuts[key] for key in keys), strict=True))
                if cuts["AA"][chamber] not in depths
            ]
            assert shut, f"the lost key still turns {keys}"
        assert audit_systems(work, [get_system(work.session, system.id)]).is_clean


def test_the_draft_of_a_lost_change_is_quoted_and_accepted_as_it_is_and_other_losses_say_what_to_do(
    hands: Hands, house: House
) -> None:
    main = hands.page.locator("main")
    hands.log_in(house.served, Role.COUNTER)
    assert "operates 140 cylinders" in (told := _show_loss(hands, "A"))
    assert "Choose a new bitting for A: every other key stays as it is" in told and "no draft is made" in told
    assert "To rekey 140 New keys 2 Keysets replaced 1" in told
    told = _show_loss(hands, "CONTROL", "Lantern Row Dental")
    assert "A key of CONTROL takes out the cores of 6 cylinders." in told
    assert "Choose a new control key for Lantern Row Dental" in told

    told = _show_loss(hands, "AB3")  # S003's alone
    assert "operates 1 cylinder" in told and "Exposed 1 To rekey 1 New keys 2 Keysets replaced 1" in told
    hands.click("Make a draft quote")
    expect(main).to_contain_text("Rekeys what hangs on S003; it stays there.")
    hands.access("i")
    hands.access("a")
    hands.type("M. Sheldrake")
    hands.click("Accept the quote")
    expect(main).to_contain_text("Quote Q-1011-1 is accepted. 1 cylinder is saved.")
    hands.report("J6, a change, to the accepted job")
    with house.ledger.sessions() as session:
        on = sa.select(Cylinder).join(Door).where(Door.opening_number == "S003").order_by(Cylinder.id)
        old, new = session.scalars(on).all()
        assert (new.part_number, new.door_id) == (old.part_number, old.door_id) and new.keyset and old.keyset
        assert old.keyset.symbol == "AB3" and re.fullmatch("AB[0-9]+", new.keyset.symbol)
        assert new.keyset.system_id == old.keyset.system_id and new.keyset.parent_id == old.keyset.parent_id
