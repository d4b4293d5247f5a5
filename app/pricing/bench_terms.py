"""What the house's own bench costs and how much it can do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from fractions import Fraction
from typing import Any

from app.pricing.kinds import CylinderType, KeyingKind
from app.pricing.reading import Reader, read_day, read_minutes, read_whole
from app.pricing.workdays import MAX_WORKING_DAYS


@dataclass(frozen=True, slots=True)
class BenchTerms:
    """The bench's book figures. Minutes are exact fractions, money whole cents.

    A kind absent from `kind_minutes`, or a type absent from `type_minutes`, is not keyed here; absent from
    the other tables it counts as 0. `setup_minutes` are for a new system or order, `extension_minutes` for
    adding to a system whose records are here. `uncombinated_on_hand` counts cylinders without pins on the
    shelf; more of them come `uncombinated_lead_days` working days after the order, or never when None.
    """

    labour_cents_per_hour: int
    setup_minutes: Mapping[KeyingKind, Fraction]
    extension_minutes: Fraction
    type_minutes: Mapping[CylinderType, Fraction]
    kind_minutes: Mapping[KeyingKind, Fraction]
    checking_minutes: Fraction
    key_minutes: Fraction
    key_cut_cents: int
    key_blank_cents: int
    pins: Mapping[KeyingKind, int]
    pin_cents: int
    minutes_per_day: Fraction
    minutes_promised: Fraction
    uncombinated_on_hand: Mapping[CylinderType, int]
    uncombinated_lead_days: int | None
    closed_days: frozenset[date]

    @classmethod
    def from_json(cls, given: object, path: str = "") -> BenchTerms:
        """Terms from parsed JSON; `Problems` lists every bad field, named under `path`."""
        read = Reader(given, path)
        terms = cls(
            labour_cents_per_hour=read.cents("labour_cents_per_hour"),
            setup_minutes=read.by_word("setup_minutes", KeyingKind, read_minutes, optional=True),
            extension_minutes=read.minutes("extension_minutes", Fraction(0)),
            type_minutes=read.by_word("type_minutes", CylinderType, read_minutes),
            kind_minutes=read.by_word("kind_minutes", KeyingKind, read_minutes),
            checking_minutes=read.minutes("checking_minutes", Fraction(0)),
            key_minutes=read.minutes("key_minutes", Fraction(0)),
            key_cut_cents=read.cents("key_cut_cents", 0),
            key_blank_cents=read.cents("key_blank_cents", 0),
            pins=read.by_word("pins", KeyingKind, lambda one: read_whole(one, 0, 1_000), optional=True),
            pin_cents=read.cents("pin_cents", 0),
            minutes_per_day=read.minutes("minutes_per_day"),
            minutes_promised=read.minutes("minutes_promised", Fraction(0)),
            uncombinated_on_hand=read.by_word(
                "uncombinated_on_hand", CylinderType, lambda one: read_whole(one, 0, 1_000_000), optional=True
            ),
            uncombinated_lead_days=(
                read.whole("uncombinated_lead_days", 0, MAX_WORKING_DAYS)
                if read.has("uncombinated_lead_days")
                else None
            ),
            closed_days=frozenset(read.values("closed_days", read_day)),
        )
        read.done()
        return terms

    def to_json(self) -> dict[str, Any]:
        """What `from_json` reads back to an equal value."""
        return {
            "labour_cents_per_hour": self.labour_cents_per_hour,
            "setup_minutes": _by_word(self.setup_minutes),
            "extension_minutes": write_minutes(self.extension_minutes),
            "type_minutes": _by_word(self.type_minutes),
            "kind_minutes": _by_word(self.kind_minutes),
            "checking_minutes": write_minutes(self.checking_minutes),
            "key_minutes": write_minutes(self.key_minutes),
            "key_cut_cents": self.key_cut_cents,
            "key_blank_cents": self.key_blank_cents,
            "pins": {kind.value: count for kind, count in self.pins.items()},
            "pin_cents": self.pin_cents,
            "minutes_per_day": write_minutes(self.minutes_per_day),
            "minutes_promised": write_minutes(self.minutes_promised),
            "uncombinated_on_hand": {kind.value: count for kind, count in self.uncombinated_on_hand.items()},
            "uncombinated_lead_days": self.uncombinated_lead_days,
            "closed_days": sorted(day.isoformat() for day in self.closed_days),
        }


def _by_word(minutes: Mapping[KeyingKind, Fraction] | Mapping[CylinderType, Fraction]) -> dict[str, int | str]:
    return {word.value: write_minutes(value) for word, value in minutes.items()}


def write_minutes(minutes: Fraction) -> int | str:
    """Minutes for JSON: a whole number, or text of at most two decimals, never a float.

    >>> write_minutes(Fraction(3)), write_minutes(Fraction(5, 2))
    (3, '2.50')
    """
    if minutes.denominator == 1:
        return minutes.numerator
    hundredths = round(minutes * 100)
    return f"{hundredths // 100}.{hundredths % 100:02d}"
