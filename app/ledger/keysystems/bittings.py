"""Sealed bittings: put away, opened for the house's own reckoning, and revealed to a person with an event."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass, field

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.keying import Array, BittingSpec, array_under, read_bitting, write_bitting
from app.keying import Bitting as Cuts
from app.ledger.store.engine import transaction
from app.ledger.store.errors import NotFound
from app.ledger.store.events import record
from app.ledger.store.vault import Vault
from app.ledger.store.work import Work, require_current_key
from app.ledger.tables import Bitting, Keyset, KeySystem, Level, Role


@dataclass(frozen=True, slots=True)
class Plan:
    """What a system's next bittings are made from: its top master and what each chamber serves. A secret.

    `constants`: of a system of two levels, how many chambers are held at a time (rotating constants); else 0.
    """

    tmk: Cuts = field(repr=False)
    roles: str
    constants: int = 0

    def under(self, spec: BittingSpec, role: str, base: Cuts) -> Array:
        """The bittings of a level (C, M or G) under the key above it, in the order they are handed out."""
        return array_under(spec, self.tmk, self.roles, role, base, constants=self.constants)


def spec_of(system: KeySystem) -> BittingSpec:
    """The bitting spec of a system: its keyway's, with as many chambers as this system has."""
    return BittingSpec.from_json({**system.spec.spec, "chambers": system.chambers})


def bitting_context(system_id: int, keyset_id: int) -> str:
    """What a sealed bitting is bound to."""
    return f"bitting of keyset {keyset_id} in system {system_id}"


def fingerprint_context(system_id: int) -> str:
    """Within what equal bittings are found equal."""
    return f"system {system_id}"


def plan_context(system_id: int) -> str:
    """What a sealed plan is bound to."""
    return f"plan of system {system_id}"


def add_keyset(
    work: Work,
    system: KeySystem,
    symbol: str,
    level: Level,
    parent: Keyset | None = None,
    cuts: Cuts | None = None,
    purpose: str = "",
) -> Keyset:
    """A new keyset, its bitting sealed where the shop has one, inside the caller's transaction."""
    keyset = Keyset(system=system, symbol=symbol, level=level, parent=parent, purpose=purpose)
    work.session.add(keyset)
    work.session.flush()
    if cuts is not None:
        seal_bitting(work, system, keyset, cuts)
    return keyset


def seal_bitting(work: Work, system: KeySystem, keyset: Keyset, cuts: Cuts) -> None:
    """Put a keyset's bitting away, inside the caller's transaction. One bitting stands once in a system."""
    seal_bittings(work, system, [(keyset, cuts)])


def seal_bittings(work: Work, system: KeySystem, pairs: Iterable[tuple[Keyset, Cuts]]) -> None:
    """The same for several keysets of a system."""
    require_current_key(work)
    spec = spec_of(system)
    for keyset, cuts in pairs:
        text = write_bitting(spec, cuts)
        work.session.add(
            Bitting(
                system_id=system.id,
                keyset_id=keyset.id,
                sealed=work.vault.seal(text, bitting_context(system.id, keyset.id)),
                fingerprint=work.vault.fingerprint(text, fingerprint_context(system.id)),
            )
        )


def open_bittings(session: Session, vault: Vault, systems: Iterable[KeySystem]) -> dict[int, Cuts]:
    """Keyset id → cuts of every keyset with a bitting in these systems.

    For the house's own reckoning only (what is used, what interchanges): whatever shows a bitting to a person
    goes through `reveal_bittings`.
    """
    specs = {system.id: spec_of(system) for system in systems}
    rows = session.scalars(sa.select(Bitting).where(Bitting.system_id.in_(specs)))
    return {
        row.keyset_id: read_bitting(
            specs[row.system_id],
            vault.open(row.sealed, bitting_context(row.system_id, row.keyset_id)),
            "bitting",
        )
        for row in rows
    }


def seal_plan(work: Work, system: KeySystem, plan: Plan) -> None:
    """Put a system's plan away, inside the caller's transaction."""
    require_current_key(work)
    given = {"tmk": write_bitting(spec_of(system), plan.tmk), "roles": plan.roles, "constants": plan.constants}
    text = json.dumps(given)
    system.sealed_plan = work.vault.seal(text, plan_context(system.id))


def open_plan(vault: Vault, system: KeySystem) -> Plan | None:
    """The system's plan, or None where the shop has none (single keyed, or keyed at the factory)."""
    if system.sealed_plan is None:
        return None
    given = json.loads(vault.open(system.sealed_plan, plan_context(system.id)))
    # Plans sealed before there were rotating constants do not speak of them.
    return Plan(read_bitting(spec_of(system), given["tmk"], "tmk"), given["roles"], given.get("constants", 0))


def reveal_bittings(
    work: Work, system_ids: Iterable[int], purpose: str, *, job_id: int | None = None
) -> dict[int, Cuts]:
    """Keyset id → cuts, for the bench's or the owner's eyes; each system revealed is an event.

    Raises NotAllowed for any other role, and then opens nothing.
    """
    work.require(Role.BENCH)
    wanted = sorted(set(system_ids))
    with transaction(work.session):
        systems = work.session.scalars(sa.select(KeySystem).where(KeySystem.id.in_(wanted))).all()
        if len(systems) != len(wanted):
            raise NotFound("key system")
        for system in systems:
            record(
                work,
                "bittings revealed",
                f"key system {system.id}",
                f"Bittings of {system.name} shown to {work.actor.name}: {purpose}",
                job_id=job_id,
            )
        return open_bittings(work.session, work.vault, systems)
