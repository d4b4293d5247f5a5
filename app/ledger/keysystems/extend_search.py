"""Use cases: extend a system by a search with its keys fixed, where its array holds no more; seal what was found."""

from __future__ import annotations

from dataclasses import dataclass, field

from app.keying import Bitting as Cuts
from app.keying import BittingSpec, Extension, WantedKeysets, name_wanted
from app.ledger.keysystems.auditing import prove_no_interchange
from app.ledger.keysystems.bittings import open_plan
from app.ledger.keysystems.extending import (
    Added,
    ExtendForm,
    check_extension,
    insert_extension,
    why_not_extend,
    with_neighbours,
)
from app.ledger.keysystems.lost_masters import require_none_lost_above
from app.ledger.keysystems.system_queries import get_system
from app.ledger.keysystems.unsealed_system import open_system
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Level, Role

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
    """Name what is asked and open what is in service, its neighbours on the keyway too; saves nothing.

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
    keys, cylinders, _ = with_neighbours(work, opened)  # shorter cylinders there are held against it when sealed
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
