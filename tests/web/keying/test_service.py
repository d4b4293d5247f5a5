"""A system in service: extended without touching a key, and answered for when a key is lost."""

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
import sqlalchemy as sa
from flask.testing import FlaskClient
from sqlalchemy.orm import Session

from app.ledger.catalog.makers import import_maker
from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.system_queries import get_system
from app.ledger.keysystems.systems import SystemForm, insert_system
from app.ledger.store.engine import transaction
from app.ledger.store.work import Work
from app.ledger.tables import CylinderOperator, Draft, Event, Keyset, KeyState, KeySystem, Level, RecordsHolder, Role
from tests import factories
from tests.forms_found import form_with
from tests.lost_and_safe import draft_after_report
from tests.web.keying.keying_system import bittings_in_clear, seeded, system_in_service

MAKERS = Path(__file__).resolve().parents[3] / "demo_data" / "makers"
ClientAs = Callable[[Role | None], FlaskClient]


def _symbols(session: Session, system: KeySystem) -> set[str]:
    session.rollback()
    return set(session.scalars(sa.select(Keyset.symbol).where(Keyset.system_id == system.id)))


def test_changes_and_masters_are_added_and_no_issued_key_is_touched(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    system = system_in_service(work)
    before, room = bittings_in_clear(work, system), system.capacity
    data = {"master": "AB", "changes": "2", "grand": "A", "masters": "1", "changes_each": "3", "singles": "0"}
    answer = client_as(Role.BENCH).post(f"/keying/systems/{system.id}/extend", data={**data, "deed": "extend"})
    assert answer.status_code == 303, answer.text
    assert _symbols(session, system) - set(before) == {"AB4", "AB5", "AC", "AC1", "AC2", "AC3"}
    after = bittings_in_clear(work, session.get_one(KeySystem, system.id))
    assert {symbol: after[symbol] for symbol in before} == before
    assert len(set(after.values())) == len(after)
    assert audit_systems(work, [get_system(session, system.id)]).is_clean
    grown = session.get_one(KeySystem, system.id).capacity
    assert grown is not None and room is not None and grown > room
    event = session.query(Event).filter_by(kind="key system extended").one()
    assert "AC1" in event.summary and not any(bitting in event.summary for bitting in after.values())


def test_masters_go_on_another_keyway_of_the_family_from_the_extend_page(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    """The page offers what one blank enters with the system's own; its page and the audit say the keyways."""
    for name in ("ardent_brass", "northlight"):
        import_maker(work, {**json.loads((MAKERS / f"{name}.json").read_text()), "items": []})
    customer = factories.CustomerFactory(name="Quay Hall Trust")
    with transaction(session):
        system = insert_system(seeded(work), SystemForm(customer.id, "Quay Hall", 3, "AQ1", 6, masters=2, changes=12))
    client = client_as(Role.BENCH)
    page = client.get(f"/key-systems/{system.id}").text
    assert ">Keyway</dt>" in page
    extend = client.get(f"/keying/systems/{system.id}/extend").text
    assert '<option value="AQ3">AQ3</option>' in extend and "NH1" not in extend
    data = {"master": "AA", "changes": "0", "grand": "A", "masters": "1", "changes_each": "3", "singles": "0"}
    data |= {"deed": "extend", "keyway": "AQ3"}
    refused = client.post(f"/keying/systems/{system.id}/extend", data={**data, "changes": "1"})
    assert refused.status_code == 422 and "changes are on their master&#39;s" in refused.text
    assert re.search(r'<option[^>]* value="AQ3"[^>]*selected|<option selected[^>]* value="AQ3"', refused.text)
    done = client.post(f"/keying/systems/{system.id}/extend", data=data)
    assert done.status_code == 303, done.text
    page = client.get(done.location).text
    assert ">Keyways</dt>" in page and "AQ1, AQ3" in page and "on AQ3" in page
    session.commit()
    session.expire_all()
    assert {one.symbol for one in get_system(session, system.id).keysets if one.keyway == "AQ3"} == {
        "AC", "AC1", "AC2", "AC3",
    }  # fmt: skip
    audit = client.get(f"/keying/systems/{system.id}/audit").text
    assert "AQ4" in audit  # the top's keys enter it, too


@pytest.mark.parametrize(
    ("changed", "field"),
    [
        ({"changes": "0"}, "changes"),
        ({"changes": "x"}, "changes"),
        ({"changes": "9000"}, "changes"),
        ({"changes": "4000"}, "changes"),  # more than the master has
        ({"master": "ZZ"}, "master"),
        ({"changes": "0", "masters": "400", "changes_each": "1"}, "masters"),
    ],
)
def test_an_extension_that_cannot_be_is_refused_by_field(
    client_as: ClientAs, session: Session, work: Work, changed: dict[str, str], field: str
) -> None:
    system = system_in_service(work)
    before = _symbols(session, system)
    data = {"master": "AB", "changes": "2", "grand": "A", "masters": "0", "changes_each": "0", "deed": "extend"}
    answer = client_as(Role.BENCH).post(f"/keying/systems/{system.id}/extend", data={**data, **changed})
    assert answer.status_code == 422 and f'id="{field}-error"' in answer.text
    assert _symbols(session, system) == before


@pytest.mark.parametrize("without", ["list", "factory"])
def test_without_the_list_it_is_refused_and_single_keys_are_offered(
    client_as: ClientAs, session: Session, work: Work, without: str
) -> None:
    system = system_in_service(work)
    system.records = RecordsHolder.NOBODY if without == "list" else RecordsHolder.FACTORY
    session.commit()
    before = _symbols(session, system)
    client = client_as(Role.BENCH)
    address = f"/keying/systems/{system.id}/extend"
    assert "Key single instead" in client.get(address).text
    data = {"master": "AB", "changes": "2", "grand": "A", "masters": "0", "changes_each": "0", "singles": "2"}
    answer = client.post(address, data={**data, "deed": "extend"})
    assert answer.status_code == 422 and "single (SKD)" in answer.text
    assert client.post(address, data={**data, "deed": "single"}).status_code == 303
    assert _symbols(session, system) == before
    book = session.query(KeySystem).filter(KeySystem.id != system.id).one()
    assert _symbols(session, book) == {"SKD1", "SKD2"}


@pytest.mark.postgresql
def test_a_lost_change_exposes_its_door_and_makes_a_draft_quote(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    system = system_in_service(work)
    keyset = session.scalars(sa.select(Keyset).where(Keyset.symbol == "AA1")).one()
    for number in range(1, 4):
        factories.KeyFactory(keyset=keyset, copy_number=number, state=KeyState.OUT)
    client = client_as(Role.COUNTER)
    address = f"/keying/systems/{system.id}/lost-key"
    page = client.post(address, data={"keyset": "AA1", "deed": "show"}).text
    assert "operates 1 cylinder" in page and "door D1" in page and "door D2" not in page
    assert "The figures here are of the bittings found for this look." in page
    assert not any(bitting in page for bitting in bittings_in_clear(work, system).values())
    draft_after_report(client, system.id, "AA1")
    session.rollback()
    typed = session.query(Draft).one().typed
    assert [(line["kind"], line["quantity"]) for line in typed["lines"]] == [("rekey", "1"), ("keys", "3")]
    assert typed["customer_id"] == str(system.customer_id)
    assert typed["title"] == "Rekey after a lost key of AA1"


def test_a_lost_master_exposes_every_door_under_it(client_as: ClientAs, work: Work) -> None:
    system = system_in_service(work)
    page = client_as(Role.BENCH).post(f"/keying/systems/{system.id}/lost-key", data={"keyset": "AA"}).text
    assert "operates 3 cylinders" in page
    for door in ("D1", "D2", "D3"):
        assert f"door {door}" in page
    assert "door D4" not in page.partition("To rekey</h2>")[0]


def test_an_unknown_keyset_is_refused(client_as: ClientAs, session: Session, work: Work) -> None:
    system = system_in_service(seeded(work))
    answer = client_as(Role.COUNTER).post(f"/keying/systems/{system.id}/lost-key", data={"keyset": "ZZ1"})
    assert answer.status_code == 422 and 'id="keyset-error"' in answer.text
    session.rollback()
    assert session.query(Event).filter_by(kind="lost key looked at").count() == 0


def test_the_draft_of_a_lost_key_names_doors_and_what_crosses_them(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    """A cylinder rekeyed without its cross-keying would shut out people who are meant to get in."""
    system = system_in_service(work)
    one, other = (session.scalars(sa.select(Keyset).where(Keyset.symbol == s)).one() for s in ("AA1", "AB1"))
    session.add(CylinderOperator(cylinder_id=one.cylinders[0].id, keyset_id=other.id))
    factories.CylinderFactory(
        door=factories.DoorFactory(site=one.cylinders[0].door.site, opening_number="D9"),
        keyset=one,
        keyway="AQ1",
        chambers=6,
        is_nmk=True,
    )
    session.commit()
    draft_after_report(client_as(Role.COUNTER), system.id, "AA1")
    session.rollback()
    lines = [line for line in session.query(Draft).one().typed["lines"] if line["kind"] == "rekey"]
    by_door = {line["remark"].split("door ")[1].split(";")[0]: line["remark"] for line in lines}
    # AB1 has to go too: with the masters it has every cut of the lost key. AB4 is the next free symbol.
    assert by_door == {
        "D1": "after the loss of a key of AA1; door D1; stays cross-keyed with AB4",
        "D4": "after the loss of a key of AA1; door D4",
        "D9": "after the loss of a key of AA1; door D9; stays NMK",
    }


@pytest.mark.parametrize("case", ["two levels", "no array", "factory"])
def test_the_page_is_served_with_only_the_fields_that_it_has(
    client_as: ClientAs, session: Session, work: Work, case: str
) -> None:
    system = system_in_service(work)
    if case == "two levels":
        with transaction(session):
            form = SystemForm(system.customer_id, "Two levels", 2, "AQ1", 6, changes=12)
            system = insert_system(seeded(work), form)
    elif case == "no array":
        system.sealed_plan = None
    else:
        system.records = RecordsHolder.FACTORY
    session.commit()
    client = client_as(Role.BENCH)
    address = f"/keying/systems/{system.id}/extend"
    sent = form_with(client.get(address).text, "singles")
    if case == "two levels":
        assert "master" in sent and "grand" not in sent
        assert client.post(address, data={**sent, "changes": "2", "deed": "extend"}).status_code == 303
        assert _symbols(session, system) == {"AA", "1AA", "2AA"}
    assert client.post(address, data={**sent, "singles": "1", "deed": "single"}).status_code == 303
    session.rollback()
    assert session.query(Keyset).filter_by(symbol="SKD1").count() == 1


def test_a_change_directly_under_the_grand_is_operated_by_no_master(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    system = system_in_service(work)
    room = system.capacity
    client = client_as(Role.BENCH)
    address = f"/keying/systems/{system.id}/extend"
    assert "directly: no further master" in client.get(address).text
    assert client.post(address, data={"master": "A", "changes": "2", "deed": "extend"}).status_code == 303
    session.rollback()
    found = {one.symbol: one for one in session.query(Keyset).filter(Keyset.symbol.in_(("A1", "A2")))}
    assert {one.level for one in found.values()} == {Level.CHANGE}
    assert {one.parent.symbol for one in found.values() if one.parent} == {"A"} and len(found) == 2
    session.expire_all()
    assert room is not None and system.capacity == room + 2
    opened = bittings_in_clear(work, system)
    for symbol in found:
        # Cut like A where changes turn, so that only its masters' chambers tell it from A.
        pinned = [set(cuts) for cuts in zip(opened[symbol], opened["A"], strict=True)]
        turned_by = {one for one, text in opened.items() if all(c in p for c, p in zip(text, pinned, strict=True))}
        assert turned_by == {symbol, "A"}
    assert audit_systems(work, [get_system(session, system.id)]).is_clean
