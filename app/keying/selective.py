"""A selective master: a key that operates chosen changes under any masters, and nothing else.

It is cut like the top master but for one chamber, and there to a depth that no other key of the system has: the
array withholds it. The cylinders that it operates are pinned to it besides, so that no key operates more than before.
What it costs is one depth of a column: of four 25 %, of five 20 %. (The share: ANSI/BHMA A156.28-2018, text extract;
how the key is made: reasoned here, no source.)
"""

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field

from app.keying.arrays import HELD
from app.keying.counting import count_allowed
from app.keying.progression import Columns, check_master, make_columns
from app.keying.spec import Bitting, BittingSpec, withholding


@dataclass(frozen=True, slots=True)
class SelectiveMaster:
    """Where a selective master differs from the top master: `chamber` from 1, and the `depth` there.

    before, after: the bittings of the whole array that the spec allows, with and without that depth.
    """

    chamber: int
    depth: int = field(repr=False)
    before: int
    after: int

    @property
    def cost_percent(self) -> int:
        """The share of the array that it takes, in whole percent, rounded half up."""
        return (200 * (self.before - self.after) + self.before) // (2 * self.before) if self.before else 0

    def cuts(self, tmk: Bitting) -> Bitting:
        """The bitting of the selective master under a top master."""
        return (*tmk[: self.chamber - 1], self.depth, *tmk[self.chamber :])

    def withheld_from(self, spec: BittingSpec) -> BittingSpec:
        """The spec of the system, whose array hands that depth out to nobody else."""
        return withholding(spec, self.chamber, self.depth)


def selective_masters(
    spec: BittingSpec, tmk: Bitting, roles: str, taken: Collection[Bitting] = ()
) -> tuple[SelectiveMaster, ...]:
    """Give what a selective master can be under a top master, one a chamber at most; the one that costs least first.

    `roles`: a character a chamber, as in `plan_levels`. `taken`: every key that the system has: no depth is used that
    one of them has there. Of depths that cost the same it takes the one that is furthest from the top master's.

    >>> spec = BittingSpec(chambers=3, depths=10, macs=9, step=2)
    >>> [(one.chamber, one.before, one.after, one.cost_percent) for one in selective_masters(spec, (4, 1, 7), "CCC")]
    [(1, 64, 48, 25), (2, 64, 48, 25), (3, 64, 48, 25)]
    """
    check_master(spec, tmk)
    columns = make_columns(spec, tmk)
    before = _count(spec, tmk, roles, columns)
    found = []
    for chamber in range(1, len(columns) + 1):
        options = list(_in_chamber(spec, tmk, roles, columns, chamber, before, taken))
        if options:
            found.append(max(options, key=lambda one: (one.after, abs(one.depth - tmk[one.chamber - 1]))))
    return tuple(sorted(found, key=lambda one: -one.after))


def _in_chamber(
    spec: BittingSpec,
    tmk: Bitting,
    roles: str,
    columns: Columns,
    chamber: int,
    before: int,
    taken: Collection[Bitting],
) -> Iterator[SelectiveMaster]:
    used = {bitting[chamber - 1] for bitting in taken}
    for depth in columns[chamber - 1]:
        one = SelectiveMaster(chamber, depth, before, before)
        if depth not in used and spec.allows(one.cuts(tmk)):
            without = make_columns(one.withheld_from(spec), tmk)
            yield SelectiveMaster(chamber, depth, before, _count(spec, tmk, roles, without))


def _count(spec: BittingSpec, tmk: Bitting, roles: str, columns: Columns) -> int:
    """How many bittings the spec allows in all chambers that progress, at whatever level."""
    choices = [(cut,) if role == HELD else column for cut, role, column in zip(tmk, roles, columns, strict=True)]
    return count_allowed(spec, choices)
