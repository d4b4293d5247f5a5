"""Use case: audit a system when somebody asks for it, with what is short of a finding; an event says that it ran."""

from __future__ import annotations

from dataclasses import dataclass

from app.keying import NearMiss, audit, near_misses
from app.ledger.keysystems.auditing import AuditReport, audit_systems
from app.ledger.keysystems.unsealed_system import Way, open_system
from app.ledger.store.engine import transaction
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import KeySystem, Role

MOST_SHOWN = 40


@dataclass(frozen=True, slots=True)
class MostPhantoms:
    """A cylinder that lets in combinations nobody is cut to, and how many."""

    way: Way
    phantoms: int


@dataclass(frozen=True, slots=True)
class SystemCheck:
    """An audit of a system with its customer's other systems on the same keyway.

    `without_bittings`: keysets whose bittings the shop does not hold, so nothing was proven of them.
    `near`: of this system alone, keys one worn step from a foreign cylinder, one cut off; `near_count` is all.
    """

    system: KeySystem
    report: AuditReport
    pairs: int
    without_bittings: int
    phantoms: tuple[MostPhantoms, ...]
    near: tuple[NearMiss, ...]
    near_count: int


def check_whole_system(work: Work, system_id: int, tolerance: int = 1) -> SystemCheck:
    """Audit a system for bench or owner. Findings name keysets and cylinders, never cuts."""
    work.require(Role.BENCH)
    opened = open_system(work, system_id)
    report = audit_systems(work, [opened.system])
    cylinders = opened.cylinders
    found = audit(opened.keys, cylinders)
    near = near_misses(opened.keys, cylinders, tolerance) if cylinders else ()
    worst = sorted(found.phantoms.items(), key=lambda item: -item[1])[:MOST_SHOWN]
    system = opened.system
    with transaction(work.session):
        record(
            work,
            "key system audited",
            f"key system {system_id}",
            f"{system.name}: {report.keys} keys against {report.cylinders} cylinders, "
            + ("clean" if report.is_clean else f"{len(report.findings)} findings"),
            phantoms=report.phantoms,
        )
    return SystemCheck(
        system,
        report,
        report.keys * report.cylinders,
        sum(keyset.symbol not in opened.keys for keyset in system.keysets if keyset.level.value != "control"),
        tuple(MostPhantoms(opened.ways[name], count) for name, count in worst if count),
        near[:MOST_SHOWN],
        len(near),
    )
