"""What a maker charges and asks for keying at the factory."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Annotated

from app.errors import Problem, Problems
from app.pricing.kinds import KeyingKind
from app.pricing.money import Cents, Percent
from app.pricing.workdays import MAX_WORKING_DAYS
from app.validation import JsonDataclass, whole, words_of

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
    system, `extension_cents` replace them when a system is extended. `holds_records`: the maker keeps the
    records of systems it keyed; `takes_records`: it keys from records that the house sends.
    `min_order_cents` is compared with the goods on this order, before keying and freight.
    `factory_only_keyways` may not be keyed on the bench; `authorised_keyways` need the owner's written word.
    """

    maker: Annotated[str, words_of(80)]
    setup_cents: Mapping[KeyingKind, Cents] = field(default_factory=dict)
    extension_cents: Cents = 0
    per_cylinder_cents: Mapping[KeyingKind, Cents]
    per_key_cents: Cents = 0
    keys_included: Annotated[int, whole(0, 100)] = 0
    min_cylinders: Annotated[int, whole(0, MAX_CYLINDERS)] = 0
    min_order_cents: Cents = 0
    quantity_breaks: tuple[QuantityBreak, ...] = ()
    freight: tuple[FreightStep, ...] = ()
    lead_working_days: Annotated[int, whole(0, MAX_WORKING_DAYS)]
    closed_days: frozenset[date] = frozenset()
    holds_records: bool = False
    takes_records: bool = False
    factory_only_keyways: frozenset[_KeywayName] = frozenset()
    authorised_keyways: frozenset[_KeywayName] = frozenset()

    def __post_init__(self) -> None:
        problems = []
        for name, steps in (("quantity_breaks", self.quantity_breaks), ("freight", self.freight)):
            starts = [step.quantity_from for step in steps]
            if starts != sorted(set(starts)):
                problems.append(Problem(name, "Each step must begin at a larger quantity than the one before it."))
        if problems:
            raise Problems(problems)
