"""Construction keying: the key that contractors carry until a building is handed over, and what it turns meanwhile.

By a construction master, CMK, cylinders are set up with balls (app/keying/construction.py): CMK is one of the keysets
that operate them until it is made dead. By construction cores, the house's own hang on the doors, alike to CMK and
taken out with CCK, until the permanent cores come. CMK and CCK are abbreviations of the trade (from memory).
"""

from collections.abc import Collection, Iterable, Sequence
from enum import StrEnum

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.keying import Bitting as Cuts
from app.keying import NoBittingsLeft, audit, can_be_set_up, find_construction_key
from app.ledger.keysystems.bittings import add_keyset, open_bittings, spec_of
from app.ledger.keysystems.control import draw_free_control
from app.ledger.keysystems.keysets import draw_singles
from app.ledger.keysystems.lost_keysets import lost_keysets, open_lost_bittings
from app.ledger.keysystems.system_queries import chambers_in, operating_keysets, sections_of, systems_sharing_keyway
from app.ledger.keysystems.unsealed_system import SystemsInService, WhatEnters, keys_aside
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import (
    Cylinder,
    CylinderOperator,
    CylinderState,
    Keyset,
    KeySystem,
    Level,
    RecordsHolder,
)

CONSTRUCTION_SYMBOL, CONSTRUCTION_CONTROL_SYMBOL = "CMK", "CCK"
_MOST_FOUND = 20
LENT = "Construction core, lent until the building is handed over"
CORE_TYPES = ("sfic", "lfic")


class ConstructionWay(StrEnum):
    """How a building site is keyed until it is handed over; NONE: with its own keys from the start."""

    NONE = ""
    MASTER = "master"
    CORES = "cores"

    def takes(self, cylinder_type: str) -> bool:
        """Whether cylinders of a type can be keyed so: balls want a plug drilled for them, cores a housing.

        >>> ConstructionWay.MASTER.takes("sfic"), ConstructionWay.CORES.takes("sfic")
        (False, True)
        """
        is_core = cylinder_type in CORE_TYPES
        return (self is ConstructionWay.MASTER and not is_core) or (self is ConstructionWay.CORES and is_core)


SHORTER_THAN_KEYS = (
    "A cylinder with fewer chambers than its keys have cuts may have none for a ball: leave construction keying out "
    "here, or use construction cores."
)


def is_construction_symbol(symbol: str) -> bool:
    """Whether a keyset of this symbol stands beside the levels, for as long as a site is built.

    >>> is_construction_symbol("CMK2"), is_construction_symbol("CCK"), is_construction_symbol("C1")
    (True, True, False)
    """
    letters, number = symbol.rstrip("0123456789"), symbol.lstrip("CKM")
    return letters in (CONSTRUCTION_SYMBOL, CONSTRUCTION_CONTROL_SYMBOL) and number not in ("0", "1")


def control_of(symbol: str) -> str:
    """The symbol of the control key of the cores that are keyed to a construction key.

    >>> control_of("CMK2")
    'CCK2'
    """
    return symbol.replace(CONSTRUCTION_SYMBOL, CONSTRUCTION_CONTROL_SYMBOL)


def construction_symbol(session: Session, system: KeySystem | None, way: ConstructionWay) -> str:
    """The symbol of the construction key that a job's cylinders get: of the one that still turns something there, so
    that a site has one, and of which no key is lost; else a new one's. system: None of one that is to be started.
    """
    keysets = system.keysets if system else []
    there = {one.symbol for one in keysets}
    if live := _live(session, keysets, way):
        return live.symbol
    numbers = ("", *map(str, range(2, len(there) + 3)))
    return next(symbol for symbol in (f"{CONSTRUCTION_SYMBOL}{one}" for one in numbers) if symbol not in there)


def _live(session: Session, keysets: Iterable[Keyset], way: ConstructionWay) -> Keyset | None:
    keysets = list(keysets)
    there = {one.symbol: one for one in keysets}
    for one in keysets:
        control = there.get(control_of(one.symbol))
        if (
            one.level is Level.CONSTRUCTION
            and (control is not None) is (way is ConstructionWay.CORES)
            and not one.is_retired
            and turned_by_construction(session, [one.id])
            and not lost_keysets(session, [one.id, *([control.id] if control else [])])
        ):
            return one
    return None


def turned_by_construction(session: Session, keyset_ids: Collection[int]) -> Sequence[Cylinder]:
    """The cylinders that construction keys of these keysets turn still, or will: not made dead, not taken out."""
    alive = sa.select(CylinderOperator.cylinder_id).where(CylinderOperator.keyset_id.in_(keyset_ids))
    rows = sa.select(Cylinder).where(sa.or_(Cylinder.id.in_(alive), Cylinder.keyset_id.in_(keyset_ids)))
    return session.scalars(rows.where(Cylinder.state != CylinderState.REMOVED).order_by(Cylinder.id)).all()


def set_up(work: Work, system: KeySystem, symbol: str, cylinders: Sequence[Cylinder]) -> Keyset:
    """Have a construction master operate cylinders until it is made dead, inside the caller's transaction.

    LedgerError or NoBittingsLeft on `construction` where none can.
    """
    work.session.flush()
    keyset = next((one for one in system.keysets if one.symbol == symbol), None)
    cuts = _for_balls(work, system, keyset, cylinders) if system.records is RecordsHolder.SHOP else None
    if keyset is None:
        keyset = add_keyset(work, system, symbol, Level.CONSTRUCTION, cuts=cuts)
    for cylinder in cylinders:
        cylinder.operators.append(CylinderOperator(keyset_id=keyset.id))
    work.session.flush()
    return keyset


def _for_balls(work: Work, system: KeySystem, keyset: Keyset | None, cylinders: Sequence[Cylinder]) -> Cuts:
    """The cuts of a construction key that turns just these cylinders besides those that it turns already."""
    sections = frozenset(sections_of(system))
    neighbors = systems_sharing_keyway(work.session, sections, system.customer_id)
    opened, enters = open_bittings(work.session, work.vault, neighbors), WhatEnters.of(work.session, neighbors)
    spec = spec_of(system)
    if any(chambers_in(system.chambers, one.chambers) < system.chambers for one in cylinders):
        raise LedgerError("construction", SHORTER_THAN_KEYS)
    held = [(str(one), one, cuts) for one, cuts in opened.items()]
    for number, (lost, cuts) in enumerate(open_lost_bittings(work, neighbors)):
        held.append((f"lost {number}", lost.id, cuts))
    held += [(one.name, one.keyset_id, one.cuts) for one in keys_aside(work, neighbors, enters, sections, opened)]
    met = ((name, enters.cut_into(one, cuts, spec)) for name, one, cuts in held if enters.entered[one] & sections)
    keys = {name: cuts for name, cuts in met if cuts}
    known = {
        way: [str(one.id) for one in keysets if str(one.id) in keys and not one.level.takes_cores_out]
        for way, (keysets, _) in operating_keysets(work.session, neighbors).items()
        if enters.specs[keysets[0].id] == spec and enters.plugs[keysets[0].id] in sections
    }
    by_id = {one.id: one for one in system.keysets}
    ways = dict.fromkeys(tuple(str(one) for one in _permanent(cylinder, by_id)) for cylinder in cylinders)
    wanted = {f"set up {number}": [*way] for number, way in enumerate(ways)}
    if any(one not in keys for way in ways for one in way):
        raise LedgerError("construction", "A cylinder waits for a key to be decoded: key it when that is done.")
    before = {way: meant for way, meant in known.items() if meant} | wanted
    if keyset is None:
        everybody = systems_sharing_keyway(work.session, sections)
        avoid = {*SystemsInService.of(work, everybody, spec, sections).keys}
        there = SystemsInService.of(work, neighbors, spec, sections)
        for _ in range(_MOST_FOUND):
            found = find_construction_key(spec, keys, before, list(wanted), avoid)
            if not there.turns_any(found):  # of another keyway that it enters, too
                return found
            avoid.add(found)
        raise NoBittingsLeft(
            "construction", "No construction key was found that opens no other door of the customer."
        )
    cuts = keys[str(keyset.id)]
    own = [[keys[one] for one in way] for way in ways]
    now = before | {way: [*meant, str(keyset.id)] for way, meant in wanted.items()}
    grown = {*audit(keys, now).unintended} - {*audit(keys, before).unintended}
    if grown or not all(can_be_set_up(spec, one, cuts) for one in own):
        told = f"Not all of these cylinders can be set up for {keyset.symbol}, which the site has already"
        raise LedgerError("construction", f"{told}: leave construction keying out here, or use construction cores.")
    return cuts


def _permanent(cylinder: Cylinder, by_id: dict[int, Keyset]) -> list[int]:
    found, step = [], cylinder.keyset
    while step is not None:
        found.append(step.id)
        step = by_id.get(step.parent_id or 0) if not cylinder.is_nmk else None
    return [*dict.fromkeys([*found, *(one.keyset_id for one in cylinder.operators)])]


def lend_cores(work: Work, system: KeySystem, symbol: str, permanent: Sequence[Cylinder]) -> Keyset:
    """Have a construction core stand in for each permanent one on its door, all alike and on the system's own keyway,
    inside the caller's transaction. They are no line's: the house has them back. NoBittingsLeft where no key for them
    is left.
    """
    work.session.flush()
    keyset = next((one for one in system.keysets if one.symbol == symbol), None)
    if keyset is None:
        spec = spec_of(system)
        near = systems_sharing_keyway(work.session, sections_of(system), system.customer_id)
        there = SystemsInService.of(work, near, spec, sections_of(system))
        [cuts] = draw_singles(spec, work.rng, there, 1)
        everybody = systems_sharing_keyway(work.session, sections_of(system))
        avoid = {cuts, *SystemsInService.of(work, everybody, spec, sections_of(system)).keys}
        control = draw_free_control(spec, work.rng, {symbol: cuts}, there, avoid)
        keyset = add_keyset(work, system, symbol, Level.CONSTRUCTION, cuts=cuts)
        add_keyset(
            *(work, system, control_of(symbol), Level.CONSTRUCTION_CONTROL),
            cuts=control,
            purpose="takes the construction cores out",
        )
    work.session.add_all(
        Cylinder(
            job_id=one.job_id,
            door_id=one.door_id,
            position=one.position,
            words=LENT,
            type=one.type,
            chambers=one.chambers,
            drilled=one.drilled,
            keyway=system.keyway,
            keyset_id=keyset.id,
        )
        for one in permanent
    )
    work.session.flush()
    return keyset
