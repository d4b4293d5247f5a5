"""The levels of a matrix: who is a master, and under which master each change hangs.

Who opens all doors of two or more other keys is a master. Everybody else is a change, also one who opens a
colleague's door besides his own: it hangs under the master over a door that is his alone among the changes, so that
levels do not grow by exceptions.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence, Set
from dataclasses import dataclass, field
from functools import reduce
from itertools import pairwise
from operator import and_

from app.keying.levels import Branch, SystemKeyset, name_branches
from app.keying.matrix import AccessMatrix
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
        # Sets of keys are bits of whole numbers here: who opens a door, who opens all doors of a key.
        opening = [sum(1 << key for key in group.keys) for group in matrix.cylinders]
        over = [
            reduce(and_, (opening[door] for door in key.doors)) & ~(1 << number)
            for number, key in enumerate(matrix.keys)
        ]
        under = Counter(number for above in over for number in _numbers(above))
        masters = frozenset(number for number, count in under.items() if count > 1)
        all_masters = sum(1 << number for number in masters)
        sizes = [len(key.doors) for key in matrix.keys]
        over_door = [tuple(_numbers(keys & all_masters)) for keys in opening]

        def nearest(door: int) -> int:
            """Of the masters over a door, give the one whose own higher keys are most of them, then the least."""
            them = opening[door] & all_masters
            return min(_numbers(them), key=lambda other: (-(over[other] & them).bit_count(), sizes[other], other))

        def master_of(number: int) -> int | None:
            if number in masters:
                return min(_numbers(over[number]), key=lambda other: (sizes[other], other), default=None)
            doors = [door for door in matrix.keys[number].doors if over_door[door]]
            own = [door for door in doors if opening[door] & ~all_masters == 1 << number]
            near = {nearest(door) for door in own}
            covered = Counter(other for door in own or doors for other in over_door[door] if not own or other in near)
            return min(covered, key=lambda other: (-covered[other], sizes[other], other), default=None)

        parents = [master_of(number) for number in range(len(matrix.keys))]
        roots = [number for number in masters if parents[number] is None]
        top = roots[0] if len(roots) == 1 else None
        depths: dict[int | None, int] = {None: -1 if top is not None else 0}
        for number in sorted(masters, key=lambda number: (-sizes[number], number)):
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
    over: Sequence[int],
) -> Iterator[Operators]:
    """Give the keys of each cylinder, in the order of the matrix. `over`: who opens all doors of a key, as bits."""
    for group in matrix.cylinders:
        above = set().union(*(chains[key] - {key} for key in group.keys))
        lowest = tuple(key for key in group.keys if key not in above)
        changes = tuple(key for key in group.keys if key not in masters)
        upwards = sorted((key for key in group.keys if key in masters), key=lambda key: len(matrix.keys[key].doors))
        yield Operators(
            group.keys,
            lowest,
            changes,
            len(group.keys) > 1 and not (len(lowest) == 1 and chains[lowest[0]] == set(group.keys)),
            len(changes) > 1 or not all(over[one] >> other & 1 for one, other in pairwise(upwards)),
            len({parents[key] for key in lowest}) == 1,
        )


def _numbers(bits: int) -> Iterator[int]:
    """Give the places of the bits that are set."""
    while bits:
        yield (bits & -bits).bit_length() - 1
        bits &= bits - 1
