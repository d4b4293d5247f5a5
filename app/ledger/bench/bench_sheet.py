"""What the bench works from, bittings open: a job's sheet, one keyset, one cylinder as its label's code opens it."""

from collections.abc import Iterable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload, selectinload

from app.errors import BitternError
from app.keying import Bitting as Cuts
from app.keying import (
    BittingSpec,
    KeyingError,
    Pinning,
    ball_sizes,
    is_ball,
    pin,
    pin_depths,
    with_balls,
    write_bitting,
)
from app.ledger.jobs.cylinder_lines import JobCylinders, PlainRow, job_cylinders
from app.ledger.jobs.papers import JobHead, job_head
from app.ledger.keys.losses import lost_cuts
from app.ledger.keysystems.auditing import require_clean
from app.ledger.keysystems.bittings import note_reveal, open_bittings, reveal_bittings, spec_of
from app.ledger.keysystems.construction import control_of, is_construction_symbol
from app.ledger.keysystems.control import lacks_control
from app.ledger.keysystems.keysets import require_decoded, waiting_keys
from app.ledger.keysystems.pinned import open_pins
from app.ledger.keysystems.system_queries import (
    blanks_of,
    chambers_in,
    control_over,
    get_system,
    operators_of,
    sections_entered,
    sections_of,
    symbol_on,
)
from app.ledger.keysystems.ticks import CheckOff, checked_off
from app.ledger.quoting.factory_keyed import sent_cylinders, sent_keysets
from app.ledger.quoting.key_lines import own_copies
from app.ledger.sites.cautions import cautions_of
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, NotFound
from app.ledger.store.work import Work
from app.ledger.tables import (
    Cylinder,
    CylinderOperator,
    Door,
    Job,
    Keyset,
    KeySystem,
    Level,
    Loss,
    RecordsHolder,
    Role,
)


@dataclass(frozen=True, slots=True)
class BenchKey:
    """A key to cut: its bitting and how many; 0 of a control key that the bench needs and the job does not bring.

    `is_there`: whether a copy of it is on record. `is_old`: whether it is the one that cores are taken out with after
    a loss, which are seated with the new one. `purpose`: what the bench reads beside it. `blank`:
    what it is cut of, in a system on several keyways; "" in any other.
    """

    symbol: str
    bitting: str = field(repr=False)
    quantity: int
    is_control: bool = False
    is_there: bool = True
    is_old: bool = False
    purpose: str = ""
    blank: str = ""

    @property
    def note(self) -> str:
        """What a key is for that turns no cylinder, or that it is the customer's; "" of all others."""
        if not self.is_control:
            return ", ".join(filter(None, (self.purpose, self.blank)))
        if self.is_old:
            return "the old control key: takes the cores out"
        if self.quantity:
            return "control key"
        none = "none to cut" if self.is_there else "none on record here: ask the customer for theirs"
        return f"control key: to try the cores, {none}"


@dataclass(frozen=True, slots=True)
class BenchCylinder:
    """Cylinders of one keyset that are pinned alike."""

    keyset: str
    quantity: int
    words: str
    openings: tuple[str, ...]
    operated_by: tuple[str, ...]
    pinning: Pinning
    ids: tuple[int, ...] = ()  # of the cylinders


@dataclass(frozen=True, slots=True)
class BenchSystem:
    """What the bench does in one key system."""

    name: str
    keyway: str
    spec_name: str
    spec: BittingSpec
    keys: tuple[BenchKey, ...]
    cylinders: tuple[BenchCylinder, ...]
    marking: str = ""  # where the symbols stand, in words


@dataclass(frozen=True, slots=True)
class BenchWork:
    """A job's bench sheet: confidential. copies: of the customer's own keys, their keyway and how many."""

    head: JobHead
    revealed_to: str
    systems: tuple[BenchSystem, ...]
    copies: tuple[tuple[str, int], ...] = ()

    @property
    def cylinder_count(self) -> int:
        """How many cylinders the bench pins."""
        return sum(group.quantity for system in self.systems for group in system.cylinders)

    @property
    def key_count(self) -> int:
        """How many keys it cuts, copies of the customer's own among them."""
        keys = sum(key.quantity for system in self.systems for key in system.keys)
        return keys + sum(count for _, count in self.copies)


RACK = 12
"""Pinnings, each of one or more cylinders, that lie on the bench together and fill a page (common practice, no
source).
"""


@dataclass(frozen=True, slots=True)
class Rack:
    """What lies on the bench together: cylinders of one job and one key system, in the order sold, those that are
    pinned alike together. number: within its job.
    """

    number: int
    system: str
    lines: tuple[PlainRow, ...]

    @property
    def ids(self) -> tuple[int, ...]:
        """Of its cylinders."""
        return tuple(line.id for line in self.lines)


def racks_of(session: Session, job: Job, found: JobCylinders) -> tuple[Rack, ...]:
    """A job's cylinders that are keyed here, rack by rack, as its bench sheet has them a page. Opens no bitting."""
    here = _keyed_here(session, job, found)
    filled = [
        (system.name, groups[start : start + RACK])
        for system in here.keyed_in
        for groups in [_pinned_alike(here, system.id)]
        for start in range(0, len(groups), RACK)
    ]
    return tuple(
        Rack(number, name, tuple(line for group in groups for line in group))
        for number, (name, groups) in enumerate(filled, start=1)
    )


def _pinned_alike(found: JobCylinders, system_id: int) -> list[list[PlainRow]]:
    """A job's cylinders in one system, those that are pinned alike together."""
    alike: dict[tuple[str, tuple[PlainRow, ...], int, str], list[PlainRow]] = {}
    for line in found.lines:
        if found.system_of(line) == system_id:
            group = (found.symbol(line), tuple(found.operators(line)), found.chambers(line), line.words)
            alike.setdefault(group, []).append(line)
    return list(alike.values())


def bench_work(work: Work, job: Job) -> BenchWork:
    """The job's bittings, pins and cuts, for bench and owner; the reveal is an event of the job. A customer's key
    that is not decoded yet stops it (LedgerError).

    The whole system is audited first: a finding (KeyingError, with its remedy) stops the sheet, and nothing
    is revealed. Raises LedgerError when nothing in the job is keyed on the shop's bench.
    """
    work.require(Role.BENCH)
    require_decoded(waiting_keys(work.session, job.id), "")
    found = job_cylinders(work.session, job.id)
    systems = _systems(work, found)
    _require_pinnable(work, systems, "No bench sheet is printed.")
    bittings = reveal_bittings(
        work, [system.id for system in systems], f"bench sheet of job {job.number}", job_id=job.id
    )
    found = _keyed_here(work.session, job, found)
    benches = (_bench_system(system, found, bittings, blanks_in_words(work.session, system)) for system in systems)
    made = tuple(_with_old_control(work, job, bench) for bench in benches if bench is not None)
    copies = own_copies(job)
    if not made and not copies:
        raise LedgerError("", "Nothing in this job is keyed on the shop's own bench.")
    return BenchWork(job_head(work, job), work.actor.name, made, copies)


def _with_old_control(work: Work, job: Job, bench: BenchSystem) -> BenchSystem:
    """With the control key as it was lost, where the job changes the cores for another one."""
    loss = work.session.get(Loss, job.loss_id) if job.loss_id else None
    if loss is None or loss.keyset.level is not Level.CONTROL or loss.system.name != bench.name:
        return bench
    cuts = lost_cuts(work, loss) if loss.sealed_lost is not None else None
    if cuts is None:
        return bench
    old = BenchKey(loss.keyset.symbol, write_bitting(bench.spec, cuts), 0, is_control=True, is_old=True)
    return replace(bench, keys=(*bench.keys, old))


def _keyed_here(session: Session, job: Job, found: JobCylinders) -> JobCylinders:
    """Without what a factory keys of it."""
    away, their_keys = sent_cylinders(session, job), sent_keysets(session, job)
    return replace(
        found,
        lines=[line for line in found.lines if line.id not in away],
        counts={keyset: count for keyset, count in found.counts.items() if keyset not in their_keys},
    )


def reckoned_systems(work: Work, job: Job) -> tuple[BenchSystem, ...]:
    """The same for the house's own reckoning: nothing is audited, shown to a person, or put on record.

    Without cylinders whose pins nobody can say: of cores that lack their control key, and of customers' keys that are
    not decoded.
    """
    found = _keyed_here(work.session, job, job_cylinders(work.session, job.id))
    systems = [system for system in _systems(work, found) if not lacks_control(system)]
    bittings = open_bittings(work.session, work.vault, systems)
    made = []
    for system in systems:
        with suppress(KeyingError):  # a control key and no offset in the spec: nobody can say its pins
            made.append(_bench_system(system, found, bittings, blanks_in_words(work.session, system)))
    return tuple(bench for bench in made if bench is not None)


def _systems(work: Work, found: JobCylinders) -> list[KeySystem]:
    """The systems of the cylinders, and those that only keys were sold to."""
    rows = (
        sa.select(KeySystem)
        .where(KeySystem.id.in_([system.id for system in found.systems]))
        .options(selectinload(KeySystem.keysets), selectinload(KeySystem.spec))
    )
    return list(work.session.scalars(rows.order_by(KeySystem.id)))


def _require_pinnable(work: Work, systems: Sequence[KeySystem], then: str) -> None:
    """Before pins are shown: every control key is there and the audit is clean; `then` says what stops.

    A core pinned without its control line could never be taken out, and its top pins would be wrong.
    """
    for system in systems:
        if lacks_control(system) and system.records is RecordsHolder.SHOP:
            raise LedgerError(
                "",
                f"{system.name} is of interchangeable cores and has no control key. {then} "
                "Add the control key on the system's page first.",
            )
    require_clean(work, systems, then)


def blanks_in_words(session: Session, system: KeySystem) -> dict[int, str]:
    """Keyset → the blank of its keys in words, in a system on several keyways; none in any other."""
    if len(sections_of(system)) == 1:
        return {}
    blanks, found = blanks_of(session, system), dict[int, str]()
    for keyset_id, names in sections_entered(session, system).items():
        blank = blanks[keyset_id]
        named = f"blank {blank.number}" if blank else "no blank on record"
        found[keyset_id] = f"{named}, for {', '.join(sorted(names))}"
    return found


def _bench_system(
    system: KeySystem, found: JobCylinders, bittings: Mapping[int, Cuts], blanks: Mapping[int, str]
) -> BenchSystem | None:
    """The part of a job's cylinders and keys that is in one system; None where none of it is."""
    spec = spec_of(system)
    groups = tuple(
        BenchCylinder(
            keyset=found.symbol(lines[0]),
            quantity=len(lines),
            words="; ".join(filter(None, (lines[0].words, found.shorter(lines[0])))),
            openings=tuple(line.opening_number for line in lines if line.opening_number),
            operated_by=tuple(keyset.symbol for keyset in found.operators(lines[0])),
            pinning=_pinning(spec, system, bittings, found.operators(lines[0]), found.chambers(lines[0])),
            ids=tuple(line.id for line in lines),
        )
        for lines in _pinned_alike(found, system.id)
        if lines[0].keyset_id in bittings
    )
    keys = tuple(
        BenchKey(
            keyset.symbol,
            write_bitting(spec, bittings[keyset.id]),
            found.counts.get(keyset.id, 0),
            is_control=keyset.level.takes_cores_out,
            is_there=keyset.keys_ordered > 0,
            purpose=_purpose_of(keyset, system),
            blank=blanks.get(keyset.id, ""),
        )
        for keyset in system.keysets
        if keyset.id in bittings and (found.counts.get(keyset.id) or (groups and _is_needed(keyset, groups)))
    )
    if not groups and not keys:
        return None
    on = ", ".join(sections_of(system))
    return BenchSystem(system.name, on, system.spec.name, spec, keys, groups, system.marking)


def _purpose_of(keyset: Keyset, system: KeySystem) -> str:
    """What the bench reads beside a key: what a customer's own says of itself, or how a construction master is kept,
    which has the top master's cuts in most chambers.
    """
    if keyset.level is Level.CONSTRUCTION and control_of(keyset.symbol) not in {one.symbol for one in system.keysets}:
        return "guard like a master"
    return keyset.purpose if keyset.is_customers_key else ""


def _is_needed(keyset: Keyset, groups: Sequence[BenchCylinder]) -> bool:
    """Whether cores on the sheet are tried with a control key, which the job need not bring."""
    are_lent = [is_construction_symbol(one.keyset) for one in groups]
    if keyset.level is Level.CONSTRUCTION_CONTROL:
        return any(is_construction_symbol(one.keyset) and control_of(one.keyset) == keyset.symbol for one in groups)
    return keyset.level is Level.CONTROL and not all(are_lent)


def _pinning(
    spec: BittingSpec,
    system: KeySystem,
    bittings: Mapping[int, Cuts],
    operators: Iterable[Keyset | PlainRow],
    chambers: int,
) -> Pinning:
    """How a cylinder of so many chambers is pinned that these operate, its own first, as far as the shop holds their
    bittings.
    """
    own, *further = [one for one in operators if one.id in bittings]
    control = control_over(own, system.keysets)
    keys = {one.symbol: bittings[one.id] for one in (own, *further)}
    made = pin(spec, keys, bittings.get(control.id) if control else None, chambers)
    construction = [one for one in further if one.level.is_of_construction]
    if own.level.is_of_construction or not construction:
        return made
    seen = {one.id: spec.entering(bittings[one.id], chambers) for one in (own, *further)}
    permanent = [seen[one.id] for one in (own, *further) if one not in construction]
    sizes = ball_sizes(permanent, seen[construction[0].id])
    made = with_balls(spec, made, sizes) if sizes else made
    balls = [str(one) for one, pins in zip(made.numbers, made.chambers, strict=True) if pins.ball]
    symbol = construction[0].symbol
    words = _say_balls(symbol, balls) if balls else _NOT_SET_UP.format(symbol)
    if odd := sorted({size for size in sizes or () if size and not is_ball(spec, size)}):
        words += _NO_SUCH_BALL.format(", ".join(map(str, odd)))
    return replace(made, warnings=(*made.warnings, words))


def _say_balls(symbol: str, chambers: Sequence[str]) -> str:
    """What the bench has to know of the balls of a cylinder.

    >>> _say_balls("CMK", ["4", "5"])[:44], "weaker" in _say_balls("CMK", ["4", "5"])
    ('Construction key CMK: ball in chambers 4, 5,', False)
    >>> _say_balls("CMK", ["4"])[:40], "weaker" in _say_balls("CMK", ["4"])
    ('Construction key CMK: ball in chamber 4,', True)
    """
    where = f"chamber{'s' if len(chambers) > 1 else ''} {', '.join(chambers)}"
    return (_SET_UP if len(chambers) > 1 else _SET_UP + _ONE_BALL).format(symbol, where)


_NO_SUCH_BALL = " The bitting spec has no ball of {0}: ask the owner before you pin it."
_SET_UP = (
    "Construction key {0}: ball in {1}, over the other pins; the plug must be drilled for it. Put the balls "
    "in last, and from then on try {0} alone: a permanent key that is turned loses them."
)
_ONE_BALL = (
    " One ball alone is weaker: once it is lost, a worn key or a loose plug may still let {0} pass, so try {0} hard "
    "there before the door is called dead."
)
_NOT_SET_UP = (
    "{0} cannot be made dead here: its cut wants a pin that stays, since a bitting was changed. Do not pin it: "
    "report it, so that {0} is keyed anew."
)


def _one_key(
    work: Work, system: KeySystem, keyset: Keyset, bittings: Mapping[int, Cuts], *cylinders: BenchCylinder
) -> BenchSystem:
    spec, blank = spec_of(system), blanks_in_words(work.session, system).get(keyset.id, "")
    key = BenchKey(keyset.symbol, write_bitting(spec, bittings[keyset.id]), 1, blank=blank)
    return BenchSystem(system.name, keyset.section, system.spec.name, spec, (key,), cylinders, system.marking)


def keyset_work(work: Work, system: KeySystem, keyset: Keyset) -> tuple[BenchSystem, str]:
    """One keyset's bitting and how a cylinder on it is pinned, for bench and owner; the reveal is an event.

    Where the audit finds something the bitting stands alone, to be compared with the list, and the text says why no
    pins do. Raises LedgerError, and opens nothing, when the shop holds no bitting of it.
    """
    work.require(Role.BENCH)
    require_decoded([keyset], "keyset")
    if keyset.bitting is None:
        raise LedgerError("keyset", f"The shop holds no bitting of {keyset.symbol}; its records are elsewhere.")
    stopped = ""
    try:
        _require_pinnable(work, [system], "No pins are shown.")
    except BitternError as refused:
        stopped = refused.message
    bittings = reveal_bittings(work, [system.id], f"keyset {keyset.symbol}")
    if keyset.level is Level.CONTROL or keyset.level.is_of_construction or stopped:
        return _one_key(work, system, keyset, bittings), stopped
    by_id = {one.id: one for one in system.keysets}
    operators = [one for one in operators_of(keyset, is_nmk=False, by_id=by_id) if one.id in bittings]
    group = BenchCylinder(
        keyset=keyset.symbol,
        quantity=1,
        words=f"cylinder on {keyset.section}",
        openings=(),
        operated_by=tuple(one.symbol for one in operators),
        pinning=_pinning(spec_of(system), system, bittings, operators, system.chambers),
    )
    return _one_key(work, system, keyset, bittings, group), ""


@dataclass(frozen=True, slots=True)
class CylinderRecord:
    """A cylinder without its pins. operators: every keyset whose key turns it, its own first, masters last."""

    cylinder: Cylinder
    job: Job | None
    system: KeySystem | None
    operators: tuple[Keyset, ...]
    cautions: tuple[str, ...]
    off: CheckOff

    @property
    def keyset(self) -> str:
        """Its keyset as it bears it: X before, (NMK) or its selective master after; "" uncombinated."""
        own, further = self.operators[0].symbol if self.operators else "", self.cylinder.operators
        return own and symbol_on(own, [one.keyset for one in further], is_nmk=self.cylinder.is_nmk)

    @property
    def operated_by(self) -> tuple[str, ...]:
        """The symbols of the keysets that operate it."""
        return tuple(keyset.symbol for keyset in self.operators)

    @property
    def is_on_bench(self) -> bool:
        """Whether the shop keys it, so that it has pins to show."""
        return self.system is not None and self.job is not None and "shop" in self.job.keyed_at


def cylinder_record(session: Session, cylinder_id: int) -> CylinderRecord:
    """The record; NotFound when there is none. Opens no bitting."""
    cylinder = session.scalar(
        sa.select(Cylinder)
        .where(Cylinder.id == cylinder_id)
        .options(
            joinedload(Cylinder.door).joinedload(Door.site),
            joinedload(Cylinder.door).joinedload(Door.lock),
            joinedload(Cylinder.keyset),
            selectinload(Cylinder.operators).joinedload(CylinderOperator.keyset),
        )
    )
    if cylinder is None:
        raise NotFound("cylinder")
    job = session.get(Job, cylinder.job_id) if cylinder.job_id else None
    system, operators = None, list[Keyset]()
    if cylinder.keyset is not None:
        system = get_system(session, cylinder.keyset.system_id)
        by_id = {one.id: one for one in system.keysets}
        own, *above = operators_of(cylinder.keyset, is_nmk=cylinder.is_nmk, by_id=by_id)
        operators = [own, *(one.keyset for one in cylinder.operators), *above]
    return CylinderRecord(
        cylinder=cylinder,
        job=job,
        system=system,
        operators=tuple(dict.fromkeys(operators)),
        cautions=cautions_of(cylinder.door) if cylinder.door else (),
        off=(checked_off(session, job.id) if job else {}).get(cylinder.id, CheckOff()),
    )


def cylinder_work(work: Work, record: CylinderRecord) -> BenchSystem:
    """The cylinder's key and pins, for bench and owner; the reveal is an event of its job.

    The whole system is audited first, as for a bench sheet. LedgerError where the shop holds no bitting of it.
    """
    work.require(Role.BENCH)
    system, cylinder = record.system, record.cylinder
    require_decoded(record.operators, "")
    if system is None or cylinder.keyset is None or cylinder.keyset.bitting is None:
        raise LedgerError("", "The shop holds no bitting of this cylinder.")
    _require_pinnable(work, [system], "No pins are shown.")
    job_id = record.job.id if record.job else None
    bittings = reveal_bittings(work, [system.id], f"cylinder {cylinder.id}, {record.keyset}", job_id=job_id)
    chambers = chambers_in(system.chambers, cylinder.chambers)
    pinning = _pinning(spec_of(system), system, bittings, record.operators, chambers)
    return _one_key(work, system, cylinder.keyset, bittings, _alone(record, pinning))


def _alone(record: CylinderRecord, pinning: Pinning) -> BenchCylinder:
    door = record.cylinder.door
    return BenchCylinder(
        keyset=record.keyset,
        quantity=1,
        words=record.cylinder.words,
        openings=(door.opening_number,) if door else (),
        operated_by=record.operated_by,
        pinning=pinning,
    )


def former_pins(work: Work, record: CylinderRecord) -> BenchSystem:
    """The pins that were sealed when the cylinder was pinned or removed, for bench and owner; the reveal is an event.

    Whatever its keyset's bitting has become since; LedgerError where none were sealed.
    """
    work.require(Role.BENCH)
    system, cylinder = record.system, record.cylinder
    if system is None or cylinder.sealed_pins is None:
        raise LedgerError("", "The pins of this cylinder were not put under seal.")
    spec, job_id = spec_of(system), record.job.id if record.job else None
    with transaction(work.session):
        note_reveal(work, system, f"cylinder {cylinder.id}, {record.keyset}, pins as they were", job_id=job_id)
        pinned = open_pins(work, [cylinder])[cylinder.id]
    # Who was meant to operate it then is not sealed with the pins, so nothing is told apart as phantom.
    group = _alone(record, pin_depths(spec, pinned.operating, pinned.control))
    return BenchSystem(system.name, system.keyway, system.spec.name, spec, (), (group,))
