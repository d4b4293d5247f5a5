"""Pins on the shelf: counted, drawn for a job's cylinders, what those need of them, and what stands in for a pin that
ran out.
"""

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import Problem, Problems
from app.keying import BittingSpec, PickList, PinLength, Pinning, PinSize, in_place_of, pick_list, pin_length
from app.ledger.bench.bench_sheet import BenchSystem, bench_work, reckoned_systems
from app.ledger.catalog.specs import get_spec
from app.ledger.keysystems.ticks import PINNED_ANEW
from app.ledger.stock.items import pin_item
from app.ledger.stock.movements import lock_item, move_stock, quantities, quantity_of
from app.ledger.stock.pin_draws import add_draw, unbooked_pins
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.vault import Vault
from app.ledger.store.work import Work
from app.ledger.tables import (
    Cylinder,
    CylinderState,
    Door,
    Event,
    Item,
    Job,
    MovementKind,
    Role,
    SpecRow,
)
from app.validation import counted, first_of

KINDS = ("bottom", "master", "build-up", "top")
MOST_SIZE = 120  # a stack total of 99 is the most that a spec may have
MOST_COUNT = 1_000_000
PINS_DRAWN = "pins drawn"
_MOST_NAMED = 12  # cylinders in a sentence
_MOST_WAYS = 3  # that are offered for one size


def set_stock(work: Work, spec_id: int, counts: Mapping[PinSize, int]) -> None:
    """Put what was counted on record; sizes that are not named stay as they were. Problems name `kind size`."""
    work.require(Role.BENCH)
    problems = [
        Problem(f"{pin.kind} {pin.size}", f"Enter a kind of pin, a size to {MOST_SIZE}, a count to {MOST_COUNT:,}.")
        for pin, count in counts.items()
        if pin.kind not in KINDS or pin.size is None or not (0 <= pin.size <= MOST_SIZE and 0 <= count <= MOST_COUNT)
    ]
    if problems:
        raise Problems(problems)
    with transaction(work.session):
        spec = get_spec(work.session, spec_id)
        unbooked = unbooked_pins(work.session, work.vault, spec_id)
        for pin, count in counts.items():
            item = pin_item(work, spec, pin.kind, pin.size or 0)
            lock_item(work.session, item.id)
            change = count + unbooked[pin] - quantity_of(work.session, item.id).on_hand
            move_stock(work, item, MovementKind.COUNTED, on_hand=change, why="pins counted")
        record(work, "pins counted", f"bitting spec {spec_id}", f"{spec.name}: {len(counts)} sizes counted")


def draw_pins(work: Work, job: Job, picked: "Picked", instead: Collection[str] = ()) -> tuple[str, ...]:
    """Take pins off the shelf for the job's cylinders, in the order sold, each once and with all of its pins; the
    others wait, and are given.

    instead: `Combination.name` of those that are to stand in for a pin that ran out. LedgerError on `stock` where all
    were drawn, or a combination is not offered any more; KeyingError, which names what lacks, where none can be.
    """
    work.require(Role.BENCH)
    with transaction(work.session):
        drawn, pins, combined = list[int](), 0, list[int]()
        if not any(one.waiting for one in picked.specs):
            raise LedgerError("stock", f"The pins of job {job.number} were drawn already.")
        offered = {way.name for one in picked.specs for short in one.shorts for way in short.ways}
        if unknown := [name for name in instead if name not in offered]:
            raise LedgerError("stock", f"“{unknown[0][:80]}” is not offered any more: look at the pins again.")
        for one in picked.specs:
            # What adds up to a pin of one spec may part within reach of a key in another.
            ways = {way.pin: way.pieces for short in one.shorts for way in short.ways if way.name in instead}
            shared = _share_out(one.waiting, stock_of(work.session, work.vault, one.spec_id), ways)
            _put(work, job, one.spec_id, shared)
            drawn += shared.cylinders
            combined += shared.combined
            pins += shared.taken.total()
        if not drawn:
            for one in picked.specs:
                one.counted.drawn_down(stock_of(work.session, work.vault, one.spec_id))
        left = tuple(each.label for one in picked.specs for each in one.waiting if each.cylinder_id not in drawn)
        said = [f"{counted(pins, 'pin')} drawn from the shelf for {counted(len(drawn), 'cylinder')}"]
        if combined:
            said.append(f"{counted(len(combined), 'cylinder')} with a pin made of several")
        if left:
            said.append(f"{counted(len(left), 'cylinder')} without pins yet: {first_of(left, _MOST_NAMED)}")
        record(work, PINS_DRAWN, f"job {job.number}", "; ".join(said), job_id=job.id, cylinders=drawn)
        return left


def take_pins(work: Work, job: Job, cylinders: Sequence[Cylinder]) -> None:
    """Take the pins of cylinders that were just pinned off the shelf, where they were not drawn before, inside the
    caller's transaction. A shelf that nobody has counted is left alone.

    LedgerError on `cylinders` names those for which it has not all pins.
    """
    wanted, short, drawn, pins = {one.id for one in cylinders}, list[str](), list[int](), 0
    for one in _picked(work, job, reckoned_systems(work, job)).specs:
        stock = stock_of(work.session, work.vault, one.spec_id)
        mine = [each for each in one.waiting if each.cylinder_id in wanted]
        if not stock or not mine:
            continue
        shared = _share_out(mine, stock)
        short += [each.label for each in mine if each.cylinder_id in shared.lacking]
        _put(work, job, one.spec_id, shared)
        drawn += shared.cylinders
        pins += shared.taken.total()
    if short:
        wait = "waits for a pin that is" if len(short) == 1 else "wait for pins that are"
        raise LedgerError(
            "cylinders",
            f"{first_of(short, _MOST_NAMED)} {wait} out of stock, and cannot be pinned: nothing was ticked off. "
            "Pins to pick says which, and what combines to it; or tick the others alone.",
        )
    if drawn:
        said = f"{counted(pins, 'pin')} drawn from the shelf for {counted(len(drawn), 'cylinder')}"
        record(work, PINS_DRAWN, f"job {job.number}", said, job_id=job.id, cylinders=drawn)


def _put(work: Work, job: Job, spec_id: int, shared: "_Shared") -> None:
    if shared.cylinders:
        add_draw(work, job.id, spec_id, len(shared.cylinders), shared.taken)


def _drawn(session: Session, job: Job) -> set[int]:
    """The cylinders of a job whose pins were drawn, and that need no others since."""
    rows = sa.select(Event).where(Event.job_id == job.id, Event.kind.in_((PINS_DRAWN, PINNED_ANEW)))
    drawn = set[int]()
    for event in session.scalars(rows.order_by(Event.id)):
        if event.kind == PINNED_ANEW:
            drawn -= set() if event.detail.get("same_pins") else set(event.detail.get("cylinders", ()))
        else:  # an earlier release drew all of a job, and named none
            drawn |= set(event.detail.get("cylinders", (one.id for one in job.cylinders)))
    return drawn


def pin_sizes(spec: BittingSpec) -> dict[str, range]:
    """Kind → the sizes that cylinders of a spec can need; a kind that none needs is left out.

    >>> pin_sizes(BittingSpec(chambers=6, depths=10, macs=9, step=2))
    {'bottom': range(0, 10), 'master': range(1, 10)}
    """
    offset = spec.control_offset
    ranges = (
        spec.all_depths,
        range(1, spec.depths),
        range(1, offset + spec.depths if offset is not None else 1),
        range(1, (spec.stack_total or 0) - spec.first_depth + 1),
    )
    return {kind: sizes for kind, sizes in zip(KINDS, ranges, strict=True) if sizes}


def stock_of(session: Session, vault: Vault, spec_id: int) -> dict[PinSize, int]:
    """Kind and size → how many lie there for the cylinders of a spec, of each that was counted."""
    rows = sa.select(Item.id, Item.pin_kind, Item.pin_size).where(Item.spec_id == spec_id)
    pins = {item: PinSize(kind or "", size) for item, kind, size in session.execute(rows.order_by(Item.code))}
    there = quantities(session, pins)
    drawn = unbooked_pins(session, vault, spec_id)
    return {pin: there[item].on_hand - drawn[pin] for item, pin in pins.items() if there[item].is_counted}


@dataclass(frozen=True, slots=True)
class WaitingCylinder:
    """A cylinder whose pins were not drawn yet. label: its opening, or its keyset where it has no door."""

    cylinder_id: int
    label: str
    pins: Mapping[PinSize, int] = field(repr=False)


@dataclass(frozen=True, slots=True)
class Combination:
    """What may stand in place of a pin that ran out, from the key's side up."""

    pin: PinSize = field(repr=False)
    pieces: tuple[PinSize, ...] = field(repr=False)

    @property
    def name(self) -> str:
        """It in words, which a page sends back: "top 13 = top 11 + master 2"."""
        return f"{pin_words(self.pin)} = {self.words}"

    @property
    def words(self) -> str:
        """Its pieces: "top 11 + master 2"."""
        return " + ".join(map(pin_words, self.pieces))


def pin_words(pin: PinSize) -> str:
    """A pin's kind and size.

    >>> pin_words(PinSize("top", 13)), pin_words(PinSize("top", None))
    ('top 13', 'top')
    """
    return pin.kind if pin.size is None else f"{pin.kind} {pin.size}"


@dataclass(frozen=True, slots=True)
class ShortPin:
    """A size that is short: how many lack, the cylinders that wait for it, and what may stand in for it."""

    pin: PinSize = field(repr=False)
    lacks: int
    cylinders: tuple[WaitingCylinder, ...]
    ways: tuple[Combination, ...] = field(repr=False)

    @property
    def words(self) -> str:
        """Its kind and size."""
        return pin_words(self.pin)


@dataclass(frozen=True, slots=True)
class _Shared:
    """Who gets all of his pins off a shelf, what that takes, and whom it lacks which sizes."""

    cylinders: list[int]
    combined: list[int]
    taken: Counter[PinSize] = field(repr=False)
    lacking: dict[int, tuple[PinSize, ...]] = field(repr=False)


def _share_out(
    cylinders: Iterable[WaitingCylinder],
    stock: Mapping[PinSize, int],
    ways: Mapping[PinSize, tuple[PinSize, ...]] = MappingProxyType({}),
) -> _Shared:
    """First come, first served; who does not get all of his pins leaves them to the next."""
    found, left = _Shared([], [], Counter(), {}), Counter(stock)
    for one in cylinders:
        lacking = tuple(pin for pin, count in one.pins.items() if count > left[pin])
        pins = Counter(one.pins)
        for pin in lacking:
            over = pins[pin] - left[pin]
            if pin in ways:
                pins[pin] -= over
                pins.update({piece: over * count for piece, count in Counter(ways[pin]).items()})
        if any(count > left[pin] for pin, count in pins.items()):
            found.lacking[one.cylinder_id] = lacking
            continue
        left.subtract(pins)
        found.taken.update(pins)
        found.cylinders.append(one.cylinder_id)
        found.combined.extend([one.cylinder_id] if lacking else [])
    return found


@dataclass(frozen=True, slots=True)
class PickedSpec:
    """The pins of one spec's cylinders, what is on the shelf, and what it lacks.

    waiting: those whose pins were not drawn yet; `pins` are theirs, or of all cylinders where none waits.
    """

    spec_id: int
    name: str
    spec: BittingSpec = field(repr=False)
    cylinders: int
    pins: PickList = field(repr=False)
    stock: dict[PinSize, int] = field(repr=False)
    waiting: tuple[WaitingCylinder, ...] = ()

    @property
    def counted(self) -> PickList:
        """The pins that the shelf keeps: balls, and top pins whose size no spec tells, are taken uncounted."""
        return PickList(tuple((pin, count) for pin, count in self.pins.pins if _is_kept(pin)))

    def length(self, pin: PinSize) -> PinLength | None:
        """A pin in inches and the kit's nearest; None where the spec does not say it."""
        return pin_length(self.spec, pin)

    @property
    def springs(self) -> int:
        """One on every stack, so as many as bottom pins: common practice, no source. Not counted on the shelf."""
        return sum(count for pin, count in self.pins.pins if pin.kind == "bottom")

    @property
    def short(self) -> dict[PinSize, int]:
        """What the shelf lacks."""
        return dict(self.counted.short(self.stock))

    @property
    def lacking(self) -> dict[int, tuple[PinSize, ...]]:
        """Cylinder id → the sizes that lack when pins go to the cylinders in the order sold."""
        return _share_out(self.waiting, self.stock).lacking

    @property
    def shorts(self) -> tuple[ShortPin, ...]:
        """The same for each size that is short."""
        needed, lacking = dict(self.counted.pins), self.lacking
        spare = {pin: count - needed.get(pin, 0) for pin, count in self.stock.items()}
        return tuple(
            ShortPin(
                pin,
                lacks,
                tuple(one for one in self.waiting if pin in lacking.get(one.cylinder_id, ())),
                tuple(Combination(pin, pieces) for pieces in in_place_of(self.spec, pin, spare)[:_MOST_WAYS]),
            )
            for pin, lacks in self.short.items()
        )


@dataclass(frozen=True, slots=True)
class Picked:
    """A job's pins by spec, and whether all were drawn already."""

    specs: tuple[PickedSpec, ...]
    was_drawn: bool

    @property
    def is_short(self) -> bool:
        """Whether a size is short somewhere."""
        return any(one.short for one in self.specs)

    @property
    def may_draw(self) -> bool:
        """Whether somebody can get all of his pins, as they are or by what combines to one."""
        return any(len(one.lacking) < len(one.waiting) or any(each.ways for each in one.shorts) for one in self.specs)


def pick_for_job(work: Work, job: Job) -> Picked:
    """The pick list, for bench and owner; reckoned from the bench sheet, so its reveal is an event of the job.

    A finding of the audit stops it, as it stops the sheet. Few cylinders' pins tell their bittings: a secret.
    """
    work.require(Role.BENCH)
    return _picked(work, job, bench_work(work, job).systems)


def short_of_pins(work: Work, job: Job, only: Collection[int] = ()) -> dict[int, tuple[PinSize, ...]]:
    """Cylinder id → the sizes that it waits for, of the job's cylinders (of `only` these) that cannot be pinned as it
    stands on the shelf.

    For the house's own reckoning: which cylinders wait may be told, the sizes are a secret. A shelf that nobody has
    counted holds up nobody.
    """
    picked = _picked(work, job, reckoned_systems(work, job))
    found: dict[int, tuple[PinSize, ...]] = {}
    for one in picked.specs:
        waiting = [each for each in one.waiting if not only or each.cylinder_id in only]
        found |= _share_out(waiting, one.stock).lacking if one.stock else {}
    return found


def _picked(work: Work, job: Job, systems: Iterable[BenchSystem]) -> Picked:
    session = work.session
    by_spec: dict[str, list[BenchSystem]] = defaultdict(list)
    for system in systems:
        by_spec[system.spec_name].append(system)
    ids = dict(session.execute(sa.select(SpecRow.name, SpecRow.id).where(SpecRow.name.in_(by_spec))).all())
    drawn = _drawn(session, job)
    rows = sa.select(Cylinder.id, sa.func.coalesce(Door.opening_number, ""), Cylinder.state)
    rows = rows.outerjoin(Door, Door.id == Cylinder.door_id).where(Cylinder.job_id == job.id)
    there = {one: (opening, state) for one, opening, state in session.execute(rows)}
    specs = []
    for name, found in by_spec.items():
        groups = [group for system in found for group in system.cylinders]
        if not groups:
            continue
        waiting = sorted(
            (
                WaitingCylinder(one, there[one][0] or group.keyset, _counts_of(group.pinning))
                for group in groups
                for one in group.ids
                if one not in drawn and there[one][1] is CylinderState.ORDERED
            ),
            key=lambda one: one.cylinder_id,
        )
        ids_waiting = {one.cylinder_id for one in waiting}
        counts = [
            (one.pinning, len(ids_waiting.intersection(one.ids)) if waiting else one.quantity) for one in groups
        ]
        pins, stock = (
            pick_list((pinning, count) for pinning, count in counts if count),
            stock_of(work.session, work.vault, ids[name]),
        )
        cylinders = sum(count for _, count in counts)
        specs.append(PickedSpec(ids[name], name, found[0].spec, cylinders, pins, stock, tuple(waiting)))
    return Picked(tuple(specs), bool(drawn) and not any(one.waiting for one in specs))


def _counts_of(pinning: Pinning) -> dict[PinSize, int]:
    """The pins of one cylinder that the shelf keeps."""
    return {pin: count for pin, count in pick_list([(pinning, 1)]).pins if _is_kept(pin)}


def _is_kept(pin: PinSize) -> bool:
    return pin.size is not None and pin.kind in KINDS
