"""Use cases: look for bittings that make a cross-keying free of interchange; seal what was found.

Only keysets may change that no piece of metal has been made for: no key cut, no cylinder pinned.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from itertools import islice
from math import prod

import sqlalchemy as sa

from app.keying import Bitting as Cuts
from app.keying import CrossCost, audit, cross_cost, shearing_depths
from app.ledger.keysystems.auditing import prove_no_interchange
from app.ledger.keysystems.bittings import open_plan, seal_bitting
from app.ledger.keysystems.crosskeying import insert_operators, require_none_lost
from app.ledger.keysystems.crosspricing import CrossAsk, find_way, price_cross_keying
from app.ledger.keysystems.extending import with_neighbours
from app.ledger.keysystems.shearing import operates
from app.ledger.keysystems.unsealed_system import OpenedSystem, open_system
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Key, Keyset, KeyState, KeySystem, Level, Role

MOST_CANDIDATES = 4_000
_BELOW = {Level.MASTER: "C", Level.GRAND: "M", Level.GREAT_GRAND: "G"}


@dataclass(frozen=True, slots=True)
class ReadyCross:
    """A cross-keying that is searched for: which keysets may change, and all that they are held against."""

    system_id: int
    system_name: str
    ask: CrossAsk
    label: str
    now: CrossCost
    own: tuple[str, ...]
    all_keys: dict[str, Cuts] = field(repr=False)
    candidates: dict[str, list[Cuts]] = field(repr=False)
    cylinders: dict[str, tuple[str, ...]] = field(repr=False)

    @property
    def fixed(self) -> dict[str, Cuts]:
        """The keys that stay as they are."""
        return {symbol: cuts for symbol, cuts in self.all_keys.items() if symbol not in self.candidates}


def make_cross_ready(work: Work, opened: OpenedSystem, ask: CrossAsk) -> ReadyCross:
    """Which bittings may change and to what; saves nothing. Refuses where none may, or where none would help."""
    now = price_cross_keying(work, opened, ask)
    way = find_way(opened, ask.cylinder_id)
    listed = tuple(dict.fromkeys([*way.symbols, *ask.symbols]))
    involved = list(dict.fromkeys([*listed, *now.unintended]))
    free = _still_free(work, opened.system, involved)
    if not free:
        raise LedgerError(
            "symbols",
            f"Of {', '.join(involved)} each has a key cut or a cylinder pinned, or is a master: "
            "no bitting may change. See the other ways.",
        )
    staying = {symbol: cuts for symbol, cuts in opened.keys.items() if symbol not in free}
    clash = audit(staying, {way.label: [symbol for symbol in listed if symbol in staying]})
    if clash.unintended:
        raise LedgerError(
            "symbols",
            f"{', '.join(key for _, key in clash.unintended)} stays as it is, and operates this cylinder whatever "
            f"{', '.join(free)} are cut to. See the other ways.",
        )
    keys, cylinders, shorter = with_neighbours(work, opened)
    # A label may stand for several cylinders, of which one alone is cross-keyed.
    crossed = way.label if len(way.cylinders) == 1 else f"{way.label}, this one"
    cylinders[crossed] = listed
    candidates = {}
    fixed = [opened.keys[symbol] for symbol in listed if symbol not in free]
    for keyset in free.values():
        cuts = _candidates(work, opened, keyset, set(keys.values()), shorter)
        candidates[keyset.symbol] = sorted(cuts, key=lambda one: _combinations([*fixed, one]))
    return ReadyCross(
        opened.system.id, opened.system.name, ask, way.label, now, way.symbols, keys, candidates, cylinders
    )


def cost_with(ready: ReadyCross, found: Mapping[str, Cuts]) -> CrossCost:
    """What the cross-keying costs with the bittings found."""
    more = [symbol for symbol in ready.ask.symbols if symbol not in ready.own]
    return cross_cost({**ready.all_keys, **found}, {ready.label: ready.own}, ready.label, more)


def seal_cross_search(work: Work, ready: ReadyCross, found: Mapping[str, Cuts]) -> tuple[str, ...]:
    """Seal the bittings found and cross-key the cylinder; gives the keysets that changed.

    Raises Stale where a key was cut, a cylinder pinned or a bitting changed in between.
    """
    work.require(Role.BENCH)
    with transaction(work.session):
        opened = open_system(work, ready.system_id)
        changed = tuple(symbol for symbol, cuts in found.items() if cuts != ready.all_keys[symbol])
        free = _still_free(work, opened.system, list(found))
        if len(free) < len(found) or any(opened.keys.get(symbol) != ready.all_keys[symbol] for symbol in found):
            raise Stale()
        for symbol in changed:
            work.session.delete(free[symbol].bitting)
        work.session.flush()
        for symbol in changed:
            work.session.expire(free[symbol], ["bitting"])
            seal_bitting(work, opened.system, free[symbol], found[symbol])
        work.session.flush()
        require_none_lost(work, ready.ask.cylinder_id, ready.ask.symbols)
        added = insert_operators(work, ready.ask.cylinder_id, ready.ask.symbols)
        prove_no_interchange(work, [opened.system])
        record(
            work,
            "cross-keyed with new bittings",
            f"key system {opened.system.id}",
            f"A cylinder of {opened.system.name} is operated by {', '.join(added)} too; "
            + (f"{', '.join(changed)} got new bittings" if changed else "no bitting had to change"),
            combinations_before=ready.now.before,
            combinations_after=cost_with(ready, found).after,
        )
        return changed


def _still_free(work: Work, system: KeySystem, symbols: list[str]) -> dict[str, Keyset]:
    """Those of these keysets that nothing is cut or pinned to yet and that no other keyset hangs under."""
    by_symbol = {keyset.symbol: keyset for keyset in system.keysets}
    parents = {keyset.parent_id for keyset in system.keysets}
    wanted = [
        keyset
        for keyset in (by_symbol.get(symbol) for symbol in symbols)
        if keyset is not None and keyset.level is Level.CHANGE and keyset.parent_id and keyset.id not in parents
    ]
    ids = [keyset.id for keyset in wanted]
    cut = sa.select(Key.keyset_id).where(Key.keyset_id.in_(ids), Key.state != KeyState.ORDERED)
    pinned = sa.select(Cylinder.keyset_id).where(
        Cylinder.keyset_id.in_(ids), Cylinder.state.not_in((CylinderState.ORDERED, CylinderState.REMOVED))
    )
    taken = {*work.session.scalars(cut), *work.session.scalars(pinned)}
    return {keyset.symbol: keyset for keyset in wanted if keyset.id not in taken}


def _candidates(
    work: Work, opened: OpenedSystem, keyset: Keyset, issued: set[Cuts], shorter: list[list[set[int]]]
) -> list[Cuts]:
    """The bittings that a keyset may take: its own, then those of its place in the array that nobody has."""
    own = opened.keys[keyset.symbol]
    plan = open_plan(work.vault, opened.system)
    above = next((one for one in opened.system.keysets if one.id == keyset.parent_id), None)
    role = _BELOW.get(above.level) if above is not None else None
    if plan is None or above is None or above.symbol not in opened.keys or role is None or role not in plan.roles:
        return [own]
    run = plan.under(opened.spec, role, opened.keys[above.symbol])
    rest = (cuts for cuts in run if cuts not in issued and not any(operates(cuts, stack) for stack in shorter))
    return [own, *islice(rest, MOST_CANDIDATES)]


def _combinations(keys: list[Cuts]) -> int:
    return prod(len(depths) for depths in shearing_depths(keys))
