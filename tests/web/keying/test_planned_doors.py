"""Doors of a matrix stay with their keysets: planned when it is sealed, quoted, keyed, crossed, exposed, canceled."""

import re
from collections.abc import Callable
from html import unescape

import pytest
import sqlalchemy as sa
from flask.testing import FlaskClient

from app.ledger.jobs.papers import schedule_of
from app.ledger.jobs.stages import move_job
from app.ledger.keys.keys import order_copies
from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.lost_keysets import exposed_by
from app.ledger.keysystems.planned_doors import replan
from app.ledger.keysystems.system_queries import get_system
from app.ledger.quoting.repeating import repeat_of
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Door, Event, Job, Keyset, KeySystem, Role, Site, Stage
from tests import factories
from tests.desk import accept_page_sent, accepted, issued, quoted, upload
from tests.forms_found import form_with
from tests.keyed import walk
from tests.lost_and_safe import draft_after_report
from tests.stocked import MORTISE, empty_house  # noqa: F401
from tests.web.keying.keying_system import bittings_in_clear

ClientAs = Callable[[Role | None], FlaskClient]
# Clerk and porter both open the hall, each a door more: the keys stand side by side, and the hall is crossed.
CROSSED = ",hall,desk,store\nclerk,x,x,\nporter,x,,x\n"


@pytest.fixture
def house(client_as: ClientAs) -> FlaskClient:
    return client_as(Role.OWNER)


def _found(client: FlaskClient, text: str = CROSSED) -> str:
    ask = {"keyway": "AQ1", "chambers": "6", "seconds": "20"}
    answer = upload(client, "/keying/matrix", text.encode(), "who.csv", **ask)
    assert answer.status_code == 303, answer.text
    for run in client.application.extensions["keying runs"].values():
        assert run.ended.wait(60)
    return answer.location


def _crossings(client: FlaskClient, address: str) -> list[str]:
    """The boxes of all that a search asks to cross."""
    return re.findall(r'name="cross" value="([^"]*)"', client.get(address).text)


def _sealed(client: FlaskClient, work: Work, text: str = CROSSED) -> KeySystem:
    customer = factories.CustomerFactory(name="Slipway Trust")
    address = _found(client, text)
    said = {"customer": str(customer.id), "name": "Slipway", "site_name": "Boat house"}
    answer = client.post(f"{address}/seal", data={**said, "cross": _crossings(client, address)})
    assert answer.status_code == 303, unescape(answer.text)
    work.session.rollback()
    return work.session.scalars(sa.select(KeySystem).where(KeySystem.name == "Slipway")).one()


def _ids(work: Work) -> dict[str, int]:
    rows = (
        sa.select(Door.opening_number, Cylinder.id).join(Cylinder, Cylinder.door_id == Door.id).order_by(Cylinder.id)
    )
    return dict(work.session.execute(rows).all())


def _quoted_as_planned(client: FlaskClient, system: KeySystem, ids: list[int]) -> int:
    """The number of a job that is quoted from the system's page: what cylinders is all that is typed."""
    page = client.get(f"/key-systems/{system.id}").text
    assert f'value="{ids[0]}" checked' in page
    answer = client.post(f"/keying/systems/{system.id}/planned-doors", data={"planned": [str(one) for one in ids]})
    form = form_with(client.get(answer.location).text, "lines-0-standing")
    boxes = {name: MORTISE[name] for name in ("type", "length", "tail", "finish")}
    return issued(client, {**form, **{f"lines-0-{name}": value for name, value in boxes.items()}})


def test_a_quote_counts_what_crosses_its_planned_doors_among_what_turns_them(house: FlaskClient, work: Work) -> None:
    """No master is over the keys: one depth a chamber shears at the desk, two at most in the hall, 2^6 of 10^6."""
    system = _sealed(house, work)
    ids = _ids(work)
    told = {}
    for door in ("desk", "hall"):
        number = _quoted_as_planned(house, system, [ids[door]])
        page = house.get(f"/quotes/{number}/accept").text
        told[door] = re.findall("At most (.*) of all bittings", page)
        assert ("gets 1AA of Slipway, cross-keyed with 2AA." in page) is (door == "hall")
    assert told == {"desk": ["one in 1,000,000"], "hall": ["one in 15,625"]}


def test_doors_are_planned_with_their_keysets_and_a_job_brings_them_so(house: FlaskClient, work: Work) -> None:
    system = _sealed(house, work)
    ids = _ids(work)
    assert [*ids] == ["desk", "hall", "store"]
    planned = work.session.scalars(sa.select(Cylinder).order_by(Cylinder.id)).all()
    assert [
        (one.keyset and one.keyset.symbol, [two.keyset.symbol for two in one.operators], one.is_planned)
        for one in planned
    ] == [("1AA", [], True), ("1AA", ["2AA"], True), ("2AA", [], True)]
    page = house.get(f"/key-systems/{system.id}").text
    assert "3 doors wait for a job that brings their cylinders" in page and "X with 2AA" in page
    porters = work.session.scalars(sa.select(Keyset).where(Keyset.symbol == "2AA")).one()
    assert {one.opening_number for one in exposed_by(work.session, porters)} == {"hall", "store"}
    crossing = house.get(f"/keying/systems/{system.id}/cross-key").text
    assert all(f"door {one}" in crossing for one in ids)
    lost = house.post(f"/keying/systems/{system.id}/lost-key", data={"keyset": "2AA"}).text
    assert "hall" in lost and "store" in lost and "desk" not in lost
    told = "2 of them are on the way or planned only: nothing that it opens hangs there yet."
    assert told in lost and "can get in" not in lost

    number = _quoted_as_planned(house, system, [ids["hall"], ids["store"]])
    accepted(house, number, override_reason="the owner asked")
    work.session.rollback()
    job = work.session.scalars(sa.select(Job).where(Job.number == number)).one()
    rows = {row.opening_number: (row.keyset, row.operated_by) for row in schedule_of(work, job).rows}
    assert rows == {"hall": ("X1AA", ("1AA", "2AA")), "store": ("2AA", ("2AA",))}
    assert _ids(work) == ids and job.site is not None and job.site.name == "Boat house"
    assert audit_systems(work, [get_system(work.session, system.id)]).is_clean
    lost = house.post(f"/keying/systems/{system.id}/lost-key", data={"keyset": "2AA"}).text
    assert told in lost and "can get in" not in lost
    left = house.get(f"/key-systems/{system.id}").text
    assert "1 door waits for a job that brings its cylinder" in left
    again = house.post(f"/keying/systems/{system.id}/planned-doors", data={"planned": str(ids["hall"])})
    assert again.location.endswith(f"/key-systems/{system.id}")

    # A job that is canceled leaves its doors planned as they were.
    move_job(work, job.id, job.version, Stage.CANCELED, reason="no money")
    work.session.expire_all()
    hall = work.session.get_one(Cylinder, ids["hall"])
    assert hall.is_planned and [one.keyset.symbol for one in hall.operators] == ["2AA"]


@pytest.mark.postgresql
def test_a_quote_of_planned_doors_says_what_would_change_them(house: FlaskClient, work: Work) -> None:
    system = _sealed(house, work)
    ids = [*_ids(work).values()]
    answer = house.post(f"/keying/systems/{system.id}/planned-doors", data={"planned": [str(one) for one in ids]})
    form = form_with(house.get(answer.location).text, "lines-0-standing")
    form |= {f"lines-0-{name}": MORTISE[name] for name in ("type", "length", "tail", "finish")}
    for name, value, words in (
        ("quantity", "2", "This line is for desk, hall, store, as planned: enter 3"),
        ("keying", "KD", "keep the keysets that were planned: enter MK alone"),
        ("keyway", "AQ2", "planned in Slipway; enter AQ1"),
    ):
        refused = house.post("/counter/issue", data={**form, f"lines-0-{name}": value})
        assert refused.status_code == 422 and words in unescape(refused.text)
    quoted_twice = issued(house, form), issued(house, {**form, "token": "u" * 32})
    accepted(house, quoted_twice[0], override_reason="the owner asked")
    late = accept_page_sent(house, quoted_twice[1], override_reason="the owner asked")
    assert late.status_code == 422 and "is not planned any more, a job brings its cylinder" in unescape(late.text)

    # What was planned is handed over as any other job, and repeated as new cylinders of that system.
    work.session.rollback()
    job = work.session.scalars(sa.select(Job).where(Job.number == quoted_twice[0])).one()
    walk(work, job, Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER)
    assert {one.state for one in job.cylinders} == {CylinderState.FITTED} and len(job.cylinders) == 3
    again, _ = repeat_of(work, job)
    assert [(line.quantity, line.standing) for line in again.lines] == [(3, ())]


@pytest.mark.postgresql
def test_a_door_list_takes_what_its_doors_were_planned_for(house: FlaskClient, work: Work) -> None:
    # The warden opens all: AA; the clerk's and the porter's doors are 1AA and 2AA under it.
    system = _sealed(house, work, ",hall,desk,store\nwarden,x,x,x\nclerk,,x,\nporter,,,x\n")
    line = {**MORTISE, "quantity": "3", "keying": "MK"}
    number = quoted(house, line, customer_id=system.customer_id, site_id=system.site_id, system_id=system.id)
    doors = {"row-1-opening": "store", "row-2-opening": "desk", "row-3-opening": "lobby"}
    accepted(house, number, override_reason="the owner asked", **doors)
    work.session.rollback()
    job = work.session.scalars(sa.select(Job).where(Job.number == number)).one()
    rows = {row.opening_number: row.keyset for row in schedule_of(work, job).rows}
    assert rows == {"store": "2AA", "desk": "1AA", "lobby": "3AA"}
    work.session.scalars(sa.select(Keyset).where(Keyset.symbol == "1AA")).one().is_really_cut_so = True
    told = {one.symbol: one.purpose for one in schedule_of(work, job).keysets}
    assert told["1AA"] == "clerk"  # an installer learns nothing of cuts
    work.session.rollback()
    there = work.session.scalars(sa.select(Cylinder).where(Cylinder.job_id.is_(None))).one()
    assert there.door is not None and there.door.opening_number == "hall"

    number = quoted(
        house, {**line, "quantity": "1"}, customer_id=system.customer_id, system_id=system.id, token="u" * 32
    )
    said = {"override_reason": "the owner asked", "row-1-opening": "hall", "row-1-keyset": "1AA"}
    said |= {"site_name": "boat house"}
    asked = accept_page_sent(house, number, **said)
    told = "hall is planned on AA. Tick that the new ones take their places, and press again."
    assert asked.status_code == 422 and told in unescape(asked.text)
    accepted(house, number, takes_places=told, **said)
    work.session.rollback()
    assert work.session.scalar(sa.select(sa.func.count(Cylinder.id)).where(Cylinder.job_id.is_(None))) == 0

    job = work.session.get_one(Job, job.id)
    move_job(work, job.id, job.version, Stage.CANCELED, reason="no money")
    work.session.expire_all()
    there = work.session.scalars(sa.select(Cylinder).where(Cylinder.job_id.is_(None)).order_by(Cylinder.id)).all()
    assert {one.door.opening_number: one.is_planned for one in there if one.door} == {"desk": True, "store": True}


@pytest.mark.postgresql
def test_a_door_list_that_leaves_out_who_was_to_operate_a_door_is_asked(house: FlaskClient, work: Work) -> None:
    system = _sealed(house, work, ",hall,desk,store\nwarden,x,x,x\nclerk,x,x,\nporter,x,,x\n")
    ids = _ids(work)
    line = {**MORTISE, "quantity": "1", "keying": "MK"}
    number = quoted(house, line, customer_id=system.customer_id, site_id=system.site_id, system_id=system.id)
    said = {"override_reason": "the owner asked", "doors": "opening,keyset,operated by\nhall,1AA,1AA AA\n"}
    asked = accept_page_sent(house, number, **said)
    told = "hall is planned on 1AA, operated by 2AA too. Tick that the new ones take their places, and press again."
    assert asked.status_code == 422 and told in unescape(asked.text), unescape(asked.text)
    accepted(house, number, takes_places=told, **said)
    work.session.rollback()
    hall = work.session.get_one(Cylinder, ids["hall"])
    assert hall.keyset is not None and hall.keyset.symbol == "1AA" and hall.operators == []


def test_what_a_search_found_is_saved_for_one_customer_only(house: FlaskClient, work: Work) -> None:
    address = _found(house)
    first, second = (factories.CustomerFactory(name=name) for name in ("Slipway Trust", "Quay Hall Trust"))
    said = {"name": "Slipway", "site_name": "Boat house", "cross": "hall"}
    assert house.post(f"{address}/seal", data={**said, "customer": str(first.id)}).status_code == 303
    refused = house.post(f"{address}/seal", data={**said, "customer": str(second.id)})
    assert refused.status_code == 422
    assert "Another system on keyway AQ1 has some of these bittings by now" in unescape(refused.text)
    work.session.rollback()
    assert work.session.scalar(sa.select(sa.func.count(KeySystem.id))) == 1


@pytest.mark.postgresql
def test_doors_on_record_are_taken_after_a_look(house: FlaskClient, work: Work) -> None:
    customer = factories.CustomerFactory(name="Slipway Trust")
    site = factories.SiteFactory(customer=customer, name="Boat house")
    other = factories.SiteFactory(customer=customer, name="Annex")
    old = factories.KeySystemFactory(customer=customer, name="Old", keyway="AQ5")
    hall = factories.DoorFactory(site=site, opening_number="hall", location="Ground floor")
    factories.CylinderFactory(
        door=hall, keyset=factories.KeysetFactory(system=old, symbol="9AA"), state=CylinderState.FITTED
    )
    factories.DoorFactory(site=site, opening_number="desk")
    factories.DoorFactory(site=other, opening_number="store")
    work.session.commit()
    address, said = _found(house), {"customer": str(customer.id), "name": "Slipway", "cross": "hall"}
    refused = house.post(f"{address}/seal", data=said)
    assert refused.status_code == 422 and "enter their site: Annex, Boat house, or a new one" in refused.text
    said["site_name"] = "Boat house"
    asked = house.post(f"{address}/seal", data=said)
    told = re.search(r'name="takes_doors" value="([^"]*)"', asked.text)
    assert asked.status_code == 422 and told is not None
    assert unescape(told[1]) == (
        "desk is on record at Boat house; hall has a cylinder on 9AA of Old. Tick that these doors are meant, and "
        "save again."
    )
    assert work.session.scalar(sa.select(sa.func.count(KeySystem.id)).where(KeySystem.name == "Slipway")) == 0
    assert house.post(f"{address}/seal", data={**said, "takes_doors": unescape(told[1])}).status_code == 303
    work.session.rollback()
    assert work.session.scalar(sa.select(sa.func.count(Door.id)).join(Site).where(Site.name == "Boat house")) == 3
    assert work.session.get_one(Door, hall.id).location == "Ground floor"
    told_of = work.session.scalars(sa.select(Event.summary).where(Event.kind == "doors planned")).one()
    assert told_of == "3 doors planned on keysets of Slipway, 1 of them new"
    assert "planned" in house.get(f"/doors/{hall.id}").text

    again = house.post(f"{_found(house)}/seal", data={**said, "name": "Slipway 2"})
    assert "Door hall of Boat house is planned on 1AA of Slipway already" in unescape(again.text)
    [cylinder] = [one for one in work.session.get_one(Door, hall.id).cylinders if one.is_planned]
    out = house.post(f"/doors/{hall.id}/cylinders/{cylinder.id}/out", data={"version": cylinder.version, "why": ""})
    assert out.status_code == 303
    work.session.rollback()
    assert work.session.get_one(Cylinder, cylinder.id).state is CylinderState.REMOVED


def test_what_is_planned_follows_the_keyset_that_takes_its_own_ones_place(house: FlaskClient, work: Work) -> None:
    system = _sealed(house, work)
    old = work.session.scalars(sa.select(Keyset).where(Keyset.symbol == "2AA")).one()
    new = factories.KeysetFactory(system=system, symbol="3AA")
    replan(work.session, old, new)
    work.session.commit()
    assert {one.opening_number for one in exposed_by(work.session, new)} == {"hall", "store"}
    assert exposed_by(work.session, old) == ()


# Each two of three share a door, so their keys do not nest; the warden opens all, or there is none.
SHARED = "clerk,x,x,,x,,\nporter,,x,x,,x,\ncook,x,,x,,,x\n"
HEAD = ",d1,d2,d3,d4,d5,d6\n"


@pytest.mark.parametrize(("warden", "keying"), [("warden,x,x,x,x,x,x\n", "MK"), ("", "SKD")])
def test_twelve_doors_more_join_a_system_out_of_a_matrix(
    house: FlaskClient, work: Work, warden: str, keying: str
) -> None:
    system = _sealed(house, work, HEAD + warden + SHARED)
    system.sealed_plan = None  # whichever way it was keyed, it has no array to go on in
    work.session.commit()
    before = bittings_in_clear(work, system)
    line = {**MORTISE, "quantity": "12", "keying": keying}
    number = quoted(house, line, customer_id=system.customer_id, site_id=system.site_id, system_id=system.id)
    pasted = "\n".join(["opening,location,hand,lock", *(f"E{n},Slip,LH,Mortise lock" for n in range(1, 13))])
    accepted(house, number, override_reason="the owner asked", doors=pasted)
    work.session.rollback()
    job = work.session.scalars(sa.select(Job).where(Job.number == number)).one()
    rows = {row.opening_number: (row.keyset, row.operated_by) for row in schedule_of(work, job).rows}
    above = ("AA",) if warden else ()
    symbols = [f"{n + len(before) - len(above)}AA" if warden else f"SKD{n}" for n in range(1, 13)]
    assert rows == {f"E{n}": (symbol, (symbol, *above)) for n, symbol in enumerate(symbols, start=1)}
    system = get_system(work.session, system.id)
    assert audit_systems(work, [system]).is_clean
    after = bittings_in_clear(work, system)
    assert {symbol: after[symbol] for symbol in before} == before
    assert len(set(after.values())) == len(before) + 12


@pytest.mark.postgresql
def test_what_is_added_to_keys_side_by_side_stands_beside_them(house: FlaskClient, work: Work) -> None:
    system = _sealed(house, work)
    before = bittings_in_clear(work, system)
    address = f"/keying/systems/{system.id}/extend"
    assert "no master: each stands by itself" in house.get(address).text
    assert house.post(address, data={"master": "", "changes": "3", "deed": "extend"}).status_code == 303
    work.session.rollback()
    after = bittings_in_clear(work, system)
    assert set(after) - set(before) == {"SKD1", "SKD2", "SKD3"} and len(set(after.values())) == len(after)
    assert audit_systems(work, [get_system(work.session, system.id)]).is_clean
    refused = house.post(address, data={"master": "", "changes": "0", "deed": "extend"})
    assert refused.status_code == 422 and "from 1 to 5,000" in refused.text


def test_a_door_on_a_master_brings_no_keys_of_it_and_who_carries_one_gets_it(house: FlaskClient, work: Work) -> None:
    system = _sealed(house, work, ",hall,desk,store\nwarden,x,x,x\nclerk,,x,\nporter,,,x\n")
    ids = _ids(work)
    answer = house.post(
        f"/keying/systems/{system.id}/planned-doors", data={"planned": [str(one) for one in ids.values()]}
    )
    form = form_with(house.get(answer.location).text, "lines-0-standing")
    names = ("kind", "quantity", "keys_each", "symbol", "standing")
    lines = [[form.get(f"lines-{place}-{name}", "") for name in names] for place in range(3)]
    assert lines == [
        ["cylinder", "2", "2", "", f"{ids['desk']} {ids['store']}"],
        ["cylinder", "1", "0", "", str(ids["hall"])],
        ["keys", "1", "", "AA", ""],
    ]


def test_a_master_that_is_really_cut_as_it_is_has_no_key_for_that(house: FlaskClient, work: Work) -> None:
    system = _sealed(house, work, ",hall,desk,store\nwarden,x,x,x\nclerk,,x,\nporter,,,x\n")
    work.session.scalars(sa.select(Keyset).where(Keyset.symbol == "AA")).one().is_really_cut_so = True
    work.session.commit()
    planned = [str(one) for one in _ids(work).values()]
    answer = house.post(f"/keying/systems/{system.id}/planned-doors", data={"planned": planned})
    form = form_with(house.get(answer.location).text, "lines-0-standing")
    assert (form["lines-2-symbol"], form["lines-2-quantity"]) == ("AA", "1")  # the warden's


def test_nobody_gets_a_key_of_a_master_that_is_no_more(house: FlaskClient, work: Work) -> None:
    system = _sealed(house, work, ",hall,desk,store\nwarden,x,x,x\nclerk,,x,\nporter,,,x\n")
    work.session.scalars(sa.select(Keyset).where(Keyset.symbol == "AA")).one().is_retired = True
    work.session.commit()
    planned = [str(_ids(work)[door]) for door in ("desk", "store")]
    answer = house.post(f"/keying/systems/{system.id}/planned-doors", data={"planned": planned})
    form = form_with(house.get(answer.location).text, "lines-0-standing")
    assert "AA" not in [value for name, value in form.items() if name.endswith("-symbol")]


def test_names_of_people_are_names_and_no_more(house: FlaskClient, work: Work) -> None:
    """A comma in one makes no two people of her, and who is retired has a key that is in use."""
    system = _sealed(house, work, ',hall,desk,store\n"Ames, Ruth",x,x,x\nretired,,x,\nreally cut so,,,x\n')
    planned = [str(one) for one in _ids(work).values()]
    answer = house.post(f"/keying/systems/{system.id}/planned-doors", data={"planned": planned})
    form = form_with(house.get(answer.location).text, "lines-0-standing")
    assert (form["lines-2-symbol"], form["lines-2-quantity"]) == ("AA", "1")
    assert order_copies(work, system.id, "1AA", 2) == (1, 2)
    page = unescape(house.get(f"/key-systems/{system.id}").text)
    assert "master, Ames, Ruth" in page and "change, retired" in page
    number = quoted(
        house,
        {**MORTISE, "quantity": "2", "keying": "MK"},
        customer_id=system.customer_id,
        site_id=system.site_id,
        system_id=system.id,
    )
    doors = {"row-1-opening": "desk", "row-2-opening": "store"}
    accepted(house, number, override_reason="the owner asked", **doors)
    work.session.rollback()
    job = work.session.scalars(sa.select(Job).where(Job.number == number)).one()
    told = {one.symbol: one.purpose for one in schedule_of(work, job).keysets}
    assert told == {"1AA": "retired", "2AA": "really cut so"}


# Ben hangs right under the owner's key, as Avery does, who is over three.
LEVELS = "Owner: all\nBen: 201\nAvery: 101; 102; 103\n" + "\n".join(f"A{n}: 10{n}" for n in (1, 2, 3))


def test_a_lost_change_of_levels_out_of_a_matrix_is_rekeyed_by_its_quote(house: FlaskClient, work: Work) -> None:
    """Its levels draw the successor. Before a cylinder hangs there, nothing is to be rekeyed."""
    ask = {"keyway": "AQ1", "chambers": "6", "seconds": "20", "people": LEVELS, "deed": "solve"}
    address = house.post("/keying/matrix", data=ask).location
    for run in house.application.extensions["keying runs"].values():
        assert run.ended.wait(60)
    customer = factories.CustomerFactory(name="Slipway Trust")
    said = {"customer": str(customer.id), "name": "Slipway", "site_name": "Boat house"}
    assert house.post(f"{address}/seal", data=said).status_code == 303
    work.session.rollback()
    system = work.session.scalars(sa.select(KeySystem).where(KeySystem.name == "Slipway")).one()
    lost = work.session.scalars(sa.select(Keyset).where(Keyset.purpose == "Ben")).one()
    over = lost.parent
    assert over is not None and over.purpose == "Owner"
    page = f"/keying/systems/{system.id}/lost-key"
    told = unescape(house.post(page, data={"keyset": lost.symbol}).text)
    assert "1 of them is on the way or planned only: nothing that it opens hangs there yet." in told

    accepted(house, _quoted_as_planned(house, system, [*_ids(work).values()]), override_reason="the owner asked")
    told = unescape(house.post(page, data={"keyset": lost.symbol}).text)
    assert "New bittings for this plan were found" in told
    draft = draft_after_report(house, system.id, lost.symbol)
    number = issued(house, form_with(draft, "title"))
    accepted(house, number)
    work.session.rollback()
    job = work.session.scalars(sa.select(Job).where(Job.number == number)).one()
    [new] = work.session.scalars(sa.select(Cylinder).where(Cylinder.job_id == job.id)).all()
    assert new.door is not None and new.door.opening_number == "201" and new.keyset is not None
    assert new.keyset.id != lost.id and new.keyset.parent_id == over.id and new.keyset.purpose == "Ben"
    assert audit_systems(work, [get_system(work.session, system.id)]).is_clean
