"""A job's schedule from plain rows says what its records say, one by one."""

import sqlalchemy as sa

from app.ledger.bench.bench_sheet import cylinder_record
from app.ledger.jobs.cylinder_lines import job_cylinders
from app.ledger.jobs.papers import schedule_of
from app.ledger.sites.cautions import INSIDE
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderOperator, CylinderState
from tests import factories
from tests.bare import config, work
from tests.keyed import keyed_job

__all__ = ["config", "work"]  # the bare house


def test_each_row_says_what_its_cylinder_and_door_say(work: Work) -> None:
    keyed = keyed_job(work)
    session, job = work.session, keyed.job
    first, second = keyed.cylinders
    second.is_nmk = True
    session.add(CylinderOperator(cylinder_id=first.id, keyset_id=second.keyset_id))
    # What another job put on the door counts for its cautions; a cylinder without door or keyset has a row too.
    factories.CylinderFactory(job_id=None, door=keyed.doors[0], position="inside", keyset=None)
    factories.CylinderFactory(job_id=job.id, door=None, keyset=None, remarks="spare")
    session.commit()
    cylinders = session.scalars(sa.select(Cylinder).where(Cylinder.job_id == job.id).order_by(Cylinder.id)).all()
    rows = schedule_of(work, job).rows
    assert [row.cylinder_id for row in rows] == [one.id for one in cylinders]
    for row, one in zip(rows, cylinders, strict=True):
        record = cylinder_record(session, one.id)
        assert (row.keyset, row.operated_by, row.cautions) == (record.keyset, record.operated_by, record.cautions)
        assert row.opening_number == (one.door.opening_number if one.door else "")
    assert [row.keyset for row in rows] == ["X1AA", "2AA(NMK)", ""] and INSIDE in rows[0].cautions
    assert rows[0].operated_by == ("1AA", "2AA", "AA") and rows[2].remarks == "spare"


def test_each_line_says_its_door_its_system_and_how_far_it_is(work: Work) -> None:
    keyed = keyed_job(work)
    found = job_cylinders(work.session, keyed.job.id)
    assert [line.door_id for line in found.lines] == [door.id for door in keyed.doors]
    assert {found.system_of(line) for line in found.lines} == {keyed.system.id}
    assert {line.state for line in found.lines} == {CylinderState.ORDERED}


def test_a_job_without_cylinders_has_no_keysets(work: Work) -> None:
    job = factories.JobFactory()
    found = job_cylinders(work.session, job.id)
    assert not found.lines and not found.keysets and not found.systems and found.system_name == ""
