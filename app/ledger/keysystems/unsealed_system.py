"""Key systems with their bittings opened for the house's own reckoning: one system whole, or all that is in service.

Nothing here shows a bitting: what a person is to see goes through `reveal_bittings`.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace

from sqlalchemy.orm import Session

from app.keying import Bitting as Cuts
from app.keying import BittingSpec, KeyStop, Sections, StackIndex, cut_as, depths_as, entering
from app.ledger.catalog.maker_queries import entering_of
from app.ledger.keysystems.bittings import open_bittings, spec_of
from app.ledger.keysystems.lost_keysets import open_lost_bittings
from app.ledger.keysystems.rows_aside import open_rows_aside
from app.ledger.keysystems.system_queries import (
    chambers_in,
    cylinders_keyed,
    get_system,
    operating_keysets,
    operators_of,
    sections_entered,
    sections_of,
    symbol_on,
    systems_sharing_keyway,
)
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Keyset, KeySystem, Level, RecordsHolder

MOST_DRAWS = 200
"""How many keys are drawn by chance against what is in service before the search for one gives up."""


@dataclass(frozen=True, slots=True)
class Way:
    """Cylinders that the same keys operate: their label, the keys' symbols, in how many chambers they are pinned, and
    the cylinders with their doors.
    """

    label: str
    symbols: tuple[str, ...]
    chambers: int
    cylinders: tuple[Cylinder, ...]

    @property
    def keyset_id(self) -> int:
        """That of the keyset that they are keyed to."""
        return self.cylinders[0].keyset_id or 0

    @property
    def places(self) -> tuple[str, ...]:
        """Opening number and position of each, as far as they are known."""
        return tuple(_place(cylinder) for cylinder in self.cylinders)


@dataclass(frozen=True, slots=True)
class OpenedSystem:
    """`keys`: symbol → cuts of every keyset with a bitting but the control; `lost`: words → cuts of keys that were
    lost and that no keyset has any longer; `ways`: label → way.
    """

    system: KeySystem
    spec: BittingSpec
    keys: dict[str, Cuts] = field(repr=False)
    lost: dict[str, Cuts] = field(repr=False)
    control: Cuts | None = field(repr=False)
    ways: dict[str, Way]
    keyset_ids: dict[str, int]  # of each in keys and lost, and of the control key's symbol

    @property
    def cylinders(self) -> dict[str, tuple[str, ...]]:
        """Label → symbols, as the keying room takes it; cylinders whose bittings the shop lacks are left out."""
        return {
            way.label: way.symbols
            for way in self.ways.values()
            if way.symbols and all(symbol in self.keys for symbol in way.symbols)
        }

    def by_chambers(self) -> dict[int, dict[str, tuple[str, ...]]]:
        """The same apart by how many chambers they have: shorter ones see `seen_by` of the keys."""
        found: dict[int, dict[str, tuple[str, ...]]] = {}
        for label, symbols in self.cylinders.items():
            found.setdefault(self.ways[label].chambers, {})[label] = symbols
        return found

    def seen_by(self, chambers: int) -> dict[str, Cuts]:
        """The keys as a cylinder of so many chambers sees them: two may be alike there."""
        return {symbol: self.spec.entering(cuts, chambers) for symbol, cuts in self.keys.items()}


def _place(cylinder: Cylinder) -> str:
    door = f"door {cylinder.door.opening_number}" if cylinder.door else "no door named"
    return door if cylinder.position in ("", "outside") else f"{door}, {cylinder.position}"


def open_system(work: Work, system_id: int) -> OpenedSystem:
    """The system, its cylinders and bittings: six queries."""
    system = get_system(work.session, system_id)
    opened = open_bittings(work.session, work.vault, [system])
    keys = {k.symbol: opened[k.id] for k in system.keysets if k.id in opened and not k.level.takes_cores_out}
    keyset_ids = {k.symbol: k.id for k in system.keysets}
    control = next((opened.get(k.id) for k in system.keysets if k.level is Level.CONTROL), None)
    lost: dict[str, Cuts] = {}
    for keyset, cuts in open_lost_bittings(work, [system]):
        words = f"{keyset.symbol} as it was lost"
        words = words if words not in lost else f"{words}, {len(lost) + 1}"
        lost[words], keyset_ids[words] = cuts, keyset.id
    return OpenedSystem(system, spec_of(system), keys, lost, control, _ways(work, system), keyset_ids)


def _ways(work: Work, system: KeySystem) -> dict[str, Way]:
    by_id = {keyset.id: keyset for keyset in system.keysets}
    alike: dict[tuple[str, tuple[str, ...], int], list[Cylinder]] = {}
    for cylinder in cylinders_keyed(work.session, system):
        own = by_id[cylinder.keyset_id or 0]
        operators = operators_of(own, is_nmk=cylinder.is_nmk, by_id=by_id)
        crossed = [by_id[one.keyset_id] for one in cylinder.operators if one.keyset_id in by_id]
        symbols = tuple(dict.fromkeys(keyset.symbol for keyset in (*operators, *crossed)))
        label = symbol_on(own.symbol, crossed, is_nmk=cylinder.is_nmk)
        chambers = chambers_in(system.chambers, cylinder.chambers)
        alike.setdefault((label, symbols, chambers), []).append(cylinder)
    ways: dict[str, Way] = {}
    for (label, symbols, chambers), cylinders in alike.items():
        name = label if label not in ways else f"{label} ({cylinders[0].id})"
        ways[name] = Way(name, symbols, chambers, tuple(cylinders))
    return ways


@dataclass(frozen=True, slots=True)
class WhatEnters:
    """What the keys of some systems enter, by the ids of their keysets.

    `plugs`: the keyway of the cylinders keyed to each; `entered`: the keyways that its keys enter; `specs`: how they
    are cut.
    """

    plugs: Mapping[int, str]
    entered: Mapping[int, frozenset[str]]
    specs: Mapping[int, BittingSpec]

    @classmethod
    def of(cls, session: Session, systems: Iterable[KeySystem]) -> "WhatEnters":
        """By all makers' tables on record; keysets are loaded."""
        known = entering_of(session)
        plugs, entered, specs = {}, {}, {}
        for system in systems:
            spec, needed = spec_of(system), sections_entered(session, system)
            enters = {names: known.entered(names, system.chambers) for names in set(needed.values())}
            for keyset in system.keysets:
                plugs[keyset.id], specs[keyset.id] = keyset.keyway or system.keyway, spec
                entered[keyset.id] = enters[needed[keyset.id]]
        return cls(plugs, entered, specs)

    def sections(self, names: Mapping[str, int], plugs: Mapping[str, int]) -> Sections:
        """The same as the keying room takes it: keys and cylinders by name, each with the id of its keyset."""
        return Sections(
            {name: self.plugs[keyset_id] for name, keyset_id in plugs.items()},
            {name: self.entered[keyset_id] for name, keyset_id in names.items()},
        )

    def cut_into(self, keyset_id: int, cuts: Cuts, spec: BittingSpec, keyway: str = "") -> Cuts | None:
        """The cuts with which a key of a keyset enters cylinders of a spec, as many as these have chambers, those
        nearest to where the key stops.

        None where it turns none of them, or does not enter their keyway. The numbers as they are where nobody knows
        the inches: then it is held for the same.
        """
        if keyway and keyway not in self.entered[keyset_id]:
            return None
        own = self.specs[keyset_id]
        depths, met = depths_as(own, spec), own.entering(cuts, min(len(cuts), spec.chambers))
        there = met if depths is None else cut_as(met, depths)
        return None if there is None else entering(there, spec.chambers, spec.first_depth, own.stop)


@dataclass(frozen=True, slots=True)
class UnsettledKey:
    """A key of an old list that stands aside, as it may be cut. name: apart from every other's, without a cut.
    words: its row; keyset_id: of a keyset of its system that it enters like; operators: the cuts of it and of the
    masters over it.
    """

    name: str
    words: str
    keyset_id: int
    cuts: Cuts = field(repr=False)
    operators: tuple[Cuts, ...] = field(repr=False)


def keys_aside(
    work: Work,
    systems: Iterable[KeySystem],
    enters: WhatEnters,
    sections: Collection[str],
    opened: Mapping[int, Cuts],
) -> Iterator[UnsettledKey]:
    """The keys aside of these systems that may enter one of some keyways, as far as their list can be read.

    Nobody has told which keyway of its system such a key is on: it is held for one that enters. `opened`: keyset id →
    cuts, as far as the masters over such keys are wanted.
    """
    for number, (row, cuts) in enumerate(open_rows_aside(work, systems), start=1):
        keysets = row.system.keysets
        entering_here = [one for one in keysets if enters.entered[one.id].intersection(sections)]
        if not entering_here:
            continue
        over = next((one for one in keysets if one.symbol == row.parent_symbol), None)
        chain = operators_of(over, is_nmk=False, by_id={one.id: one for one in keysets}) if over else []
        name, words = f"row {row.row} aside, {number}", f"row {row.row} of the list that {row.system.name} came from"
        like = over if over in entering_here else entering_here[0]
        operators = (cuts, *(opened[one.id] for one in chain if one.id in opened))
        yield UnsettledKey(name, words, like.id, cuts, operators)


def rows_like(work: Work, system: KeySystem, cuts: Cuts) -> tuple[str, ...]:
    """The rows of the customer's old lists that stand aside and whose key may be cut like this one, in words."""
    sections = sections_of(system)
    near = systems_sharing_keyway(work.session, sections, system.customer_id)
    enters, spec = WhatEnters.of(work.session, near), spec_of(system)
    aside = keys_aside(work, near, enters, sections, {})
    return tuple(dict.fromkeys(one.words for one in aside if enters.cut_into(one.keyset_id, one.cuts, spec) == cuts))


def keysets_cut_so(work: Work, system: KeySystem, cuts: Cuts) -> list[Keyset]:
    """The keysets that the customer has with these very cuts, on a keyway of a system, of what the shop keeps: one
    bitting may be had on another keyway by a keyset whose keys do not enter here.
    """
    keyways = sections_of(system)
    sharing = systems_sharing_keyway(work.session, keyways, system.customer_id)
    there = [one for one in sharing if one.chambers == system.chambers and one.records is RecordsHolder.SHOP]
    opened = open_bittings(work.session, work.vault, there)
    alike = (one for other in there for one in other.keysets if opened.get(one.id) == cuts)
    return [one for one in alike if one.section in keyways]


def ask_from_which_end(work: Work, system: KeySystem, cuts: Cuts, agreed: str) -> None:
    """Raise a LedgerError on `from_bow` where a bitting that is typed in would be one of the customer's, read from
    the other end, and nobody has agreed to that very sentence.
    """
    if cuts == cuts[::-1]:
        return
    for one in keysets_cut_so(work, system, cuts[::-1]):
        told = (
            f"Read from the other end these are the cuts of {one.symbol} of {one.system.name}: look from which end "
            "they were read. Tick that they stand from bow to tip, enter them once more, and press again."
        )
        if agreed != told:
            raise LedgerError("from_bow", told)
        return


@dataclass(frozen=True, slots=True)
class ComingCylinder:
    """A cylinder that is to come: the cuts of all keys that operate it, its own first, and its chambers."""

    operators: tuple[Cuts, ...] = field(repr=False)
    chambers: int


@dataclass(frozen=True, slots=True)
class SystemsInService:
    """Some systems in service, as keys and cylinders of one spec and keyway meet them.

    `opened`: keyset id → cuts. `keys`: the cuts with which each key enters such a cylinder, lost ones too whose
    keyset has another bitting by now, and those of old lists that stand aside; of those that enter. `stacks`: per way
    that cylinders are operated which such a key enters, the depths of its own that shear in each chamber.
    `shallowest`: the spec's first depth; `stop`: where its keys stop.
    """

    opened: dict[int, Cuts] = field(repr=False)
    keys: frozenset[Cuts] = field(repr=False)
    stacks: tuple[list[set[int]], ...] = field(repr=False)
    shallowest: int
    stop: KeyStop
    _ways: dict[int, StackIndex] = field(init=False, repr=False)  # chambers → the stacks of so many
    _held: StackIndex = field(init=False, repr=False)

    def __post_init__(self) -> None:
        """A new key is compared with a thousand cylinders and keys: by depth, not one after the other."""
        ways: dict[int, StackIndex] = defaultdict(StackIndex)
        for stack in self.stacks:
            ways[len(stack)].add(stack)
        object.__setattr__(self, "_ways", ways)
        object.__setattr__(self, "_held", StackIndex([[(cut,) for cut in cuts] for cuts in self.keys]))

    @classmethod
    def of(
        cls, work: Work, systems: Sequence[KeySystem], spec: BittingSpec, keyway: str | Collection[str]
    ) -> "SystemsInService":
        """Open the bittings of these systems for the house's own reckoning."""
        opened, enters = open_bittings(work.session, work.vault, systems), WhatEnters.of(work.session, systems)
        own = frozenset([keyway] if isinstance(keyway, str) else keyway)
        entered = entering_of(work.session).entered(own, spec.chambers)
        stacks, charts = [], dict[BittingSpec, Mapping[int, int] | None]()
        operated = []
        for keysets, chambers in operating_keysets(work.session, systems).values():
            known = ((enters.specs[one.id], opened[one.id]) for one in keysets if one.id in opened)
            operated.append((keysets[0].id, [cut_to.entering(cuts, chambers) for cut_to, cuts in known]))
        aside = [*keys_aside(work, systems, enters, own | entered, opened)]
        for first, keys in [*operated, *((one.keyset_id, one.operators) for one in aside)]:
            if keys and enters.plugs[first] in entered:
                there = enters.specs[first]
                if there not in charts:
                    charts[there] = depths_as(spec, there)
                stacks.append([_cut_to(charts[there], depths) for depths in zip(*keys, strict=True)])
        held = [*opened.items(), *((keyset.id, cuts) for keyset, cuts in open_lost_bittings(work, systems))]
        held += [(one.keyset_id, one.cuts) for one in aside]
        keys_there = (enters.cut_into(one, cuts, spec) for one, cuts in held if enters.entered[one] & own)
        return cls(opened, frozenset(cuts for cuts in keys_there if cuts), tuple(stacks), spec.first_depth, spec.stop)

    def beside(self, chambers: int, keys: Sequence[Cuts], cylinders: Sequence[ComingCylinder]) -> "SystemsInService":
        """The same with further keys, and cylinders with theirs."""
        new = [*keys, *(one.operators[0] for one in cylinders)]
        stacks = [self.stack(one.operators, one.chambers) for one in cylinders]
        entered = self.keys.union(self.seen(cuts, chambers) for cuts in new)
        return replace(self, keys=entered, stacks=(*self.stacks, *stacks))

    def turns_any(self, cuts: Cuts) -> bool:
        """Whether a key turns a cylinder there."""
        return any(
            index.meeting([{cut} for cut in self.seen(cuts, chambers)]) for chambers, index in self._ways.items()
        )

    def seen(self, cuts: Cuts, chambers: int) -> Cuts:
        """What a cylinder of so many chambers sees of a key."""
        return entering(cuts, chambers, self.shallowest, self.stop)

    def stack(self, operators: Sequence[Cuts], chambers: int) -> list[set[int]]:
        """The depths that shear in each chamber of a cylinder of so many that these keys operate."""
        return [set(depths) for depths in zip(*(self.seen(cuts, chambers) for cuts in operators), strict=True)]

    def turns(self, cuts: Cuts, above: Sequence[Cuts], chambers: int | None = None) -> bool:
        """Whether a key there, none of `above`, turns a cylinder pinned to `cuts` and the keys `above` it.

        chambers: the cylinder's, where it has fewer than these have cuts.
        """
        if chambers is not None and chambers < len(cuts):
            stack = self.stack([cuts, *above], chambers)
            others = (self.seen(key, chambers) for key in self.keys.difference(above))
            return any(all(cut in depths for cut, depths in zip(key, stack, strict=True)) for key in others)
        turning = self._held.meeting([set(depths) for depths in zip(cuts, *above, strict=True)])
        return turning.bit_count() > len(self.keys.intersection(above))

    def clashes(self, cuts: Cuts, above: Sequence[Cuts], chambers: int | None = None) -> bool:
        """Whether a new key with those `above` it would clash with what is there, either way round; as `turns`."""
        return self.turns_any(cuts) or self.turns(cuts, above, chambers)


def _cut_to(chart: Mapping[int, int] | None, depths: Iterable[int]) -> set[int]:
    """The depths of new keys that shear where these do, `chart` saying as what each of them stands there."""
    there = set(depths)
    return there if chart is None else {depth for depth, stands in chart.items() if stands in there}
