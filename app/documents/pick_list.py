"""The pins to pick for a job, by spec, kind and size, against what is on the shelf. Confidential."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

from app.documents.render import PaperHead, job_number, pdf
from app.ledger.bench.pins import Picked, PickedSpec
from app.ledger.quoting.snapshot import HouseHead


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
