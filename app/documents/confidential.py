"""Papers that tell bittings or pins: keys to cut with their cuts in inches, pins by chamber with drawings and ticks,
the pins to pick against what is on the shelf, a key system's bitting list.
"""

from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from itertools import zip_longest

from markupsafe import Markup

from app.documents.drawings import key_profile, pin_stacks
from app.documents.render import PaperHead, pdf
from app.keying import BittingSpec, ChamberPins, cut_list, read_bitting
from app.ledger.bench.bench_sheet import BenchCylinder, BenchKey, BenchSystem, BenchWork
from app.ledger.bench.pins import Picked
from app.ledger.jobs.papers import JobHead
from app.ledger.quoting.snapshot import HouseHead

_MOST_BOXES = 12  # a tick box a cylinder up to here; above, a line to write the count on
_MOST_DRAWN_CHAMBERS = 7  # more leave no room for the profile beside the figures


@dataclass(frozen=True, slots=True)
class KeyLine:
    """A key to cut. `roots`: metal left under each cut in inches, bow to tip; empty where the spec lacks them."""

    key: BenchKey
    roots: tuple[Fraction, ...] = field(repr=False)
    drawing: Markup | None = field(repr=False)


@dataclass(frozen=True, slots=True)
class PinRow:
    """One kind of pin across the chambers, bow to tip; "" where a chamber has none."""

    name: str
    sizes: tuple[str, ...] = field(repr=False)


@dataclass(frozen=True, slots=True)
class CylinderCard:
    """Cylinders that are pinned alike. `rows` from the spring down to the key."""

    cylinder: BenchCylinder
    rows: tuple[PinRow, ...]
    drawing: Markup = field(repr=False)

    @property
    def boxes(self) -> int:
        """How many boxes to tick; 0: write the count."""
        return self.cylinder.quantity if self.cylinder.quantity <= _MOST_BOXES else 0


@dataclass(frozen=True, slots=True)
class SystemSheet:
    """One key system's work. `places`: shoulder to the middle of each cut in inches; empty without them."""

    system: BenchSystem
    places: tuple[Fraction, ...]
    keys: tuple[KeyLine, ...]
    cylinders: tuple[CylinderCard, ...]

    @property
    def chambers(self) -> range:
        """The chambers' numbers, bow to tip."""
        return range(1, self.system.spec.chambers + 1)

    @property
    def is_drawn(self) -> bool:
        """Whether there is room for the keys' profiles."""
        return self.system.spec.chambers <= _MOST_DRAWN_CHAMBERS


def system_sheet(system: BenchSystem) -> SystemSheet:
    """What the bench does in one key system, as its paper and its pages show it; KeyingError names a spec's or a
    bitting's fault without showing it.
    """
    spec = system.spec
    keys: list[KeyLine] = []
    places: tuple[Fraction, ...] = ()
    for key in system.keys:
        bitting = read_bitting(spec, key.bitting, f"keys.{key.symbol}")
        cuts = cut_list(spec, bitting) if _has_inches(spec) else ()
        places = places or tuple(cut.place for cut in cuts)
        drawing = key_profile(spec, bitting) if spec.chambers <= _MOST_DRAWN_CHAMBERS else None
        keys.append(KeyLine(key, tuple(cut.root for cut in cuts), drawing))
    cards = (CylinderCard(one, pin_rows(one.pinning.chambers), pin_stacks(one.pinning)) for one in system.cylinders)
    return SystemSheet(system, places, tuple(keys), tuple(cards))


def _has_inches(spec: BittingSpec) -> bool:
    """Whether the spec gives everything that a cut in inches needs."""
    return None not in (spec.depth0_in, spec.increment_in, spec.first_cut_in, spec.spacing_in)


def pin_rows(chambers: tuple[ChamberPins, ...]) -> tuple[PinRow, ...]:
    """The pins as they stand, top pins first, the bottom pins last; rows that no chamber needs are left out.

    >>> [row.name for row in pin_rows((ChamberPins(3, (2, 2), None, 7), ChamberPins(4, (), None, 10)))]
    ['top', 'master 2', 'master 1', 'bottom']
    """
    rows = []
    if any(pins.top is not None for pins in chambers):
        rows.append(PinRow("top", tuple(_size(pins.top) for pins in chambers)))
    if any(pins.buildup is not None for pins in chambers):
        rows.append(PinRow("build-up", tuple(_size(pins.buildup) for pins in chambers)))
    layers = list(zip_longest(*(pins.masters for pins in chambers)))
    for number, layer in reversed(list(enumerate(layers, start=1))):
        name = f"master {number}" if len(layers) > 1 else "master"
        rows.append(PinRow(name, tuple(_size(size) for size in layer)))
    rows.append(PinRow("bottom", tuple(str(pins.bottom) for pins in chambers)))
    return tuple(rows)


def _size(size: int | None) -> str:
    return "" if size is None else str(size).replace("-", "−")


def bench_sheet_pdf(work: BenchWork) -> bytes:
    """The bench sheet as PDF: bench and owner only."""
    return _bench_pdf("bench_sheet.html", "Bench sheet", work)


def keys_list_pdf(work: BenchWork) -> bytes:
    """The keys to cut and stamp, without pins, as PDF: bench and owner only."""
    return _bench_pdf("keys_list.html", "Keys to cut", work)


def _bench_pdf(template: str, name: str, work: BenchWork) -> bytes:
    head = PaperHead.of_job(work.head, name, work.revealed_to)
    return pdf(template, head, work=work, sheets=[system_sheet(system) for system in work.systems])


def pick_list_pdf(job: JobHead, picked: Picked, revealed_to: str) -> bytes:
    """The pins to pick by spec, kind and size as PDF: bench and owner only."""
    return pdf("pick_list.html", PaperHead.of_job(job, "Pins to pick", revealed_to), job=job, picked=picked)


@dataclass(frozen=True, slots=True)
class BittingLine:
    """One keyset. state: in use, reserved, retired, lost, …"""

    symbol: str
    level: str
    purpose: str
    bitting: str = field(repr=False)
    state: str
    keys_out: int


@dataclass(frozen=True, slots=True)
class BittingList:
    """A key system's bittings, as revealed to one person on one day."""

    house: HouseHead
    system_name: str
    owner_of_record: str
    keyway: str
    spec_name: str
    printed_on: date
    revealed_to: str
    lines: tuple[BittingLine, ...]


def bitting_list_pdf(bittings: BittingList) -> bytes:
    """The list as PDF: for the owner, never to a customer, an installer or the counter."""
    head = PaperHead.confidential(
        bittings.house, "Bitting list", bittings.system_name, bittings.printed_on, bittings.revealed_to
    )
    return pdf("bitting_list.html", head, bittings=bittings)
