"""The bitting spec: what a maker's depth-and-spacing chart says, and bittings written by it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from fractions import Fraction
from itertools import pairwise
from typing import Any, TypeAlias

from app.keying.errors import KeyingError
from app.keying.given import object_fields, short, whole

Bitting: TypeAlias = tuple[int, ...]
"""Depth numbers, bow to tip."""

DEPTH_CHARACTERS = "0123456789ABCDEF"
_NUMBER = re.compile(r"\d{0,6}\.\d{1,12}|\d{1,6}|\d{1,6}/[1-9]\d{0,5}", re.ASCII)


@dataclass(frozen=True, slots=True, kw_only=True)
class BittingSpec:
    """A maker's chart: how many chambers and depths, which cuts may stand side by side, and the inches.

    Depth numbers run from `first_depth` to `first_depth + depths - 1`; the first is the shallowest. `macs` is
    the most that adjacent cuts may differ, `step` the step of progression (1 or 2), `stack_total` the height
    of a balanced pin stack and `control_offset` the height between the two shear lines of an interchangeable
    core, both in increments; `min_master_pin` the thinnest master pin. `depth0_in` is the root depth that the
    shallowest cut leaves, `increment_in` how much each next depth takes off, `first_cut_in` the way from the
    shoulder (or tip stop) to the middle of the first cut, `spacing_in` from cut to cut; exact inches.

    >>> BittingSpec(chambers=6, depths=10, macs=7, step=2).last_depth
    9
    """

    chambers: int
    depths: int
    first_depth: int = 0
    macs: int
    step: int
    stack_total: int | None = None
    control_offset: int | None = None
    min_master_pin: int | None = None
    depth0_in: Fraction | None = None
    increment_in: Fraction | None = None
    first_cut_in: Fraction | None = None
    spacing_in: Fraction | None = None
    name: str = ""

    def __post_init__(self) -> None:
        whole(self.chambers, "spec.chambers", 3, 12)
        whole(self.depths, "spec.depths", 2, 16)
        whole(self.first_depth, "spec.first_depth", 0, 15)
        if self.last_depth > 15:
            raise KeyingError(
                "spec.first_depth", "The deepest depth number may be at most 15 (F): lower the first depth or depths."
            )
        whole(self.macs, "spec.macs", 0, 99)
        whole(self.step, "spec.step", 1, 2)
        for optional, high in (("stack_total", 99), ("control_offset", 99), ("min_master_pin", 15)):
            value = getattr(self, optional)
            if value is not None:
                whole(value, f"spec.{optional}", 0, high)
        self._check_inches()
        if not isinstance(self.name, str) or len(self.name) > 80 or not (self.name.isprintable()):
            raise KeyingError("spec.name", "Enter a name of at most 80 characters, or none.")

    def _check_inches(self) -> None:
        for field in INCH_FIELDS:
            value = getattr(self, field)
            if value is None:
                continue
            if not isinstance(value, Fraction) or not 0 < value <= 10:
                raise KeyingError(f"spec.{field}", "Enter inches above 0 and at most 10, such as 0.0125 or 1/64.")
        if self.depth0_in is not None and self.increment_in is not None:
            deepest = self.depth0_in - (self.depths - 1) * self.increment_in
            if deepest <= 0:
                raise KeyingError(
                    "spec.increment_in", "The deepest cut would leave no metal: check the increment and depth 0."
                )

    @property
    def last_depth(self) -> int:
        """The deepest depth number."""
        return self.first_depth + self.depths - 1

    @property
    def all_depths(self) -> range:
        """Every depth number, shallowest first."""
        return range(self.first_depth, self.first_depth + self.depths)

    def within_macs(self, bitting: Sequence[int]) -> bool:
        """Tell whether no two adjacent cuts differ by more than the MACS."""
        return all(abs(a - b) <= self.macs for a, b in pairwise(bitting))

    @classmethod
    def from_json(cls, given: object, needed: Sequence[str] = ("chambers", "depths")) -> BittingSpec:
        """Read a spec as design's commands give it; what is not in `needed` may be absent or null.

        An absent MACS does not bind; an absent step is 1. Raises KeyingError with the field, `spec.macs`.
        """
        found = {
            name: value for name, value in object_fields(given, "spec", _FIELDS, needed).items() if value is not None
        }
        for field in INCH_FIELDS:
            if field in found:
                found[field] = read_inches(found[field], f"spec.{field}")
        # Checked here too, because the default of MACS is reckoned from it.
        whole(found.get("chambers"), "spec.chambers", 3, 12)
        depths = whole(found.get("depths"), "spec.depths", 2, 16)
        return cls(**{"macs": depths - 1, "step": 1, **found})

    def to_json(self) -> dict[str, Any]:
        """Give the spec as a JSON object that `from_json` reads back to an equal spec."""
        given = {name: getattr(self, name) for name in _FIELDS}
        return {name: write_inches(v) if isinstance(v, Fraction) else v for name, v in given.items()}


INCH_FIELDS = ("depth0_in", "increment_in", "first_cut_in", "spacing_in")
_FIELDS = tuple(field.name for field in fields(BittingSpec))


def read_inches(value: object, field: str) -> Fraction:
    """Give exact inches from 0.0125, ".0125", "1/64" or a whole number.

    >>> read_inches(".0125", "spec.increment_in")
    Fraction(1, 80)
    """
    if isinstance(value, Fraction):
        return value
    # A JSON number such as 0.0125 arrives as a float; its shortest text is what was typed.
    text = repr(value) if isinstance(value, int | float) and not isinstance(value, bool) else value
    if not isinstance(text, str) or not _NUMBER.fullmatch(text.strip().removesuffix('"').strip()):
        raise KeyingError(field, "Enter inches, such as 0.0125 or 1/64.")
    return Fraction(text.strip().removesuffix('"').strip())


def write_inches(value: Fraction) -> str:
    """Give exact inches as a decimal where it ends within 12 places, else as a fraction.

    >>> write_inches(Fraction(1, 80)), write_inches(Fraction(1, 3))
    ('0.0125', '1/3')
    """
    scaled = value * 10**12
    if scaled.denominator != 1:
        return f"{value.numerator}/{value.denominator}"
    digits = f"{scaled.numerator:013d}"
    return f"{digits[:-12]}.{digits[-12:]}".rstrip("0").rstrip(".")


def read_bitting(spec: BittingSpec, text: object, field: str) -> Bitting:
    """Give a bitting from one character a depth (0-9, A-F), bow to tip; `field` names it in a refusal.

    >>> read_bitting(BittingSpec(chambers=6, depths=10, macs=7, step=2), "417250", "tmk")
    (4, 1, 7, 2, 5, 0)
    """
    if not isinstance(text, str):
        raise KeyingError(field, f"Enter the bitting as {spec.chambers} characters, one a chamber, bow to tip.")
    cleaned = text.strip().upper()
    if len(cleaned) != spec.chambers:
        raise KeyingError(field, f"The bitting has {len(cleaned)} cuts; this spec has {spec.chambers} chambers.")
    bitting = tuple(DEPTH_CHARACTERS.find(character) for character in cleaned)
    for chamber, depth in enumerate(bitting, start=1):
        if not spec.first_depth <= depth <= spec.last_depth:
            lowest, deepest = DEPTH_CHARACTERS[spec.first_depth], DEPTH_CHARACTERS[spec.last_depth]
            raise KeyingError(field, f"Chamber {chamber}: depths of this spec run from {lowest} to {deepest}.")
    return bitting


def write_bitting(spec: BittingSpec, bitting: Sequence[int]) -> str:
    """Give a bitting as one character a depth, bow to tip."""
    if len(bitting) != spec.chambers or any(d not in spec.all_depths for d in bitting):
        raise KeyingError("bitting", "The bitting does not fit this spec.")
    return "".join(DEPTH_CHARACTERS[depth] for depth in bitting)


def read_keys(spec: BittingSpec, keys: Mapping[str, object], field: str) -> dict[str, Bitting]:
    """Give symbol → bitting for a JSON object of symbol → text; each refusal names `field.symbol`."""
    return {symbol: read_bitting(spec, text, f"{field}.{short(symbol)}") for symbol, text in keys.items()}


def parity_pattern(bitting: Sequence[int]) -> str:
    """Give E or O per cut: two two-step systems with unlike patterns never share a bitting.

    >>> parity_pattern((6, 1, 4, 7, 3, 8))
    'EOEOOE'
    """
    return "".join("EO"[depth % 2] for depth in bitting)
