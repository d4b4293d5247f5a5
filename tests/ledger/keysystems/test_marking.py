"""How a key system's keys and cylinders are marked, from the quote to the bench and to the order to its factory."""

from __future__ import annotations

import pytest
import sqlalchemy as sa

from app.documents import bench_sheet_pdf
from app.ledger.bench.bench_sheet import bench_work
from app.ledger.goods.orders import OrderKind, _new
from app.ledger.keysystems.authority import change_records
from app.ledger.quoting.request import SystemRequest
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.store.work import Work
from app.ledger.tables import KeySystem, Maker, Marking, Stage
from tests.keyed import walk
from tests.ledger.test_main_job import accept, flats, issued, openings
from tests.reading import pdf_text


@pytest.mark.parametrize(
    ("keys", "cylinders", "quoted", "stamped"),
    [
        (
            Marking.VISUAL,
            Marking.CONCEALED,
            "keys marked visual, cylinders marked concealed",
            "Keys, the symbol and the copy number: where it shows (visual). Cylinders, the symbol: where it does "
            "not show (concealed).",
        ),
        (
            Marking.CONCEALED,
            Marking.NONE,
            "keys marked concealed, cylinders not marked",
            "Keys, the symbol and the copy number: where it does not show (concealed). "
            "Cylinders, the symbol: no mark.",
        ),
    ],
)
def test_what_was_quoted_is_stamped_and_ordered(
    work: Work, keys: Marking, cylinders: Marking, quoted: str, stamped: str
) -> None:
    asked = SystemRequest(name="The Flats", mark_keys=keys, mark_cylinders=cylinders)
    job = issued(work, flats(work, 2, system=asked, keyed_at="shop", override_reason="here"))
    [line] = [one for one in read_snapshot(job.revisions[-1].snapshot).lines if one.kind == "key system"]
    assert line.words.endswith(quoted)
    accept(work, job, openings(2))
    walk(work, job, Stage.ON_THE_BENCH)
    assert stamped in " ".join(pdf_text(bench_sheet_pdf(bench_work(work, job))).split())
    maker = work.session.scalars(sa.select(Maker).where(Maker.code == "ARD")).one()
    draft = _new(work, maker, OrderKind.KEYING, "F-1", job)
    assert (draft.mark_keys, draft.mark_cylinders) == (keys, cylinders)
    work.session.rollback()


def test_the_owner_changes_it_and_it_is_on_record(work: Work) -> None:
    job = accept(work, issued(work, flats(work, 2, keyed_at="shop", override_reason="here")), openings(2))
    system = work.session.scalars(sa.select(KeySystem)).one()
    assert (system.mark_keys, system.mark_cylinders) == (Marking.VISUAL, Marking.CONCEALED)
    change_records(work, system.id, system.version, "", "", (Marking.NONE, Marking.NONE))
    assert system.marking.endswith("Cylinders, the symbol: no mark.")
    walk(work, job, Stage.ON_THE_BENCH)
    [bench] = bench_work(work, job).systems
    assert bench.marking == system.marking
