"""The pins that a house has for a spec, in inches: a kit has steps of its own, which need not be the chart's."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from typing import Annotated, TypeAlias

from app.keying.errors import KeyingError
from app.keying.inches import Inches, inches_text, read_spec_inches, write_inches
from app.validation import Form, JsonDataclass

MOST_SIZES = 400
USUAL_TOLERANCE = Fraction(2, 1000)
"""How far a pin may be off (from memory: locks are made to a thousandth or two)."""


def read_kit_sizes(value: object) -> tuple[Fraction, ...]:
    """Give exact inches, shortest first, from single sizes and even runs, parted by commas.

    >>> [str(size) for size in read_kit_sizes("0.150 to 0.160 by 0.005, 1/4")]
    ['3/20', '31/200', '4/25', '1/4']
    """
    if not isinstance(value, str):
        raise KeyingError("", "Enter sizes in inches, such as 0.150 to 0.300 by 0.005, 0.320.")
    found: set[Fraction] = set()
    for part in filter(None, (part.strip() for part in value.replace(";", ",").split(","))):
        words = part.casefold().split()
        if len(words) == 5 and (words[1], words[3]) == ("to", "by"):
            first, last, step = (read_spec_inches(word) for word in words[::2])
            if first > last or (last - first) / step > MOST_SIZES:
                raise KeyingError("", f"{part[:60]!r} is no run of at most {MOST_SIZES} sizes, shortest first.")
            found.update(first + number * step for number in range(int((last - first) / step) + 1))
        elif len(words) == 1:
            found.add(read_spec_inches(words[0]))
        else:
            raise KeyingError(
                "", f"{part[:60]!r} is no size: part sizes by commas; a run is 0.150 to 0.300 by 0.005, in inches."
            )
    if len(found) > MOST_SIZES:
        raise KeyingError("", f"A kit has at most {MOST_SIZES} sizes; these are {len(found)}.")
    return tuple(sorted(found))


def write_kit_sizes(sizes: Sequence[Fraction]) -> str:
    """Give the text that `read_kit_sizes` takes: three sizes and more with even steps as a run.

    >>> write_kit_sizes(read_kit_sizes("0.33, 0.150 to 0.160 by 0.005"))
    '0.15 to 0.16 by 0.005, 0.33'
    """
    parts, at = [], 0
    while at < len(sizes):
        last = at + 1
        while last < len(sizes) and sizes[last] - sizes[last - 1] == sizes[at + 1] - sizes[at]:
            last += 1
        if last - at > 2:
            first, step = sizes[at], sizes[at + 1] - sizes[at]
            parts.append(f"{write_inches(first)} to {write_inches(sizes[last - 1])} by {write_inches(step)}")
            at = last
        else:
            parts.append(write_inches(sizes[at]))
            at += 1
    return ", ".join(parts)


KitSizes: TypeAlias = Annotated[tuple[Fraction, ...], Form(read_kit_sizes, write_kit_sizes)]


@dataclass(frozen=True, slots=True, kw_only=True)
class PinKit(JsonDataclass):
    """Exact inches: `bottom0_in` the bottom pin of the shallowest cut; the kit's sizes of bottom pins, of master pins
    and build-ups, of top pins; `tolerance_in` how far a pin may be off before it is warned of.

    Without sizes pins are told exactly and nothing is compared; without `bottom0_in` no bottom pin is told.
    """

    bottom0_in: Inches | None = None
    bottoms_in: KitSizes = ()
    masters_in: KitSizes = ()
    tops_in: KitSizes = ()
    tolerance_in: Inches = USUAL_TOLERANCE


NO_KIT = PinKit()


@dataclass(frozen=True, slots=True)
class PinLength:
    """A pin in exact inches, the kit's nearest (None without a kit) and how far that is off, above 0: longer."""

    exact: Fraction = field(repr=False)
    nearest: Fraction | None = field(repr=False)
    is_off: bool  # by more than the tolerance

    @property
    def off(self) -> Fraction:
        """The nearest less the exact length; 0 without a kit."""
        return Fraction(0) if self.nearest is None else self.nearest - self.exact

    @property
    def off_words(self) -> str:
        """The same in words; "" where the kit has it just so."""
        if not self.off:
            return ""
        return f"{inches_text(abs(self.off))} {'long' if self.off > 0 else 'short'}"


def nearest_pin(exact: Fraction, sizes: Sequence[Fraction], tolerance: Fraction) -> PinLength:
    """Give the size of `sizes` nearest to a length, of two as near the shorter.

    >>> found = nearest_pin(Fraction("0.036"), read_kit_sizes("0.02 to 0.1 by 0.005"), Fraction("0.0005"))
    >>> str(found.nearest), str(found.off), found.is_off
    ('7/200', '-1/1000', True)
    """
    if not sizes:
        return PinLength(exact, None, False)
    nearest = min(sizes, key=lambda size: (abs(size - exact), size))
    return PinLength(exact, nearest, abs(nearest - exact) > tolerance)
