"""The levels of a matrix: who is a master, and under which master each change hangs.

Who opens all doors of two or more other keys is a master. Everybody else is a change, also one who opens a
colleague's door besides his own: it hangs under the master over a door that is his alone among the changes, so that
levels do not grow by exceptions.
"""

from collections import defaultdict
from collections.abc import Iterator, Sequence, Set
from dataclasses import dataclass, field

import numpy as np

from app.keying.auditing import Indices
from app.keying.levels import Branch, SystemKeyset, name_branches
from app.keying.matrix import AccessMatrix
from app.keying.matrix_problem import Flags
from app.keying.symbols import MOST_LEVELS

DEEPEST_MASTER = MOST_LEVELS - 2  # steps below the top, so that changes find room under it


@dataclass(frozen=True, slots=True)
class Operators:
    """The keys of one cylinder as the levels see them.

    `lowest`: those that stand over none of the others. `changes`: those that are no masters. `is_exception`: it is
    not just one key, or one key with all keys above it. `crossed`: two or more changes operate it, or masters of
    which neither stands over the other. `controlled`: all lowest keys hang under the same higher keys.
    """

    keys: tuple[int, ...]
    lowest: tuple[int, ...]
    changes: tuple[int, ...]
    is_exception: bool
    crossed: bool
    controlled: bool


@dataclass(frozen=True, slots=True)
class Tiers:
    """The tree of a matrix's keys by number: each key's master, None for the top and directly under it.

    `top` is the key at the top; None where no master stands over all others: then the top is in the books only.
    """

    matrix: AccessMatrix
    masters: frozenset[int]
    parents: tuple[int | None, ...]
    top: int | None
    operators: tuple[Operators, ...] = field(repr=False)

    @classmethod
    def of(cls, matrix: AccessMatrix) -> "Tiers":
        """Work the tree out.

        >>> opens = {"head": {"1", "2", "3"}, "a": {"1"}, "b": {"2", "1"}, "c": {"3"}}
        >>> tiers = Tiers.of(AccessMatrix.of(opens, ["1", "2", "3"]))
        >>> sorted(tiers.masters), tiers.parents, tiers.top
        ([0], (None, 0, 0, 0), 0)
        """
        listed = matrix.listed
        sizes = listed.sum(axis=1)
        rank = np.empty(len(sizes), dtype=np.int64)  # the least first, then in the order of the matrix
        rank[np.lexsort((np.arange(len(sizes)), sizes))] = np.arange(len(sizes))
        shared = listed.astype(np.float32) @ listed.T.astype(np.float32)  # doors that two keys both open
        over: Flags = shared == sizes[:, None]  # by key and by another: who opens all doors of a key
        np.fill_diagonal(over, False)
        is_master: Flags = over.sum(axis=0) > 1
        masters = frozenset(np.flatnonzero(is_master).tolist())

        def least(among: Indices) -> int | None:
            return int(among[np.argmin(rank[among])]) if len(among) else None

        def nearest(door: int) -> int:
            """Of the masters over a door, give the one whose own higher keys are most of them, then the least."""
            them = np.flatnonzero(listed[:, door] & is_master)
            return int(them[np.lexsort((rank[them], -over[np.ix_(them, them)].sum(axis=1)))[0]])

        def master_of(number: int) -> int | None:
            if is_master[number]:
                return least(np.flatnonzero(over[number]))
            doors = np.flatnonzero(listed[number] & listed[is_master].any(axis=0))
            own = doors[listed[np.ix_(~is_master, doors)].sum(axis=0) == 1]
            covered = (listed[:, own if len(own) else doors].sum(axis=1)) * is_master
            if len(own):
                near = {nearest(int(door)) for door in own}
                covered[[other for other in range(len(sizes)) if other not in near]] = 0
            most = np.flatnonzero(covered == covered.max()) if covered.any() else covered[:0]
            return least(most)

        parents = [master_of(number) for number in range(len(matrix.keys))]
        roots = [number for number in masters if parents[number] is None]
        top = roots[0] if len(roots) == 1 else None
        depths: dict[int | None, int] = {None: -1 if top is not None else 0}
        for number in sorted(masters, key=lambda number: -int(rank[number])):
            above = parents[number]
            if depths[above] == DEEPEST_MASTER:  # symbols end here: it hangs beside the master above it
                above = parents[number] = None if above is None else parents[above]
            depths[number] = depths[above] + 1
        if top is not None:
            parents = [top if above is None and number != top else above for number, above in enumerate(parents)]
        chains = [frozenset(_chain(parents, number)) for number in range(len(parents))]
        return cls(matrix, masters, tuple(parents), top, tuple(_operators(matrix, masters, parents, chains, over)))

    def chain(self, number: int) -> tuple[int, ...]:
        """Give a key and all above it, upwards."""
        return _chain(self.parents, number)

    @property
    def widths(self) -> tuple[int, ...]:
        """Per level below the top the most that hang under one key; a master counts a level under it, if empty."""
        found = []
        level = [self.tree()]
        while level := [node for node in level if node.below or node.is_master]:
            found.append(max(1, *(len(node.below) for node in level)))
            level = [below for node in level for below in node.below]
        return tuple(found)

    @property
    def levels(self) -> int:
        """How many levels there are, the top and the changes among them."""
        return len(self.widths) + 1

    def keysets(self) -> tuple[tuple[SystemKeyset, int | None], ...]:
        """Give each key as a keyset without a bitting, parents first, and its number; None for a top in the books."""
        return tuple((keyset, branch.number) for keyset, branch in name_branches(self.tree(), self.levels))

    def symbols(self) -> dict[str, str | None]:
        """Give the symbol that each holder carries; None where somebody opens nothing."""
        found: dict[str, str | None] = dict.fromkeys(self.matrix.without_doors)
        for keyset, number in self.keysets():
            if number is not None:
                found.update(dict.fromkeys(self.matrix.keys[number].holders, keyset.symbol))
        return found

    def tree(self) -> Branch:
        """Give the top with all that hangs under it, in the order of the matrix; its number is None in the books."""
        branches = [Branch(number=number, is_master=number in self.masters) for number in range(len(self.parents))]
        below: dict[int | None, list[Branch]] = defaultdict(list)
        for branch, above in zip(branches, self.parents, strict=True):
            if branch.number != self.top:
                below[above].append(branch)
        for branch in branches:
            branch.below = below[branch.number]
        return Branch(below=below[None], is_master=True) if self.top is None else branches[self.top]


def _chain(parents: Sequence[int | None], number: int) -> tuple[int, ...]:
    found = [number]
    while (above := parents[found[-1]]) is not None:
        found.append(above)
    return tuple(found)


def _operators(
    matrix: AccessMatrix,
    masters: Set[int],
    parents: Sequence[int | None],
    chains: Sequence[Set[int]],
    over: Flags,
) -> Iterator[Operators]:
    """Give the keys of each cylinder, in the order of the matrix. `over`: by key, who opens all its doors."""
    sizes = [len(key.doors) for key in matrix.keys]
    for group in matrix.cylinders:
        above: set[int] = set().union(
            *(chains[one] for one in {parents[key] for key in group.keys} if one is not None)
        )
        lowest = tuple(key for key in group.keys if key not in above)
        changes = tuple(key for key in group.keys if key not in masters)
        upwards = sorted((key for key in group.keys if key in masters), key=sizes.__getitem__)
        yield Operators(
            group.keys,
            lowest,
            changes,
            len(group.keys) > 1 and not (len(lowest) == 1 and chains[lowest[0]] == set(group.keys)),
            len(changes) > 1 or not over[upwards[:-1], upwards[1:]].all(),
            len({parents[key] for key in lowest}) == 1,
        )
