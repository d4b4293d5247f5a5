"""Which depths shear in the cylinders on record, and whether a key would turn one: for whoever draws a bitting."""

from __future__ import annotations

__all__ = ["is_operated", "operates", "shearing_sets"]

from collections.abc import Sequence

from app.keying import Bitting as Cuts
from app.ledger.keysystems.bittings import open_bittings
from app.ledger.keysystems.models import KeySystem
from app.ledger.keysystems.queries import operating_keysets
from app.ledger.work import Work


def operates(cuts: Cuts, stack: Sequence[set[int]]) -> bool:
    """Whether a key turns a cylinder in whose chambers these depths shear; its first cuts count where it is longer.

    >>> operates((1, 3, 5), [{1, 2}, {3}]), operates((1,), [{1}, {3}])
    (True, False)
    """
    return len(cuts) >= len(stack) and all(cut in depths for cut, depths in zip(cuts, stack, strict=False))


def is_operated(cuts: Cuts, above: Sequence[Cuts], others: Sequence[Cuts]) -> bool:
    """Whether a cylinder pinned to `cuts` and the masters above it would be turned by any other issued key."""
    stack = [set(depths) for depths in zip(cuts, *above, strict=True)]
    return any(operates(other, stack) for other in others)


def shearing_sets(work: Work, systems: Sequence[KeySystem]) -> list[list[set[int]]]:
    """Per way that cylinders of these systems are operated, the depths that shear in each chamber."""
    opened = open_bittings(work.session, work.vault, systems)
    stacks = []
    for keysets in operating_keysets(work.session, systems).values():
        keys = [opened[keyset.id] for keyset in keysets if keyset.id in opened]
        if keys:
            stacks.append([set(depths) for depths in zip(*keys, strict=True)])
    return stacks
