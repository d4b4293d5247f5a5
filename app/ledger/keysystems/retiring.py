"""Key systems and keysets out of use: nothing more is keyed to them, and their page says so and why.

A system is retired by the owner, who is told what stands keyed to it and says that it stays so; a keyset by the list
that its system was taken over from, or by what took its place.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import Problem, Problems
from app.ledger.keysystems.systems import single_keyed_name
from app.ledger.store.engine import get_version, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Door, Job, Keyset, KeySystem, Site, longest
from app.pricing import show_day
from app.validation import counted, fault_of_length, first_of

_NAMED = 8


@dataclass(frozen=True, slots=True)
class StandingKeyed:
    """A cylinder that stands, or is to come, keyed in a system; job: the one that brings it, 0 where none does."""

    cylinder_id: int
    symbol: str
    position: str
    opening_number: str
    site: str
    state: CylinderState
    job: int

    @property
    def place(self) -> str:
        """Where it is, in a few words."""
        if not self.opening_number:
            return f"no door, {self.symbol}"
        return self.opening_number if self.position == "outside" else f"{self.opening_number} {self.position}"


def keyed_in(session: Session, system: KeySystem) -> Sequence[StandingKeyed]:
    """Every cylinder keyed in a system and not removed, by site and opening number: one query."""
    rows = (
        sa.select(
            Cylinder.id,
            Keyset.symbol,
            Cylinder.position,
            sa.func.coalesce(Door.opening_number, ""),
            sa.func.coalesce(Site.name, ""),
            Cylinder.state,
            sa.func.coalesce(Job.number, 0),
        )
        .join(Keyset, Keyset.id == Cylinder.keyset_id)
        .outerjoin(Door, Door.id == Cylinder.door_id)
        .outerjoin(Site, Site.id == Door.site_id)
        .outerjoin(Job, Job.id == Cylinder.job_id)
        .where(Keyset.system_id == system.id, Cylinder.state != CylinderState.REMOVED)
        .order_by(Site.name, sa.func.length(Door.opening_number), Door.opening_number, Cylinder.id)
    )
    return [StandingKeyed(*row) for row in session.execute(rows)]


def retire_system(work: Work, system_id: int, version: int, reason: str, staying: Collection[int] = ()) -> KeySystem:
    """Take a system read at `version` out of use, with a reason; owner only.

    `staying`: the ids of the standing cylinders of which the owner says that they stay keyed to it. Problems on
    `reason`, on `staying` for those that nobody spoke of, on `jobs` for what is still to come; Stale.
    """
    work.require_owner()
    reason = " ".join(reason.split())
    with transaction(work.session):
        system = get_version(work.session, KeySystem, system_id, "key system", version)
        if system.retired_on is not None:
            raise LedgerError("", f"{system.name} is retired already.")
        if system.name == single_keyed_name(system.keyway, system.chambers, system.records):
            told = f"{system.name} is the customer's book of single keys: the next one sold goes there, so it stays."
            raise LedgerError("", told)
        keyed = keyed_in(work.session, system)
        problems = [*_reason_problems(reason), *_coming(keyed), *_unspoken(keyed, set(staying))]
        if problems:
            raise Problems(problems)
        system.retired_on, system.retired_reason = work.today, reason
        stay = f"; {counted(len(keyed), 'cylinder')} stay keyed to it" if keyed else ""
        subject = f"key system {system.id}"
        record(work, "key system retired", subject, f"{system.name} retired: {reason}{stay}")
        return system


def _reason_problems(reason: str) -> list[Problem]:
    if not reason:
        return [Problem("reason", "Say why it goes out of use; everybody reads it on its page.")]
    fault = fault_of_length(reason, longest(KeySystem.retired_reason))
    return [Problem("reason", fault)] if fault else []


def _coming(keyed: Sequence[StandingKeyed]) -> list[Problem]:
    """What is on its way, by job; what is planned on doors, together."""
    coming = [one for one in keyed if one.state is not CylinderState.FITTED]
    problems = []
    for job in sorted({one.job for one in coming if one.job}):
        count = counted(sum(one.job == job for one in coming), "cylinder")
        problems.append(Problem("jobs", f"Job {job} is to bring {count} keyed to it: finish or cancel it first."))
    if planned := [one for one in coming if not one.job]:
        said = f"{_named(planned)}: planned on it. Remove what is planned on the door's page first."
        problems.append(Problem("jobs", said))
    return problems


def _unspoken(keyed: Sequence[StandingKeyed], staying: set[int]) -> list[Problem]:
    stands = [one for one in keyed if one.state is CylinderState.FITTED and one.cylinder_id not in staying]
    if not stands:
        return []
    said = (
        f"{counted(len(stands), 'cylinder')} still {'stands' if len(stands) == 1 else 'stand'} keyed to it: "
        f"{_named(stands)}. Tick those that stay so, or rekey them to another system first."
    )
    return [Problem("staying", said)]


def _named(keyed: Sequence[StandingKeyed]) -> str:
    return first_of([one.place for one in keyed], _NAMED)


def put_back_in_use(work: Work, system_id: int, version: int) -> KeySystem:
    """Have a retired system, read at `version`, take keysets again; owner only. LedgerError, Stale."""
    work.require_owner()
    with transaction(work.session):
        system = get_version(work.session, KeySystem, system_id, "key system", version)
        if system.retired_on is None:
            raise LedgerError("", f"{system.name} is in use.")
        said = f"{system.name} back in use; it was retired since {show_day(system.retired_on)}"
        record(work, "key system back in use", f"key system {system.id}", f"{said}: {system.retired_reason}")
        system.retired_on, system.retired_reason = None, ""
        return system


def retire_keysets(work: Work, keysets: Sequence[Keyset], reason: str) -> None:
    """Take keysets out of use inside the caller's transaction; nothing may stand or wait keyed to them.

    One event a system. Whoever calls has asked for the right. LedgerError on `keysets` names what stands.
    """
    for system_id in dict.fromkeys(one.system_id for one in keysets):
        mine = [one for one in keysets if one.system_id == system_id and not one.is_retired]
        if not mine:
            continue
        symbols = {one.symbol for one in mine}
        if stands := [one for one in keyed_in(work.session, mine[0].system) if one.symbol in symbols]:
            raise LedgerError("keysets", f"{_named(stands)}: still keyed to what is to be retired. Rekey that first.")
        for keyset in mine:
            keyset.is_retired = True
        named = ", ".join(one.symbol for one in mine[:12]) + (" and more" if len(mine) > 12 else "")
        ids = [one.id for one in mine]
        record(work, "keysets retired", f"key system {system_id}", f"{named} retired: {reason}"[:1000], keysets=ids)
