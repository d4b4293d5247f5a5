"""Keying kinds and cylinder types in the trade's words, and what the bench and a maker ask for keying."""

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import StrEnum
from fractions import Fraction
from typing import Annotated, Any

from app.errors import BitternError, Problem, Problems
from app.pricing.money import Cents, Percent
from app.pricing.workdays import MAX_WORKING_DAYS
from app.validation import AtMost, Form, JsonDataclass, WordedEnum, whole, words_of


class KeyingKind(WordedEnum):
    """How cylinders are to be keyed; the value is what an order form says.

    OWN: all of a line alike, to a key that the customer brings and the bench decodes.
    """

    KD = "KD", "keyed different"
    KA = "KA", "keyed alike"
    MK = "MK", "master keyed"
    GMK = "GMK", "grand master keyed"
    GGMK = "GGMK", "great grand master keyed"
    SKD = "SKD", "single keyed"
    OWN = "OWN", "keyed to the customer's key"
    NONE = "NONE", "uncombinated"

    @property
    def is_master_keyed(self) -> bool:
        """Whether a cylinder of this kind works under a master, so that the system's records matter."""
        return self in (KeyingKind.MK, KeyingKind.GMK, KeyingKind.GGMK)


class CylinderType(StrEnum):
    """What kind of cylinder goes on the bench: one by itself, or a whole lock with its own."""

    MORTISE = "mortise"
    RIM = "rim"
    BORED = "bored"
    SFIC = "sfic"
    LFIC = "lfic"
    DEADBOLT = "deadbolt"
    LOCKSET = "lockset"
    PADLOCK = "padlock"
    CABINET = "cabinet"

    @property
    def words(self) -> str:
        """What it is called where somebody reads it."""
        return _CALLED.get(self, self.value)


_CALLED = {
    CylinderType.BORED: "bored lock",
    CylinderType.SFIC: "small-format core",
    CylinderType.LFIC: "large-format core",
    CylinderType.LOCKSET: "knob or lever lock",
    CylinderType.CABINET: "cabinet lock",
}

# Locks that have a bored-lock cylinder take its time at the bench until they have a time of their own.
_TIMED_AS = {CylinderType.DEADBOLT: CylinderType.BORED, CylinderType.LOCKSET: CylinderType.BORED}


class PriceKind(StrEnum):
    """What a price or a quote line is, since places tax the two apart."""

    GOODS = "goods"
    LABOR = "labour"  # price books and issued quotes hold it so; people read and write "labor"

    @classmethod
    def _missing_(cls, value: object) -> "PriceKind | None":
        return cls.LABOR if value == "labor" else None

    @property
    def word(self) -> str:
        """The kind in the words of a page: 'goods' or 'labor'."""
        return self.name.lower()


_ROWS = AtMost(1_000)
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

    A kind absent from `kind_minutes`, or a type absent from `type_minutes`, is not keyed here (`minutes_of`);
    absent from the other tables it counts as 0. What is keyed to the customer's key counts as keyed alike while it
    has no minutes of its own (`counted_as`). `setup_minutes` are for a new system or order, `extension_minutes` for
    adding to a system whose records are here. `construction_minutes` are for a cylinder's balls, put in and, where
    the bench does that, knocked out at the hand-over; `core_change_minutes` for fitting a construction core and
    changing it for the permanent one, beside pinning it as keyed alike. (defaults reasoned here, no source)
    `uncombinated_on_hand` counts cylinders without pins on the shelf; more of them come `uncombinated_lead_days`
    working days after the order, or never when None.
    `reserve_minutes_per_day` of the `minutes_per_day` are kept for rush work and for customers who wait:
    `reserve_minutes_promised` are promised to such work, `minutes_promised` to all other.
    """

    labour_cents_per_hour: Cents
    setup_minutes: Mapping[KeyingKind, Minutes] = field(default_factory=dict)
    extension_minutes: Minutes = Fraction(0)
    type_minutes: Mapping[CylinderType, Minutes]
    kind_minutes: Mapping[KeyingKind, Minutes]
    checking_minutes: Minutes = Fraction(0)
    construction_minutes: Minutes = Fraction(2)
    core_change_minutes: Minutes = Fraction(4)
    key_minutes: Minutes = Fraction(0)
    key_cut_cents: Cents = 0
    key_blank_cents: Cents = 0
    pins: Mapping[KeyingKind, Annotated[int, whole(0, 1_000)]] = field(default_factory=dict)
    pin_cents: Cents = 0
    minutes_per_day: Minutes
    minutes_promised: Minutes = Fraction(0)
    reserve_minutes_per_day: Minutes = Fraction(0)
    reserve_minutes_promised: Minutes = Fraction(0)
    uncombinated_on_hand: Mapping[CylinderType, Annotated[int, whole(0, 1_000_000)]] = field(default_factory=dict)
    uncombinated_lead_days: Annotated[int, whole(0, MAX_WORKING_DAYS)] | None = None
    closed_days: Annotated[frozenset[date], _ROWS] = frozenset()

    def __post_init__(self) -> None:
        if self.reserve_minutes_per_day > self.minutes_per_day:
            least = f"Keep no more than the bench has in a day, {write_minutes(self.minutes_per_day)} minutes."
            raise BitternError("reserve_minutes_per_day", least)

    def minutes_of(self, one: CylinderType) -> Fraction | None:
        """What the type adds to the time of a cylinder; None where it is not keyed here."""
        return self.type_minutes.get(one, self.type_minutes.get(_TIMED_AS.get(one, one)))

    def counted_as(self, kind: KeyingKind) -> KeyingKind:
        """The kind whose figures count."""
        return KeyingKind.KA if kind is KeyingKind.OWN and kind not in self.kind_minutes else kind


MAX_CYLINDERS = 100_000

_From = Annotated[int, whole(1, MAX_CYLINDERS)]
_KeywayName = Annotated[str, words_of(20)]


@dataclass(frozen=True, slots=True)
class QuantityBreak:
    """From this many keyed cylinders on, `percent_off` the keying charge of every one of them."""

    quantity_from: _From
    percent_off: Percent


@dataclass(frozen=True, slots=True)
class FreightStep:
    """Freight in cents for an order of `quantity_from` cylinders and more, until the next step."""

    quantity_from: _From
    cents: Cents


@dataclass(frozen=True, slots=True, kw_only=True)
class FactoryTerms(JsonDataclass):
    """One maker's keying terms, valid on the days that whoever stores them says.

    A kind absent from `per_cylinder_cents` is one that the maker does not key. `setup_cents` are for a new
    system, `extension_cents` replace them when a system is extended. `untaken_key_cents` are what the maker takes
    off for a key of the `keys_included` that is not wanted. `holds_records`: the maker keeps the
    records of systems it keyed; `takes_records`: it keys from records that the house sends.
    `min_order_cents` is compared with the goods on this order, before keying and freight. `small_order_cents` is
    what the maker charges beside for an order under a minimum; None: it takes no such order.
    `factory_only_keyways` may not be keyed on the bench; `authorised_keyways` need the owner's written word.
    """

    maker: Annotated[str, words_of(80)]
    setup_cents: Mapping[KeyingKind, Cents] = field(default_factory=dict)
    extension_cents: Cents = 0
    per_cylinder_cents: Mapping[KeyingKind, Cents]
    per_key_cents: Cents = 0
    keys_included: Annotated[int, whole(0, 100)] = 0
    untaken_key_cents: Cents = 0
    min_cylinders: Annotated[int, whole(0, MAX_CYLINDERS)] = 0
    min_order_cents: Cents = 0
    small_order_cents: Cents | None = None
    quantity_breaks: Annotated[tuple[QuantityBreak, ...], _ROWS] = ()
    freight: Annotated[tuple[FreightStep, ...], _ROWS] = ()
    lead_working_days: Annotated[int, whole(0, MAX_WORKING_DAYS)]
    closed_days: Annotated[frozenset[date], _ROWS] = frozenset()
    holds_records: bool = False
    takes_records: bool = False
    factory_only_keyways: Annotated[frozenset[_KeywayName], _ROWS] = frozenset()
    authorised_keyways: Annotated[frozenset[_KeywayName], _ROWS] = frozenset()

    def __post_init__(self) -> None:
        problems = []
        for name, steps in (("quantity_breaks", self.quantity_breaks), ("freight", self.freight)):
            starts = [step.quantity_from for step in steps]
            if starts != sorted(set(starts)):
                problems.append(Problem(name, "Each step must begin at a larger quantity than the one before it."))
        if problems:
            raise Problems(problems)
