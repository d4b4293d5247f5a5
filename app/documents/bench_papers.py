"""The bench's papers: keys to cut with their cuts in inches, pins by chamber, drawings, ticks; and the pins to pick
by spec, kind and size, against what is on the shelf. Confidential."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from itertools import zip_longest

from markupsafe import Markup

from app.documents.drawings import key_profile, pin_stacks
from app.documents.render import PaperHead, first_of, job_number, pdf
from app.keying import BittingSpec, ChamberPins, cut_list, read_bitting
from app.ledger.bench.pins import Picked, PickedSpec
from app.ledger.jobs.schedule import BenchCylinder, BenchKey, BenchSystem, BenchWork
from app.ledger.quoting.snapshot import HouseHead

MOST_BOXES = 12  # a tick box a cylinder up to here; above, a line to write the count on
MOST_OPENINGS = 40
MOST_DRAWN_CHAMBERS = 7  # more leave no room for the profile beside the figures


@dataclass(frozen=True, slots=True)
class KeyLine:
    """A key to cut. `roots`: metal left under each cut in inches, bow to tip; empty where the spec lacks them."""

    symbol: str
    quantity: int
    note: str
    bitting: str = field(repr=False)
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

    keyset: str
    quantity: int
    words: str
    openings: str
    operated_by: str
    rows: tuple[PinRow, ...]
    combinations: int
    intended: int
    phantom: int
    warnings: tuple[str, ...]
    boxes: int  # tick boxes; 0: write the count
    drawing: Markup = field(repr=False)


@dataclass(frozen=True, slots=True)
class SystemSheet:
    """One key system's work. `places`: shoulder to the middle of each cut in inches; empty without them."""

    name: str
    keyway: str
    spec_name: str
    chambers: tuple[int, ...]
    places: tuple[Fraction, ...]
    is_drawn: bool
    keys: tuple[KeyLine, ...]
    cylinders: tuple[CylinderCard, ...]


@dataclass(frozen=True, slots=True)
class BenchPage:
    """A job's bench sheet or keys list."""

    head: PaperHead
    title: str
    customer_name: str
    promised_on: date | None
    systems: tuple[SystemSheet, ...]
    cylinders: int
    keys: int
    copies: tuple[tuple[str, int], ...]  # of the customer's own keys: their keyway, and how many


def bench_page(work: BenchWork, name: str = "Bench sheet") -> BenchPage:
    """What the bench's paper says; KeyingError names a spec's or a bitting's fault without showing it."""
    return BenchPage(
        head=PaperHead(
            work.house,
            name,
            job_number(work.job_number, work.revision),
            work.issued_on,
            warning="Confidential",
            given_to=f"revealed to {work.revealed_to}",
            copy_line=True,
        ),
        title=work.title,
        customer_name=work.customer_name,
        promised_on=work.promised_on,
        systems=tuple(system_sheet(system) for system in work.systems),
        cylinders=sum(group.quantity for system in work.systems for group in system.cylinders),
        keys=sum(key.quantity for system in work.systems for key in system.keys)
        + sum(count for _, count in work.copies),
        copies=work.copies,
    )


def has_inches(spec: BittingSpec) -> bool:
    """Whether the spec gives everything that a cut in inches needs."""
    return None not in (spec.depth0_in, spec.increment_in, spec.first_cut_in, spec.spacing_in)


def system_sheet(system: BenchSystem) -> SystemSheet:
    """What the bench does in one key system, as its paper and its pages show it."""
    spec, drawn = system.spec, system.spec.chambers <= MOST_DRAWN_CHAMBERS
    keys: list[KeyLine] = []
    places: tuple[Fraction, ...] = ()
    for key in system.keys:
        bitting = read_bitting(spec, key.bitting, f"keys.{key.symbol}")
        cuts = cut_list(spec, bitting) if has_inches(spec) else ()
        places = places or tuple(cut.place for cut in cuts)
        keys.append(
            KeyLine(
                key.symbol,
                key.quantity,
                _note(key),
                key.bitting,
                tuple(cut.root for cut in cuts),
                key_profile(spec, bitting) if drawn else None,
            )
        )
    return SystemSheet(
        name=system.name,
        keyway=system.keyway,
        spec_name=system.spec_name,
        chambers=tuple(range(1, spec.chambers + 1)),
        places=places,
        is_drawn=drawn,
        keys=tuple(keys),
        cylinders=tuple(_card(group) for group in system.cylinders),
    )


def _note(key: BenchKey) -> str:
    """What a key is for that turns no cylinder."""
    if not key.is_control:
        return ""
    if key.quantity:
        return "control key"
    none = "none to cut" if key.is_there else "none on record here: ask the customer for theirs"
    return f"control key: to try the cores, {none}"


def _card(group: BenchCylinder) -> CylinderCard:
    return CylinderCard(
        keyset=group.keyset,
        quantity=group.quantity,
        words=group.words,
        openings=first_of([number or "no door" for number in group.openings], MOST_OPENINGS),
        operated_by=", ".join(group.operated_by),
        rows=pin_rows(group.pinning.chambers),
        combinations=group.pinning.combinations,
        intended=group.pinning.intended,
        phantom=group.pinning.phantom,
        warnings=group.pinning.warnings,
        boxes=group.quantity if group.quantity <= MOST_BOXES else 0,
        drawing=pin_stacks(group.pinning),
    )


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
    return pdf("bench_sheet.html", bench_page(work), work.house.paper)


def keys_list_pdf(work: BenchWork) -> bytes:
    """The keys to cut and stamp, without pins, as PDF: bench and owner only."""
    return pdf("keys_list.html", bench_page(work, "Keys to cut"), work.house.paper)


@dataclass(frozen=True, slots=True)
class PickHead:
    """Whose pins they are and who saw them."""

    house: HouseHead
    job_number: int
    revision: int
    title: str
    customer_name: str
    promised_on: date | None
    issued_on: date
    revealed_to: str


@dataclass(frozen=True, slots=True)
class PinLine:
    """One kind and size. shelf and short: "" where they are not known, or nothing is short."""

    kind: str
    size: str
    count: int
    shelf: str
    short: str


@dataclass(frozen=True, slots=True)
class SpecPins:
    """The pins of one spec's cylinders."""

    name: str
    cylinders: int
    pins: int
    springs: int
    lines: tuple[PinLine, ...] = field(repr=False)


@dataclass(frozen=True, slots=True)
class PickPage:
    """The list as printed."""

    head: PaperHead
    title: str
    customer_name: str
    promised_on: date | None
    was_drawn: bool
    specs: tuple[SpecPins, ...]
    cylinders: int
    pins: int


def pick_page(said: PickHead, picked: Picked) -> PickPage:
    """What the list says."""
    return PickPage(
        PaperHead(
            said.house,
            "Pins to pick",
            job_number(said.job_number, said.revision),
            said.issued_on,
            warning="Confidential",
            given_to=f"revealed to {said.revealed_to}",
            copy_line=True,
        ),
        said.title,
        said.customer_name,
        said.promised_on,
        picked.was_drawn,
        tuple(_spec(spec) for spec in picked.specs),
        sum(spec.cylinders for spec in picked.specs),
        sum(spec.pins.total for spec in picked.specs),
    )


def _spec(spec: PickedSpec) -> SpecPins:
    short = spec.short
    lines = tuple(
        PinLine(
            pin.kind,
            "to fit" if pin.size is None else str(pin.size),
            count,
            "" if pin.size is None else f"{spec.stock.get(pin, 0):,}",
            f"{short[pin]:,}" if pin in short and pin.size is not None else "",
        )
        for pin, count in spec.pins.pins
    )
    return SpecPins(spec.name, spec.cylinders, spec.pins.total, spec.springs, lines)


def pick_list_pdf(said: PickHead, picked: Picked) -> bytes:
    """The list as PDF: bench and owner only."""
    return pdf("pick_list.html", pick_page(said, picked), said.house.paper)
