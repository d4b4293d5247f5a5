"""Written authority for a job: no acceptance and no bench without it; the owner's override is on record."""

import secrets
from fractions import Fraction

import pytest
import sqlalchemy as sa

from app.fitting import CylinderAttributes
from app.ledger.jobs.stages import move_job
from app.ledger.keysystems.authority import change_records, lacks_authority, systems_of_job, systems_touched
from app.ledger.quoting.accepting import AcceptForm, accept_quote
from app.ledger.quoting.issuing import IssueForm, issue_quote
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest, SystemRequest
from app.ledger.sites.door_paste import DoorRow
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import events_of_job
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Door, Event, Job, Key, KeySystem, LineKind, Role, Site, Stage
from app.pricing import KeyingKind
from tests.ledger.conftest import by, customer_id

MORTISE = CylinderAttributes("mortise", Fraction(9, 8), 6, 6, "AQ1", "standard", None, "626")


def quoted(work: Work, *lines: LineRequest, system: SystemRequest) -> Job:
    ask = QuoteRequest(
        customer_id(work, "Harbourmaster"), lines, system=system, keyed_at="shop", override_reason="needed soon"
    )
    return work.session.get_one(Job, issue_quote(work, IssueForm(ask, secrets.token_hex(8))).job_id)


def accept(work: Work, job: Job, override_reason: str = "") -> Job:
    return accept_quote(
        work, job.id, AcceptForm("P. Harbour", work.today, job.version, override_reason=override_reason)
    )


@pytest.fixture
def owned(work: Work) -> KeySystem:
    """A system with two cylinders, whose owner of record has given nothing in writing."""
    line = LineRequest(LineKind.CYLINDER, 2, "ARD", attributes=MORTISE, keying=KeyingInstruction(KeyingKind.MK))
    accept(work, quoted(work, line, system=SystemRequest(name="The Flats")))
    system = work.session.scalars(sa.select(KeySystem)).one()
    return change_records(work, system.id, system.version, "Harbour Board", "")


def counts(work: Work) -> tuple[int, ...]:
    work.session.rollback()
    return tuple(work.session.scalar(sa.select(sa.func.count()).select_from(one)) or 0 for one in (Cylinder, Key))


LINES = {
    "cylinders": LineRequest(
        LineKind.CYLINDER, 1, "ARD", attributes=MORTISE, keying=KeyingInstruction(KeyingKind.MK)
    ),
    "rekey": LineRequest(LineKind.REKEY, 1, attributes=MORTISE, keying=KeyingInstruction(KeyingKind.MK)),
    "keys": LineRequest(LineKind.KEYS, 2, "ARD", symbol="1AA", attributes=MORTISE),
}


@pytest.mark.parametrize("line", LINES.values(), ids=LINES)
def test_nothing_is_accepted_in_an_owned_system_without_authority(
    work: Work, owned: KeySystem, line: LineRequest
) -> None:
    job = quoted(work, line, system=SystemRequest(existing_id=owned.id))
    before = counts(work)
    for role in (Role.COUNTER, Role.OWNER):
        with pytest.raises(LedgerError, match="belongs to Harbour Board, and no written authority") as refused:
            accept(by(work, role), work.session.get_one(Job, job.id))
        assert refused.value.field == "override_reason"
    with pytest.raises(LedgerError, match="Only the owner of the house"):
        accept(by(work, Role.COUNTER), work.session.get_one(Job, job.id), "they rang")
    assert counts(work) == before
    assert work.session.get_one(Job, job.id).stage is Stage.QUOTED

    accepted = accept(work, work.session.get_one(Job, job.id), "the letter is in the post")
    assert accepted.stage is Stage.APPROVED and counts(work) > before
    told = events_of_job(work.session, job.id, Role.COUNTER)
    overridden = [event for event in told if event.kind == "authority overridden"]
    assert [event.subject for event in overridden] == [f"key system {owned.id}"]
    assert overridden[0].summary.endswith("Reason: the letter is in the post")


def test_with_authority_on_file_everything_goes_on(work: Work, owned: KeySystem) -> None:
    job = quoted(work, LINES["keys"], system=SystemRequest(existing_id=owned.id))
    change_records(work, owned.id, owned.version, "Harbour Board", "Letter of 1 March")
    accept(by(work, Role.COUNTER), work.session.get_one(Job, job.id))
    move_job(by(work, Role.BENCH), job.id, work.session.get_one(Job, job.id).version, Stage.ON_THE_BENCH)
    assert work.session.scalars(sa.select(Event).where(Event.kind == "authority overridden")).all() == []


def test_the_bench_does_not_start_without_authority(work: Work, owned: KeySystem) -> None:
    job = work.session.scalars(sa.select(Job)).one()
    assert list(systems_of_job(work.session, job.id)) == [owned] and lacks_authority(owned)
    with pytest.raises(LedgerError, match="no written authority"):
        move_job(by(work, Role.BENCH), job.id, job.version, Stage.ON_THE_BENCH)
    with pytest.raises(LedgerError, match="Only the owner of the house"):
        move_job(by(work, Role.BENCH), job.id, job.version, Stage.ON_THE_BENCH, override_reason="they rang")
    moved = move_job(work, job.id, job.version, Stage.ON_THE_BENCH, override_reason="their porter stands here")
    assert moved.stage is Stage.ON_THE_BENCH
    kinds = [event.kind for event in events_of_job(work.session, job.id, Role.COUNTER)][:2]
    assert kinds == ["stage moved", "authority overridden"]


def test_parts_may_be_ordered_meanwhile(work: Work, owned: KeySystem) -> None:
    job = work.session.scalars(sa.select(Job)).one()
    assert move_job(by(work, Role.COUNTER), job.id, job.version, Stage.PARTS_ON_ORDER).stage is Stage.PARTS_ON_ORDER


def on_a_door(work: Work, system: KeySystem) -> Door:
    """A door whose cylinder, fitted long ago, belongs to the system."""
    site = work.session.scalars(sa.select(Site).where(Site.customer_id == system.customer_id)).first()
    keyset = next(one for one in system.keysets if one.symbol == "1AA")
    door = Door(site=site, opening_number="F1")
    work.session.add(
        Cylinder(door=door, keyset=keyset, state=CylinderState.FITTED, words="mortise cylinder", type="mortise")
    )
    work.session.commit()
    return door


@pytest.mark.parametrize("kind", [KeyingKind.KD, KeyingKind.MK])
def test_a_door_is_not_rekeyed_out_of_an_owned_system_without_authority(
    work: Work, owned: KeySystem, kind: KeyingKind
) -> None:
    door = on_a_door(work, owned)
    rekey = LineRequest(LineKind.REKEY, 1, attributes=MORTISE, keying=KeyingInstruction(kind))
    ask = QuoteRequest(owned.customer_id, (rekey,), door.site_id, system=SystemRequest(name="A system of their own"))
    job = work.session.get_one(Job, issue_quote(work, IssueForm(ask, secrets.token_hex(8))).job_id)

    def agreed(reason: str = "") -> AcceptForm:
        version = work.session.get_one(Job, job.id).version
        doors = (DoorRow(1, "F1"),)
        return AcceptForm("A tenant", work.today, version, doors=doors, override_reason=reason)

    before = counts(work)
    with pytest.raises(LedgerError, match="belongs to Harbour Board") as refused:
        accept_quote(by(work, Role.COUNTER), job.id, agreed())
    assert refused.value.field == "override_reason" and counts(work) == before
    accept_quote(work, job.id, agreed("their porter stands here"))
    assert systems_touched(work.session, job.id)[0].id == owned.id
    with pytest.raises(LedgerError, match="belongs to Harbour Board"):
        move_job(by(work, Role.BENCH), job.id, work.session.get_one(Job, job.id).version, Stage.ON_THE_BENCH)
