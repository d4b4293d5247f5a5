"""Use case: write a note into a job's story. A note is an event: it stays as it was written."""

from __future__ import annotations

from app.ledger.jobs.card_numbers import has_card_number
from app.ledger.jobs.queries import get_job
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Event, Role

NOTE = "note"
MOST_NOTE = 2_000


def add_note(work: Work, job_number: int, text: str) -> Event:
    """Write a note; NotFound, or LedgerError on `note` when it is empty, too long or holds a card's number.

    Everybody who may open the job reads it, so a bitting never belongs in one; the page says so.
    """
    work.require(Role.COUNTER, Role.BENCH)
    lines = [" ".join(line.split()) for line in text.replace("\r\n", "\n").replace("\r", "\n").split("\n")]
    note = "\n".join(lines).strip()
    if not note:
        raise LedgerError("note", "Write the note first.")
    if len(note) > MOST_NOTE:
        raise LedgerError("note", f"At most {MOST_NOTE:,} characters fit in a note; this has {len(note):,}.")
    if any(not one.isprintable() and one != "\n" for one in note):
        raise LedgerError("note", "The note has characters that cannot be shown; write it in plain text.")
    if has_card_number(note):
        raise LedgerError("note", "This note holds what may be a card's number, which is not kept. Take it out.")
    with transaction(work.session):
        job = get_job(work.session, job_number)
        return record(work, NOTE, f"job {job.number}", note, job_id=job.id)
