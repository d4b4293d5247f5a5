"""A quote that the customer turned down."""

from __future__ import annotations

import pytest

from app.ledger.jobs.stages import lose_quote
from app.ledger.store.errors import LedgerError, NotFound, Stale
from app.ledger.store.event_queries import events_of_job
from app.ledger.store.work import Work
from app.ledger.tables import Role, Stage
from tests.ledger.conftest import by
from tests.ledger.test_main_job import accept, flats, issued


def test_a_lost_quote_keeps_its_reason_and_is_an_event(work: Work) -> None:
    job = issued(work, flats(work))
    lose_quote(by(work, Role.COUNTER), job.revisions[-1].id, "  found it cheaper  ")
    assert (job.stage, job.reason) == (Stage.LOST, "found it cheaper")
    assert any("lost: found it cheaper" in event.summary for event in events_of_job(work.session, job.id, Role.OWNER))


def test_only_the_newest_open_quote_is_lost_and_only_for_a_reason(work: Work) -> None:
    job = issued(work, flats(work))
    first = job.revisions[-1].id
    with pytest.raises(LedgerError, match="Say why") as no_reason:
        lose_quote(work, first, "   ")
    assert no_reason.value.field == "reason"
    issued(work, flats(work), job_id=job.id, job_version=job.version)
    work.session.expire_all()
    with pytest.raises(Stale, match="newer revision"):
        lose_quote(work, first, "too dear")
    accept(work, job)
    with pytest.raises(LedgerError, match="cannot go to lost"):
        lose_quote(work, job.revisions[-1].id, "too dear")
    with pytest.raises(NotFound):
        lose_quote(work, 999_999, "too dear")
