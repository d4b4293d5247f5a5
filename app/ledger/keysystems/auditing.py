"""The whole-system check: every issued key against every cylinder that it enters, before anything is cut or saved."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import permutations

from sqlalchemy.orm import Session

from app.keying import Bitting as Cuts
from app.keying import BittingSpec, KeyingError, NearMiss, Sections, audit, depths_as, near_misses, pin
from app.ledger.catalog.maker_queries import entering_of
from app.ledger.keysystems.bittings import open_bittings, spec_of
from app.ledger.keysystems.system_queries import (
    OperatedWay,
    operating_keysets,
    operators_of,
    sections_entered,
    sections_of,
    systems_sharing_keyway,
)
from app.ledger.keysystems.unsealed_system import OpenedSystem, Way, WhatEnters, open_system
from app.ledger.store.engine import transaction
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Keyset, KeySystem, Role
from app.validation import counted


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that stops the bench: what is wrong, in names and never in cuts, and what to do."""

    sentence: str
    remedy: str


class StoppedByAudit(KeyingError):
    """What the findings of the audit stop: `findings` are all of them, `system_ids` where they are mended."""

    def __init__(self, message: str, findings: Sequence[Finding], system_ids: Sequence[int]) -> None:
        super().__init__("keying", message)
        self.findings = tuple(findings)
        self.system_ids = tuple(system_ids)


@dataclass(frozen=True, slots=True)
class AuditReport:
    """What the check found. phantoms: combinations that shear and that no issued key is cut to, in all.

    warnings: what a key that the customer brought opens besides, as it did before it was decoded.
    without_bittings: keysets of which nothing was proven. as_keyed: those on no cylinder that were tried as if one
    were keyed to each; interchanging: what would open these and must not.
    """

    keys: int
    cylinders: int  # ways of being operated; cylinders alike in it count once
    findings: tuple[Finding, ...]
    phantoms: int
    warnings: tuple[str, ...] = ()
    without_bittings: int = 0
    as_keyed: int = 0
    interchanging: tuple[Finding, ...] = ()

    @property
    def is_clean(self) -> bool:
        """Whether the bench may start."""
        return not self.findings

    @property
    def is_proven(self) -> bool:
        """Whether something was tried, nothing was left out, and nothing at all was found."""
        return self.is_clean and not self.interchanging and not self.without_bittings and self._tried_any

    @property
    def _tried_any(self) -> bool:
        return bool(self.keys and self.cylinders + self.as_keyed)

    @property
    def words(self) -> str:
        """What was found, how many keys were tried in how many cylinders, and what to do."""
        if self.findings:
            count = len(self.findings)
            told = f"Findings: no bench sheet of this system prints before they are mended ({count:,} in all). "
        elif self.interchanging:
            told = f"Not clean: {_first_of(self.interchanging)} "
        elif self._tried_any:
            told = "Clean: no key operates a cylinder that it must not, and every key operates its own. "
        else:
            told = ""
        if self._tried_any:
            told += f"Tried: {counted(self.keys, 'key')} in {counted(self.cylinders, 'cylinder')} on record"
            told += f", and in {self.as_keyed:,} as keysets on none would have them." if self.as_keyed else "."
        else:
            told += (
                "No key was tried in any cylinder: the bittings of keysets in use are not here. What a factory "
                "keeps, it alone can prove; what the shop keeps, put back with the sealed backup, or let the owner "
                "enter it: Correct a bitting, on the system's page. Then audit again."
            )
        lacking = counted(self.without_bittings, "keyset")
        return f"{told} Nothing was proven of {lacking} without a bitting here." if self.without_bittings else told


def _first_of(findings: Sequence[Finding], then: str = "") -> str:
    """The first of some findings with its remedy, what stops meanwhile, and how many more there are."""
    first, others = findings[0], len(findings) - 1
    more = f" There {'is' if others == 1 else 'are'} {counted(others, 'more finding')}." if others else ""
    return f"{first.sentence} {f'{then} ' if then else ''}{first.remedy}{more}"


def audit_systems(
    work: Work, systems: Sequence[KeySystem], leaving: Collection[int] = (), *, tries_unkeyed: bool = False
) -> AuditReport:
    """Audit the cylinders of these systems and of the same customers' others that keys go from or to.

    Every issued key, control keys too, is tried in every cylinder that it enters by the makers' tables, on whatever
    keyway; one of another spec by its inches. A key with more cuts than a cylinder has chambers is tried with those
    nearest to its stop, one with fewer as if cut to the shallowest depth beyond them. Cylinders that a job on its way
    replaces do not count, nor those `leaving` (ids), so that a finding can be mended; new keys are drawn to turn them
    neither. Those whose bittings the factory holds are outside what the shop can prove. Shows no bitting.
    `tries_unkeyed`: keysets that are on no cylinder, as those of an old list, are tried as if one were keyed to each.
    """
    keys = cylinders = phantoms = lacking = unkeyed = 0
    findings: list[Finding] = []
    interchanging: list[Finding] = []
    warnings: list[str] = []
    for customer_id in dict.fromkeys(system.customer_id for system in systems):
        asked = dict.fromkeys(sections_of(system) for system in systems if system.customer_id == customer_id)
        near = (one for names in asked for one in systems_sharing_keyway(work.session, names, customer_id))
        neighbors = sorted(dict.fromkeys(near), key=lambda one: one.id)
        opened, enters = open_bittings(work.session, work.vault, neighbors), WhatEnters.of(work.session, neighbors)
        held = [(keyset, other) for other in neighbors for keyset in other.keysets if keyset.id in opened]
        every = [keyset for other in neighbors for keyset in other.keysets]
        lacking += sum(one.id not in opened and not one.level.takes_cores_out for one in every)
        names = {keyset.id: f"{keyset.symbol} of {other.name}" for keyset, other in held}
        controls = {keyset.id for keyset, _ in held if keyset.level.takes_cores_out}
        brought = {names[keyset.id] for keyset, _ in held if keyset.is_customers_key}
        entered = {name: enters.entered[keyset_id] for keyset_id, name in names.items()}
        on_record = operating_keysets(work.session, neighbors, with_replaced=False, leaving=leaving)
        tried = _as_keyed(every, opened, on_record) | on_record if tries_unkeyed else on_record
        findings += _cutting_findings(neighbors, opened, names)
        findings += _missing_findings({way: one.keysets for way, one in on_record.items()}, opened)
        findings += _pulling_findings(opened, names, controls, enters)
        findings += _shut_out_findings(work.session, neighbors)
        warnings += _unproven(neighbors, enters)
        keys += len(names) - len(controls)
        alike: dict[BittingSpec, dict[str, list[int]]] = {}
        for way, (keysets, chambers) in tried.items():
            if meant := [one.id for one in keysets if one.id in opened and one.id not in controls]:
                spec = replace(enters.specs[keysets[0].id], chambers=chambers)
                alike.setdefault(spec, {})[way] = meant
        for spec, operated in alike.items():
            met = {keyset_id: enters.cut_into(keyset_id, opened[keyset_id], spec) for keyset_id in names}
            found = audit(
                {names[keyset_id]: cuts for keyset_id, cuts in met.items() if cuts},
                {way: [names[one] for one in meant] for way, meant in operated.items()},
                Sections({way: enters.plugs[tried[way].keysets[0].id] for way in operated}, entered),
            )
            cylinders += sum(way in on_record for way in operated)
            unkeyed += sum(way not in on_record for way in operated)
            phantoms += sum(count for way, count in found.phantoms.items() if way in on_record)
            findings += [
                Finding(
                    f"Key {key} would also operate {cylinder}, which it must not.",
                    "Compare both with the list and correct a wrong bitting on the system's page; where both are "
                    "right, rekey the cylinder to another keyset. Do not cut or hand out either before.",
                )
                for cylinder, key in found.unintended
                if key not in brought and cylinder in on_record
            ]
            interchanging += [
                Finding(
                    f"Key {key} would also operate any cylinder keyed to {cylinder}, which it must not.",
                    "Compare both with the list and correct a wrong bitting on the system's page, before a cylinder "
                    "is keyed to it.",
                )
                for cylinder, key in found.unintended
                if cylinder not in on_record
            ]
            warnings += [
                f"The customer's key, {key}, opens {cylinder} too, and did before."
                for cylinder, key in found.unintended
                if key in brought and cylinder in on_record
            ]
    return AuditReport(
        keys, cylinders, tuple(findings), phantoms, tuple(warnings), lacking, unkeyed, tuple(interchanging)
    )


def _as_keyed(
    keysets: Sequence[Keyset], opened: Mapping[int, Cuts], on_record: Mapping[str, OperatedWay]
) -> dict[str, OperatedWay]:
    """How a cylinder would be operated that is keyed to a keyset which is on none: by it and the masters over it."""
    keyed, by_id = {one.keysets[0].id for one in on_record.values()}, {one.id: one for one in keysets}
    return {
        f"{one.symbol} of {one.system.name}": OperatedWay(
            operators_of(one, is_nmk=False, by_id=by_id), one.system.chambers
        )
        for one in keysets
        if one.id in opened and one.id not in keyed and not one.is_out_of_use
        if not (one.level.takes_cores_out or one.level.is_of_construction)
    }


def _shut_out_findings(session: Session, systems: Sequence[KeySystem]) -> list[Finding]:
    """Keys that have to enter cylinders on several keyways, and that no blank of the makers' tables is for."""
    known = entering_of(session)
    return [
        Finding(
            f"Key {keyset.symbol} of {system.name} has to enter {', '.join(sorted(names))}, and no key blank does.",
            "Enter the blank on its maker's page, or key what it must open on keyways that one blank enters.",
        )
        for system in systems
        for needed in [sections_entered(session, system)]
        for keyset in system.keysets
        if len(names := needed[keyset.id]) > 1 and known.blank_for(names, system.chambers) is None
    ]


def _unproven(systems: Sequence[KeySystem], enters: WhatEnters) -> list[str]:
    """Systems whose keys enter another's cylinders while nobody knows how their depths compare."""
    cut = {system: spec_of(system) for system in systems}
    return [
        f"Keys of {one.name} enter cylinders of {other.name}, and {one.spec.name} and {other.spec.name} do not both "
        "say their depths in inches: equal numbers are held for equal cuts. Enter them on the specs' pages."
        for one, other in permutations(systems, 2)
        if depths_as(cut[one], cut[other]) is None
        and any({*sections_of(other)} & enters.entered[keyset.id] for keyset in one.keysets)
    ]


def _missing_findings(ways: Mapping[str, Sequence[Keyset]], opened: Mapping[int, Cuts]) -> list[Finding]:
    """Cylinders that a key must operate whose bitting is not here, though others' are: pinned without it."""
    lacking = {
        one.id: (one.symbol, way)
        for way, keysets in ways.items()
        if any(keyset.id in opened for keyset in keysets)
        for one in keysets
        if one.id not in opened
    }
    return [
        Finding(
            f"The bitting of {symbol} is not in this house, so {way} would be pinned without that key.",
            "Put the sealed backup back, or let the owner enter it: Correct a bitting, on the system's page.",
        )
        for symbol, way in lacking.values()
    ]


def _pulling_findings(
    opened: Mapping[int, Cuts], names: Mapping[int, str], controls: Collection[int], enters: WhatEnters
) -> list[Finding]:
    """Plain keys that a core would take for its control key: whoever holds one could carry the core away."""
    return [
        Finding(
            f"Key {name} is cut like {names[control]}: it would take that system's cores out.",
            "Compare both with the system's list and correct the wrong bitting on the system's page; where both are "
            "right, key the plain one anew. Do not cut or hand out the key before.",
        )
        for control in sorted(controls)
        for keyset_id, name in names.items()
        if keyset_id not in controls
        and enters.cut_into(keyset_id, opened[keyset_id], enters.specs[control], enters.plugs[control])
        == opened[control]
    ]


def _cutting_findings(
    systems: Sequence[KeySystem], opened: Mapping[int, Cuts], names: Mapping[int, str]
) -> list[Finding]:
    """Keys that cannot be cut, and those that break the parity of the master above them.

    In a two-step progression every change keeps its master's parity (Keynotes, July 2017).
    """
    findings = []
    for system in systems:
        spec = spec_of(system)
        for keyset in system.keysets:
            cuts, above = opened.get(keyset.id), opened.get(keyset.parent_id or 0)
            if cuts is None or keyset.is_really_cut_so:
                continue
            if not spec.within_macs(cuts):
                findings.append(
                    Finding(
                        f"Key {names[keyset.id]} has adjacent cuts that differ by more than the spec's MACS.",
                        "It cannot be cut cleanly: compare it with the system's list and correct the bitting, or "
                        "enter it again where it is really cut so.",
                    )
                )
            if spec.step == 2 and above and any((cut - top) % 2 for cut, top in zip(cuts, above, strict=True)):
                findings.append(
                    Finding(
                        f"Key {names[keyset.id]} does not keep the parity of {names[keyset.parent_id or 0]}: "
                        "it is not of this two-step system.",
                        "Compare it with the system's list; the owner corrects the bitting on the system's page, or "
                        "enters it again there where it is really cut so.",
                    )
                )
    return findings


def require_clean(work: Work, systems: Sequence[KeySystem], then: str, leaving: Collection[int] = ()) -> AuditReport:
    """Audit, and raise StoppedByAudit with the findings and the remedy when there are any; `then` says what stops."""
    report = audit_systems(work, systems, leaving)
    if not report.is_clean:
        raise StoppedByAudit(_first_of(report.findings, then), report.findings, [system.id for system in systems])
    return report


def prove_no_interchange(work: Work, systems: Sequence[KeySystem]) -> None:
    """Before saving: KeyingError names the first cylinder and key that must not go together."""
    require_clean(work, systems, "Nothing was saved.")


MOST_SHOWN = 40


@dataclass(frozen=True, slots=True)
class MostPhantoms:
    """A cylinder that lets in combinations nobody is cut to, and how many; which share of all bittings turns it, in
    words; the spec's bounds that it passes.
    """

    way: Way
    phantoms: int
    share: str
    passed: tuple[str, ...]


def _share(opened: OpenedSystem, way: Way) -> tuple[str, tuple[str, ...]]:
    keys = {symbol: opened.keys[symbol] for symbol in way.symbols}
    found = pin(opened.spec, keys, chambers=way.chambers)
    return found.share_words, found.passed


@dataclass(frozen=True, slots=True)
class SystemCheck:
    """An audit of a system with its customer's other systems on the same keyway.

    `near`: of this system alone, keys one worn step from a foreign cylinder, one cut off; `near_count` is all.
    """

    system: KeySystem
    report: AuditReport
    trials: int
    phantoms: tuple[MostPhantoms, ...]
    near: tuple[NearMiss, ...]
    near_count: int


def check_whole_system(work: Work, system_id: int, tolerance: int = 1) -> SystemCheck:
    """Audit a system for bench or owner. Findings name keysets and cylinders, never cuts."""
    work.require(Role.BENCH)
    opened = open_system(work, system_id)
    report = audit_systems(work, [opened.system], tries_unkeyed=True)
    enters = WhatEnters.of(work.session, [opened.system])
    plugs = {way.label: way.keyset_id for way in opened.ways.values()}
    sections = enters.sections({symbol: opened.keyset_ids[symbol] for symbol in opened.keys}, plugs)
    phantoms, near = dict[str, int](), list[NearMiss]()
    for chambers, cylinders in opened.by_chambers().items():
        seen = opened.seen_by(chambers)
        phantoms |= audit(seen, cylinders, sections).phantoms
        near += near_misses(seen, cylinders, tolerance, sections)
    worst = sorted(phantoms.items(), key=lambda item: -item[1])[:MOST_SHOWN]
    system = opened.system
    with transaction(work.session):
        record(
            work,
            "key system audited",
            f"key system {system_id}",
            f"{system.name}: {report.words}",
            phantoms=report.phantoms,
        )
    return SystemCheck(
        system,
        report,
        report.keys * (report.cylinders + report.as_keyed),
        tuple(
            MostPhantoms(opened.ways[name], count, *_share(opened, opened.ways[name]))
            for name, count in worst
            if count
        ),
        tuple(near[:MOST_SHOWN]),
        len(near),
    )
