"""Which masters of a planned system can have one bitting: those whose keys enter no door of each other's.

In a family of keyways the array is had once on each: two masters under one key may be cut alike, and all under them
by the same array, where no key of the one, nor of what is under it, enters a cylinder of the other. A master over
several keyways has a blank that enters them all, and so a bitting of its own. (common practice, no source)
"""

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from app.keying.auditing import Sections
from app.keying.levels import Branch, parents_of_masters
from app.keying.symbols import top_symbol


@dataclass(frozen=True, slots=True)
class SharedBittings:
    """`counts`: how many bittings do under each key above, upper levels first, changes last; `places`: a master's
    symbol → which of the bittings under the key above is its, from 0.
    """

    counts: tuple[int, ...]
    places: Mapping[str, int]

    def unfolded(self, top: Branch, counts: Sequence[int]) -> Branch:
        """The tree of so many keys, of one in which each bitting stands once under the key above."""
        below = _by_parent(parents_of_masters(counts))

        def walk(branch: Branch, symbol: str) -> Branch:
            if symbol not in below:
                return branch
            return Branch(branch.bitting, [walk(branch.below[self.places[one]], one) for one in below[symbol]])

        return walk(top, top_symbol(len(counts) + 1))

    def words(self, counts: Sequence[int]) -> str:
        """What to know of a system of so many keys that shares its bittings so."""
        keys, bittings = (" × ".join(f"{one:,}" for one in each) for each in (counts, self.counts))
        return (
            f"No array was found that holds a bitting for each of {keys} keys (upper levels first). Masters whose "
            f"keys enter no door of each other's share theirs, with all under them: {bittings} bittings do."
        )


def share_bittings(counts: Sequence[int], sections: Sections) -> SharedBittings | None:
    """Give masters that stay apart one bitting; None where that spares none, since somewhere each needs its own.

    `counts` as `LevelCounts.downward`. `sections` names masters: the keyway of the doors right under each, and those
    that its keys, and those of its changes, enter. Of what it does not name every key enters every door. Those that
    enter most are placed first, each where it fits first: seldom more bittings than must be.

    >>> sections = Sections({one: "Q1" if one < "AC" else "Q3" for one in ("A", "AA", "AB", "AC", "AD")},
    ...     {"A": ["Q1", "Q3"], "AA": ["Q1"], "AB": ["Q1", "Q2"], "AC": ["Q3"], "AD": ["Q3"]})
    >>> share_bittings([4, 10], sections)
    SharedBittings(counts=(2, 10), places={'AB': 0, 'AA': 1, 'AC': 0, 'AD': 1})
    """
    if not sections.entered:
        return None
    parents, places = parents_of_masters(counts), dict[str, int]()
    below, entered = _by_parent(parents), _entered_below(parents, sections)
    depth, most = dict[str | None, int]({None: -1}), [0] * (len(counts) - 1)
    for symbol, above in parents.items():
        depth[symbol] = depth[above] + 1
    for above, siblings in below.items():
        there: list[set[str]] = []  # a bitting: what the keys enter that have it, and those under them
        tried: dict[frozenset[str], int] = {}  # what has no room for one has none for the next that is alike
        for one in sorted(siblings, key=lambda each: -len(entered[each])):
            own = frozenset(entered[one])
            left = range(tried.get(own, 0), len(there))
            place = next((each for each in left if there[each].isdisjoint(own)), len(there))
            if place == len(there):
                there.append(set())
            there[place] |= own
            places[one] = tried[own] = place
        most[depth[above]] = max(most[depth[above]], len(there))
    found = (*most, counts[-1])
    return SharedBittings(found, places) if found != tuple(counts) else None


def _by_parent(parents: Mapping[str, str | None]) -> dict[str, list[str]]:
    """A master → those right under it, upper first."""
    below: dict[str, list[str]] = defaultdict(list)
    for symbol, above in parents.items():
        if above is not None:
            below[above].append(symbol)
    return dict(below)


def _entered_below(parents: Mapping[str, str | None], sections: Sections) -> dict[str, set[str]]:
    """A master → the keyways of its doors and what its keys and those under it enter: all where one is not known."""
    every = {"", *sections.plugs.values()}.union(*sections.entered.values())  # two unknown ones meet in the first
    found: dict[str, set[str]] = {}
    for symbol, above in reversed([*parents.items()]):
        is_known = symbol in sections.plugs and symbol in sections.entered
        own = {sections.plugs[symbol], *sections.entered[symbol]} if is_known else every
        found[symbol] = own.union(found.get(symbol, ()))
        if above is not None:
            found[above] = found[symbol].union(found.get(above, ()))
    return found
