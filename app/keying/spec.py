"""The bitting spec: what a maker's depth-and-spacing chart says, and bittings written by it."""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from itertools import pairwise
from typing import Annotated, TypeAlias

from app.errors import Problem, Problems
from app.keying.errors import KeyingError
from app.keying.rules import NO_RULES, BittingRules
from app.validation import Form, JsonDataclass, counted, whole

Bitting: TypeAlias = tuple[int, ...]
"""Depth numbers, bow to tip."""

DEPTH_CHARACTERS = "0123456789ABCDEF"
_NUMBER = re.compile(r"\d{0,6}\.\d{1,12}|\d{1,6}|\d{1,6}/[1-9]\d{0,5}", re.ASCII)


def read_inches(value: object, field: str = "") -> Fraction:
    """Give exact inches from 0.0125, ".0125", "1/64" or a whole number.

    >>> read_inches(".0125")
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


def read_spec_inches(value: object) -> Fraction:
    """Give inches above 0 and at most 10, as a chart has them."""
    inches = read_inches(value)
    if not 0 < inches <= 10:
        raise KeyingError("", "Enter inches above 0 and at most 10, such as 0.0125 or 1/64.")
    return inches


def _read_name(value: object) -> str:
    if not isinstance(value, str) or len(value) > 80 or not value.isprintable():
        raise KeyingError("", "Enter a name of at most 80 characters, or none.")
    return value


Inches: TypeAlias = Annotated[Fraction, Form(read_spec_inches, write_inches)]


@dataclass(frozen=True, slots=True, kw_only=True)
class BittingSpec(JsonDataclass):
    """A maker's chart: how many chambers and depths, which cuts may stand side by side, and the inches.

    Depth numbers run from `first_depth` to `first_depth + depths - 1`; the first is the shallowest. `macs` is
    the most that adjacent cuts may differ, `step` the step of progression (1 or 2), `stack_total` the height
    of a balanced pin stack and `control_offset` the height between the two shear lines of an interchangeable
    core, both in increments; `min_master_pin` the thinnest master pin. `depth0_in` is the root depth that the
    shallowest cut leaves, `increment_in` how much each next depth takes off, `first_cut_in` the way from the
    shoulder (or tip stop) to the middle of the first cut, `spacing_in` from cut to cut; exact inches. `rules`
    judge what is handed out.

    >>> BittingSpec(chambers=6, depths=10, macs=7, step=2).last_depth
    9
    """

    chambers: Annotated[int, whole(3, 12)]
    depths: Annotated[int, whole(2, 16)]
    first_depth: Annotated[int, whole(0, 15)] = 0
    macs: Annotated[int, whole(0, 99)]
    step: Annotated[int, whole(1, 2)] = 1
    stack_total: Annotated[int, whole(0, 99)] | None = None
    control_offset: Annotated[int, whole(0, 99)] | None = None
    min_master_pin: Annotated[int, whole(0, 15)] | None = None
    depth0_in: Inches | None = None
    increment_in: Inches | None = None
    first_cut_in: Inches | None = None
    spacing_in: Inches | None = None
    rules: BittingRules = NO_RULES
    name: Annotated[str, Form(_read_name)] = ""

    def __post_init__(self) -> None:
        if self.last_depth > 15:
            raise KeyingError(
                "first_depth", "The deepest depth number may be at most 15 (F): lower the first depth or depths."
            )
        if self.depth0_in and self.increment_in and self.depth0_in <= (self.depths - 1) * self.increment_in:
            raise KeyingError(
                "increment_in", "The deepest cut would leave no metal: check the increment and depth 0."
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

    def allows(self, bitting: Sequence[int]) -> bool:
        """Tell whether a bitting may be handed out: within MACS, and no rule broken."""
        return self.within_macs(bitting) and self.rules.first_broken(bitting, self.first_depth) is None

    def check_rules(self) -> None:
        """Refuse, by its field, a rule that no bitting of this spec can obey."""
        rules, reach = self.rules, self.macs * (self.chambers - 1)
        depths, span = min(self.chambers, self.depths, 1 + reach), min(self.depths - 1, reach)
        broken = {
            "least_depths": ((rules.least_depths or 0) > depths, f"Ask for at most {counted(depths, 'depth')}."),
            "most_equal_neighbors": (
                self.macs == 0 and (rules.most_equal_neighbors or self.chambers) < self.chambers,
                "Under a MACS of 0 all cuts are equal: raise the MACS, or turn this off.",
            ),
            "least_span": ((rules.least_span or 0) > span, f"Ask for at most {span}."),
            "no_uncut": (rules.no_uncut and self.depths <= 2, "With two depths every key breaks this: turn it off."),
            "least_apart": (
                (rules.least_apart or 0) > self.chambers,
                f"Ask for at most {counted(self.chambers, 'chamber')}.",
            ),
        }
        problems = [
            Problem(f"rules.{name}", f"No key of this spec can obey this. {fix}")
            for name, (is_broken, fix) in broken.items()
            if is_broken
        ]
        if problems:
            raise Problems(problems)

    @classmethod
    def from_json(cls, given: object, path: str = "") -> "BittingSpec":
        """Give the spec that stands in JSON; all but chambers and depths may be absent or null.

        An absent MACS does not bind; an absent step is 1. `Problems` lists every bad field, named under `path`.
        """
        if isinstance(given, Mapping) and given.get("macs") is None and isinstance(given.get("depths"), int):
            given = {**given, "macs": min(max(given["depths"] - 1, 0), 99)}
        # `slots` makes the class anew, so that a plain super() would name the one before.
        return super(BittingSpec, cls).from_json(given, path)


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


def parity_pattern(bitting: Sequence[int]) -> str:
    """Give E or O per cut: two two-step systems with unlike patterns never share a bitting.

    >>> parity_pattern((6, 1, 4, 7, 3, 8))
    'EOEOOE'
    """
    return "".join("EO"[depth % 2] for depth in bitting)
