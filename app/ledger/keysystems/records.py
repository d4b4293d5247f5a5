"""Use case: say who owns a key system and what written authority is on file."""

from __future__ import annotations

from app.errors import Problem, Problems
from app.ledger.store.engine import transaction
from app.ledger.store.errors import NotFound, Stale
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import KeySystem


def change_records(work: Work, system_id: int, version: int, owner_of_record: str, authority_note: str) -> KeySystem:
    """Save the owner of record and the note on written authority of a system read at `version`; owner only.

    Raises Problems on a text that is too long, Stale when somebody saved in between.
    """
    work.require()
    fields = (("owner_of_record", owner_of_record, 200), ("authority_note", authority_note, 2000))
    problems = [
        Problem(name, f"At most {most} characters fit here.") for name, text, most in fields if len(text) > most
    ]
    if problems:
        raise Problems(problems)
    with transaction(work.session):
        system = work.session.get(KeySystem, system_id)
        if system is None:
            raise NotFound("key system")
        if system.version != version:
            raise Stale()
        changes = []
        if system.owner_of_record != owner_of_record:
            changes.append(f"owner of record {system.owner_of_record or 'none'} → {owner_of_record or 'none'}")
        if system.authority_note != authority_note:
            changes.append("note on written authority")
        system.owner_of_record, system.authority_note = owner_of_record, authority_note
        if changes:
            record(work, "key system changed", f"key system {system.id}", f"{system.name}: {', '.join(changes)}")
        return system
