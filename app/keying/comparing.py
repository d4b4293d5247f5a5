"""Keys of one bitting spec in cylinders of another, which some blanks enter: by the inches, not by the numbers."""

from collections.abc import Mapping, Sequence
from fractions import Fraction
from functools import lru_cache

from app.keying.spec import Bitting, BittingSpec


@lru_cache(maxsize=256)  # asked once for each key of a system
def depths_as(own: BittingSpec, other: BittingSpec) -> Mapping[int, int] | None:
    """Depth number of a key cut by `own` → the number at which its cut stands in a cylinder of `other`.

    It is the nearest that is no further off than half of that cylinder's increment: a depth that is not there shears
    nothing. Whether the cuts of both line up is not asked, so more is found than may turn. (reasoned here, no source)
    None where the inches of one of them are not known, and the numbers are not of one chart.

    >>> def spec(depth0, increment):
    ...     inches = {"depth0_in": depth0 and Fraction(depth0), "increment_in": Fraction(increment)}
    ...     return BittingSpec(chambers=5, depths=4, macs=4, **inches)
    >>> dict(depths_as(spec("0.330", "0.015"), spec("0.325", "0.020")))
    {0: 0, 1: 0, 2: 1, 3: 2}
    >>> depths_as(spec(None, "0.015"), spec("0.325", "0.020")) is None
    True
    """
    own_in, other_in = (own.depth0_in, own.increment_in), (other.depth0_in, other.increment_in)
    if (own_in, own.first_depth) == (other_in, other.first_depth):
        return {depth: depth for depth in own.all_depths if depth in other.all_depths}
    if None in own_in or None in other_in:
        return None
    found = {}
    for depth in own.all_depths:
        off = {one: abs(_root(own, depth) - _root(other, one)) for one in other.all_depths}
        nearest = min(off, key=lambda one: (off[one], one))
        if other.increment_in is not None and 2 * off[nearest] <= other.increment_in:
            found[depth] = nearest
    return found


def _root(spec: BittingSpec, depth: int) -> Fraction:
    """The root depth of a cut in inches."""
    return (spec.depth0_in or Fraction()) - (depth - spec.first_depth) * (spec.increment_in or Fraction())


def cut_as(cuts: Sequence[int], depths: Mapping[int, int]) -> Bitting | None:
    """The cuts as `depths_as` gives them; None where one of them shears in no such cylinder.

    >>> cut_as((1, 3), {1: 0, 3: 2}), cut_as((1, 4), {1: 0, 3: 2})
    ((0, 2), None)
    """
    found = tuple(depths[cut] for cut in cuts if cut in depths)
    return found if len(found) == len(cuts) else None
