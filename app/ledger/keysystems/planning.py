"""Use cases: plan a new system, by how much it must hold or by who opens what, and start it."""

import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import prod
from random import Random

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.errors import Problem, Problems
from app.keying import (
    ALL_ENTER,
    COUNTED,
    AccessException,
    AccessMatrix,
    AccessPlan,
    BittingSpec,
    Demand,
    KeyingError,
    LevelArray,
    MatrixSolution,
    Planning,
    Progress,
    Sections,
    SymbolLevel,
    TimeLimit,
    draw_master,
    key_matrix,
    parents_of_masters,
    plan_system,
    read_bitting,
    read_matrix,
    relaxed,
    write_bitting,
)
from app.keying import Bitting as Cuts
from app.ledger.catalog.maker_queries import entering_of
from app.ledger.keysystems.bittings import insert_keysets, open_bittings, seal_plan, tops_on_keyway
from app.ledger.keysystems.control import insert_control, lacks_control
from app.ledger.keysystems.planned_doors import plan_doors_of
from app.ledger.keysystems.reserves import ANY_DOOR, Reserve, keep_reserves, read_reserves
from app.ledger.keysystems.selective import insert_selective, read_selective
from app.ledger.keysystems.system_queries import systems_sharing_keyway
from app.ledger.keysystems.systems import (
    SystemForm,
    add_system_row,
    find_keyway,
    insert_system,
    keyway_alike,
    keyway_spec,
    keyways_beside_own,
    require_blank,
)
from app.ledger.keysystems.unsealed_system import MOST_DRAWS, SystemsInService, WhatEnters
from app.ledger.store.engine import get_row, transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work, carried, carry
from app.ledger.tables import Customer, KeySystem, Role
from app.validation import first_of

MOST_PEOPLE = 6


@dataclass(frozen=True, slots=True)
class PlanForm:
    """What a new system must hold, and on what: `counts` of each level now and `later`, the changes first.

    selective: the symbol of its selective master; "" for none. parts: masters and grands on other keyways of the
    family, with what is under them, as "AB: Q2; BA to BF: Q3". reserve: changes that are kept back from the start, as
    "floor 2: 10 under AB".
    """

    keyway: str
    chambers: int
    levels: int
    counts: tuple[int, ...]
    later: tuple[int, ...] = ()
    selective: str = ""
    parts: str = ""
    reserve: str = ""

    def checked(self) -> "PlanForm":
        """The same with the symbol of the selective master as it is kept; refused on `selective`."""
        return replace(self, selective=self.selective and read_selective(self.levels, self.selective))

    @property
    def demand(self) -> Demand:
        """As the keying room takes it; counts of levels that the system lacks are left out. What is kept back finds
        room beside the changes of now.
        """
        deepest = self.levels - 1
        counts = dict(zip(COUNTED[:deepest], self.counts, strict=False))
        kept = Counter[str]()
        for one in self.reserves:
            kept[one.master] += one.count
        most = kept[""] + max((count for master, count in kept.items() if master), default=0)
        changes, *upper = self.later[:deepest] or (0,)
        return Demand(levels=self.levels, room=(max(changes, most), *upper), selective=bool(self.selective), **counts)

    @property
    def reserves(self) -> tuple[Reserve, ...]:
        """What is kept back from the start, each under a master, "" for under every one; refused on `reserve`."""
        if not self.reserve.strip():
            return ()
        if prod(self.counts[1 : self.levels - 1]) > MOST_PARTED:
            raise LedgerError("reserve", f"Reserves are kept under up to {MOST_PARTED:,} masters: leave this empty.")
        parents = self.parents
        masters = [symbol for symbol in parents if symbol not in parents.values()]
        found, problems = [], list[str]()
        for one in read_reserves(self.reserve):
            master = one.master or (masters[0] if len(masters) == 1 else "")
            if not master and one.name != ANY_DOOR:
                told = f"Write {one.name}: {one.count} under {masters[0]}."
                problems.append(f"Under which master is the reserve for {one.name}? {told}")
            elif master and master not in masters:
                told = f"choose of {first_of(masters, MOST_PEOPLE)}"
                problems.append(f"The plan has no master {master[:12]} over changes: {told}.")
            found.append(replace(one, master=master))
        if problems:
            raise LedgerError("reserve", " ".join(problems))
        return tuple(found)

    @property
    def parents(self) -> dict[str, str | None]:
        """Symbol → the one above, of all masters now, the top first."""
        return parents_of_masters(self.counts[: self.levels - 1][::-1])


@dataclass(frozen=True, slots=True)
class PartBlank:
    """Masters whose keys have to enter the same keyways: the blank they are cut of, "" where no table has one, and
    what it enters besides. `with_changes`: the keys of what is under them are cut of it, too.
    """

    symbols: tuple[str, ...]
    keyways: tuple[str, ...]
    blank: str
    besides: tuple[str, ...]
    with_changes: bool


@dataclass(frozen=True, slots=True)
class _Parts:
    """keyways: symbol → keyway of the parts that stand on another than the system's; blanks: those of all masters.

    sections: as the keying room takes it. Keys that no table has a blank for are held for keys that enter everything.
    """

    keyways: Mapping[str, str] = field(default_factory=dict)
    blanks: tuple[PartBlank, ...] = ()
    sections: Sections = ALL_ENTER


@dataclass(frozen=True, slots=True)
class Planned:
    """The plans side by side; `sealed` carries the master they were reckoned under, for whoever starts it.

    blanks: which blank enters which keyways, of a system on several; others: the further ones that it could be on,
    and of these apart those on which its bittings can be had once more. reserves: what is kept back from the start.
    """

    spec: BittingSpec
    planning: Planning
    sealed: str
    blanks: tuple[PartBlank, ...] = ()
    others: tuple[str, ...] = ()
    apart: tuple[str, ...] = ()
    reserves: tuple[Reserve, ...] = ()


MOST_PARTED = 1_000
_PART = re.compile(r"\s*(\w+)(?:\s*(?:-|\bto\b)\s*(\w+))?\s*:\s*(\S+)\s*")


def _read_parts(work: Work, form: PlanForm) -> _Parts:
    """What stands on other keyways than the system's; refused on `parts`, everything at once."""
    if not form.parts.strip():
        return _Parts()
    if prod(form.counts[1 : form.levels - 1]) > MOST_PARTED:
        told = f"Parts are named of up to {MOST_PARTED:,} masters: leave this empty, or plan two systems."
        raise LedgerError("parts", told)
    found, problems, parents = dict[str, str](), list[str](), form.parents
    below = [symbol for symbol, above in parents.items() if above is not None]
    own = find_keyway(work, form.keyway)
    for text in filter(str.strip, re.split(r"[;,\n]", form.parts)):
        if (read := _PART.fullmatch(text)) is None:
            problems.append(f"{text.strip()[:40]} is no part: write a symbol and its keyway, such as AB: {own.code}.")
            continue
        ends = [one.upper() for one in read.groups()[:2] if one]
        if unknown := [one for one in ends if one not in below]:
            told = f"choose of {first_of(below, MOST_PEOPLE)}" if below else "it has none, so choose the keyway above"
            problems.append(f"The plan has no master {unknown[0][:12]} below its top: {told}.")
            continue
        beside = [one for one in below if parents[one] == parents[ends[0]]]
        run = beside[beside.index(ends[0]) : beside.index(ends[-1]) + 1] if ends[-1] in beside else []
        if not run:
            problems.append(f"{' to '.join(ends)} is no run of masters under one key: name its first, then its last.")
        elif twice := [one for one in run if one in found]:
            problems.append(f"{twice[0]} has two keyways: give it one.")
        else:
            try:
                found |= dict.fromkeys(run, keyway_alike(work, read[3], own.spec_id))
            except LedgerError as refused:
                problems += [one.message for one in refused.problems]
    if problems:
        raise LedgerError("parts", " ".join(problems))
    return _with_blanks(work, form, found)


def _with_blanks(work: Work, form: PlanForm, keyways: Mapping[str, str]) -> _Parts:
    """Which blank the keys of all masters are cut of, those over most first; refused on `parts` without one."""
    parents, section, known = form.parents, dict[str, str](), entering_of(work.session)
    needed: dict[str, set[str]] = {symbol: set() for symbol in parents}
    for symbol, above in parents.items():
        section[symbol] = keyways.get(symbol, section[above] if above is not None else form.keyway)
        at: str | None = symbol
        while at is not None:
            needed[at].add(section[symbol])
            at = parents[at]
    alike: dict[tuple[frozenset[str], bool], list[str]] = {}
    for symbol, names in needed.items():
        alike.setdefault((frozenset(names), symbol not in parents.values()), []).append(symbol)
    rows, entered = [], dict[str, frozenset[str]]()
    for (wanted, is_lowest), symbols in alike.items():
        try:
            blank = require_blank(work, wanted, form.chambers, symbols[0], form.keyway)
        except LedgerError as refused:
            raise LedgerError("parts", refused.problems[0].message) from refused
        enters = known.entered(wanted, form.chambers)
        named, besides = f"{blank.maker} {blank.number}" if blank is not None else "", sorted(enters - wanted)
        rows.append(PartBlank(tuple(symbols), tuple(sorted(wanted)), named, tuple(besides), is_lowest))
        if blank is not None:
            entered |= dict.fromkeys(symbols, enters)
    return _Parts(keyways, tuple(rows), Sections(section, entered))


def plan_for(work: Work, form: PlanForm) -> Planned:
    """Two or three plans for a system on this keyway, reckoned under a master drawn by chance; saves nothing.

    The master is shown to nobody. A person who may not start a system gets no sealed master either.
    """
    work.require(Role.COUNTER, Role.BENCH)
    spec = keyway_spec(work, form.keyway, form.chambers)
    form = form.checked()
    demand, parts = form.demand, _read_parts(work, form)
    every = tuple(dict.fromkeys([form.keyway, *parts.keyways.values()]))
    spec_id = find_keyway(work, form.keyway).spec_id
    could = keyways_beside_own(work, every, spec_id, form.chambers) if form.levels > 2 else ()
    others = tuple(one for one in could if one not in every)
    known = entering_of(work.session)
    own = frozenset[str]().union(*(known.entered([one], form.chambers) for one in every))
    named = (one for one in others if known.blank_for([one], form.chambers) is not None)
    apart = tuple(one for one in named if own.isdisjoint(known.entered([one], form.chambers)))
    top = draw_master(spec, work.rng, tops_on_keyway(work, every, form.chambers))
    planning = plan_system(spec, top, demand, parts.sections)
    may_start = bool(planning.startable) and work.actor.role is not Role.COUNTER
    sealed = carry(work, write_bitting(spec, top), _purpose(form)) if may_start else ""
    return Planned(spec, planning, sealed, parts.blanks, others, apart, form.reserves)


def _purpose(form: PlanForm) -> str:
    return f"plan of a system, {form}"


def start_planned(work: Work, form: PlanForm, sealed: str, roles: str, customer_id: int, name: str) -> KeySystem:
    """Start the system that was planned, by the plan with these roles: its masters and control key sealed.

    Raises LedgerError when the page is another day's or another person's, Taken when the name is.
    """
    work.require(Role.BENCH)
    form = form.checked()
    spec = keyway_spec(work, form.keyway, form.chambers)
    top = read_bitting(spec, carried(work, sealed, _purpose(form)), "plan")
    demand, parts = form.demand, _read_parts(work, form)
    planning = plan_system(spec, top, demand, parts.sections)
    plan = next((one for one in planning.startable if one.roles == roles), None)
    if plan is None:
        raise Problems([Problem("roles", "Choose one of the plans.")])
    with transaction(work.session):
        get_row(work.session, Customer, customer_id, "customer")
        tops = tops_on_keyway(work, {form.keyway, *parts.keyways.values()}, form.chambers)
        if top in tops:  # else two customers' keys would be the same
            raise LedgerError("plan", "A system was started by this plan already: plan another anew.")
        system = insert_system(
            work,
            SystemForm(
                customer_id,
                name,
                form.levels,
                form.keyway,
                form.chambers,
                None,
                demand.grands,
                demand.masters,
                1 if plan.constants else demand.changes_per_master,  # the roles alone do not hold what turning does
                form.counts[3:],
                roles=roles,
                constants=plan.constants,
                tmk=top,
                selective=plan.selective,
                keyways=parts.keyways,
                shared=planning.shared,
            ),
        )
        if plan.selective is not None:
            own = next(one for one in system.keysets if one.parent_id is None and one.level.is_upper)
            insert_selective(work, system, own, form.selective, plan.selective)
        later = ", ".join(f"{one.later:,} {one.level}" for one in plan.levels if one.later)
        said = [f"{system.name}: {plan.title}, {plan.levels[0].capacity} changes a master"]
        said += [f"room for more asked: {later}"] if later else []
        said += [f"{symbol} on {keyway}" for symbol, keyway in parts.keyways.items()]
        said += ["bittings shared by keyways"] if planning.shared else []
        kept = keep_reserves(work, system, form.reserves)
        record(work, "key system planned", f"key system {system.id}", f"{', '.join(said)}{kept}"[:1000])
        return system


@dataclass(frozen=True, slots=True)
class ReadyMatrix:
    """A matrix with what it is keyed by: the spec, a top master drawn by chance, and bittings to leave alone.

    changes: what was changed in it since it was asked, a sentence each. there: what the customer has, 0 where nobody
    has said who that is.
    """

    keyway: str
    spec: BittingSpec
    matrix: AccessMatrix
    tmk: Cuts = field(repr=False)
    avoid: frozenset[Cuts] = field(repr=False)
    changes: tuple[str, ...] = ()
    customer_id: int = 0
    there: SystemsInService | None = field(default=None, repr=False)

    def eased(self, solution: MatrixSolution) -> "ReadyMatrix":
        """The same with the changes that a search named, which are told with it from then on."""
        return replace(
            self,
            matrix=relaxed(self.matrix, solution.relax),
            changes=(*self.changes, *changes_of(self.matrix, solution)),
        )

    def leaving(self, plan: AccessPlan, left: Sequence[AccessException]) -> "ReadyMatrix":
        """The same without these exceptions of a plan: who carries their keys goes without their doors."""
        doors = [door for group in self.matrix.cylinders for door in group.doors]
        opens: dict[str, set[str]] = {holder: set() for holder in plan.holders}
        for key in self.matrix.keys:
            opened = {door for number in key.doors for door in self.matrix.cylinders[number].doors}
            opens |= {holder: set(opened) for holder in key.holders}
        changes = []
        for one in left:
            for holder in (who for who, symbol in plan.holders.items() if symbol in one.also):
                opens[holder] -= set(one.doors)
                changes.append(f"{holder} goes without {', '.join(one.doors)}.")
        return replace(self, matrix=AccessMatrix.of(opens, doors), changes=(*self.changes, *changes))

    def search(self, rng: Random, seconds: float, on_progress: Progress) -> AccessPlan | MatrixSolution:
        """Look for bittings that clash with nothing the customer has; needs no house, so it runs beside it."""
        limit, avoid = TimeLimit(seconds), self.avoid
        while True:
            left = max(limit.left, _LEAST_SECONDS)
            found = key_matrix(
                self.spec, self.tmk, self.matrix, rng, avoid=avoid, seconds=left, on_progress=on_progress
            )
            clashing = self.clashing(found) if isinstance(found, AccessPlan) else {}
            if not clashing:
                return found
            if limit.is_over:
                raise KeyingError("seconds", _CLASHES.format(next(iter(clashing))))
            avoid = avoid.union(clashing.values())

    def clashing(self, plan: AccessPlan) -> dict[str, Cuts]:
        """Symbol → cuts of what would turn a cylinder of the customer's other systems, or whose own cylinder a key
        from there would turn.
        """
        if self.there is None:
            return {}
        found = {symbol: cuts for symbol, cuts in plan.keys.items() if self.there.turns_any(cuts)}
        for first, *above in plan.cylinders.values():
            if self.there.turns(plan.keys[first], [plan.keys[one] for one in above]):
                found[first] = plan.keys[first]
        return found


def changes_of(matrix: AccessMatrix, solution: MatrixSolution) -> tuple[str, ...]:
    """The changes with which a matrix is solved, a sentence each."""
    return tuple(
        f"{holder} {'may open' if one.allow else 'goes without'} {door}."
        for one in solution.relax
        for holder, door in one.entries(matrix)
    )


_LEAST_SECONDS = 0.1
_CLASHES = (
    "In this time no bittings were found that clash with nothing the customer has on this keyway, for {}: allow more "
    "seconds, or take another keyway."
)


def make_ready(
    work: Work, keyway: str, chambers: int, table: Sequence[Sequence[str]], customer_id: int = 0
) -> ReadyMatrix:
    """Read the table and draw a master unlike those on this keyway; saves nothing. customer_id: whose it is to be, 0
    where nobody has said.

    Raises Problems, each naming its row and column.
    """
    work.require(Role.BENCH)
    spec = keyway_spec(work, keyway, chambers)
    matrix, problems = read_matrix(table)
    if matrix is None:
        raise Problems(problems)
    if not matrix.keys:
        raise Problems([Problem("file", "Nobody opens anything: mark at least one door for one holder.")])
    top = draw_master(spec, work.rng, tops_on_keyway(work, keyway, chambers))
    ready = ReadyMatrix(keyway, spec, matrix, top, _bittings_on(work, keyway, spec))
    return keep_clear(work, ready, customer_id) if customer_id else ready


def keep_clear(work: Work, ready: ReadyMatrix, customer_id: int) -> ReadyMatrix:
    """The same, to be searched beside what a customer has; its master is drawn anew where that clashes."""
    work.require(Role.BENCH)
    there = _in_service(work, ready, customer_id)
    top, tops = ready.tmk, {*tops_on_keyway(work, ready.keyway, ready.spec.chambers)}
    for _ in range(MOST_DRAWS):
        if top not in there.keys and not there.turns_any(top):
            break
        tops.add(top)
        top = draw_master(ready.spec, work.rng, tops)
    return replace(ready, tmk=top, customer_id=customer_id, there=there)


def _in_service(work: Work, ready: ReadyMatrix, customer_id: int) -> SystemsInService:
    neighbors = systems_sharing_keyway(work.session, ready.keyway, customer_id)
    return SystemsInService.of(work, neighbors, ready.spec, ready.keyway)


def _bittings_on(work: Work, keyway: str, spec: BittingSpec) -> frozenset[Cuts]:
    """All bittings on a keyway, whoever's they are, as keys of this spec."""
    systems = systems_sharing_keyway(work.session, keyway)
    opened, enters = open_bittings(work.session, work.vault, systems), WhatEnters.of(work.session, systems)
    there = (enters.cut_into(keyset_id, cuts, spec, keyway) for keyset_id, cuts in opened.items())
    return frozenset(cuts for cuts in there if cuts)


@dataclass(frozen=True, slots=True)
class MatrixSealForm:
    """Whose system a matrix becomes, what it is called, and where its doors are (planned_doors.py).

    crossed: doors of all that is crossed, one at least of each exception. leaves_out: the sentence that says who
    would go without, where somebody agreed: then it is keyed again (`ReadyMatrix.leaving`). reserve: what
    is kept back for later doors, as `read_reserves` reads it: keysets with bittings of their own, on no door yet.
    """

    customer_id: int
    name: str
    site_name: str = ""
    takes_doors: str = ""
    crossed: tuple[str, ...] = ()
    leaves_out: str = ""
    reserve: str = ""


def people_of(plan: AccessPlan, symbols: Collection[str]) -> str:
    """Who carries these keys, as far as the matrix names them, else the symbols; the first of many."""
    carried = {symbol for symbol in plan.holders.values() if symbol}
    people = [holder for holder, symbol in plan.holders.items() if symbol in symbols]
    people += [symbol for symbol in symbols if symbol not in carried]
    return first_of(people, MOST_PEOPLE)


def uncrossed(plan: AccessPlan, crossed: Collection[str]) -> tuple[AccessException, ...]:
    """The exceptions of a plan of which no door is among those that are to be crossed."""
    return tuple(one for one in plan.exceptions if not set(one.doors) & set(crossed))


def say_left_out(plan: AccessPlan, left: Sequence[AccessException]) -> str:
    """Who goes without which door, to be agreed to before it is keyed again so."""
    said = "; ".join(f"{', '.join(one.doors)} stays shut to {people_of(plan, one.also)}" for one in left)
    return f"{said}. Tick that they go without, or tick the crossing above, and save again."


def seal_access(work: Work, ready: ReadyMatrix, plan: AccessPlan, form: MatrixSealForm) -> KeySystem:
    """Make a system of the plan for a customer: its keysets with their holders, every bitting sealed, and its doors
    planned to be keyed so. What is crossed, and what was changed in the matrix before, goes on record.

    A top master that nobody carries is left out: no cylinder is pinned to it.
    """
    work.require(Role.BENCH)
    if left := uncrossed(plan, form.crossed):
        raise LedgerError("leaves_out", say_left_out(plan, left))
    carriers: dict[str, list[str]] = {}
    for holder, symbol in plan.holders.items():
        if symbol is not None:
            carriers.setdefault(symbol, []).append(holder)
    with transaction(work.session):
        system = add_system_row(
            work, SystemForm(form.customer_id, form.name, plan.levels, ready.keyway, ready.spec.chambers)
        )
        _refuse_clashes(work, ready, plan, form.customer_id)
        issued = (keyset for keyset in plan.keysets if keyset.symbol in plan.keys)
        insert_keysets(work, system, issued, carriers)
        if plan.roles:
            masters = (keyset.bitting for keyset in plan.keysets if keyset.level is SymbolLevel.MASTER)
            seal_plan(work, system, LevelArray(ready.tmk, plan.roles), masters)
        work.session.flush()
        if system.capacity is not None:  # what is right under a grand stands beside what the masters hold
            over = {one.symbol for one in plan.keysets if one.level is SymbolLevel.MASTER}
            changes = (one for one in plan.keysets if one.level is SymbolLevel.CHANGE)
            system.capacity += sum(one.parent not in over for one in changes)
        system.site_id = plan_doors_of(work, system, plan, form.site_name, form.takes_doors).id
        kept = keep_reserves(work, system, read_reserves(form.reserve))
        record(
            work,
            "key system made of a matrix",
            f"key system {system.id}",
            f"{form.name}: {len(plan.keys)} keysets for {len(plan.holders)} holders and {len(plan.doors)} doors"
            + kept
            + _with_control(work, system),
        )
        for said in ready.changes:
            record(work, "matrix changed", f"key system {system.id}", said[:1000])
        for one in plan.exceptions:
            who = f"{', '.join(one.doors)} for {people_of(plan, one.also)}"
            how = f"{'controlled' if one.controlled else 'uncontrolled'}, {one.before:,} → {one.after:,} combinations"
            if one.would_enter:
                how += f"; a key outside its master's array keeps out {people_of(plan, one.would_enter)}"
            record(
                work,
                "crossing agreed",
                f"key system {system.id}",
                f"Crossed: {who} ({', '.join(one.also)}); {how}"[:1000],
            )
        return system


def _refuse_clashes(work: Work, ready: ReadyMatrix, plan: AccessPlan, customer_id: int) -> None:
    """The search knew no customer: hold what it found against the keys and cylinders that this one has, and against
    the bittings that were drawn on the keyway since.
    """
    turned = next(iter(replace(ready, there=_in_service(work, ready, customer_id)).clashing(plan)), None)
    if turned is not None:
        raise LedgerError(
            "customer",
            f"{turned} would clash with another system of this customer on keyway {ready.keyway}. Nothing was saved; "
            "change this list, choose the customer there and search again, or take another keyway.",
        )
    # What was found can be saved for one customer only, and somebody else may have drawn the same in between.
    taken = _bittings_on(work, ready.keyway, ready.spec) & set(plan.keys.values())
    if taken or (plan.roles and ready.tmk in tops_on_keyway(work, ready.keyway, ready.spec.chambers)):
        raise LedgerError(
            "",
            f"Another system on keyway {ready.keyway} has some of these bittings by now. Nothing was saved; search "
            "again.",
        )


def _with_control(work: Work, system: KeySystem) -> str:
    """Give a system of interchangeable cores its control key; words for the record. Its page tells of none."""
    if not lacks_control(system):
        return ""
    try:
        insert_control(work, system)
    except KeyingError:  # before anything was added: the spec has no control cut, or none is free
        return ", without a control key"
    return ", with a control key"


def customers_to_choose(session: Session) -> dict[str, str]:
    """Id as text → name of every customer, by name."""
    rows = session.execute(
        sa.select(Customer.id, Customer.name)
        .where(Customer.merged_into_id.is_(None))
        .order_by(Customer.name, Customer.id)
    )
    return {str(number): name for number, name in rows}
