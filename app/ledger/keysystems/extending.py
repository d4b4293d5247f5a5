"""Use cases: add masters and keysets to a system in service, no issued key touched, or key single instead.

From the array where the system has one that holds enough; else by a search with the issued keys fixed.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from random import Random

import sqlalchemy as sa

from app.errors import Problem, Problems
from app.keying import (
    NO_ARRAY,
    NOT_EXTENDED,
    BittingSpec,
    Extension,
    ExtensionSearch,
    KeyingError,
    KeyStop,
    LevelArray,
    Progress,
    StackIndex,
    SymbolLevel,
    WantedKeysets,
    extend,
    name_wanted,
    read_symbol,
    search_extension,
)
from app.keying import Bitting as Cuts
from app.ledger.catalog.maker_queries import entering_of
from app.ledger.keysystems.auditing import prove_no_interchange
from app.ledger.keysystems.bittings import insert_keysets, open_plan, spec_of, twin_met
from app.ledger.keysystems.control import CONTROL_SYMBOL, TAKEN_OVER
from app.ledger.keysystems.keysets import add_keysets, missing_bitting
from app.ledger.keysystems.lost_keysets import require_none_lost_above
from app.ledger.keysystems.out_of_use import why_retired
from app.ledger.keysystems.rows_aside import stamped_by_list, why_rows_aside
from app.ledger.keysystems.system_queries import (
    get_system,
    operators_of,
    sections_entered,
    sections_of,
    systems_sharing_keyway,
)
from app.ledger.keysystems.systems import (
    keyway_alike,
    keyways_beside_own,
    require_blank,
    single_keyed_system,
)
from app.ledger.keysystems.unsealed_system import OpenedSystem, SystemsInService, WhatEnters, keys_aside, open_system
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Event, Key, KeyState, KeySystem, Level, RecordsHolder, Role

MOST_ADDED = 5_000


@dataclass(frozen=True, slots=True)
class ExtendForm:
    """`changes` under the master; `masters` new ones under the grand, each with `changes_each`, on `keyway` where
    that is not the grand's.
    """

    master: str = ""
    changes: int = 0
    grand: str = ""
    masters: int = 0
    changes_each: int = 0
    keyway: str = ""

    @property
    def changes_wanted(self) -> dict[str, int]:
        """As the keying room takes it."""
        return {self.master: self.changes} if self.changes else {}

    @property
    def masters_wanted(self) -> dict[str, list[int]]:
        """As the keying room takes it."""
        return {self.grand: [self.changes_each] * self.masters} if self.masters else {}


@dataclass(frozen=True, slots=True)
class Added:
    """The system, and the symbols that were added to it. to_cut_anew: what is to be known of keys above them."""

    system: KeySystem
    symbols: tuple[str, ...]
    to_cut_anew: str = ""


def why_not_extend(work: Work, system: KeySystem) -> str:
    """Why the shop must not extend a system; "" where it may. (ALOA technical standard, Keynotes, Sept 2014)"""
    if why := why_retired(system):
        return why
    if system.records is RecordsHolder.FACTORY:
        return (
            "The factory holds this system's array and its list of bittings in use: have it extended there, never in "
            "two places. Until then key these cylinders single (SKD)."
        )
    if system.levels < 2:
        return "This book has no master: whatever is added to it is keyed single."
    if system.records is RecordsHolder.NOBODY:
        return NOT_EXTENDED
    if aside := why_rows_aside(work.session, system):
        return aside
    if stands_alone(system) and _was_taken_over(work, system):
        return f"{system.name} came as a list without the master, so what that opens is not known. {NOT_EXTENDED}"
    return missing_bitting(work.session, system.customer_id, system.keyway)


def _was_taken_over(work: Work, system: KeySystem) -> bool:
    """Whether a system came as another shop's list, and was not made here."""
    taken = sa.select(Event.id).where(Event.subject == f"key system {system.id}", Event.kind == TAKEN_OVER)
    return work.session.scalar(taken.limit(1)) is not None


def stands_alone(system: KeySystem) -> bool:
    """Whether a system has no master: its keys stand side by side, as out of a matrix, and so does what is added."""
    return not any(keyset.level.is_upper for keyset in system.keysets)


def is_searched_for(system: KeySystem) -> bool:
    """Whether bittings to add have to be searched for: there are masters, and no array that says what is next."""
    return system.sealed_plan is None and not stands_alone(system)


def extend_system(work: Work, system_id: int, form: ExtendForm) -> Added:
    """Add what is asked, each with a bitting that clashes with nothing in service; all of it or nothing.

    Raises LedgerError where the shop lacks the array or the list, NoBittingsLeft where they run out.
    """
    work.require(Role.BENCH)
    with transaction(work.session):
        system = get_system(work.session, system_id)
        if stands_alone(system):
            return _add_next(work, system, form, Level.SINGLE)
        if any(one.symbol == form.master and one.level is Level.SELECTIVE for one in system.keysets):
            return _add_next(work, system, form, Level.SELECTIVE)
        ready = _make_ready(work, system_id, form)
        if ready.array is None:
            raise LedgerError("system", NO_ARRAY)
        found = extend(
            ready.spec,
            ready.array,
            ready.keys,
            ready.cylinders,
            changes=form.changes_wanted,
            masters=form.masters_wanted,
            shearing=ready.shearing,
            levels=system.levels,
            standing={one.symbol for one in system.keysets},
            stamped=stamped_by_list(system),
        )
        places = sum(
            ready.array.under(ready.spec, "C", planned.bitting).usable
            for planned in found.keysets
            if planned.level is SymbolLevel.MASTER
        )
        # A change under no master stands in a master's place, beside what the masters' arrays hold.
        places += sum(
            planned.level is SymbolLevel.CHANGE
            and read_symbol(planned.parent or "", levels=system.levels).level is not SymbolLevel.MASTER
            for planned in found.keysets
        )
        return _insert_extension(work, ready, found, places, "")


def _add_next(work: Work, system: KeySystem, form: ExtendForm, under: Level) -> Added:
    """Add the next changes under the selective master, or keys that stand side by side with the others."""
    if refusal := why_not_extend(work, system):
        raise LedgerError("system", refusal)
    if not 0 < form.changes <= MOST_ADDED:
        raise LedgerError("changes", f"Enter how many are wanted, from 1 to {MOST_ADDED:,}.")
    master = form.master if under is Level.SELECTIVE else ""
    added = tuple(one.symbol for one in add_keysets(work, system, form.changes, master, under=under))
    prove_no_interchange(work, [system])
    _record_extension(work, system, added, "")
    return Added(system, added)


def _record_extension(work: Work, system: KeySystem, symbols: Sequence[str], how: str) -> None:
    record(
        work,
        "key system extended",
        f"key system {system.id}",
        f"{system.name}: {len(symbols)} keysets added{how}, {', '.join(symbols[:12])}"
        + (" and more" if len(symbols) > 12 else ""),
    )


def _insert_extension(work: Work, ready: "ReadyExtension", found: Extension, places: int, how: str) -> Added:
    """Put keysets on record, their bittings sealed; `places`: what they add to the system's capacity."""
    system = get_system(work.session, ready.system_id)
    symbols = tuple(planned.symbol for planned in found.keysets)
    if {keyset.symbol for keyset in system.keysets} & set(symbols):
        raise Stale(
            "These symbols are saved by now, here or in another window. Look at the system, and extend it anew."
        )
    require_none_lost_above(work, system, {planned.parent or "" for planned in found.keysets})
    before = sections_entered(work.session, system)
    new = (one.symbol for one in found.keysets if one.level is SymbolLevel.MASTER and ready.keyway)
    insert_keysets(work, system, found.keysets, keyways=dict.fromkeys(new, ready.keyway))
    if system.capacity is not None:
        system.capacity += places
    work.session.flush()
    work.session.expire(system, ["keysets"])
    prove_no_interchange(work, [system])
    _record_extension(work, system, symbols, how + (f" on keyway {ready.keyway}" if ready.keyway else ""))
    return Added(system, symbols, _to_cut_anew(work, system, before))


def _to_cut_anew(work: Work, system: KeySystem, before: Mapping[int, frozenset[str]]) -> str:
    """Which keysets have keys that were cut of a blank which does not enter all that they have to by now."""
    known, needed = entering_of(work.session), sections_entered(work.session, system)
    grown = {
        one.id: one.symbol
        for one in system.keysets
        if one.id in before and not needed[one.id] <= known.entered(before[one.id], system.chambers)
    }
    cut = sa.select(Key.keyset_id).where(
        Key.keyset_id.in_(grown), Key.state.not_in((KeyState.ORDERED, KeyState.RETIRED))
    )
    symbols = [grown[one] for one in sorted({*work.session.scalars(cut)})]
    if not symbols:
        return ""
    blank = known.blank_for(set[str]().union(*(needed[one.id] for one in system.keysets)), system.chambers)
    return f"Keys of {', '.join(symbols)} that are cut do not enter all that these open by now: cut new ones" + (
        f" of {blank.maker} {blank.number}." if blank else "."
    )


def check_extension(form: ExtendForm) -> None:
    """Raise Problems, by field, for what cannot be asked."""
    problems = []
    if not form.changes and not form.masters:
        problems.append(Problem("changes", "Enter how many changes or masters are wanted."))
    if form.changes and not form.master:
        problems.append(Problem("master", "Choose the master that the changes go under."))
    if form.masters and not form.grand:
        problems.append(Problem("grand", "Choose the grand that the masters go under; two levels have none."))
    if form.keyway and form.changes:
        told = "Only new masters can be on another keyway: changes are on their master's. Add these by themselves."
        problems.append(Problem("keyway", told))
    if form.changes + form.masters * (1 + form.changes_each) > MOST_ADDED:
        problems.append(Problem("changes", f"At most {MOST_ADDED:,} keysets are added at once."))
    if problems:
        raise Problems(problems)


@dataclass(frozen=True, slots=True)
class Neighborhood:
    """A system's keys, lost ones too, and cylinders with those of the customer's other systems on its keyway, and the
    keys of those on others that enter it.

    chambers: of those of the cylinders that have fewer than the keys have cuts. `stacks`: what shears in cylinders of
    other systems with other lengths or keyways, which new keys enter too: in the chambers that they lack every depth;
    those beyond the new keys' cuts have to shear at the shallowest.
    """

    spec: BittingSpec
    keys: dict[str, Cuts] = field(repr=False)
    cylinders: dict[str, tuple[str, ...]]
    chambers: dict[str, int]
    stacks: list[list[set[int]]] = field(repr=False)

    @property
    def shearing(self) -> list[list[set[int]]]:
        """The same with the cylinders that have fewer chambers, as they are pinned now."""
        return [*self.stacks, *(self._stack(label, unseen) for label, unseen in self.unseen.items())]

    def turned_by(self, keys: Iterable[Cuts]) -> Iterator[tuple[str, ...]]:
        """The cylinders that each of these keys turns."""
        unseen, labels = self.unseen, [*self.cylinders]
        index = StackIndex(self._stack(label, unseen.get(label, ())) for label in labels)
        for cuts in keys:
            met = index.meeting([(cut,) for cut in cuts])
            yield tuple(label for place, label in enumerate(labels) if met >> place & 1) if met else ()

    def _stack(self, label: str, unseen: Collection[int]) -> list[set[int]]:
        """What shears in each place of a bitting: every depth where a cylinder has no chamber."""
        every = set(self.spec.all_depths)
        return [
            every if place in unseen else {self.keys[one][place] for one in self.cylinders[label]}
            for place in range(self.spec.chambers)
        ]

    @property
    def unseen(self) -> dict[str, range]:
        """Which places of a bitting, from 0 at the bow, these cylinders do not see."""
        most = self.spec.chambers
        is_tip = self.spec.stop is KeyStop.TIP
        return {
            label: range(most - seen) if is_tip else range(seen, most)
            for label, seen in self.chambers.items()
            if label in self.cylinders
        }


def with_neighbors(work: Work, opened: OpenedSystem, keyway: str = "", above: Collection[str] = ()) -> Neighborhood:
    """What new keys of a system are held against. keyway: where what is new is on another of the system's; `above`:
    the symbols of those that will enter that.
    """
    chambers, spec, own = opened.system.chambers, opened.spec, keyway or opened.system.keyway
    sharing = systems_sharing_keyway(work.session, {*sections_of(opened.system), own}, opened.system.customer_id)
    enters = WhatEnters.of(work.session, sharing)
    keys = {
        name: cuts
        for name, cuts in {**opened.keys, **opened.lost}.items()
        if name in above or own in enters.entered[opened.keyset_ids[name]]
    }
    if opened.control is not None:
        keys["its control key"] = opened.control
    plugs = {label: enters.plugs[way.keyset_id] for label, way in opened.ways.items()}
    cylinders = {label: symbols for label, symbols in opened.cylinders.items() if plugs[label] == own}
    alike = [one for one in sharing if spec_of(one) == opened.spec and sections_of(one) == (own,)]
    lengths = _shorter(opened)
    for other in sharing:
        if other.id == opened.system.id:
            continue
        neighbor = open_system(work, other.id)
        there = {**neighbor.keys, **neighbor.lost}
        if neighbor.control is not None:
            there[CONTROL_SYMBOL] = neighbor.control
        name = {symbol: f"{symbol} of {other.id}" for symbol in there}
        for symbol, cuts in there.items():
            cuts_here = enters.cut_into(neighbor.keyset_ids[symbol], cuts, opened.spec, own)
            keys |= {name[symbol]: cuts_here} if cuts_here else {}
        if other in alike:
            lengths |= {f"{way} of {other.id}": chambers for way, chambers in _shorter(neighbor).items()}
            cylinders.update(
                {
                    f"{way} of {other.id}": tuple(name[one] for one in meant)
                    for way, meant in neighbor.cylinders.items()
                }
            )
    found = Neighborhood(spec, keys, cylinders, lengths, [])
    aside = {
        one.name: cuts_here
        for one in keys_aside(work, sharing, enters, [own], {})
        if (cuts_here := enters.cut_into(one.keyset_id, one.cuts, opened.spec, own))
    }
    for unsettled, turned in zip(aside, found.turned_by(aside.values()), strict=False):
        # What it turns now it turns whatever is added: as far as anybody can tell, it is meant to.
        cylinders |= {label: (*cylinders[label], unsettled) for label in turned}
    keys |= aside
    unlike = [other for other in sharing if other not in alike]
    every = set(spec.all_depths)
    for stack in SystemsInService.of(work, unlike, opened.spec, own).stacks:
        lacking, beyond = max(0, chambers - len(stack)), max(0, len(stack) - chambers)
        if spec.stop is KeyStop.TIP:
            uncut, seen = stack[:beyond], [*[every] * lacking, *stack[beyond:]]
        else:
            uncut, seen = stack[chambers:], [*stack[:chambers], *[every] * lacking]
        if all(spec.first_depth in depths for depths in uncut):
            found.stacks.append(seen)
    return found


def _shorter(opened: OpenedSystem) -> dict[str, int]:
    """The chambers of the cylinders of a system that have fewer than its keys have cuts."""
    return {way.label: way.chambers for way in opened.ways.values() if way.chambers < opened.system.chambers}


def key_single(work: Work, system_id: int, count: int) -> Added:
    """Key cylinders of this system's customer single, in the customer's own book of single keys on the keyway."""
    work.require(Role.BENCH)
    if not 1 <= count <= 500:
        raise KeyingError("singles", "Enter a whole number from 1 to 500.")
    with transaction(work.session):
        system = get_system(work.session, system_id)
        book = single_keyed_system(work, system.customer_id, system.keyway, system.chambers, RecordsHolder.SHOP)
        added = tuple(keyset.symbol for keyset in add_keysets(work, book, count, under=Level.SINGLE))
        prove_no_interchange(work, [book])
        record(
            work,
            "keyed single",
            f"key system {system.id}",
            f"{', '.join(added[:12])} in {book.name}, since {system.name} cannot be extended here",
        )
        return Added(book, added)


MOST_SEARCHED = 200


@dataclass(frozen=True, slots=True)
class ReadyExtension:
    """What is added, to which system, among which keys and cylinders in service; `shearing` as `Neighborhood`."""

    system_id: int
    system_name: str
    spec: BittingSpec
    pattern: Cuts = field(repr=False)
    asked: WantedKeysets
    array: LevelArray | None
    keys: dict[str, Cuts] = field(repr=False)
    cylinders: dict[str, tuple[str, ...]] = field(repr=False)
    shearing: list[list[set[int]]] = field(repr=False)
    keyway: str = ""  # of new masters, "" for that of the key above

    def search(self, rng: Random, seconds: float, on_progress: Progress) -> ExtensionSearch:
        """Look for bittings beyond the array, the system's keys fixed; needs no house, so it runs beside it."""
        return search_extension(
            self.spec,
            self.pattern,
            self.keys,
            self.cylinders,
            self.asked,
            rng,
            shearing=self.shearing,
            seconds=seconds,
            on_progress=on_progress,
        )


def make_extension_ready(work: Work, system_id: int, form: ExtendForm) -> ReadyExtension:
    """Name what is searched for and open what is in service, its neighbors on the keyway too; saves nothing.

    Refuses, as plain extension does, where the shop lacks the array or the list of bittings in use.
    """
    work.require(Role.BENCH)
    if form.changes + form.masters * (1 + form.changes_each) > MOST_SEARCHED:
        raise LedgerError("changes", f"A search finds at most {MOST_SEARCHED} keysets at once; ask for fewer.")
    return _make_ready(work, system_id, form)


def _make_ready(work: Work, system_id: int, form: ExtendForm) -> ReadyExtension:
    check_extension(form)
    opened = open_system(work, system_id)
    if refusal := why_not_extend(work, opened.system):
        raise LedgerError("system", refusal)
    wanted = {*form.changes_wanted, *form.masters_wanted}  # the page sends a master where none gets changes, too
    require_none_lost_above(work, opened.system, wanted)
    by_symbol = {keyset.symbol: keyset for keyset in opened.system.keysets}
    by_id = {one.id: one for one in opened.system.keysets}
    over = [by_symbol[one] for one in wanted if one in by_symbol]
    if len(sections := {one.section for one in over}) > 1:
        told = f"{form.master} and {form.grand} are on two keyways: add the changes and the masters one by one."
        raise LedgerError("grand", told)
    standing, keyway = set(by_symbol), _keyway_of(work, opened, form) or "".join(sections)
    above = {each.symbol for one in over for each in operators_of(one, is_nmk=False, by_id=by_id)}
    levels, stamped = opened.system.levels, stamped_by_list(opened.system)
    asked = name_wanted(standing, form.changes_wanted, form.masters_wanted, levels=levels, stamped=stamped)
    there = with_neighbors(work, opened, keyway, above)
    operators = {symbol for every in asked.cylinders.values() for symbol in every}
    lacking = operators & (standing - set(there.keys))
    if lacking:
        raise LedgerError("system", f"The shop does not hold the bitting of {', '.join(sorted(lacking)[:8])}.")
    array = open_plan(work.vault, opened.system)
    pattern = there.keys[form.master if form.changes else form.grand]
    on = keyway if form.keyway else ""
    return ReadyExtension(
        *(system_id, opened.system.name, opened.spec, pattern, asked, array),
        *(there.keys, there.cylinders, there.shearing, on),
    )


def keyways_to_add(work: Work, system: KeySystem) -> tuple[str, ...]:
    """The keyways of the family that new masters of a system can be on besides its own: cut by its spec, and entered
    by one blank with all that keys above them open.
    """
    if system.levels < 3 or stands_alone(system):
        return ()
    return keyways_beside_own(work, sections_of(system), system.spec_id, system.chambers)


def _keyway_of(work: Work, opened: OpenedSystem, form: ExtendForm) -> str:
    """The keyway that new masters are asked on, "" for the grand's; refused on `keyway` where no key could be cut for
    all that the masters above them open, or would enter the doors of a master that is cut like one of them.
    """
    if not form.keyway:
        return ""
    system = opened.system
    keyway, needed = keyway_alike(work, form.keyway, system.spec_id), sections_entered(work.session, system)
    by_id = {one.id: one for one in system.keysets}
    cuts = {opened.keyset_ids[symbol]: bitting for symbol, bitting in opened.keys.items()}
    over = next((one for one in system.keysets if one.symbol == form.grand), None)
    for above in operators_of(over, is_nmk=False, by_id=by_id) if over is not None else []:
        require_blank(work, needed[above.id] | {keyway}, system.chambers, above.symbol, system.keyway)
        twin = twin_met(work.session, system, cuts, above, keyway) if above.id in cuts else None
        if twin is not None:
            told = (
                f"{above.symbol} and {twin.symbol} share a bitting, and with doors on {keyway} keys of "
                f"{above.symbol} would enter those of {twin.symbol}: put the new masters under {twin.symbol}, or on "
                "another keyway."
            )
            raise LedgerError("keyway", told)
    return keyway


def seal_extension(work: Work, ready: ReadyExtension, found: Extension) -> Added:
    """Put what a search found on record, every bitting sealed, all of it or nothing.

    Raises Stale where the system has grown in between, KeyingError where a key would let somebody in unasked.
    """
    work.require(Role.BENCH)
    # Places beyond those that the array holds.
    places = sum(planned.level is SymbolLevel.CHANGE for planned in found.keysets)
    with transaction(work.session):
        return _insert_extension(work, ready, found, places, " by a search with the keys fixed")
