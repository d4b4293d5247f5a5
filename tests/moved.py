"""What tests of a moved house share: the demo's export, its tables by hand, a job made whole before it moves."""

import csv
import io
import tempfile
import zipfile
from datetime import date
from functools import cache
from pathlib import Path

import sqlalchemy as sa

from app.ledger import tables as m
from app.ledger.care.opening import open_ledger
from app.ledger.moving.export_file import export_house
from app.ledger.quoting.issuing import IssueForm, issue_quote
from app.ledger.quoting.request import LineRequest, QuoteRequest
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.store.events import record
from app.ledger.store.work import Actor, Work
from app.ledger.tables import LineKind
from app.spreadsheets import guarded_csv_bytes
from tests.conftest import NOW
from tests.tour import demo_copy

Rows = list[list[str]]
OWNER = Actor(None, "the house", m.Role.OWNER)
JOB_TABLES = ("jobs", "job lines", "quotes", "payments", "bench times", "story")


@cache
def demo_taken() -> bytes:
    """The export of the demo house as ZIP, made once a run, always out of SQLite."""
    with tempfile.TemporaryDirectory() as folder:
        ledger = open_ledger(demo_copy(Path(folder) / "demo"))
        with ledger.work(OWNER, NOW) as work:
            taken = export_house(work, "zip")
        ledger.close()
    return taken


def tables_in(content: bytes) -> dict[str, Rows]:
    """The tables of a ZIP export by name, each with its head."""
    with zipfile.ZipFile(io.BytesIO(content)) as packed:
        texts = {name: packed.read(name).decode("utf-8-sig") for name in packed.namelist() if name.endswith(".csv")}
    return {name[:-4]: list(csv.reader(io.StringIO(text, newline=""))) for name, text in texts.items()}


def with_table(content: bytes, name: str, rows: Rows | None) -> bytes:
    """The export with one table's rows exchanged, or left out."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as source, zipfile.ZipFile(out, "w") as target:
        for entry in source.namelist():
            if entry != f"{name}.csv":
                target.writestr(entry, source.read(entry))
        if rows is not None:
            target.writestr(f"{name}.csv", guarded_csv_bytes(rows))
    return out.getvalue()


def without_columns(rows: Rows, *names: str) -> Rows:
    """A table's rows without some of its columns."""
    kept = [place for place, title in enumerate(rows[0]) if title not in names]
    return [[row[place] for place in kept] for row in rows]


def make_whole(work: Work, job: m.Job) -> None:
    """Give a job that a factory made what such a job has in a real house: its quote, its line, who accepted it."""
    stage, job.stage = job.stage, m.Stage.ASKED
    numbers = work.session.get(m.Counter, "job") or m.Counter(name="job")
    numbers.value = work.session.scalars(sa.select(sa.func.max(m.Job.number))).one()
    work.session.add(numbers)
    work.session.commit()
    line = LineRequest(LineKind.HARDWARE, 1, price_code="RING-SET")
    ask = QuoteRequest(job.customer_id, (line,), site_id=job.site_id, title=job.title)
    made = issue_quote(work, IssueForm(ask, f"press {job.id}", job_id=job.id, job_version=job.version))
    said = read_snapshot(made.snapshot)
    work.session.add(
        m.JobLine(
            job_id=job.id,
            number=1,
            kind=LineKind.HARDWARE.value,
            description=said.lines[0].words,
            quantity=1,
            unit_cents=said.lines[0].unit_cents,
            ask=said.ask["lines"][0],
        )
    )
    job.stage, job.accepted_on = stage, work.today
    told = f"{m.Stage.APPROVED.value} → {stage.value}"
    record(work, "stage moved", f"job {job.number}", told, job_id=job.id)
    work.session.add(
        m.Payment(job_id=job.id, received_on=work.today, cents=100, means="cash", taken_by_id=work.actor.user_id)
    )
    work.session.add(
        m.BenchTimeRow(
            job_id=job.id,
            task="cutting",
            pieces=3,
            minutes="7.5",
            finished=date(2026, 1, 1),
            recorded_by_id=work.actor.user_id,
        )
    )
    work.session.commit()
