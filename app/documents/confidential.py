"""Papers that tell bittings or pins: keys to cut with their cuts in inches, pins by chamber with drawings and ticks,
the pins to pick against what is on the shelf, a key system's bitting list.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from itertools import accumulate, zip_longest
from types import MappingProxyType
from typing import TypeAlias

from markupsafe import Markup

from app.documents.drawings import key_profile, pin_stacks
from app.documents.render import PaperHead, pdf
from app.keying import (
    BittingSpec,
    ChamberPins,
    PinLength,
    PinSize,
    cut_list,
    pick_list,
    pin_length,
    read_bitting,
    root_depth,
)
from app.ledger.bench.bench_sheet import RACK, BenchCylinder, BenchKey, BenchSystem, BenchWork
from app.ledger.bench.pins import Picked
from app.ledger.jobs.papers import JobHead
from app.ledger.keysystems.sent_arrays import SealedLetter, SealedList
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


PinLengths: TypeAlias = tuple[tuple[PinSize, PinLength], ...]


def _lengths(spec: BittingSpec, cards: Iterable[CylinderCard]) -> PinLengths:
    pins = pick_list((card.cylinder.pinning, 1) for card in cards).pins
    lengths = ((pin, pin_length(spec, pin)) for pin, _ in pins)
    return tuple((pin, length) for pin, length in lengths if length is not None)


@dataclass(frozen=True, slots=True)
class SystemSheet:
    """One key system's work. `places`: from the key's stop to the middle of each cut in inches, bow to tip; empty
    without them.
    """

    system: BenchSystem
    places: tuple[Fraction, ...]
    keys: tuple[KeyLine, ...]
    cylinders: tuple[CylinderCard, ...]

    @property
    def chambers(self) -> range:
        """The numbers of the keys' cuts, bow to tip."""
        return self.system.spec.chamber_numbers

    @property
    def lengths(self) -> PinLengths:
        """The pins of its cylinders in inches; () where the spec does not say them."""
        return _lengths(self.system.spec, self.cylinders)

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
    >>> [row.sizes for row in pin_rows((ChamberPins(3, (), None, 7, ball=4), ChamberPins(4, (), None, 10)))][1]
    ('4', '')
    """
    rows = []
    if any(pins.top is not None for pins in chambers):
        rows.append(PinRow("top", tuple(_size(pins.top) for pins in chambers)))
    if any(pins.buildup is not None for pins in chambers):
        rows.append(PinRow("build-up", tuple(_size(pins.buildup) for pins in chambers)))
    if any(pins.ball for pins in chambers):
        rows.append(PinRow("ball", tuple(_size(pins.ball or None) for pins in chambers)))
    layers = list(zip_longest(*(pins.masters for pins in chambers)))
    for number, layer in reversed(list(enumerate(layers, start=1))):
        name = f"master {number}" if len(layers) > 1 else "master"
        rows.append(PinRow(name, tuple(_size(size) for size in layer)))
    rows.append(PinRow("bottom", tuple(str(pins.bottom) for pins in chambers)))
    return tuple(rows)


def _size(size: int | None) -> str:
    return "" if size is None else str(size).replace("-", "−")


_MOST_KEYS_BESIDE = 8  # keys of a rack's page that stand beside no cylinder; more have a page of their own
_TIGHT = 5  # rows of pins from which a card is set smaller, so that a rack stays on its page


@dataclass(frozen=True, slots=True)
class CardOnRack:
    """A card and the key to cut with it, None where it is cut with another rack. waits: for which pins, in words;
    held: how many of its cylinders wait.
    """

    card: CylinderCard
    key: KeyLine | None
    waits: str = field(default="", repr=False)
    held: int = 0

    @property
    def may_be_pinned(self) -> bool:
        """Whether any of its cylinders gets all of its pins."""
        return self.held < self.card.cylinder.quantity


@dataclass(frozen=True, slots=True)
class RackPage:
    """A page of the bench sheet: a rack of cylinders, or keys alone. keys: those that stand beside no cylinder."""

    head: JobHead
    sheet: SystemSheet
    number: int
    of: int
    cards: tuple[CardOnRack, ...]
    keys: tuple[KeyLine, ...]

    @property
    def words(self) -> str:
        """What its cylinders are, where all are alike."""
        words = {one.card.cylinder.words for one in self.cards}
        return words.pop() if len(words) == 1 else ""

    @property
    def cylinders(self) -> int:
        """How many cylinders lie on it."""
        return sum(one.card.cylinder.quantity for one in self.cards)

    @property
    def key_count(self) -> int:
        """How many keys are cut with it: a control key with the first rack alone."""
        beside = (line.key for line in self.keys if self.number < 2 or not line.key.is_control)
        with_cards = (one.key.key for one in self.cards if one.key is not None)
        return sum(key.quantity for key in (*beside, *with_cards))

    @property
    def is_tight(self) -> bool:
        """Whether its cards are high."""
        return max((len(one.card.rows) for one in self.cards), default=0) >= _TIGHT

    @property
    def lengths(self) -> PinLengths:
        """The pins of its cards in inches, as far as the spec says them."""
        return _lengths(self.sheet.system.spec, (one.card for one in self.cards))

    @property
    def has_kit(self) -> bool:
        """Whether the house has entered what its kit holds of any of them."""
        return any(length.nearest is not None for _, length in self.lengths)

    @property
    def roots(self) -> tuple[tuple[int, Fraction], ...]:
        """Each depth and the metal left under its cut in inches; () where the spec lacks it."""
        spec = self.sheet.system.spec
        return tuple((depth, root_depth(spec, depth)) for depth in spec.all_depths) if self.sheet.places else ()


Short = Mapping[int, Sequence[PinSize]]
"""Cylinder id → the pins that it waits for."""


def rack_pages(work: BenchWork, short: Short = MappingProxyType({})) -> tuple[RackPage, ...]:
    """A job's bench sheet page by page: racks, and before them the keys to which no cylinder on a page belongs where
    they are many. A control key stands on each page of its cores, since each is tried with it.
    """
    made: list[tuple[SystemSheet, tuple[CardOnRack, ...], tuple[KeyLine, ...]]] = []
    for sheet in map(system_sheet, work.systems):
        lines = {line.key.symbol: line for line in sheet.keys}
        control = tuple(line for line in sheet.keys if line.key.is_control)
        own = {card.cylinder.operated_by[0] for card in sheet.cylinders}
        beside = tuple(line for line in sheet.keys if line.key.symbol not in own and not line.key.is_control)
        racks = [sheet.cylinders[start : start + RACK] for start in range(0, len(sheet.cylinders), RACK)]
        if beside and (not racks or len(beside) > _MOST_KEYS_BESIDE):
            made.append((sheet, (), (*beside, *control)))
            beside = ()
        for place, rack in enumerate(racks):
            cards = tuple(
                CardOnRack(card, lines.pop(card.cylinder.operated_by[0], None), *_waits(card, short)) for card in rack
            )
            made.append((sheet, cards, (*(beside if place == 0 else ()), *control)))
    racks_in_all = sum(bool(cards) for _, cards, _ in made)
    numbers = accumulate(int(bool(cards)) for _, cards, _ in made)
    return tuple(
        RackPage(work.head, sheet, number, racks_in_all, cards, keys)
        for number, (sheet, cards, keys) in zip(numbers, made, strict=True)
    )


def _waits(card: CylinderCard, short: Short) -> tuple[str, int]:
    pins = {pin for one in card.cylinder.ids for pin in short.get(one, ())}
    if not pins:
        return "", 0
    count, held = card.cylinder.quantity, sum(one in short for one in card.cylinder.ids)
    which = "" if held == count else f"{held} of {count} "
    said = ", ".join(f"{pin.kind} {pin.size}" for pin in sorted(pins, key=str))
    return f"Not to be pinned: {which}waiting for {said}, out of stock.", held


def bench_sheet_pdf(work: BenchWork, short: Short = MappingProxyType({})) -> bytes:
    """The bench sheet as PDF, a page a rack: bench and owner only. short: what the shelf cannot fill."""
    head = PaperHead.of_job(work.head, "Bench sheet", work.revealed_to)
    return pdf("bench_sheet.html", head, copies=work.copies, pages=rack_pages(work, short))


def day_sheet_pdf(sheets: Sequence[tuple[BenchWork, Short]]) -> bytes:
    """The same of several jobs one after the other, as the day's work."""
    first = sheets[0][0]
    numbers = ", ".join(str(work.head.job_number) for work, _ in sheets)
    head = PaperHead.confidential(
        first.head.house, "Day's work", f"jobs {numbers}", first.head.issued_on, first.revealed_to
    )
    pages = [page for work, short in sheets for page in rack_pages(work, short)]
    copies = [copies for work, _ in sheets for copies in work.copies]
    return pdf("bench_sheet.html", head, copies=copies, pages=pages)


def keys_list_pdf(work: BenchWork) -> bytes:
    """The keys to cut and stamp, without pins, as PDF: bench and owner only."""
    head = PaperHead.of_job(work.head, "Keys to cut", work.revealed_to)
    return pdf("keys_list.html", head, work=work, sheets=[system_sheet(system) for system in work.systems])


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


def sealed_list_pdf(found: SealedList, paper: str) -> bytes:
    """A system's array and bittings by number, for its factory: it names no house, customer, system or symbol.

    paper: Letter or A4.
    """
    nobody = HouseHead("", "", "", "", paper)
    head = PaperHead(nobody, "Sealed list", found.sent.reference, found.sent.on, "Confidential", copy_line=True)
    return pdf("sealed_list.html", head, found=found)


def sealed_letter_pdf(letter: SealedLetter, house: HouseHead) -> bytes:
    """The letter that says what each number of a sealed list is, with its receipt: it has no bitting."""
    head = PaperHead(house, "Letter to a sealed list", letter.sent.reference, letter.sent.on)
    return pdf("sealed_letter.html", head, letter=letter)


def bitting_list_pdf(bittings: BittingList) -> bytes:
    """The list as PDF: for the owner, never to a customer, an installer or the counter."""
    head = PaperHead.confidential(
        bittings.house, "Bitting list", bittings.system_name, bittings.printed_on, bittings.revealed_to
    )
    return pdf("bitting_list.html", head, bittings=bittings)
