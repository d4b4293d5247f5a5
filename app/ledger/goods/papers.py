"""What the papers of a hand-over are made from. Never a bitting."""

from dataclasses import dataclass, replace

from app.ledger.goods.hand_overs import HandOver, hand_overs_of
from app.ledger.jobs.cylinder_lines import ScheduleRow
from app.ledger.jobs.papers import JobHead, Schedule, job_head, schedule_of
from app.ledger.keys.key_queries import keys_of_job
from app.ledger.keysystems.copy_numbers import say_copies
from app.ledger.money.payments import PaymentReceipt, payments_of
from app.ledger.quoting.accepting import newest_revision
from app.ledger.quoting.snapshot import QuoteSnapshot, as_accepted, read_snapshot
from app.ledger.sites.former_names import buyers_then
from app.ledger.store.work import Work
from app.ledger.tables import Job, Keyset


@dataclass(frozen=True, slots=True)
class HandOverSheet:
    """What one person took at one time, for the receipt that he signs. keys: symbol, key system and copies."""

    head: JobHead
    handed: HandOver
    po_number: str
    rows: tuple[ScheduleRow, ...]
    keys: tuple[tuple[str, str, str], ...]
    goods: tuple[tuple[int, str], ...]  # how many of what


def hand_over_sheet(work: Work, job: Job, schedule: Schedule, handed: HandOver) -> HandOverSheet:
    """The sheet of a hand-over of the job whose schedule this is. Opens no bitting."""
    copies: dict[Keyset, list[int]] = {}
    for key in keys_of_job(work.session, job.id):
        if key.id in handed.keys:
            copies.setdefault(key.keyset, []).append(key.copy_number)
    words = {line.number: line.description for line in job.lines}
    buyer = buyers_then(work.session, job.id, job.customer, [handed.on])[handed.on]
    return HandOverSheet(
        replace(schedule.head, customer_name=buyer),
        handed,
        job.po_number,
        rows=tuple(row for row in schedule.rows if row.cylinder_id in handed.cylinders),
        keys=tuple((one.symbol, one.system.name, say_copies(numbers)) for one, numbers in copies.items()),
        goods=tuple((count, words.get(number, f"line {number}")) for number, count in handed.goods),
    )


@dataclass(frozen=True, slots=True)
class SaleReceipt:
    """All that was sold by a job, as its quote was accepted, what was paid for it, and what was handed over."""

    head: JobHead
    accepted: QuoteSnapshot
    payments: tuple[PaymentReceipt, ...]
    balance_cents: int
    handed: tuple[HandOverSheet, ...]


def sale_receipt(work: Work, job: Job) -> SaleReceipt:
    """The receipt of an accepted job. Opens no bitting."""
    accepted = as_accepted(read_snapshot(newest_revision(work, job).snapshot), job.accepted_option)
    paid, schedule = payments_of(work.session, job.number), schedule_of(work, job)
    handed = tuple(hand_over_sheet(work, job, schedule, one) for one in hand_overs_of(work.session, job))
    return SaleReceipt(job_head(work, job), accepted, paid.receipts, paid.money.balance_cents, handed)
