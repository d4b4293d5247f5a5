"""Use cases: add masters and keysets to a system in service, no issued key touched, or key single instead.

From the array where it holds enough; else by a search with the issued keys fixed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from app.errors import Problem, Problems
from app.keying import Bitting as Cuts
from app.keying import (
    BittingSpec,
    Extension,
    KeyingError,
    LevelArray,
    PlannedKeyset,
    WantedKeysets,
    extend,
    name_wanted,
    read_symbol,
)
from app.ledger.keysystems.auditing import prove_no_interchange
from app.ledger.keysystems.bittings import add_keyset, open_plan
from app.ledger.keysystems.keysets import add_keysets
from app.ledger.keysystems.lost_keysets import require_none_lost_above
from app.ledger.keysystems.system_queries import get_system, systems_sharing_keyway
from app.ledger.keysystems.systems import single_keyed_system
from app.ledger.keysystems.unsealed_system import OpenedSystem, SystemsInService, entering, open_system
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import KeySystem, Level, RecordsHolder, Role

MOST_ADDED = 5_000


@dataclass(frozen=True, slots=True)
class ExtendForm:
    """`changes` under the master; `masters` new ones under the grand, each with `changes_each`."""

    master: str = ""
    changes: int = 0
    grand: str = ""
    masters: int = 0
    changes_each: int = 0


@dataclass(frozen=True, slots=True)
class Added:
    """The system, and the symbols that were added to it."""

    system: KeySystem
    symbols: tuple[str, ...]


def why_not_extend(work: Work, system: KeySystem) -> str:
    """Why the shop must not extend a system; "" where it may. (ALOA technical standard, Keynotes, Sept 2014)"""
    if system.records is RecordsHolder.FACTORY:
        return (
            "The factory holds this system's array and its list of bittings in use: have it extended there, never in "
            "two places. Until then key these cylinders single (SKD)."
        )
    if system.levels < 2:
        return "This book has no master: whatever is added to it is keyed single."
    if system.records is RecordsHolder.NOBODY or open_plan(work.vault, system) is None:
        return (
            "A system cannot be extended without its key bitting array and the list of all bittings in use. "
            "Key these cylinders single (SKD), or begin a new system."
        )
    return ""


def extend_system(work: Work, system_id: int, form: ExtendForm) -> Added:
    """Add what is asked, each with a bitting that clashes with nothing in service; all of it or nothing.

    Raises LedgerError where the shop lacks the array or the list, NoBittingsLeft where they run out.
    """
    work.require(Role.BENCH)
    check_extension(form)
    with transaction(work.session):
        opened = open_system(work, system_id)
        system = opened.system
        refusal = why_not_extend(work, system)
        plan = open_plan(work.vault, system)
        if refusal or plan is None:
            raise LedgerError("system", refusal)
        keys, cylinders, shorter = with_neighbors(work, opened)
        found = extend(
            opened.spec,
            LevelArray(plan.tmk, plan.roles, constants=plan.constants),
            keys,
            cylinders,
            changes={form.master: form.changes} if form.changes else None,
            masters={form.grand: [form.changes_each] * form.masters} if form.masters else None,
            shearing=shorter,
        )
        insert_extension(work, system, found.keysets)
        for planned in found.keysets:
            if system.capacity is None:
                continue
            if planned.level.value == Level.MASTER.value:
                system.capacity += plan.under(opened.spec, "C", planned.bitting).usable
            elif read_symbol(planned.parent or "").level.value != Level.MASTER.value:
                system.capacity += 1  # it stands in a master's place, beside what the masters' arrays hold
        work.session.flush()
        prove_no_interchange(work, [system])
        symbols = tuple(planned.symbol for planned in found.keysets)
        record(
            work,
            "key system extended",
            f"key system {system.id}",
            f"{system.name}: {len(symbols)} keysets added, {', '.join(symbols[:12])}"
            + (" and more" if len(symbols) > 12 else ""),
        )
        return Added(system, symbols)


def insert_extension(work: Work, system: KeySystem, added: Sequence[PlannedKeyset]) -> None:
    """Put keysets on record, parents first, their bittings sealed, inside the caller's transaction.

    LedgerError where a lost key would open them.
    """
    require_none_lost_above(work, system, {planned.parent or "" for planned in added})
    by_symbol = {keyset.symbol: keyset for keyset in system.keysets}
    for planned in added:
        parent, level = by_symbol[planned.parent or ""], Level(planned.level.value)
        by_symbol[planned.symbol] = add_keyset(work, system, planned.symbol, level, parent, planned.bitting)


def check_extension(form: ExtendForm) -> None:
    """Raise Problems, by field, for what cannot be asked."""
    problems = []
    if not form.changes and not form.masters:
        problems.append(Problem("changes", "Enter how many changes or masters are wanted."))
    if form.changes and not form.master:
        problems.append(Problem("master", "Choose the master that the changes go under."))
    if form.masters and not form.grand:
        problems.append(Problem("grand", "Choose the grand that the masters go under; two levels have none."))
    if form.changes + form.masters * (1 + form.changes_each) > MOST_ADDED:
        problems.append(Problem("changes", f"At most {MOST_ADDED:,} keysets are added at once."))
    if problems:
        raise Problems(problems)


def with_neighbors(
    work: Work, opened: OpenedSystem
) -> tuple[dict[str, Cuts], dict[str, tuple[str, ...]], list[list[set[int]]]]:
    """The system's keys and cylinders with those of the customer's other systems on its keyway.

    Last the other systems' cylinders of other lengths, which the new keys enter too: in the chambers that they lack
    every depth shears; those beyond the new keys' cuts have to shear at the shallowest depth.
    """
    chambers, shallowest = opened.system.chambers, opened.spec.first_depth
    keys = dict(opened.keys)
    if opened.control is not None:
        keys["its control key"] = opened.control
    cylinders = dict(opened.cylinders)
    sharing = systems_sharing_keyway(work.session, opened.system.keyway, opened.system.customer_id)
    for other in sharing:
        if other.id == opened.system.id:
            continue
        neighbor = open_system(work, other.id)
        there = dict(neighbor.keys)
        if neighbor.control is not None:
            there["the control key"] = neighbor.control
        name = {symbol: f"{symbol} of {other.id}" for symbol in there}
        keys.update({name[symbol]: entering(cuts, chambers, shallowest) for symbol, cuts in there.items()})
        if other.chambers == chambers:
            cylinders.update(
                {
                    f"{way} of {other.id}": tuple(name[one] for one in meant)
                    for way, meant in neighbor.cylinders.items()
                }
            )
    others = SystemsInService.of(work, [other for other in sharing if other.chambers != chambers], chambers).stacks
    every = set(opened.spec.all_depths)
    entered = [
        [*stack[:chambers], *[every] * (chambers - len(stack))]
        for stack in others
        if all(shallowest in depths for depths in stack[chambers:])
    ]
    return keys, cylinders, entered


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
    """What is searched for, in which system, among which keys and cylinders in service."""

    system_id: int
    system_name: str
    spec: BittingSpec
    asked: WantedKeysets
    tmk: Cuts = field(repr=False)
    keys: dict[str, Cuts] = field(repr=False)
    cylinders: dict[str, tuple[str, ...]] = field(repr=False)


def make_extension_ready(work: Work, system_id: int, form: ExtendForm) -> ReadyExtension:
    """Name what is asked and open what is in service, its neighbors on the keyway too; saves nothing.

    Refuses, as plain extension does, where the shop lacks the array or the list of bittings in use.
    """
    work.require(Role.BENCH)
    check_extension(form)
    if form.changes + form.masters * (1 + form.changes_each) > MOST_SEARCHED:
        raise LedgerError("changes", f"A search finds at most {MOST_SEARCHED} keysets at once; ask for fewer.")
    opened = open_system(work, system_id)
    refusal, plan = why_not_extend(work, opened.system), open_plan(work.vault, opened.system)
    if refusal or plan is None:
        raise LedgerError("system", refusal)
    require_none_lost_above(work, opened.system, {form.master, form.grand} - {""})
    standing = {keyset.symbol for keyset in opened.system.keysets}
    asked = name_wanted(
        standing,
        {form.master: form.changes} if form.changes else {},
        {form.grand: [form.changes_each] * form.masters} if form.masters else {},
    )
    keys, cylinders, _ = with_neighbors(work, opened)  # shorter cylinders there are held against it when sealed
    lacking = {symbol for operators in asked.cylinders.values() for symbol in operators} & (standing - set(keys))
    if lacking:
        raise LedgerError("system", f"The shop does not hold the bitting of {', '.join(sorted(lacking)[:8])}.")
    return ReadyExtension(system_id, opened.system.name, opened.spec, asked, plan.tmk, keys, cylinders)


def seal_extension(work: Work, ready: ReadyExtension, found: Extension) -> Added:
    """Put what a search found on record, every bitting sealed, all of it or nothing.

    Raises Stale where the system has grown in between, KeyingError where a key would let somebody in unasked.
    """
    work.require(Role.BENCH)
    with transaction(work.session):
        system = get_system(work.session, ready.system_id)
        symbols = tuple(planned.symbol for planned in found.keysets)
        if {keyset.symbol for keyset in system.keysets} & set(symbols):
            raise Stale()
        insert_extension(work, system, found.keysets)
        if system.capacity is not None:  # places beyond those that the array holds
            system.capacity += sum(planned.level.value == Level.CHANGE.value for planned in found.keysets)
        work.session.flush()
        work.session.expire(system, ["keysets"])
        prove_no_interchange(work, [system])
        record(
            work,
            "key system extended",
            f"key system {system.id}",
            f"{system.name}: {len(symbols)} keysets added by a search with the keys fixed, {', '.join(symbols[:12])}"
            + (" and more" if len(symbols) > 12 else ""),
        )
        return Added(system, symbols)
