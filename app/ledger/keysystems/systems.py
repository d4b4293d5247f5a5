"""Use cases: start a key system, add keysets with bittings of their own, and prove that nothing interchanges."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import sqlalchemy as sa

from app.keying import BittingSpec, single_symbol
from app.ledger.keysystems.bittings import Plan, seal_bitting, seal_bittings, seal_plan, spec_of
from app.ledger.keysystems.control import insert_control
from app.ledger.keysystems.drawing import next_cuts, plan_clear
from app.ledger.keysystems.symbols import change_level_symbol, number_of
from app.ledger.keysystems.system_form import SystemForm
from app.ledger.store.errors import LedgerError, Taken
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Bitting, Keyset, KeySystem, Keyway, Level, RecordsHolder

CHANGE = "C"


def insert_system(work: Work, form: SystemForm) -> KeySystem:
    """Start a system inside the caller's transaction, with its masters; changes are added as they are sold.

    A system whose records the shop holds gets a top master drawn by chance and a plan of its chambers; the
    factory's gets symbols only. Raises NoBittingsLeft when the spec cannot hold what is asked.
    """
    name = form.name.strip()
    if not name:
        raise LedgerError("system", "Enter a name for the new key system.")
    if len(name) > 120:
        raise LedgerError("system", "A key system's name has at most 120 characters.")
    if not 1 <= form.levels <= 4:
        raise LedgerError("levels", "A key system has 1 to 4 levels.")
    if name_is_taken(work, form.customer_id, name):
        raise Taken("system", f"This customer has a key system named {name} already; choose it from the list.")
    keyway = find_keyway(work, form.keyway)
    most = BittingSpec.from_json(keyway.spec.spec).chambers
    if not 3 <= form.chambers <= most:
        raise LedgerError("chambers", f"Keyway {keyway.code} is cut for 3 to {most} chambers, not {form.chambers}.")
    system = add_system_row(work, replace(form, name=name), keyway)
    record(
        work,
        "key system started",
        f"key system {system.id}",
        f"{name}: {form.levels} levels on keyway {keyway.code}, records with {form.records.value}",
    )
    if form.levels > 1:
        _insert_masters(work, system, form)
    if form.records is RecordsHolder.SHOP and spec_of(system).control_offset is not None:
        insert_control(work, system)
    return system


def add_system_row(work: Work, form: SystemForm, keyway: Keyway) -> KeySystem:
    """The bare row of a system on a keyway, without keysets, inside the caller's transaction."""
    system = KeySystem(
        customer_id=form.customer_id,
        site_id=form.site_id,
        name=form.name,
        levels=form.levels,
        keyway=keyway.code,
        chambers=form.chambers,
        spec=keyway.spec,
        records=form.records,
        owner_of_record=form.owner_of_record,
        created_at=work.now,
    )
    work.session.add(system)
    work.session.flush()
    return system


def name_is_taken(work: Work, customer_id: int, name: str) -> bool:
    """Whether the customer has a key system of this name."""
    rows = sa.select(KeySystem.id).where(KeySystem.customer_id == customer_id, KeySystem.name == name)
    return work.session.scalar(rows) is not None


def find_keyway(work: Work, code: str) -> Keyway:
    """The keyway with this code; LedgerError names it when no maker has it."""
    keyway = work.session.scalar(sa.select(Keyway).where(Keyway.code == code))
    if keyway is None:
        raise LedgerError("keyway", f"No maker on record has a keyway {code[:24]!r}, so its bitting spec is unknown.")
    return keyway


def _insert_masters(work: Work, system: KeySystem, form: SystemForm) -> None:
    spec = spec_of(system)
    by_shop = form.records is RecordsHolder.SHOP
    plan = plan_clear(work, system, form)
    top = plan.tmk
    by_symbol: dict[str, Keyset] = {}
    for planned in plan.keysets:
        if planned.level.value == Level.CHANGE.value:
            continue
        keyset = Keyset(
            system=system,
            symbol=planned.symbol,
            level=Level(planned.level.value),
            parent=by_symbol.get(planned.parent or ""),
        )
        work.session.add(keyset)
        work.session.flush()
        by_symbol[planned.symbol] = keyset
        if by_shop:
            seal_bitting(work, system, keyset, planned.bitting)
    if by_shop:
        drawn_from = Plan(top, plan.roles, form.constants)
        seal_plan(work, system, drawn_from)
        system.capacity = sum(
            drawn_from.under(spec, CHANGE, planned.bitting).usable
            for planned in plan.keysets
            if planned.level.value == Level.MASTER.value
        )
    work.session.flush()


def single_keyed_system(
    work: Work, customer_id: int, keyway: str, chambers: int, records: RecordsHolder
) -> KeySystem:
    """The customer's book of cylinders under no master on this keyway, started where there is none."""
    name = single_keyed_name(keyway, chambers, records)
    found = work.session.scalar(
        sa.select(KeySystem).where(KeySystem.customer_id == customer_id, KeySystem.name == name)
    )
    return found or insert_system(work, SystemForm(customer_id, name, 1, keyway, chambers, records=records))


def single_keyed_name(keyway: str, chambers: int, records: RecordsHolder) -> str:
    """What a customer's book of single keys on a keyway is called."""
    suffix = "" if records is RecordsHolder.SHOP else f", keyed by the {records.value}"
    return f"Single keyed {keyway}, {chambers} chambers{suffix}"


def add_keysets(
    work: Work,
    system: KeySystem,
    count: int,
    master: str = "",
    *,
    under: Level = Level.MASTER,
    crossed: Sequence[Sequence[Keyset]] = (),
) -> list[Keyset]:
    """Add `count` keysets to a system inside the caller's transaction, each with a bitting nobody has yet.

    Under the master of that symbol ("" is the first); single keyed (`under` is Level.SINGLE) or in a system of
    one level, under none. Raises NoBittingsLeft (how many were asked, how many exist) or LedgerError; then
    nothing at all is saved.
    """
    single = system.levels == 1 or under is Level.SINGLE
    if not single and system.records is RecordsHolder.NOBODY:
        raise LedgerError(
            "system",
            f"Nobody holds the array and the list of bittings of {system.name}: it must not be extended. "
            "Key these cylinders single (SKD) or start a new system.",
        )
    if system.records is RecordsHolder.SHOP:
        _require_bittings(work, system)
    parent = None if single else find_master(work, system, master)
    symbols = _next_symbols(work, system, parent, count)
    keysets = []
    for symbol in symbols:
        level = Level.SINGLE if parent is None else Level.CHANGE
        keyset = Keyset(system=system, symbol=symbol, level=level, parent=parent)
        work.session.add(keyset)
        keysets.append(keyset)
    work.session.flush()
    if system.records is RecordsHolder.SHOP:
        seal_bittings(work, system, zip(keysets, next_cuts(work, system, parent, count, crossed), strict=True))
    work.session.flush()
    return keysets


def _require_bittings(work: Work, system: KeySystem) -> None:
    """Refuse to draw next to bittings that this house should hold and does not: none could be told from theirs."""
    rows = (
        sa.select(KeySystem.name, Keyset.symbol)
        .join(Keyset, Keyset.system_id == KeySystem.id)
        .outerjoin(Bitting, Bitting.keyset_id == Keyset.id)
        .where(
            KeySystem.customer_id == system.customer_id,
            KeySystem.keyway == system.keyway,
            KeySystem.records == RecordsHolder.SHOP,
            Bitting.id.is_(None),
        )
        .order_by(Keyset.id)
    )
    missing = work.session.execute(rows.limit(1)).first()
    if missing is not None:
        raise LedgerError(
            "system",
            f"The bitting of {missing.symbol} in {missing.name} is not in this house, so a key that is new might be "
            "the same. Put the sealed backup back first, or take the bitting list over.",
        )


def find_master(work: Work, system: KeySystem, symbol: str) -> Keyset:
    """The master of that symbol in a system, "" the first; LedgerError on `master` names those that there are."""
    rows = sa.select(Keyset).where(Keyset.system_id == system.id, Keyset.level == Level.MASTER).order_by(Keyset.id)
    masters = work.session.scalars(rows).all()
    if not masters:
        raise LedgerError("master", f"{system.name} has no masters on record: key these single (SKD).")
    for keyset in masters:
        if keyset.symbol == symbol or not symbol:
            return keyset
    raise LedgerError(
        "master",
        f"{system.name} has no master {symbol[:24]!r}; it has {', '.join(keyset.symbol for keyset in masters[:20])}.",
    )


def _next_symbols(work: Work, system: KeySystem, parent: Keyset | None, count: int) -> list[str]:
    siblings = sa.select(Keyset.symbol).where(Keyset.system_id == system.id)
    if parent is None:
        siblings = siblings.where(Keyset.level == Level.SINGLE)
    else:
        siblings = siblings.where(Keyset.parent_id == parent.id)
    last = max((number_of(symbol) for symbol in work.session.scalars(siblings)), default=0)
    numbers = range(last + 1, last + 1 + count)
    if parent is None:
        return [single_symbol(number) for number in numbers]
    return [change_level_symbol(system.levels, parent.symbol, number) for number in numbers]
