"""A bitting that is wrong on record: it stops the bench, shows no pins, and the owner corrects it."""

import re
from collections.abc import Callable
from itertools import product

import pytest
import sqlalchemy as sa
from flask.testing import FlaskClient
from sqlalchemy.orm import Session

from app.keying import NamedKey
from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.bittings import open_plan, seal_bitting, spec_of
from app.ledger.keysystems.rows_aside import put_aside
from app.ledger.keysystems.unsealed_system import SystemsInService
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Event, Job, Keyset, KeyState, KeySystem, Level, Role, Stage
from tests import factories
from tests.forms_found import form_with
from tests.web.keying.keying_system import bittings_in_clear, first_unlike, put_cut, system_in_service

ClientAs = Callable[[Role | None], FlaskClient]


def _keyset(session: Session, symbol: str) -> Keyset:
    return session.scalars(sa.select(Keyset).where(Keyset.symbol == symbol)).one()


def _reseal(session: Session, work: Work, symbol: str, bitting: str) -> None:
    keyset = _keyset(session, symbol)
    session.delete(keyset.bitting)
    session.flush()
    session.expire(keyset)
    seal_bitting(work, keyset.system, keyset, tuple(int(cut) for cut in bitting))
    session.commit()


@pytest.fixture
def broken(session: Session, work: Work) -> tuple[KeySystem, str, str]:
    """A system whose AA2 was typed wrong, so that it turns AA1's cylinder; with the right and the wrong bitting."""
    system = system_in_service(work)
    opened = bittings_in_clear(work, system)
    right = opened["AA2"]
    wrong = put_cut(opened["AA1"], first_unlike(opened["AA1"], opened["AA"]), opened["AA"])
    _reseal(session, work, "AA2", wrong)
    assert not audit_systems(work, [system]).is_clean
    return system, right, wrong


def _correct(client: FlaskClient, system: KeySystem, keyset: Keyset, bitting: str, **more: str) -> tuple[int, str]:
    data = {"keyset": str(keyset.id), "bitting": bitting, "why": "the key was read anew", **more}
    answer = client.post(f"/keying/systems/{system.id}/correct", data=data)
    return answer.status_code, answer.text


def test_a_bitting_that_a_row_aside_may_have_is_not_put_in_before_the_row_is_settled(
    client_as: ClientAs, session: Session, work: Work, broken: tuple[KeySystem, str, str]
) -> None:
    system, right, _ = broken
    client = client_as(Role.OWNER)
    session.rollback()
    listed = factories.KeySystemFactory(
        customer=system.customer, name="Old wharf", keyway=system.keyway, chambers=system.chambers, spec=system.spec
    )
    factories.KeysetFactory(system=listed, symbol="AA", level=Level.MASTER)
    put_aside(work, listed, 7, NamedKey("", "K7"), "Two of it.", " ".join(right))
    session.commit()
    status, page = _correct(client, system, _keyset(session, "AA2"), right)
    assert status == 422 and "Row 7 of the list that Old wharf came from may be this very key" in page
    assert right not in page.replace(f'value="{right}"', "")
    [aside] = re.findall(r'href="(/keying/systems/\d+/aside/\d+)"', client.get(f"/key-systems/{listed.id}").text)
    boxes = form_with(client.get(aside).text, "why") | {"why": "It is AA2 of Quay Hall, on record twice"}
    assert client.post(aside, data=boxes).status_code == 303
    status, page = _correct(client, system, _keyset(session, "AA2"), right)
    assert status == 303, page


def test_a_bitting_that_is_another_from_its_other_end_is_asked_about(
    client_as: ClientAs, session: Session, work: Work, broken: tuple[KeySystem, str, str]
) -> None:
    system, right, _ = broken
    client = client_as(Role.OWNER)
    session.rollback()
    singles = factories.KeySystemFactory(
        customer=system.customer, name="Singles", keyway=system.keyway, chambers=6, spec=system.spec, levels=1
    )
    single = factories.KeysetFactory(system=singles, symbol="SKD1", level=Level.SINGLE)
    seal_bitting(work, singles, single, tuple(map(int, reversed(right))))
    session.commit()
    aa2 = _keyset(session, "AA2")
    status, page = _correct(client, system, aa2, right)
    assert status == 422 and right not in page and right[::-1] not in page
    [told] = re.findall('name="from_bow" value="([^"]*)"', page)
    assert told.startswith("Read from the other end these are the cuts of SKD1 of Singles:")
    status, page = _correct(client, system, aa2, right, from_bow=told)
    assert status == 303, page


def test_the_owner_corrects_it_and_the_audit_is_clean(
    client_as: ClientAs, session: Session, work: Work, broken: tuple[KeySystem, str, str]
) -> None:
    system, right, wrong = broken
    client = client_as(Role.OWNER)
    assert "Correct a bitting" in client.get(f"/key-systems/{system.id}").text
    status, page = _correct(client, system, _keyset(session, "AA2"), right)
    assert status == 303, page
    session.rollback()
    assert audit_systems(work, [system]).is_clean
    assert bittings_in_clear(work, system)["AA2"] == right
    event = session.query(Event).filter_by(kind="bitting corrected").one()
    assert right not in str(event.__dict__) and wrong not in str(event.__dict__)
    assert "the key was read anew" in event.summary and open_plan(work.vault, system) is not None


def test_no_pins_are_shown_of_what_the_audit_finds(
    client_as: ClientAs, session: Session, broken: tuple[KeySystem, str, str]
) -> None:
    system, right, _ = broken
    address = f"/key-systems/{system.id}/bittings"
    data = {"keyset": str(_keyset(session, "AA1").id)}
    client = client_as(Role.OWNER)
    page = client.post(address, data=data).text
    assert "No pins are shown" in page and "A cylinder on" not in page
    assert _correct(client, system, _keyset(session, "AA2"), right)[0] == 303
    assert "A cylinder on" in client.post(address, data=data).text


@pytest.mark.parametrize(
    ("bitting", "words"),
    [
        ("", "Enter the bitting"),
        ("12", "has 2 cuts"),
        ("same", "This is the bitting on record"),
        ("AA1", "Another keyset of this system has this bitting"),
        ("090909", "MACS"),
        ("AB1 for AA1", "would also operate"),
        ("9" * 10_000, "at most 12"),
    ],
)
def test_a_correction_that_makes_it_worse_is_refused(
    client_as: ClientAs, session: Session, work: Work, broken: tuple[KeySystem, str, str], bitting: str, words: str
) -> None:
    system, _, wrong = broken
    opened = bittings_in_clear(work, system)
    other = opened["A"][0] + opened["AB1"][1:]
    given = {"same": wrong, "AA1": opened["AA1"], "AB1 for AA1": other}.get(bitting, bitting)
    status, page = _correct(client_as(Role.OWNER), system, _keyset(session, "AA2"), given)
    assert status == 422 and words in page.partition('id="bitting-error"')[2].partition("</p>")[0]
    session.rollback()
    assert bittings_in_clear(work, system) == opened
    assert session.query(Event).filter_by(kind="bitting corrected").count() == 0


def test_metal_made_by_the_record_has_to_be_destroyed_first(
    client_as: ClientAs, session: Session, broken: tuple[KeySystem, str, str]
) -> None:
    system, right, _ = broken
    keyset = _keyset(session, "AA2")
    job: Job = factories.JobFactory(customer=system.customer)
    factories.KeyFactory(keyset=keyset, copy_number=1, state=KeyState.CUT, job_id=job.id)
    session.commit()
    client = client_as(Role.OWNER)
    status, page = _correct(client, system, keyset, right)
    assert status == 422 and "Keys cut by this record: 1" in page.partition('id="destroyed-error"')[2]
    assert _correct(client, system, keyset, right, destroyed="y")[0] == 303
    session.rollback()
    assert "said to be destroyed" in session.query(Event).filter_by(kind="bitting corrected").one().summary


def test_a_corrected_master_counts_what_it_operates_and_has_it_pinned_anew(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    system = system_in_service(work)
    opened = bittings_in_clear(work, system)
    job: Job = factories.JobFactory(customer=system.customer, stage=Stage.ON_THE_BENCH)
    mine = session.scalars(sa.select(Cylinder).where(Cylinder.keyset_id == _keyset(session, "AA1").id)).first()
    assert mine is not None
    mine.job_id, mine.state = job.id, CylinderState.CHECKED
    session.commit()
    client, master = client_as(Role.OWNER), _keyset(session, "AA")
    own = opened["AA"]
    near = (own[:at] + str((int(own[at]) + 2) % 10) + own[at + 1 :] for at in (5, 4, 3))
    right = next(bitting for bitting in near if bitting not in opened.values())
    status, page = _correct(client, system, master, right)
    assert status == 422 and "cylinders pinned by it: 1." in page
    assert _correct(client, system, master, right, destroyed="y")[0] == 303
    session.rollback()
    session.refresh(mine)
    assert mine.state is CylinderState.ORDERED
    told = session.query(Event).filter_by(kind="cylinders to pin anew").one().summary
    assert told == "1 cylinder to pin and check anew: the bitting of AA is corrected"


def test_keys_that_the_bench_cut_by_the_record_are_cut_anew(
    client_as: ClientAs, session: Session, broken: tuple[KeySystem, str, str]
) -> None:
    """Until then they are no keys to hand over; a job that has left the bench goes back there first."""
    system, right, _ = broken
    factories.HouseFactory()
    keyset = _keyset(session, "AA2")
    job: Job = factories.JobFactory(customer=system.customer, stage=Stage.ON_THE_BENCH)
    factories.KeyFactory(keyset=keyset, copy_number=1, job_id=job.id)
    factories.KeyFactory(keyset=keyset, copy_number=2, state=KeyState.OUT, holder="R. Teal", job_id=job.id)
    session.commit()
    number, owner = job.number, client_as(Role.OWNER)
    assert owner.post(f"/bench/jobs/{number}/ticks", data={"as": "cut", "keys": keyset.id}).status_code == 303
    assert "<dt>Keys to cut</dt><dd>0 of 2</dd>" in owner.get(f"/bench/jobs/{number}").text
    session.rollback()
    job.stage = Stage.READY
    session.commit()
    status, page = _correct(owner, system, keyset, right, destroyed="y")
    assert status == 422 and f"Job {number} is ready: move it back on to the bench first, to be cut anew." in page
    session.rollback()
    job.stage = Stage.ON_THE_BENCH
    session.commit()
    assert _correct(owner, system, keyset, right, destroyed="y")[0] == 303
    assert "<dt>Keys to cut</dt><dd>1 of 2</dd>" in owner.get(f"/bench/jobs/{number}").text
    session.rollback()
    told = session.query(Event).filter_by(kind="keys to cut anew").one().summary
    assert told == f"1 key to cut anew, job {number}: AA2; the bitting of AA2 is corrected"


def test_the_reason_says_no_cut(client_as: ClientAs, session: Session, broken: tuple[KeySystem, str, str]) -> None:
    system, right, wrong = broken
    client = client_as(Role.OWNER)
    for why, words in (
        ("", "how it was found"),
        (f"it is {right}", "leave the cuts out"),
        (f"it is {'-'.join(right)}", "leave the cuts out"),
        (f"{', '.join(wrong)} stood there", "leave the cuts out"),
        ("w" * 300, "At most 200"),
    ):
        status, page = _correct(client, system, _keyset(session, "AA2"), right, why=why)
        assert status == 422 and words in page.partition('id="why-error"')[2].partition("</p>")[0]


@pytest.mark.postgresql
def test_a_missing_master_stops_the_bench_until_it_is_entered(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    system = system_in_service(work)
    right = bittings_in_clear(work, system)["AB"]
    session.delete(_keyset(session, "AB").bitting)
    session.commit()
    session.expire_all()
    found = audit_systems(work, [system]).findings
    assert [one.sentence for one in found] == [
        "The bitting of AB is not in this house, so AB3 of Quay Hall would be pinned without that key."
    ]
    assert _correct(client_as(Role.OWNER), system, _keyset(session, "AB"), right)[0] == 303
    session.rollback()
    assert audit_systems(work, [system]).is_clean


@pytest.mark.postgresql
def test_a_master_outside_the_array_costs_the_system_its_plan(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    system = system_in_service(work)
    opened = bittings_in_clear(work, system)
    plan = open_plan(work.vault, system)
    assert plan is not None
    # Another cut in a chamber that serves changes: no master of this array has it.
    client = client_as(Role.OWNER)
    for place, depth in product([n for n, role in enumerate(plan.roles) if role == "C"], range(10)):
        taken = {text[place] for text in opened.values()}
        other = opened["AB"][:place] + str(depth) + opened["AB"][place + 1 :]
        status = 0
        if str(depth) not in taken and (depth - int(opened["AB"][place])) % 2 == 0:
            status, _ = _correct(client, system, _keyset(session, "AB"), other)
        if status == 303:
            break
    else:
        pytest.fail("no such master is within MACS")
    session.rollback()
    session.expire_all()
    assert system.sealed_plan is None and system.capacity is None
    page = client.get(f"/keying/systems/{system.id}/extend").text
    assert "This system has no array" in page and "Key single instead" not in page


@pytest.mark.parametrize("role", [Role.BENCH, Role.COUNTER])
def test_only_the_owner_corrects(client_as: ClientAs, work: Work, role: Role) -> None:
    system = system_in_service(work)
    client = client_as(role)
    assert client.get(f"/keying/systems/{system.id}/correct").status_code == 403
    assert "Correct a bitting" not in client.get(f"/key-systems/{system.id}").text


def test_a_rekeying_on_its_way_mends_a_finding_where_both_bittings_are_right(
    session: Session, work: Work, broken: tuple[KeySystem, str, str]
) -> None:
    """Otherwise the very job that mends it could be neither accepted nor printed."""
    system = broken[0]
    old = _keyset(session, "AA1").cylinders[0]
    old.state = CylinderState.FITTED
    job = factories.JobFactory()
    place = {"door": old.door, "keyway": "AQ1", "chambers": 6, "job_id": job.id}
    # One on the other side of the same door mends nothing.
    factories.CylinderFactory(**place, keyset=_keyset(session, "AB1"), position="inside", state=CylinderState.ORDERED)
    assert not audit_systems(work, [system]).is_clean
    new = factories.CylinderFactory(**place, keyset=_keyset(session, "AB1"), state=CylinderState.ORDERED)
    assert audit_systems(work, [system]).is_clean
    # A key that is drawn meanwhile still turns neither: the old one is on the door until the new one comes.
    assert len(SystemsInService.of(work, [system], spec_of(system), "AQ1").stacks) == 6
    new.state = CylinderState.REMOVED  # the job is canceled
    session.commit()
    assert not audit_systems(work, [system]).is_clean
