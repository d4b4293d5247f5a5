"""What the bench may tick off, and when."""

import pytest

from app.ledger.bench.checkoff import tick_keys
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import KeyState, Stage
from tests.bare import config, work
from tests.keyed import keyed_job

__all__ = ["config", "work"]  # fixtures


@pytest.mark.parametrize(
    ("stage", "may"),
    [(Stage.APPROVED, False), (Stage.PARTS_ON_ORDER, False), (Stage.ON_THE_BENCH, True), (Stage.READY, True)],
)
def test_keys_are_ticked_once_the_job_has_been_on_the_bench(work: Work, stage: Stage, may: bool) -> None:
    keyed = keyed_job(work)
    keyed.job.stage = stage
    work.session.commit()
    keysets = {one.keyset_id for one in keyed.cylinders if one.keyset_id is not None}
    if may:
        tick_keys(work, keyed.job.number, keysets, KeyState.CUT)
        return
    with pytest.raises(LedgerError, match="move it on to the bench first") as refused:
        tick_keys(work, keyed.job.number, keysets, KeyState.CUT)
    assert refused.value.field == "stage"
