"""What is in service on a keyway, and whether a new key would clash with it: for whoever draws a bitting."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from app.keying import Bitting as Cuts
from app.ledger.keysystems.bittings import open_bittings, spec_of
from app.ledger.keysystems.system_queries import operating_keysets
from app.ledger.store.work import Work
from app.ledger.tables import KeySystem


def entering(cuts: Cuts, chambers: int, shallowest: int) -> Cuts:
    """The cuts with which a key enters a cylinder of so many chambers: its first ones where it has more.

    Where it has fewer the blade stands uncut under the last pins, or does not reach them. Uncut is held for the
    shallowest depth, which is as far as a blank may reach and the nearest to it. (reasoned here, no source)

    >>> entering((3, 5, 1), 2, 0), entering((3, 5), 3, 0)
    ((3, 5), (3, 5, 0))
    """
    return (cuts + (shallowest,) * (chambers - len(cuts)))[:chambers]


def operates(cuts: Cuts, stack: Sequence[set[int]]) -> bool:
    """Whether a key turns a cylinder in whose chambers these depths shear; its first cuts count where it is longer.

    >>> operates((1, 3, 5), [{1, 2}, {3}]), operates((1,), [{1}, {3}])
    (True, False)
    """
    return len(cuts) >= len(stack) and all(cut in depths for cut, depths in zip(cuts, stack, strict=False))


@dataclass(frozen=True, slots=True)
class _Index:
    """Stacks of depths, to be found by depth: a bit for each stack that has the depth in the chamber."""

    bits: tuple[dict[int, int], ...] = field(repr=False)

    @classmethod
    def of(cls, stacks: Sequence[Sequence[Iterable[int]]]) -> _Index:
        """The index of stacks of equally many chambers."""
        bits: tuple[dict[int, int], ...] = tuple({} for _ in stacks[0]) if stacks else ()
        for place, stack in enumerate(stacks):
            for chamber, depths in zip(bits, stack, strict=True):
                for depth in depths:
                    chamber[depth] = chamber.get(depth, 0) | 1 << place
        return cls(bits)

    def meeting(self, stack: Sequence[Iterable[int]]) -> int:
        """A bit for each stack that has one of these depths in every chamber; 0 where they have fewer chambers."""
        if not self.bits or len(stack) > len(self.bits):
            return 0
        found = -1
        for chamber, depths in zip(self.bits, stack, strict=False):
            here = 0
            for depth in depths:
                here |= chamber.get(depth, 0)
            found &= here
        return found


@dataclass(frozen=True, slots=True)
class Standing:
    """Some systems in service, against cylinders of so many chambers.

    `opened`: keyset id → cuts. `keys`: the cuts with which each key enters such a cylinder. `stacks`: per way that
    cylinders are operated, the depths that shear in each chamber. `shallowest`: the keyway's first depth.
    """

    opened: dict[int, Cuts] = field(repr=False)
    keys: frozenset[Cuts] = field(repr=False)
    stacks: tuple[list[set[int]], ...] = field(repr=False)
    shallowest: int
    _ways: dict[int, _Index] = field(init=False, repr=False)  # chambers → the stacks of so many
    _held: _Index = field(init=False, repr=False)

    def __post_init__(self) -> None:
        """A new key is compared with a thousand cylinders and keys: by depth, not one after the other."""
        by_length: dict[int, list[list[set[int]]]] = {}
        for stack in self.stacks:
            by_length.setdefault(len(stack), []).append(stack)
        object.__setattr__(self, "_ways", {length: _Index.of(stacks) for length, stacks in by_length.items()})
        object.__setattr__(self, "_held", _Index.of([[(cut,) for cut in cuts] for cuts in self.keys]))

    @classmethod
    def of(cls, work: Work, systems: Sequence[KeySystem], chambers: int) -> Standing:
        """Open the bittings of these systems for the house's own reckoning."""
        opened = open_bittings(work.session, work.vault, systems)
        stacks = []
        for keysets in operating_keysets(work.session, systems).values():
            keys = [opened[keyset.id] for keyset in keysets if keyset.id in opened]
            if keys:
                stacks.append([set(depths) for depths in zip(*keys, strict=True)])
        shallowest = min((spec_of(system).first_depth for system in systems), default=0)
        there = frozenset(entering(cuts, chambers, shallowest) for cuts in opened.values())
        return cls(opened, there, tuple(stacks), shallowest)

    def turns_any(self, cuts: Cuts) -> bool:
        """Whether a key turns a cylinder there."""
        return any(
            index.meeting([{cut} for cut in entering(cuts, chambers, self.shallowest)])
            for chambers, index in self._ways.items()
        )

    def turns(self, cuts: Cuts, above: Sequence[Cuts]) -> bool:
        """Whether a key there, none of `above`, turns a cylinder pinned to `cuts` and the keys `above` it."""
        turning = self._held.meeting([set(depths) for depths in zip(cuts, *above, strict=True)])
        return turning.bit_count() > len(self.keys.intersection(above))

    def clashes(self, cuts: Cuts, above: Sequence[Cuts]) -> bool:
        """Whether a new key with those `above` it would clash with what is there, either way round."""
        return self.turns_any(cuts) or self.turns(cuts, above)
