"""Use case: the bench decodes a key that the customer brought, so that what is keyed to it can be pinned and cut."""

from dataclasses import dataclass, field
from fractions import Fraction

import sqlalchemy as sa

from app.keying import Bitting as Cuts
from app.keying import BittingSpec, CutOrder, KeyingError, read_key
from app.ledger.bench.bench_queries import BENCH_STAGES
from app.ledger.jobs.queries import get_job
from app.ledger.keysystems.auditing import AuditReport, audit_systems
from app.ledger.keysystems.authority import require_authority
from app.ledger.keysystems.bittings import seal_bitting, spec_of
from app.ledger.keysystems.keysets import waiting_keys
from app.ledger.keysystems.lost_keysets import require_not_lost
from app.ledger.keysystems.out_of_use import require_not_retired
from app.ledger.keysystems.unsealed_system import keysets_cut_so, rows_like
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import (
    BlindCode,
    Cylinder,
    CylinderOperator,
    Job,
    Key,
    Keyset,
    KeySystem,
    Level,
    Role,
    Stage,
)

DECODED = "customer's key decoded"
_TOLERANCE = Fraction(2, 1000)  # inches


@dataclass(frozen=True, slots=True)
class CustomersKeyForm:
    """What was read of a customer's key, from the end that `order` says, as `read_key` takes it."""

    cuts: str = field(repr=False)
    order: CutOrder = CutOrder.BOW


@dataclass(frozen=True, slots=True)
class DecodedCustomersKey:
    """The keyset that the cylinders are on now, and what to know. is_known: one that the customer had already."""

    keyset: Keyset
    is_known: bool
    warnings: tuple[str, ...]


def waiting_key(work: Work, job_number: int, keyset_id: int) -> tuple[Job, Keyset]:
    """A keyset of a job that waits for the customer's key to be decoded; NotFound where it waits no more."""
    job = get_job(work.session, job_number)
    keyset = next((one for one in waiting_keys(work.session, job.id) if one.id == keyset_id), None)
    if keyset is None:
        raise NotFound("customer's key to decode in this job")
    return job, keyset


def decode_customers_key(work: Work, job_number: int, keyset_id: int, form: CustomersKeyForm) -> DecodedCustomersKey:
    """Seal what was read of the key as its keyset's bitting, for bench and owner; an event of the job, without cuts.

    A key that the customer has already, under another symbol, gives the cylinders and keys that symbol, and no master
    over it. What the key opens besides, it opened before: that is a warning. KeyingError on `cuts` where it cannot be
    cut to the spec, or where another key would open these cylinders; then nothing is saved.
    """
    work.require(Role.BENCH)
    with transaction(work.session):
        job, keyset = waiting_key(work, job_number, keyset_id)
        if job.stage not in BENCH_STAGES:
            raise LedgerError("stage", f"This job is {job.stage.word}: a key is decoded before it leaves the bench.")
        cuts = _read(spec_of(keyset.system), form)
        known = _known(work, keyset, cuts)
        turned = keysets_cut_so(work, keyset.system, cuts[::-1]) if known is None else []
        before = audit_systems(work, [keyset.system])
        symbol = keyset.symbol
        if known is not None:
            _move_to(work, job, keyset, known)
            said = f": it is {known.symbol} of {known.system.name}"
        else:
            seal_bitting(work, keyset.system, keyset, cuts)
            said = f", the {keyset.purpose}"
        work.session.flush()
        warnings = _require_no_worse(before, audit_systems(work, [(known or keyset).system]))
        warnings += _aside(work, keyset.system, cuts) if known is None else ()
        warnings += tuple(
            f"Read from the other end it would be {one.symbol} of {one.system.name}: if it was, have the "
            "owner correct its bitting before anything is pinned."
            for one in turned
        )
        record(work, DECODED, f"job {job.number}", f"The key of {symbol} was decoded{said}", job_id=job.id)
        return DecodedCustomersKey(known or keyset, known is not None, warnings)


def _read(spec: BittingSpec, form: CustomersKeyForm) -> Cuts:
    key = read_key(spec, form.cuts, form.order, _TOLERANCE, "cuts")
    if key.bitting is None:
        told = " ".join(key.warnings)
        raise KeyingError("cuts", f"{told} Measure once more, or enter the depths.")
    if not key.within_macs:
        raise KeyingError("cuts", "These cuts differ by more than the MACS of the spec: read the key again.")
    return key.bitting


def _aside(work: Work, system: KeySystem, cuts: Cuts) -> tuple[str, ...]:
    """What is to be known of rows of the customer's old lists that stand aside, where one may be this very key."""
    told = "may be this very key, and stands aside: whoever has that key opens these doors. The owner settles it."
    return tuple(f"{one[0].upper()}{one[1:]} {told}" for one in rows_like(work, system, cuts))


def _known(work: Work, keyset: Keyset, cuts: Cuts) -> Keyset | None:
    """The keyset under which the customer has this very key; refused where it is out of use."""
    system, same = keyset.system, keysets_cut_so(work, keyset.system, cuts)
    plain = [one for one in same if one.level is not Level.CONTROL]
    if same and not plain:
        raise KeyingError("cuts", f"This is a control key, of {same[0].system.name}: no cylinder is keyed to it.")
    require_not_retired(plain, "cuts")
    require_not_lost(work.session, plain, "cuts")
    return min(plain, key=lambda one: (one.system_id != system.id, one.id), default=None)


def _move_to(work: Work, job: Job, waiting: Keyset, known: Keyset) -> None:
    """Put what waits on the keyset that the key is known by, and drop the one that waited."""
    session = work.session
    if job.stage is Stage.ON_THE_BENCH:  # before that, putting it there asks
        require_authority(work, known.system, f"keyed cylinders of job {job.number} to {known.symbol}", job_id=job.id)
    for cylinder in session.scalars(
        sa.select(Cylinder).where(Cylinder.keyset_id == waiting.id).order_by(Cylinder.id)
    ):
        cylinder.keyset, cylinder.is_nmk = known, known.parent_id is not None
    session.execute(
        sa.update(CylinderOperator).where(CylinderOperator.keyset_id == waiting.id).values(keyset_id=known.id)
    )
    last = session.scalar(sa.select(sa.func.max(Key.copy_number)).where(Key.keyset_id == known.id)) or 0
    mine = session.scalars(sa.select(Key).where(Key.keyset_id == waiting.id).order_by(Key.copy_number)).all()
    for copy_number, key in enumerate(mine, start=last + 1):
        key.keyset, key.copy_number = known, copy_number
    session.execute(sa.update(BlindCode).where(BlindCode.keyset_id == waiting.id).values(keyset_id=known.id))
    known.keys_ordered += waiting.keys_ordered
    session.flush()
    session.expire(waiting)
    session.delete(waiting)


def _require_no_worse(before: AuditReport, now: AuditReport) -> tuple[str, ...]:
    """What is new in an audit: its warnings; KeyingError for a finding."""
    if worse := [one for one in now.findings if one not in before.findings]:
        raise KeyingError("cuts", f"{worse[0].sentence} Nothing was saved: read the key again, or quote new keys.")
    return tuple(one for one in now.warnings if one not in before.warnings)
