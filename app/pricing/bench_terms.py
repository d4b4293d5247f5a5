"""What the house's own bench costs and how much it can do."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from fractions import Fraction
from typing import Annotated, Any

from app.errors import BitternError
from app.pricing.kinds import CylinderType, KeyingKind
from app.pricing.money import Cents
from app.pricing.workdays import MAX_WORKING_DAYS
from app.validation import Form, JsonDataclass, whole

_MINUTES = re.compile(r"[0-9]{1,9}(?:\.[0-9]{1,2})?")


def _read_minutes(value: Any) -> Fraction:
    """Minutes out of JSON: 12, 2.5 or "2.5"; a float is taken as the digits it was written with."""
    text = value if isinstance(value, str) else str(value) if type(value) in (int, float) else ""
    if len(text) > 12 or not _MINUTES.fullmatch(text) or Fraction(text) > 1_000_000:
        raise BitternError("", "Enter minutes from 0 to 1,000,000, at most two decimals, as 2.5.")
    return Fraction(text)


def write_minutes(minutes: Fraction) -> int | str:
    """Minutes for JSON: a whole number, or text of at most two decimals, never a float.

    >>> write_minutes(Fraction(3)), write_minutes(Fraction(5, 2))
    (3, '2.50')
    """
    if minutes.denominator == 1:
        return minutes.numerator
    hundredths = round(minutes * 100)
    return f"{hundredths // 100}.{hundredths % 100:02d}"


Minutes = Annotated[Fraction, Form(_read_minutes, write_minutes)]


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchTerms(JsonDataclass):
    """The bench's book figures. Minutes are exact fractions, money whole cents.

    A kind absent from `kind_minutes`, or a type absent from `type_minutes`, is not keyed here; absent from
    the other tables it counts as 0. `setup_minutes` are for a new system or order, `extension_minutes` for
    adding to a system whose records are here. `uncombinated_on_hand` counts cylinders without pins on the
    shelf; more of them come `uncombinated_lead_days` working days after the order, or never when None.
    """

    labour_cents_per_hour: Cents
    setup_minutes: Mapping[KeyingKind, Minutes] = field(default_factory=dict)
    extension_minutes: Minutes = Fraction(0)
    type_minutes: Mapping[CylinderType, Minutes]
    kind_minutes: Mapping[KeyingKind, Minutes]
    checking_minutes: Minutes = Fraction(0)
    key_minutes: Minutes = Fraction(0)
    key_cut_cents: Cents = 0
    key_blank_cents: Cents = 0
    pins: Mapping[KeyingKind, Annotated[int, whole(0, 1_000)]] = field(default_factory=dict)
    pin_cents: Cents = 0
    minutes_per_day: Minutes
    minutes_promised: Minutes = Fraction(0)
    uncombinated_on_hand: Mapping[CylinderType, Annotated[int, whole(0, 1_000_000)]] = field(default_factory=dict)
    uncombinated_lead_days: Annotated[int, whole(0, MAX_WORKING_DAYS)] | None = None
    closed_days: frozenset[date] = frozenset()
