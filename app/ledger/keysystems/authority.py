"""Who owns a key system, and the written authority that must be on file before keys are cut or cylinders rekeyed.

A job needs it for every key system that it rekeys in or out of, or cuts keys of.
"""

from collections.abc import Sequence

import sqlalchemy as sa
from sqlalchemy.orm import Session, aliased

from app.errors import Problem, Problems
from app.ledger.store.engine import get_version, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Job, Key, Keyset, KeySystem, Marking, Role
from app.validation import fault_of_length

MOST = 500


def lacks_authority(system: KeySystem) -> bool:
    """Whether the system has an owner of record whose written authority is not on file."""
    return bool(system.owner_of_record.strip()) and not system.authority_note.strip()


def authority_of(system: KeySystem) -> str:
    """Whose the system is and what they gave in writing, for a receipt; "" where neither is on file."""
    owner, note = system.owner_of_record.strip(), " ".join(system.authority_note.split())
    return ": ".join(part for part in (owner, note[:400]) if part)


def say_authority(session: Session, system_id: int) -> str:
    """What is on file of the authority to key into a system, or what is missing; "" without an owner of record."""
    system = session.get(KeySystem, system_id)
    if system is None or not system.owner_of_record.strip():
        return ""
    if lacks_authority(system):
        return f"{system.name} belongs to {system.owner_of_record}: ask for written authority, none is on file."
    return f"{system.name} is keyed with the written authority on file: {authority_of(system)}."


def require_authority(
    work: Work, system: KeySystem, deed: str, override_reason: str = "", *, job_id: int | None = None
) -> None:
    """Let `deed` ("cut 2 keys of AA1") go on, inside the caller's transaction, or refuse on `override_reason`.

    A system without an owner of record, or with a note on written authority, passes. Else only the owner of the
    house passes, with a reason that is put on record, of a job too where there is one. (Ask for written authority:
    common practice, no source.)
    """
    if not lacks_authority(system):
        return
    owner, reason = system.owner_of_record.strip(), " ".join(override_reason.split())
    if not reason:
        raise LedgerError(
            "override_reason",
            f"{system.name} belongs to {owner}, and no written authority is on file. Put its note on the key "
            "system's page first; only the owner of the house may go on without, and must say why.",
        )
    if work.actor.role is not Role.OWNER:
        raise LedgerError(
            "override_reason",
            f"Only the owner of the house may go on without the written authority of {owner}. Ask for it, or for "
            "the authority's note to be put on file.",
        )
    if fault := fault_of_length(reason, MOST):
        raise LedgerError("override_reason", fault)
    record(
        work,
        "authority overridden",
        f"key system {system.id}",
        f"{system.name}: {deed} without written authority of {owner}. Reason: {reason}",
        job_id=job_id,
    )


def systems_of_job(session: Session, job_id: int) -> Sequence[KeySystem]:
    """The key systems that a job's cylinders and keys belong to: one query."""
    return _systems(session, sa.or_(*_own(job_id)))


def systems_touched(session: Session, job_id: int) -> Sequence[KeySystem]:
    """`systems_of_job`, and the systems of what stands where its cylinders go: one query.

    A door that is keyed out of a system is a rekey of that system.
    """
    mine, there = aliased(Cylinder), aliased(Cylinder)
    replaced = (
        sa.select(there.keyset_id)
        .join(
            mine,
            sa.and_(mine.door_id == there.door_id, sa.func.lower(mine.position) == sa.func.lower(there.position)),
        )
        .where(mine.job_id == job_id, there.state == CylinderState.FITTED, there.keyset_id.is_not(None))
    )
    return _systems(session, sa.or_(*_own(job_id), Keyset.id.in_(replaced)))


def _own(job_id: int) -> tuple[sa.ColumnElement[bool], ...]:
    pinned = sa.select(Cylinder.keyset_id).where(Cylinder.job_id == job_id, Cylinder.keyset_id.is_not(None))
    cut = sa.select(Key.keyset_id).where(Key.job_id == job_id)
    return Keyset.id.in_(pinned), Keyset.id.in_(cut)


def _systems(session: Session, condition: sa.ColumnElement[bool]) -> Sequence[KeySystem]:
    ids = sa.select(Keyset.system_id).where(condition)
    return session.scalars(sa.select(KeySystem).where(KeySystem.id.in_(ids)).order_by(KeySystem.id)).all()


def require_job_authority(work: Work, job: Job, deed: str, override_reason: str = "") -> None:
    """Let `deed` ("put job 12 on the bench") go on, or refuse on `override_reason`; inside the caller's transaction.

    The owner's override is an event of each system and of the job.
    """
    work.session.flush()
    for system in systems_touched(work.session, job.id):
        require_authority(work, system, deed, override_reason, job_id=job.id)


def change_records(
    work: Work,
    system_id: int,
    version: int,
    owner_of_record: str,
    authority_note: str,
    marks: tuple[Marking, Marking] | None = None,
) -> KeySystem:
    """Save the owner of record and the note on written authority of a system read at `version`, and how its keys and
    its cylinders are marked; owner only.

    Raises Problems on a text that is too long, Stale when somebody saved in between.
    """
    work.require_owner()
    fields = (("owner_of_record", owner_of_record, 200), ("authority_note", authority_note, 2000))
    problems = [Problem(name, fault) for name, text, most in fields if (fault := fault_of_length(text, most))]
    if problems:
        raise Problems(problems)
    with transaction(work.session):
        system = get_version(work.session, KeySystem, system_id, "key system", version)
        changes = []
        if system.owner_of_record != owner_of_record:
            changes.append(f"owner of record {system.owner_of_record or 'none'} → {owner_of_record or 'none'}")
        if system.authority_note != authority_note:
            changes.append("note on written authority")
        system.owner_of_record, system.authority_note = owner_of_record, authority_note
        if marks is not None and marks != (system.mark_keys, system.mark_cylinders):
            system.mark_keys, system.mark_cylinders = marks
            changes.append(f"keys marked {marks[0].value}, cylinders {marks[1].value}")
        if changes:
            record(work, "key system changed", f"key system {system.id}", f"{system.name}: {', '.join(changes)}")
        return system
