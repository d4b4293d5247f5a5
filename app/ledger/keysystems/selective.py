"""Use cases: a selective master, whose key operates chosen cylinders under any masters and nothing else.

At most one a system. (ANSI/BHMA A156.28-2018, text extract)
"""

import re
from contextlib import suppress
from dataclasses import dataclass, replace

from app.keying import Bitting as Cuts
from app.keying import KeyingError, SelectiveMaster, read_symbol, selective_masters
from app.ledger.keysystems.auditing import prove_no_interchange
from app.ledger.keysystems.bittings import (
    add_keyset,
    count_capacity,
    open_bittings,
    open_plan,
    put_plan_away,
    spec_of,
)
from app.ledger.keysystems.extending import why_not_extend
from app.ledger.keysystems.lost_keysets import open_lost_bittings
from app.ledger.keysystems.system_queries import get_system, sections_of, systems_sharing_keyway
from app.ledger.keysystems.unsealed_system import SystemsInService
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.events import record
from app.ledger.store.work import Work
from app.ledger.tables import Keyset, KeySystem, Level, Role

USUAL_SYMBOL = "ENG"
PUBLISHED_COST = "20 to 25 %"
"""What one costs of a system's capacity. (ANSI/BHMA A156.28-2018, text extract)"""
_TAKEN = ("NMK", "CTR", "CONTROL", "SKD", "KD", "KA", "MK", "GMK")


@dataclass(frozen=True, slots=True)
class SelectivePlace:
    """What a selective master of a system would be, and what the system's capacity is without and with it."""

    place: SelectiveMaster
    cuts: Cuts
    top: Keyset
    capacity: int
    capacity_with: int


def selective_of(system: KeySystem) -> Keyset | None:
    """The selective master of a system, if it has one."""
    return next((one for one in system.keysets if one.level is Level.SELECTIVE), None)


def read_selective(levels: int, symbol: str) -> str:
    """The symbol of a selective master, as it stands in parentheses behind others; LedgerError on `selective`.

    >>> read_selective(3, " eng ")
    'ENG'
    """
    name = symbol.strip().upper()
    if not re.fullmatch("[A-Z]{2,10}", name) or name in _TAKEN:
        raise LedgerError("selective", "Enter 2 to 10 letters, such as ENG; NMK and the like are taken.")
    with suppress(KeyingError):
        read_symbol(name, levels=levels)
        raise LedgerError(
            "selective",
            f"In a system of {levels} levels {name} is a master's symbol: take a name with an I or an O, or a longer "
            "one.",
        )
    return name


def find_place(work: Work, system: KeySystem) -> SelectivePlace:
    """Where a selective master has room in a system, the place that costs least; LedgerError on `selective` says why
    there is none. Opens bittings for the house's own reckoning.
    """
    if (there := selective_of(system)) is not None:
        raise LedgerError("selective", f"{system.name} has {there.symbol} already: at most one a system.")
    if why := why_not_extend(work, system):
        raise LedgerError("selective", why)
    plan = open_plan(work.vault, system)
    top = next((one for one in system.keysets if one.level.is_upper and one.parent_id is None), None)
    opened = open_bittings(work.session, work.vault, [system])
    if plan is None or top is None or opened.get(top.id) != plan.tmk:
        raise LedgerError(
            "selective",
            f"{system.name} has no top master in an array, whose cuts a selective master would share: cross-key the "
            "doors one by one instead.",
        )
    spec = spec_of(system)
    lost = (cuts for _, cuts in open_lost_bittings(work, [system]))
    controls = {one.id for one in system.keysets if one.level is Level.CONTROL}
    taken = [*(cuts for number, cuts in opened.items() if number not in controls), *lost]
    sharing = systems_sharing_keyway(work.session, sections_of(system), system.customer_id)
    there_now = SystemsInService.of(work, sharing, spec, sections_of(system))
    before = count_capacity(work, system)
    for place in selective_masters(spec, plan.tmk, plan.roles, taken):
        cuts = place.cuts(plan.tmk)
        if cuts not in there_now.keys and not there_now.clashes(cuts, [plan.tmk]):
            withheld = replace(plan, withheld=(place.chamber, place.depth))
            return SelectivePlace(place, cuts, top, before, count_capacity(work, system, withheld))
    raise LedgerError(
        "selective",
        "In every chamber each depth of the array is on a key already, so none is left that a selective master alone "
        "could have: cross-key the doors one by one instead.",
    )


def add_selective(work: Work, system_id: int, symbol: str) -> SelectivePlace:
    """Give a system in service its selective master: its bitting is sealed, and the array hands its depth out no
    more; bench or owner, an event.
    """
    work.require(Role.BENCH)
    with transaction(work.session):
        system = get_system(work.session, system_id)
        name = read_selective(system.levels, symbol)
        found = find_place(work, system)
        insert_selective(work, system, found.top, name, found.place)
        system.capacity = found.capacity_with
        work.session.expire(system, ["keysets"])
        prove_no_interchange(work, [system])
        return found


def insert_selective(work: Work, system: KeySystem, top: Keyset, symbol: str, place: SelectiveMaster) -> Keyset:
    """Add the selective master under the top, inside the caller's transaction, and withhold its depth from now on."""
    plan = open_plan(work.vault, system)
    if plan is None:
        raise LedgerError("selective", f"{system.name} has no array.")
    if any(one.symbol == symbol for one in system.keysets):
        raise LedgerError("selective", f"{system.name} has a keyset {symbol}: take another name.")
    keyset = add_keyset(work, system, symbol, Level.SELECTIVE, top, place.cuts(plan.tmk))
    put_plan_away(work, system, replace(plan, withheld=(place.chamber, place.depth)))
    record(
        work,
        "selective master added",
        f"key system {system.id}",
        f"{symbol} of {system.name}: of the array's {place.before:,} bittings {place.before - place.after:,} are "
        f"withheld, {place.cost_percent} % (published: {PUBLISHED_COST})",
    )
    return keyset
