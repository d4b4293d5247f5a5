"""What a maker charges and asks for keying at the factory."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from typing import Any

from app.pricing.kinds import KeyingKind
from app.pricing.reading import Reader, read_day, read_json_cents, read_text
from app.pricing.workdays import MAX_WORKING_DAYS

MAX_CYLINDERS = 100_000


@dataclass(frozen=True, slots=True)
class QuantityBreak:
    """From this many keyed cylinders on, `percent_off` the keying charge of every one of them."""

    quantity_from: int
    percent_off: Decimal


@dataclass(frozen=True, slots=True)
class FreightStep:
    """Freight in cents for an order of `quantity_from` cylinders and more, until the next step."""

    quantity_from: int
    cents: int


@dataclass(frozen=True, slots=True)
class FactoryTerms:
    """One maker's keying terms, valid on the days that whoever stores them says.

    A kind absent from `per_cylinder_cents` is one that the maker does not key. `setup_cents` are for a new
    system, `extension_cents` replace them when a system is extended. `holds_records`: the maker keeps the
    records of systems it keyed; `takes_records`: it keys from records that the house sends.
    `min_order_cents` is compared with the goods on this order, before keying and freight.
    `factory_only_keyways` may not be keyed on the bench; `authorised_keyways` need the owner's written word.
    """

    maker: str
    setup_cents: Mapping[KeyingKind, int]
    extension_cents: int
    per_cylinder_cents: Mapping[KeyingKind, int]
    per_key_cents: int
    keys_included: int
    min_cylinders: int
    min_order_cents: int
    quantity_breaks: tuple[QuantityBreak, ...]
    freight: tuple[FreightStep, ...]
    lead_working_days: int
    closed_days: frozenset[date]
    holds_records: bool
    takes_records: bool
    factory_only_keyways: frozenset[str] = frozenset()
    authorised_keyways: frozenset[str] = frozenset()

    @classmethod
    def from_json(cls, given: object, path: str = "") -> FactoryTerms:
        """Terms from parsed JSON; `Problems` lists every bad field, named under `path`."""
        read = Reader(given, path)
        terms = cls(
            maker=read.text("maker", 80),
            setup_cents=read.by_word("setup_cents", KeyingKind, read_json_cents, optional=True),
            extension_cents=read.cents("extension_cents", 0),
            per_cylinder_cents=read.by_word("per_cylinder_cents", KeyingKind, read_json_cents),
            per_key_cents=read.cents("per_key_cents", 0),
            keys_included=read.whole("keys_included", 0, 100, 0),
            min_cylinders=read.whole("min_cylinders", 0, MAX_CYLINDERS, 0),
            min_order_cents=read.cents("min_order_cents", 0),
            quantity_breaks=tuple(
                QuantityBreak(row.whole("quantity_from", 1, MAX_CYLINDERS), row.percent("percent_off"))
                for row in _known_rows(read, "quantity_breaks", "percent_off")
            ),
            freight=tuple(
                FreightStep(row.whole("quantity_from", 1, MAX_CYLINDERS), row.cents("cents"))
                for row in _known_rows(read, "freight", "cents")
            ),
            lead_working_days=read.whole("lead_working_days", 0, MAX_WORKING_DAYS),
            closed_days=frozenset(read.values("closed_days", read_day)),
            holds_records=read.flag("holds_records", False),
            takes_records=read.flag("takes_records", False),
            factory_only_keyways=frozenset(read.values("factory_only_keyways", lambda one: read_text(one, 20))),
            authorised_keyways=frozenset(read.values("authorised_keyways", lambda one: read_text(one, 20))),
        )
        for name, steps in (("quantity_breaks", terms.quantity_breaks), ("freight", terms.freight)):
            starts = [step.quantity_from for step in steps]
            # A starting quantity that could not be read is reported already, and stands in as 1 here.
            if not read.problems and starts != sorted(set(starts)):
                read.refuse(name, "Each step must begin at a larger quantity than the one before it.")
        read.done()
        return terms

    def to_json(self) -> dict[str, Any]:
        """What `from_json` reads back to an equal value."""
        return {
            "maker": self.maker,
            "setup_cents": {kind.value: cents for kind, cents in self.setup_cents.items()},
            "extension_cents": self.extension_cents,
            "per_cylinder_cents": {kind.value: cents for kind, cents in self.per_cylinder_cents.items()},
            "per_key_cents": self.per_key_cents,
            "keys_included": self.keys_included,
            "min_cylinders": self.min_cylinders,
            "min_order_cents": self.min_order_cents,
            "quantity_breaks": [
                {"quantity_from": step.quantity_from, "percent_off": str(step.percent_off)}
                for step in self.quantity_breaks
            ],
            "freight": [{"quantity_from": step.quantity_from, "cents": step.cents} for step in self.freight],
            "lead_working_days": self.lead_working_days,
            "closed_days": sorted(day.isoformat() for day in self.closed_days),
            "holds_records": self.holds_records,
            "takes_records": self.takes_records,
            "factory_only_keyways": sorted(self.factory_only_keyways),
            "authorised_keyways": sorted(self.authorised_keyways),
        }


def _known_rows(read: Reader, name: str, value: str) -> tuple[Reader, ...]:
    rows = read.rows(name)
    for row in rows:
        row.has("quantity_from"), row.has(value)
        row.refuse_unknown()
    return rows
