"""Interchangeable cores: every system of them gets a control key, or says why it has none and how to add it."""

import io
import random
import re
from collections.abc import Callable

import pytest
from flask.testing import FlaskClient
from sqlalchemy.orm import Session

from app.keying import pin
from app.ledger.bench.bench_sheet import bench_work
from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.bittings import seal_bitting
from app.ledger.keysystems.control import insert_control
from app.ledger.keysystems.system_queries import get_system
from app.ledger.keysystems.unsealed_system import open_system
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Event, KeySystem, Level, RecordsHolder, Role
from tests import factories
from tests.desk import list_taken
from tests.web.keying.keying_system import bittings_in_clear, system_in_service

ClientAs = Callable[[Role | None], FlaskClient]
CORE: dict[str, object] = {
    "chambers": 7,
    "depths": 10,
    "first_depth": 0,
    "macs": 9,
    "step": 2,
    "stack_total": 23,
    "control_offset": 10,
    "min_master_pin": 2,
}
NESTED = ",hall,desk,store\nwarden,x,x,x\nclerk,,x,\nporter,x,,\n"
LIST = "symbol,bitting,status\nAA,5286145,used\n1AA,7460363,used\n2AA,3462987,used\n"


def _fits(work: Work, system: KeySystem) -> bool:
    """Whether every way of operating a core, now or of a keyset alone, can be pinned for the control key."""
    opened = open_system(work, system.id)
    assert opened.control is not None
    ways = [*opened.cylinders.values(), *((symbol,) for symbol in opened.keys)]
    stacks = [pin(opened.spec, {one: opened.keys[one] for one in way}, opened.control).chambers for way in ways]
    return all((pins.buildup or 0) >= 2 and (pins.top or 0) >= 1 for stack in stacks for pins in stack)


def _matrix(client: FlaskClient, text: str = NESTED) -> str:
    data = {"keyway": "NQ1", "chambers": "7", "seconds": "20"}
    answer = client.post("/keying/matrix", data={**data, "file": (io.BytesIO(text.encode()), "who.csv")})
    for run in client.application.extensions["keying runs"].values():
        assert run.ended.wait(60)
    return answer.location


def _taken(client: FlaskClient, session: Session, text: str) -> KeySystem:
    customer = factories.CustomerFactory()
    list_taken(client, text, customer.id, "Old list", keyway="NQ1", chambers="7")
    session.rollback()
    return session.query(KeySystem).one()


@pytest.fixture
def house(session: Session) -> None:
    factories.KeywayFactory(code="NQ1", spec__spec=CORE)


@pytest.mark.postgresql
@pytest.mark.usefixtures("house")
def test_a_system_made_of_a_matrix_gets_a_control_key(client_as: ClientAs, session: Session, work: Work) -> None:
    bench = client_as(Role.BENCH)
    address = _matrix(bench)
    customer = factories.CustomerFactory()
    assert (
        bench.post(
            f"{address}/seal", data={"customer": str(customer.id), "name": "Office", "site_name": "Quay"}
        ).status_code
        == 303
    )
    session.rollback()
    system = get_system(session, session.query(KeySystem).one().id)
    assert [keyset.level for keyset in system.keysets].count(Level.CONTROL) == 1
    assert _fits(work, system) and audit_systems(work, [system]).is_clean
    [event] = session.query(Event).filter_by(kind="key system made of a matrix")
    assert event.summary.endswith("with a control key")
    assert "no control key is on record" not in bench.get(f"/key-systems/{system.id}").text


@pytest.mark.usefixtures("house")
def test_a_list_with_its_control_key_keeps_it(client_as: ClientAs, session: Session, work: Work) -> None:
    older = LIST.replace("1AA,", "X1AA,").replace("2AA,", "2AA(NMK),")  # marks of a cylinder, not of its key
    system = _taken(client_as(Role.OWNER), session, older + "CTR,2345678,used\n")
    assert [keyset.symbol for keyset in system.keysets] == ["AA", "1AA", "2AA", "CONTROL"]
    assert bittings_in_clear(work, system)["CONTROL"] == "2345678"
    assert system.sealed_plan is not None  # the control key is no part of the progression
    assert _fits(work, system)


@pytest.mark.usefixtures("house")
def test_a_list_without_one_is_told_on_the_page_and_takes_the_key_in_service(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    system = _taken(client_as(Role.OWNER), session, LIST)
    bench = client_as(Role.BENCH)
    page = bench.get(f"/key-systems/{system.id}").text
    assert "no control key is on record" in page and f"/keying/systems/{system.id}/control" in page
    address = f"/keying/systems/{system.id}/control"
    assert "Draw a new one only where" in bench.get(address).text
    for refused in ("", "234567", "23456789", "12345x7", "5286145"):  # the last is the master's
        answer = bench.post(address, data={"control": refused, "deed": "enter"})
        assert answer.status_code == 422 and 'id="control-error"' in answer.text, refused
        assert not refused or refused not in answer.text
    assert bench.post(address, data={"control": "2345678", "deed": "enter"}).status_code == 303
    session.rollback()
    assert bittings_in_clear(work, system)["CONTROL"] == "2345678"
    [event] = session.query(Event).filter_by(kind="control key added")
    assert "2345678" not in event.summary + str(event.detail)
    assert bench.post(address, data={"deed": "draw"}).status_code == 422
    assert client_as(Role.COUNTER).get(address).status_code == 403


@pytest.mark.usefixtures("house")
def test_a_control_key_that_is_another_from_its_other_end_is_asked_about(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    system, bench = _taken(client_as(Role.OWNER), session, LIST), client_as(Role.BENCH)
    session.rollback()
    singles = factories.KeySystemFactory(
        customer=system.customer, name="Singles", keyway="NQ1", chambers=7, spec=system.spec, levels=1
    )
    seal_bitting(
        work,
        singles,
        factories.KeysetFactory(system=singles, symbol="SKD1", level=Level.SINGLE),
        (8, 7, 6, 5, 4, 3, 2),
    )
    session.commit()
    address, typed = f"/keying/systems/{system.id}/control", {"control": "2345678", "deed": "enter"}
    page = bench.post(address, data=typed).text
    [told] = re.findall('name="from_bow" value="([^"]*)"', page)
    assert told.startswith("Read from the other end these are the cuts of SKD1 of Singles:") and "2345678" not in page
    assert bench.post(address, data={**typed, "from_bow": told}).status_code == 303


@pytest.mark.usefixtures("house")
def test_a_new_one_is_drawn_when_asked(client_as: ClientAs, session: Session, work: Work) -> None:
    system = _taken(client_as(Role.OWNER), session, LIST)
    address = f"/keying/systems/{system.id}/control"
    assert client_as(Role.BENCH).post(address, data={"deed": "draw"}).status_code == 303
    session.rollback()
    assert _fits(work, get_system(session, system.id))


@pytest.mark.usefixtures("house")
def test_the_factory_keeps_the_control_key_of_its_systems(client_as: ClientAs, session: Session) -> None:
    system = factories.KeySystemFactory(spec__spec=CORE, keyway="NQ1", chambers=7, records=RecordsHolder.FACTORY)
    session.commit()
    bench = client_as(Role.BENCH)
    page = bench.get(f"/key-systems/{system.id}").text
    assert "control key is with whoever holds the records: factory" in page and "Add the control key" not in page
    assert bench.post(f"/keying/systems/{system.id}/control", data={"deed": "draw"}).status_code == 422


def test_no_bench_sheet_of_cores_prints_without_a_control_key(session: Session, work: Work) -> None:
    system = system_in_service(work, {**CORE, "chambers": 6})
    job = factories.JobFactory(customer=system.customer, keyed_at="shop")
    for keyset in system.keysets:
        for cylinder in keyset.cylinders:
            cylinder.job_id = job.id
    [control] = [keyset for keyset in system.keysets if keyset.level is Level.CONTROL]
    factories.HouseFactory()
    session.commit()
    assert all(
        pins.buildup for group in bench_work(work, job).systems[0].cylinders for pins in group.pinning.chambers
    )
    session.delete(control.bitting)
    session.delete(control)
    session.commit()
    session.expire_all()
    with pytest.raises(LedgerError, match=r"has no control key\. No bench sheet is printed"):
        bench_work(work, job)


def test_a_plain_key_cut_like_a_control_key_is_a_finding(session: Session, work: Work) -> None:
    system = system_in_service(work, {**CORE, "chambers": 6})
    other = factories.KeySystemFactory(
        customer=system.customer, name="Annex", keyway="AQ1", chambers=6, spec=system.spec, levels=1
    )
    stolen = factories.KeysetFactory(system=other, symbol="SKD1", level=Level.SINGLE)
    control = open_system(work, system.id).control
    assert control is not None and audit_systems(work, [get_system(session, system.id)]).is_clean
    seal_bitting(work, other, stolen, control)
    session.commit()
    [finding] = audit_systems(work, [get_system(session, system.id)]).findings
    assert finding.sentence.startswith("Key SKD1 of Annex is cut like CONTROL of Quay Hall")


def test_a_control_key_that_turns_a_core_is_a_finding(session: Session, work: Work) -> None:
    system = system_in_service(work, {**CORE, "chambers": 6})
    opened = open_system(work, system.id)
    # Half of the change's cuts and half of the grand's turn AA1's core.
    mixed = (*opened.keys["AA1"][:3], *opened.keys["A"][3:])
    mixed = next(
        cuts for cuts in (mixed, (*opened.keys["A"][:3], *opened.keys["AA1"][3:])) if cuts not in opened.keys.values()
    )
    [control] = [keyset for keyset in system.keysets if keyset.level is Level.CONTROL]
    session.delete(control.bitting)
    session.flush()
    session.expire_all()
    seal_bitting(work, system, control, mixed)
    session.commit()
    found = audit_systems(work, [get_system(session, system.id)]).findings
    assert any("Key CONTROL of Quay Hall would also operate AA1 of Quay Hall" in one.sentence for one in found)


def test_drawn_controls_are_alike_nowhere_on_a_keyway(session: Session, work: Work) -> None:
    factories.KeywayFactory(code="NQ2", spec__spec={**CORE, "chambers": 3, "macs": 1})
    rng = random.Random(7)
    drawn = set()
    for number in range(6):
        with transaction(session):
            system = factories.KeySystemFactory(
                keyway="NQ2", chambers=3, levels=1, name=f"S{number}", spec__spec={**CORE, "chambers": 3, "macs": 1}
            )
            insert_control(Work(session, work.vault, work.actor, work.now, rng), system)
        drawn.add(open_system(work, system.id).control)
    assert len(drawn) == 6


def test_a_lost_control_key_exposes_every_core(client_as: ClientAs, session: Session, work: Work) -> None:
    system = system_in_service(work, {**CORE, "chambers": 6})
    client, address = client_as(Role.BENCH), f"/keying/systems/{system.id}/lost-key"
    assert ">CONTROL, control" in client.get(address).text
    page = client.post(address, data={"keyset": "CONTROL", "deed": "show"})
    assert page.status_code == 200 and "takes out the cores of 6 cylinders" in page.text
    assert "The same 6, no other" in page.text and "CONTROL (1 key)" in re.sub("<[^>]+>", "", page.text)
    assert "operates 1 cylinder" in client.post(address, data={"keyset": "AA1", "deed": "show"}).text


def test_no_pins_are_shown_of_a_core_without_its_control_key(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    """Its build-up and top pins would be left out, and the core could never be taken out."""
    system = system_in_service(work, {**CORE, "chambers": 6})
    control = next(keyset for keyset in system.keysets if keyset.level is Level.CONTROL)
    change = next(keyset for keyset in system.keysets if keyset.level is Level.CHANGE)
    client = client_as(Role.OWNER)
    address, data = f"/key-systems/{system.id}/bittings", {"keyset": str(change.id)}
    assert "A cylinder on" in client.post(address, data=data).text
    session.delete(control.bitting)
    session.delete(control)
    session.commit()
    page = client.post(address, data=data).text
    assert "has no control key. No pins are shown." in page and "A cylinder on" not in page
