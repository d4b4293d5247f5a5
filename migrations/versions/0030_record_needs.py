"""record what jobs need of the stock; cylinders without pins are counted as the bench's terms had them, less what jobs
took since, and those of jobs that wait are reserved for them

Revises: 0029
"""

from __future__ import annotations

import json
import re
from collections import Counter
from datetime import UTC, date, datetime, time

import sqlalchemy as sa
from alembic import op

revision = "0030"
down_revision = "0029"

_ADOPTED = re.compile(r": as the last [0-9]+ jobs took$")
_WAITING = ("approved", "parts on order", "ready")  # ready: one that never saw the bench
_OVER = ("asked", "quoted", "lost", "cancelled")
_MOMENT = sa.DateTime(timezone=True)


def upgrade() -> None:
    op.create_table(
        "needs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("line_number", sa.Integer(), nullable=True),
        sa.Column("item_id", sa.Integer(), nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("keyed_at", sa.String(length=12), nullable=False),
        sa.Column("needed_on", sa.Date(), nullable=True),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("ended_at", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint("quantity > 0", name=op.f("ck_needs_quantity")),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_needs_job_id_jobs")),
        sa.ForeignKeyConstraint(["item_id"], ["stock_items.id"], name=op.f("fk_needs_item_id_stock_items")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_needs")),
    )
    op.create_index(op.f("ix_needs_job_id"), "needs", ["job_id"])
    op.create_index("ix_needs_open", "needs", ["item_id", "ended_at"])
    with op.batch_alter_table("stock_movements") as table:
        table.create_foreign_key(op.f("fk_stock_movements_need_id_needs"), "needs", ["need_id"], ["id"])
    house = op.get_bind()
    terms = sa.text(
        "SELECT terms, valid_from FROM bench_terms WHERE valid_from <= :day ORDER BY valid_from DESC LIMIT 1"
    )
    terms = terms.bindparams(sa.bindparam("day", type_=sa.Date())).columns(terms=sa.JSON, valid_from=sa.Date())
    if (row := house.execute(terms, {"day": date.today()}).first()) is not None:
        _count(house, row.terms.get("uncombinated_on_hand", {}), row.valid_from)


def downgrade() -> None:
    with op.batch_alter_table("stock_movements") as table:
        table.drop_constraint(op.f("fk_stock_movements_need_id_needs"), type_="foreignkey")
    op.drop_index("ix_needs_open", "needs")
    op.drop_index(op.f("ix_needs_job_id"), "needs")
    op.drop_table("needs")


def _count(house: sa.Connection, figures: dict[str, int], valid_from: date) -> None:
    """Each type as the owner counted it last, less what was put on the bench or handed over since; what waits, and lies
    there, is reserved.
    """
    taken, waiting = _jobs_since(house, valid_from)
    by_job = _cylinders(house, taken | waiting)
    gone: Counter[str] = Counter()
    for job_id in taken:
        for (_, sort), count in by_job.get(job_id, {}).items():
            gone[sort] += count
    item = sa.text(
        "INSERT INTO stock_items (kind, code, words, cylinder_type, finish, cost_cents, pack_size, bin, barcode, version) "
        "VALUES ('unpinned', :code, :words, :code, '', 0, 1, '', '', 1)"
    )
    moved = sa.text(
        "INSERT INTO stock_movements (item_id, place_id, kind, on_hand, reserved, at, why, job_id, need_id) "
        "VALUES (:item, 1, :kind, :on_hand, :reserved, :at, :why, :job, :need)"
    ).bindparams(sa.bindparam("at", type_=_MOMENT))
    need = sa.text(
        "INSERT INTO needs (job_id, line_number, item_id, quantity, keyed_at, needed_on, made_at) "
        "VALUES (:job, :line, :item, :quantity, :keyed_at, :on, :at)"
    ).bindparams(sa.bindparam("at", type_=_MOMENT), sa.bindparam("on", type_=sa.Date()))
    found = sa.text("SELECT id FROM stock_items WHERE kind = 'unpinned' AND code = :code")
    jobs = sa.text("SELECT id, number, promised_on FROM jobs").columns(promised_on=sa.Date())
    numbers = {row.id: row for row in house.execute(jobs)}
    now = datetime.now(UTC)
    for sort, figure in figures.items():
        words = f"{sort.upper() if len(sort) == 4 else sort.capitalize()} without pins"
        house.execute(item, {"code": sort, "words": words})
        item_id = house.execute(found, {"code": sort}).scalar_one()
        left = max(0, figure - gone[sort])
        first = {"item": item_id, "reserved": 0, "at": now, "job": None, "need": None}
        why = "as counted on the page of the bench's terms, less what jobs took since"
        house.execute(moved, first | {"kind": "counted", "on_hand": left, "why": why})
        for job_id in sorted(waiting, key=lambda one: (numbers[one].promised_on or date.max, one)):
            for (line, kind), count in sorted(by_job.get(job_id, {}).items()):
                if kind != sort:
                    continue
                job = numbers[job_id]
                row = {"job": job_id, "line": line, "item": item_id, "quantity": count, "at": now, "keyed_at": "shop"}
                house.execute(need, row | {"on": job.promised_on})
                held = min(left, count)
                left -= held
                if held:
                    last = house.execute(sa.text("SELECT MAX(id) FROM needs")).scalar_one()
                    told = {"kind": "reserved", "on_hand": 0, "reserved": held, "why": f"for job {job.number}"}
                    house.execute(moved, first | told | {"job": job_id, "need": last})


def _jobs_since(house: sa.Connection, valid_from: date) -> tuple[set[int], set[int]]:
    """The jobs that took their cylinders since the shelf was counted, and those that wait for theirs."""
    counts = sa.text("SELECT id, detail, summary FROM events WHERE kind = 'bench terms set' ORDER BY id DESC")
    last = 0
    for event_id, detail, summary in house.execute(counts.columns(detail=sa.JSON)):
        detail = detail or {}
        is_count = detail.get("counted", not _ADOPTED.search(summary))
        if is_count and detail.get("valid_from", "") <= valid_from.isoformat():
            last = event_id
            break
    begun = datetime.combine(valid_from, time()).astimezone()
    moves = sa.text("SELECT id, job_id, summary, at FROM events WHERE kind = 'stage moved' AND job_id IS NOT NULL")
    since, before = set[int](), set[int]()
    for event_id, job_id, summary, at in house.execute(moves.columns(at=_MOMENT)):
        if re.match(r"[^:]* → (on the bench|handed over)(: |$)", summary):
            moment = at if at.tzinfo else at.replace(tzinfo=UTC)
            is_since = event_id > last if last else moment >= begun
            (since if is_since else before).add(job_id)
    stages = dict(house.execute(sa.text("SELECT id, stage FROM jobs")).all())
    taken = {one for one in since - before if stages[one] not in _OVER}
    waiting = {one for one, stage in stages.items() if stage in _WAITING} - since - before
    return taken, waiting


def _cylinders(house: sa.Connection, jobs: set[int]) -> dict[int, Counter[tuple[int, str]]]:
    """Job → how many cylinders of each line and type came from the shelf: those sold and keyed here, or without pins."""
    keyed_at = dict(house.execute(sa.text("SELECT id, keyed_at FROM jobs")).all())
    rows = sa.text(
        "SELECT c.job_id, c.line_number, c.type, c.keyset_id FROM cylinders c "
        "JOIN job_lines l ON l.job_id = c.job_id AND l.number = c.line_number WHERE l.kind <> 'rekey' ORDER BY c.id"
    )
    found: dict[int, Counter[tuple[int, str]]] = {}
    away: dict[int, set[int]] = {}
    for job_id, line, sort, keyset_id in house.execute(rows):
        if job_id not in jobs:
            continue
        if "factory" in keyed_at[job_id] and keyset_id is not None:
            if job_id not in away:
                away[job_id] = _sent(house, job_id)
            if keyed_at[job_id] == "factory" or line in away[job_id]:
                continue
        found.setdefault(job_id, Counter())[line, sort] += 1
    return found


def _sent(house: sa.Connection, job_id: int) -> set[int]:
    """The lines that a factory keys, by the job's newest quote, as the option that was accepted."""
    rows = sa.text(
        "SELECT r.snapshot, j.accepted_option FROM quote_revisions r JOIN jobs j ON j.id = r.job_id "
        "WHERE r.job_id = :job ORDER BY r.revision DESC LIMIT 1"
    )
    row = house.execute(rows, {"job": job_id}).first()
    if row is None:
        return set()
    quote = json.loads(row.snapshot)
    offer = (quote.get("option_b") if row.accepted_option == "B" else None) or quote
    return {line for one in offer.get("keying", []) if one["choice"] == "factory" for line in one["lines"]}
