"""Use case: a bitting on record is wrong or missing; the owner puts the right one in its place, with a reason.

It makes the record follow the metal, where the list was typed wrong: a keyset that is to get other keys is keyed
anew in a job instead.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import sqlalchemy as sa

from app.errors import Problem, Problems
from app.keying import ROLE_BELOW, KeyingError, read_bitting, write_bitting
from app.keying import Bitting as Cuts
from app.ledger.keysystems.auditing import AuditReport, audit_systems
from app.ledger.keysystems.bittings import (
    count_capacity,
    open_bittings,
    open_plan,
    put_plan_away,
    reseal_bittings,
    spec_of,
    twin_met,
)
from app.ledger.keysystems.control import read_control
from app.ledger.keysystems.lost_keysets import BITTING_CORRECTED, IN_METAL, keep_lost_bitting, operated_by
from app.ledger.keysystems.pinned import keeping_keys_aside_out, pinned_as_on_record
from app.ledger.keysystems.system_queries import get_system
from app.ledger.keysystems.ticks import take_key_ticks_back, take_ticks_back
from app.ledger.keysystems.unsealed_system import ask_from_which_end, rows_like
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import CUT_SO, Cylinder, CylinderState, Key, Keyset, KeyState, KeySystem, Level, RecordsHolder

MOST_WHY = 200


@dataclass(frozen=True, slots=True)
class CorrectForm:
    """destroyed: somebody says that keys cut, and cylinders pinned, by the old record are out of the world, so that a
    key that was lost before opens nothing any more. from_bow: the sentence that asks from which end the
    cuts were read, where it is agreed to.
    """

    keyset_id: int
    bitting: str = field(repr=False)
    why: str
    destroyed: bool = False
    from_bow: str = ""


@dataclass(frozen=True, slots=True)
class Corrected:
    """The keyset, what the audit finds now, and whether the system lost its array by it.

    is_kept: it is as it was, and known to be really cut so.
    """

    keyset: Keyset
    audit: AuditReport
    lost_plan: bool
    is_kept: bool = False


def correct_bitting(work: Work, system_id: int, form: CorrectForm) -> Corrected:
    """Seal the right bitting of a keyset in place of what is on record; owner only, an event without any cut.

    Cylinders on the bench that it operates, and its keys in the shop, lose their ticks: they are made anew.
    Refused, with nothing saved, where the audit would then find something that it does not find now, where another
    keyset that enters a keyway with it has this bitting, where a key of an old list that stands aside may have it or
    would turn what it operates, and where metal was made by the wrong record and nobody says that it is destroyed. A
    master that is then no longer of the system's array costs the system its plan: it can no longer be extended.
    """
    work.require_owner()
    if not 0 < len(" ".join(form.why.split())) <= MOST_WHY:
        raise LedgerError("why", f"Say in 1 to {MOST_WHY} characters how the mistake was found.")
    with transaction(work.session):
        system = get_system(work.session, system_id)
        keyset = next((one for one in system.keysets if one.id == form.keyset_id), None)
        if keyset is None:
            raise NotFound("keyset in this key system")
        if system.records is not RecordsHolder.SHOP:
            raise LedgerError("bitting", f"The records of {system.name} are with the {system.records.value}.")
        opened = open_bittings(work.session, work.vault, [system])
        cuts, why = _read(work, system, keyset, form, opened)
        if opened.get(keyset.id) == cuts:
            return _keep(work, system, keyset, why)
        if aside := rows_like(work, system, cuts):
            told = f"{aside[0][0].upper()}{aside[0][1:]} may be this very key, and stands aside"
            raise LedgerError("bitting", f"{told}: settle it on the system's page first, then correct this one.")
        ask_from_which_end(work, system, cuts, form.from_bow)
        made = _require_destroyed(work, keyset, form)
        if form.destroyed and keyset.id in opened:
            keep_lost_bitting(work, keyset, opened[keyset.id])
        before = {finding.sentence for finding in audit_systems(work, [system]).findings}
        operated = _cylinders_of(work, keyset)
        with keeping_keys_aside_out(work, system, operated, "bitting"):
            for cylinder in pinned_as_on_record(work, operated):
                # Pinned by the record that is wrong: what was pinned to an earlier bitting stays as it was.
                cylinder.sealed_pins = None
            reseal_bittings(work, system, [(keyset, cuts)])
        lost_plan = leave_array(work, system, keyset, cuts)
        found = audit_systems(work, [system], tries_unkeyed=True)
        if worse := [one for one in found.findings if one.sentence not in before]:
            raise KeyingError("bitting", f"{worse[0].sentence} Nothing was saved: read the key or the list again.")
        record(
            work,
            BITTING_CORRECTED,
            f"key system {system_id}",
            f"{keyset.symbol} of {system.name}: {why}"
            + (IN_METAL if made else "")
            + ("; the system has no array any more" if lost_plan else ""),
            keyset=keyset.id,
            replaced=form.destroyed,
        )
        return Corrected(keyset, found, lost_plan)


def _read(
    work: Work, system: KeySystem, keyset: Keyset, form: CorrectForm, opened: dict[int, Cuts]
) -> tuple[Cuts, str]:
    """The cuts, and the reason, which everybody reads: it tells neither bitting, whatever stands between the cuts."""
    spec = spec_of(system)
    cuts, why = read_bitting(spec, form.bitting, "bitting"), " ".join(form.why.split())
    is_on_record = opened.get(keyset.id) == cuts
    if not is_on_record and twin_met(work.session, system, {**opened, keyset.id: cuts}, keyset, keyset.section):
        raise LedgerError("bitting", "Another keyset of this system has this bitting: read the key again.")
    if not is_on_record and not spec.within_macs(cuts):
        raise KeyingError("bitting", "These cuts differ by more than the MACS of the spec: read the key again.")
    if keyset.level is Level.CONTROL:
        read_control(work, system, form.bitting, "bitting")
    said = "".join(character for character in why if character.isalnum()).lower()
    if any(write_bitting(spec, one).lower() in said for one in (cuts, opened.get(keyset.id)) if one is not None):
        raise LedgerError("why", "This goes on record: say how the mistake was found, and leave the cuts out.")
    return cuts, why


def _keep(work: Work, system: KeySystem, keyset: Keyset, why: str) -> Corrected:
    """Have the audit let a bitting on record be that it holds against the spec; LedgerError where it does not."""
    before = len(audit_systems(work, [system]).findings)
    keyset.is_really_cut_so = True
    left = audit_systems(work, [system], tries_unkeyed=True)
    if len(left.findings) == before:
        raise LedgerError("bitting", "This is the bitting on record.")
    record(work, "bitting kept", f"key system {system.id}", f"{keyset.symbol} of {system.name} is {CUT_SO}: {why}")
    return Corrected(keyset, left, False, is_kept=True)


def _require_destroyed(work: Work, keyset: Keyset, form: CorrectForm) -> bool:
    """Whether metal was made by the record; Problems where that is not said to be out of the world."""
    if keyset.bitting is None:
        return False
    # A master's cuts stand in every cylinder that it operates, not in those of its own keyset alone.
    operated = operated_by(work.session, keyset)
    pinned = sum(one.job_id is not None and one.state is not CylinderState.ORDERED for one in operated)
    uncut = (KeyState.ORDERED, KeyState.RETIRED)
    keys = sa.select(sa.func.count(Key.id)).where(
        Key.keyset_id == keyset.id, Key.state.not_in(uncut), Key.job_id.is_not(None)
    )
    cut = work.session.scalar(keys) or 0
    if (cut or pinned) and not form.destroyed:
        words = f"Keys cut by this record: {cut}; cylinders pinned by it: {pinned}."
        raise Problems([Problem("destroyed", f"{words} Get them back first; tick this when none is left.")])
    why = f"the bitting of {keyset.symbol} is corrected"
    take_ticks_back(work, [one.cylinder_id for one in operated], why)
    take_key_ticks_back(work, keyset.id, why)
    return bool(cut or pinned)


def _cylinders_of(work: Work, keyset: Keyset) -> Sequence[Cylinder]:
    """Those that the keyset's key operates."""
    ids = [one.cylinder_id for one in operated_by(work.session, keyset)]
    return work.session.scalars(sa.select(Cylinder).where(Cylinder.id.in_(ids)).order_by(Cylinder.id)).all()


def leave_array(work: Work, system: KeySystem, keyset: Keyset, cuts: Cuts) -> bool:
    """Drop the plan of a system whose master is not of its array any more; tell whether that was so.

    Of a selective master the array withholds the depth that it has now, where it is still cut like the top master but
    for one chamber.
    """
    plan = open_plan(work.vault, system)
    if plan is None or not (keyset.level.is_upper or keyset.level is Level.SELECTIVE):
        return False
    above = open_bittings(work.session, work.vault, [system]).get(keyset.parent_id or 0)
    if keyset.level is Level.SELECTIVE:
        own = [place for place in enumerate(cuts, start=1) if place[1] != plan.tmk[place[0] - 1]]
        fits = len(own) == 1
        if fits:
            put_plan_away(work, system, replace(plan, withheld=own[0]))
            system.capacity = count_capacity(work, system)
    elif keyset.parent is None:
        fits = cuts == plan.tmk
    else:
        role = ROLE_BELOW[keyset.parent.level]
        fits = above is not None and cuts in plan.under(spec_of(system), role, above)
    if not fits:
        system.sealed_plan, system.capacity = None, None
    return not fits
