"""A cylinder that came back: a job of its own on its door, keyed as it was, at no charge, with its cost on record."""

from dataclasses import replace
from datetime import timedelta

import pytest
import sqlalchemy as sa

from app.errors import Problems
from app.ledger.goods.warranties import CameBackForm, came_back, note_claim, open_warranty, warranty_of_job
from app.ledger.jobs.queries import job_money
from app.ledger.keysystems.bittings import open_bittings
from app.ledger.keysystems.crosskeying import cross_key
from app.ledger.keysystems.pinned import open_pins
from app.ledger.reports.sales import GOODS, LossQuestion, find_unprofitable
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Event, Job, Key, KeySystem, Loss, Maker, Role, Stage
from tests.keyed import walk
from tests.ledger.conftest import by
from tests.ledger.test_main_job import accept, flats, issued, openings

FORM = CameBackForm("The plug turns  without a key", "maker", claim="RMA asked by phone", goes_back=True)
ALL_THE_WAY = (Stage.ON_THE_BENCH, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER)


@pytest.fixture
def sold(work: Work) -> Job:
    """Three flats under one master, handed over; 2AA's key opens the first of them too."""
    job = accept(work, issued(work, flats(work, 3, keyed_at="shop", override_reason="soon")), openings(3))
    cross_key(work, job.cylinders[0].id, ["2AA"])
    walk(work, job, *ALL_THE_WAY)
    return job


def _came_back(work: Work, old: Cylinder, form: CameBackForm = FORM) -> Job:
    return open_warranty(by(work, Role.COUNTER), old.id, old.version, form)


def test_another_one_hangs_keyed_as_it_was_and_the_customer_pays_nothing(work: Work, sold: Job) -> None:
    old = sold.cylinders[0]
    job = _came_back(work, old)
    [new] = job.cylinders
    assert (job.number, job.stage, job.customer_id) == (sold.number + 1, Stage.APPROVED, sold.customer_id)
    assert job.title == f"Warranty: F1, 1AA of job {sold.number}"
    assert (new.door_id, new.position, new.part_number) == (old.door_id, old.position, old.part_number)
    assert new.keyset is old.keyset and [one.keyset.symbol for one in new.operators] == ["2AA"]
    assert (job.value_cents, job_money(job).balance_cents, job.lines[0].unit_cents) == (0, 0, 0)
    # The cylinder at 15.20; the bench's 6 minutes for a mortise cylinder, 5 for MK and 2 to check at 46.00 an hour,
    # 9.97, and pins for 0.64. No system is extended by it, and no key is cut.
    assert (job.cost_cents, job.bench_minutes) == (1520 + 1061, 6 + 5 + 2)
    # It lost all that it costs, and the report says who bears it, also where one maker's jobs are asked for.
    assert old.maker_id is not None
    for maker in ("", work.session.get_one(Maker, old.maker_id).code):
        [lost] = find_unprofitable(work, LossQuestion(work.today, work.today, maker=maker)).rows
        assert (lost.number, lost.charged_cents, lost.cost_cents, lost.margin_cents) == (job.number, 0, 2581, -2581)
        assert (lost.part, lost.shortfalls[GOODS], lost.warranty) == (GOODS, 2581, "maker")
    assert job.keyed_at == "shop" and job.promised_on is not None
    assert work.session.scalar(sa.select(sa.func.count()).where(Key.job_id == job.id)) == 0

    assert old.state is CylinderState.FITTED  # it hangs until the new one is there
    with pytest.raises(LedgerError, match=f"Job {job.number} brings another cylinder to F1 already"):
        _came_back(work, old)
    walk(work, job, *ALL_THE_WAY)
    assert (old.state, old.removed_on, new.state) == (CylinderState.REMOVED, work.today, CylinderState.FITTED)
    pinned, opened = (
        open_pins(work, [old, new]),
        open_bittings(work.session, work.vault, work.session.scalars(sa.select(KeySystem)).all()),
    )
    assert pinned[old.id] == pinned[new.id]
    turning = {one.symbol for one in old.keyset.system.keysets if pinned[new.id].turned_by(opened[one.id])}  # type: ignore[union-attr]
    assert turning == {"1AA", "2AA", "AA"}


def test_it_is_found_from_both_jobs_and_the_claim_is_noted(work: Work, sold: Job) -> None:
    job = _came_back(work, sold.cylinders[1], replace(FORM, is_here=True))
    warranty = warranty_of_job(work.session, job.id)
    assert warranty is not None and came_back(work.session, sold.id) == [warranty]
    assert (warranty.reason, warranty.borne_by.value, warranty.goes_back) == (
        "The plug turns without a key", "maker", True,
    )  # fmt: skip
    assert sold.cylinders[1].state is CylinderState.REMOVED and sold.cylinders[1].sealed_pins
    note_claim(work, warranty.id, warranty.version, "Credit note promised for May")
    with pytest.raises(Stale):
        note_claim(work, warranty.id, 1, "late")
    with pytest.raises(Problems, match="300"):
        note_claim(work, warranty.id, warranty.version, "x" * 301)
    said = work.session.scalars(
        sa.select(Event.summary).where(Event.job_id == sold.id).order_by(Event.id.desc())
    ).first()
    assert said is not None and said.startswith(
        f"F2 of job {sold.number} came back: The plug turns without a key. At"
    )
    assert said.endswith(f"the old one goes back to the maker; job {job.number}")


def test_what_cannot_come_back_is_refused_and_nothing_is_opened(work: Work, sold: Job) -> None:
    old = sold.cylinders[2]
    before = work.session.scalar(sa.select(sa.func.count()).select_from(Job))
    for form, field in (
        (replace(FORM, reason=" "), "reason"),
        (replace(FORM, borne_by="customer"), "borne_by"),
        (replace(FORM, promised_on=work.today - timedelta(days=1)), "promised_on"),
        (replace(FORM, claim="x" * 301), "claim"),
    ):
        with pytest.raises(Problems) as refused:
            _came_back(work, old, form)
        assert [one.field for one in refused.value.problems] == [field]
    loss = Loss(system_id=old.keyset.system_id, keyset_id=old.keyset_id, reported_at=work.now)  # type: ignore[union-attr]
    work.session.add(loss)
    work.session.commit()
    with pytest.raises(LedgerError, match="Only the owner of the house may go on") as lost:
        _came_back(work, old)
    assert lost.value.field == "lost_reason"
    work.session.delete(loss)
    old.job_id = None
    work.session.commit()
    with pytest.raises(LedgerError, match="no job of this house sold it"):
        _came_back(work, old)
    assert work.session.scalar(sa.select(sa.func.count()).select_from(Job)) == before
