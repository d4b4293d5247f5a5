"""Written authority: what must be on file before keys are cut or cylinders rekeyed for a system with an owner."""

from __future__ import annotations

from app.ledger.errors import LedgerError
from app.ledger.events.actions import record
from app.ledger.keysystems.models import KeySystem
from app.ledger.users.models import Role
from app.ledger.work import Work

MOST = 500


def lacks_authority(system: KeySystem) -> bool:
    """Whether the system has an owner of record whose written authority is not on file."""
    return bool(system.owner_of_record.strip()) and not system.authority_note.strip()


def authority_of(system: KeySystem) -> str:
    """Whose the system is and what they gave in writing, for a receipt; "" where neither is on file."""
    owner, note = system.owner_of_record.strip(), " ".join(system.authority_note.split())
    return ": ".join(part for part in (owner, note[:400]) if part)


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
    if len(reason) > MOST:
        raise LedgerError("override_reason", f"At most {MOST} characters fit here.")
    record(
        work,
        "authority overridden",
        f"key system {system.id}",
        f"{system.name}: {deed} without written authority of {owner}. Reason: {reason}",
        job_id=job_id,
    )
