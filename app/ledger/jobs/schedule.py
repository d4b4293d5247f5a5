"""What a job's papers are made from: the schedule's rows (no bitting) and the bench's cylinders (with them)."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

from app.keying import BittingSpec, Pinning
from app.ledger.quoting.snapshot import HouseHead


@dataclass(frozen=True, slots=True)
class ScheduleRow:
    """One cylinder, as the installer needs it. Never a bitting."""

    cylinder_id: int
    opening_number: str  # "" where the cylinder has no door on record
    location: str
    hand: str
    lock: str
    position: str
    words: str
    part_number: str
    keyset: str  # its symbol, with X before and (NMK) after where they apply; "" uncombinated
    operated_by: tuple[str, ...]  # every symbol whose key operates it, its own first, masters after
    remarks: str
    cautions: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class ScheduleKeyset:
    """One keyset of the job: how many cylinders carry it and how many keys go with it."""

    symbol: str
    level: str
    purpose: str
    cylinders: int
    keys: int


@dataclass(frozen=True, slots=True)
class Schedule:
    """A job's keying schedule. `keyed_at`: shop or factory."""

    house: HouseHead
    job_number: int
    title: str
    customer_name: str
    site_name: str
    site_address: str
    system_name: str  # several systems: joined with " · "
    keyed_at: str
    promised_on: date | None
    issued_on: date
    rows: tuple[ScheduleRow, ...]
    keysets: tuple[ScheduleKeyset, ...]
    revision: int = 0  # of the quote that it carries out; 0 where the job was never quoted


@dataclass(frozen=True, slots=True)
class BenchKey:
    """A key to cut: its bitting and how many; 0 of a control key that the bench needs and the job does not bring.

    `is_there`: whether a copy of it is on record.
    """

    symbol: str
    bitting: str = field(repr=False)
    quantity: int
    is_control: bool = False
    is_there: bool = True


@dataclass(frozen=True, slots=True)
class BenchCylinder:
    """Cylinders of one keyset that are pinned alike."""

    keyset: str
    quantity: int
    words: str
    openings: tuple[str, ...]
    operated_by: tuple[str, ...]
    pinning: Pinning


@dataclass(frozen=True, slots=True)
class BenchSystem:
    """What the bench does in one key system."""

    name: str
    keyway: str
    spec_name: str
    spec: BittingSpec
    keys: tuple[BenchKey, ...]
    cylinders: tuple[BenchCylinder, ...]


@dataclass(frozen=True, slots=True)
class BenchWork:
    """A job's bench sheet: confidential."""

    house: HouseHead
    job_number: int
    title: str
    customer_name: str
    promised_on: date | None
    issued_on: date
    revealed_to: str
    systems: tuple[BenchSystem, ...]
    revision: int = 0  # as on the schedule
    copies: tuple[tuple[str, int], ...] = ()  # of the customer's own keys: their keyway, and how many
