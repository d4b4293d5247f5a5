"""The bitting spec: what a maker's depth-and-spacing chart says, and bittings written by it."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from enum import StrEnum
from fractions import Fraction
from itertools import pairwise
from typing import Annotated, TypeAlias

from app.errors import Problem, Problems
from app.keying.errors import KeyingError
from app.keying.inches import Inches
from app.keying.pin_kit import NO_KIT, PinKit
from app.keying.rules import NO_RULES, BittingRules
from app.validation import Form, JsonDataclass, counted, whole

Bitting: TypeAlias = tuple[int, ...]
"""Depth numbers, bow to tip."""

DEPTH_CHARACTERS = "0123456789ABCDEF"


class KeyStop(StrEnum):
    """Where a key comes to rest in the plug, from where its cuts are counted and measured.

    Small-format keys stop at the tip, most others at the shoulder (common practice, no source).
    """

    SHOULDER = "shoulder"
    TIP = "tip"


def entering(cuts: Sequence[int], chambers: int, shallowest: int, stop: KeyStop) -> Bitting:
    """The cuts, bow to tip, that a key puts under so many chambers: those nearest to its stop where it has more.

    A key that stops at the shoulder puts its first cuts under a shorter cylinder's chambers, one that stops at the
    tip its last (common practice, no source). Where it has fewer the blade stands uncut under the pins farthest from
    the stop, or does not reach them. Uncut is held for the shallowest depth, which is as far as a blank may reach and
    the nearest to it. (reasoned here, no source)

    >>> entering((3, 5, 1), 2, 0, KeyStop.SHOULDER), entering((3, 5), 3, 0, KeyStop.SHOULDER)
    ((3, 5), (3, 5, 0))
    >>> entering((3, 5, 1), 2, 0, KeyStop.TIP), entering((3, 5), 3, 0, KeyStop.TIP)
    ((5, 1), (0, 3, 5))
    """
    uncut = (shallowest,) * (chambers - len(cuts))
    if stop is KeyStop.TIP:
        return (*uncut, *cuts)[-chambers:]
    return (*cuts, *uncut)[:chambers]


def _read_name(value: object) -> str:
    if not isinstance(value, str) or len(value) > 80 or not value.isprintable():
        raise KeyingError("", "Enter a name of at most 80 characters, or none.")
    return value


def share_words(share: Fraction) -> str:
    """A share of all bittings, as pages and papers say it: for each key that turns, how many there are.

    >>> share_words(Fraction(64, 10**6)), share_words(Fraction(1, 2)), share_words(Fraction(3, 4))
    ('one in 15,625', 'one in 2', 'more than one in 2')
    """
    if share > Fraction(1, 2):
        return "more than one in 2"
    return f"one in {share.denominator // share.numerator:,}"


@dataclass(frozen=True, slots=True, kw_only=True)
class BittingSpec(JsonDataclass):
    """A maker's chart: how many chambers and depths, which cuts may stand side by side, and the inches.

    Depth numbers run from `first_depth` to `first_depth + depths - 1`; the first is the shallowest. `macs` is
    the most that adjacent cuts may differ, `step` the step of progression (1 or 2), `stack_total` the height
    of a balanced pin stack and `control_offset` the height between the two shear lines of an interchangeable
    core, both in increments; `min_master_pin` the thinnest master pin, `ball` the one size of ball that the
    maker has for construction keys, None for any. `stop`: where the key stops; bittings are
    written bow to tip whichever it is, but chambers and cuts are counted from the stop. `depth0_in` is the root depth
    that the shallowest cut leaves, `increment_in` how much each next depth takes off, `first_cut_in` the way from the
    stop to the middle of cut 1, `spacing_in` from cut to cut; exact inches. `rules` judge what is handed out, `kit`
    says which pins the house has.

    `most_master_pins` in a chamber and `share_one_in`, so that at most one in so many of all bittings turns a
    cylinder, are bounds of which `pin` warns. They are the spec's and not the house's: what a share means is for its
    depths and chambers to say, and whoever pins by a spec has nothing else in hand.

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
    ball: Annotated[int, whole(1, 15)] | None = None
    most_master_pins: Annotated[int, whole(1, 15)] | None = None
    share_one_in: Annotated[int, whole(2, 10**9)] | None = None
    stop: KeyStop = KeyStop.SHOULDER
    depth0_in: Inches | None = None
    increment_in: Inches | None = None
    first_cut_in: Inches | None = None
    spacing_in: Inches | None = None
    rules: BittingRules = NO_RULES
    kit: PinKit = NO_KIT
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

    @property
    def chamber_numbers(self) -> range:
        """The chambers' numbers, bow to tip: they are counted from where the key stops.

        >>> [list(BittingSpec(chambers=3, depths=10, macs=7, stop=stop).chamber_numbers) for stop in KeyStop]
        [[1, 2, 3], [3, 2, 1]]
        """
        return range(self.chambers, 0, -1) if self.stop is KeyStop.TIP else range(1, self.chambers + 1)

    @property
    def count_words(self) -> str:
        """From where chambers and cuts are counted, for whoever reads or types a bitting.

        >>> BittingSpec(chambers=6, depths=10, macs=7, stop=KeyStop.TIP).count_words
        'written bow to tip, chambers counted from the tip: the last cut is cut 1'
        """
        if self.stop is KeyStop.TIP:
            return "written bow to tip, chambers counted from the tip: the last cut is cut 1"
        return "written bow to tip, chambers counted from the bow: the first cut is cut 1"

    def entering(self, cuts: Sequence[int], chambers: int) -> Bitting:
        """The cuts that a key of this spec puts under so many chambers; see `entering`."""
        return entering(cuts, chambers, self.first_depth, self.stop)

    def share_of(self, combinations: int) -> Fraction:
        """What part of all bittings so many combinations are."""
        return Fraction(combinations, self.depths**self.chambers)

    def share_words(self, combinations: int) -> str:
        """The same in words."""
        return share_words(self.share_of(combinations))

    def passed_share(self, combinations: int) -> str:
        """A warning where so many combinations of one cylinder pass `share_one_in`; "" where they do not."""
        if self.share_one_in is None or self.share_of(combinations) * self.share_one_in <= 1:
            return ""
        said = f"Of all bittings {self.share_words(combinations)} turns this cylinder"
        return f"{said}, over the spec's one in {self.share_one_in:,}."

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


@dataclass(frozen=True, slots=True, kw_only=True)
class WithholdingSpec(BittingSpec):
    """The spec of one system, whose array hands a depth of a chamber (from 1) out to its selective master alone."""

    withheld: tuple[int, int]


def withholding(spec: BittingSpec, chamber: int, depth: int) -> BittingSpec:
    """Give the spec of a system whose array withholds a depth of a chamber."""
    known = {one.name: getattr(spec, one.name) for one in fields(BittingSpec)}
    return WithholdingSpec(**known, withheld=(chamber, depth))


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
    for chamber, depth in zip(spec.chamber_numbers, bitting, strict=True):
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
