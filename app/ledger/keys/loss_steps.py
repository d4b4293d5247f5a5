"""What to do after a loss that no quote can make good: a master, a top or a control key, a matrix, the factory's."""

from __future__ import annotations

from collections.abc import Sequence

import sqlalchemy as sa

from app.keying import LostKey
from app.ledger.keysystems.control import CONTROL_SYMBOL, has_control_keys
from app.ledger.keysystems.unsealed_system import OpenedSystem, Way
from app.ledger.store.work import Work
from app.ledger.tables import Event, Key, Keyset, KeyState, KeySystem, Level, RecordsHolder

OF_A_MATRIX = "key system made of a matrix"
_AT_HAND = (KeyState.CUT, KeyState.OUT, KeyState.RETURNED)


def steps_of_loss(work: Work, opened: OpenedSystem, lost: LostKey, repin: Sequence[Way]) -> tuple[str, ...]:
    """The steps, as sentences; () where a quote with rekey lines carries the plan out.

    A quote draws new changes under a master, and new single keys, of a system whose array the shop holds.
    """
    system, count = opened.system, _count(repin)
    by_symbol = {keyset.symbol: keyset for keyset in system.keysets}
    replaced = [by_symbol[symbol] for symbol in lost.replace]
    if system.records is not RecordsHolder.SHOP:
        return _elsewhere(system, lost.symbol, count)
    if lost.symbol == CONTROL_SYMBOL:
        return _control(work, system, count)
    if tops := [one for one in replaced if one.level in (Level.GREAT_GRAND, Level.GRAND) or _is_top(one)]:
        return _top(system, tops[0], count)
    if _is_of_a_matrix(work, system):
        return _matrix(system, lost.symbol, count)
    if masters := [one for one in replaced if one.level is Level.MASTER]:
        return _master(system, masters[0], count, repin)
    changes = [one for one in replaced if one.level is Level.CHANGE]
    if changes and system.sealed_plan is None:
        return _without_array(system, lost.symbol, count)
    if beside := [one for one in changes if one.parent is None or one.parent.level is not Level.MASTER]:
        return _under_no_master(beside[0], count)
    return ()


def _count(repin: Sequence[Way]) -> str:
    return _pieces(sum(len(way.cylinders) for way in repin))


def _pieces(number: int) -> str:
    return f"{number:,} cylinder{'' if number == 1 else 's'}"


def _their(count: str) -> str:
    return "its" if count == _pieces(1) else "their"


def _is_top(keyset: Keyset) -> bool:
    return keyset.level is Level.MASTER and keyset.parent is None


def _is_of_a_matrix(work: Work, system: KeySystem) -> bool:
    told = sa.select(Event.id).where(Event.subject == f"key system {system.id}", Event.kind == OF_A_MATRIX)
    return work.session.scalar(told.limit(1)) is not None


def _last(symbol: str) -> str:
    return (
        f"Hand over, take the other keys of {symbol} back and retire them. {symbol} stays on record as lost: nothing "
        "new is keyed to it or under it."
    )


def _elsewhere(system: KeySystem, symbol: str, count: str) -> tuple[str, ...]:
    if system.records is RecordsHolder.NOBODY:
        return (
            f"Nobody holds the array and the list of bittings of {system.name}, so nothing new can be drawn in it: "
            f"quote the {count} as rekeyed single (SKD or KD), or into a new key system.",
            "Name their doors when the quote is accepted.",
            _last(symbol),
        )
    return (
        f"The factory keeps the records of {system.name}: ask it for a new keyset in place of {symbol}, and which "
        "other cylinders the lost key turns; this house knows only those above.",
        f"Order the {count} and {_their(count)} keys there under the new keyset; they are not rekeyed on our bench.",
        _last(symbol),
    )


def _control(work: Work, system: KeySystem, count: str) -> tuple[str, ...]:
    left = sa.select(Key.id).join(Keyset, Keyset.id == Key.keyset_id)
    left = left.where(Keyset.system_id == system.id, Keyset.level == Level.CONTROL, Key.state.in_(_AT_HAND))
    if work.session.scalar(left.limit(1)) is not None or has_control_keys(work.session, system):
        taken_out = f"Take the {count} out with a control key that is left"
    else:
        taken_out = (
            "No control key is left: before its bitting is changed, order one more on the page of the system's keys, "
            f"and cut it. Take the {count} out with it"
        )
    return (
        f"Choose a new control key for {system.name}: on the page Correct a bitting it is tried against every core "
        "before it is saved.",
        f"{taken_out}, and pin {'it' if count == _pieces(1) else 'them'} for the new one.",
        "The owner enters it there for CONTROL and ticks that the cores are repinned; with that the loss is over.",
        "Order new control keys on the page of the system's keys, and retire the old ones.",
    )


def _top(system: KeySystem, top: Keyset, count: str) -> tuple[str, ...]:
    return (
        f"{top.symbol} is over all that hangs under it in {system.name}, and its bitting is in every cylinder there: "
        "begin a new key system (Plan a system), with the same levels.",
        f"Quote the {count} as rekeyed into the new system, in phases where not all doors can be done in a day.",
        "Name their doors when each quote is accepted.",
        _last(top.symbol),
    )


def _master(system: KeySystem, master: Keyset, count: str, repin: Sequence[Way]) -> tuple[str, ...]:
    if system.sealed_plan is None:
        return _without_array(system, master.symbol, count)
    above = master.parent.symbol if master.parent else ""
    pieces = [cylinder for way in repin for cylinder in way.cylinders]
    under = {master.id, *(keyset.id for keyset in system.keysets if keyset.parent_id == master.id)}
    own = [cylinder for cylinder in pieces if cylinder.keyset_id in under]
    steps = [
        f"Add one master under {above} beside {master.symbol}, on the page Extend of {system.name}, with no changes.",
        f"Quote as rekeyed under the new master what hangs under {master.symbol}: {_pieces(len(own))} on "
        f"{len({cylinder.keyset_id for cylinder in own}):,} keysets. Name the doors when the quote is accepted.",
    ]
    if len(own) < len(pieces):
        steps.append(
            f"Quote as rekeyed under its own master what {master.symbol} opens elsewhere: "
            f"{_pieces(len(pieces) - len(own))}. Name the new master as operated by in the door list. Where a door's "
            "new keyset is refused there, add some changes to its master (Extend), and name one that is accepted."
        )
    return (*steps, _last(master.symbol))


def _matrix(system: KeySystem, symbol: str, count: str) -> tuple[str, ...]:
    return (
        f"{system.name} was made of a matrix of who opens what: have the matrix searched anew, as a new key system, "
        f"with whoever holds {symbol} in it.",
        f"Quote the {count} as rekeyed into it, and paste the matrix's own list of doors when it is accepted.",
        _last(symbol),
    )


def _without_array(system: KeySystem, symbol: str, count: str) -> tuple[str, ...]:
    return (
        f"The shop has no array of {system.name}, so no new bitting can be drawn beside those in service: quote the "
        f"{count} as rekeyed single (SKD or KD), or into a new key system.",
        "Name their doors when the quote is accepted.",
        _last(symbol),
    )


def _under_no_master(keyset: Keyset, count: str) -> tuple[str, ...]:
    above = keyset.parent.symbol if keyset.parent else "no master"
    return (
        f"{keyset.symbol} hangs under {above}, and a quote draws new keysets under a master only: add its successor "
        f"on the page Extend, directly under {above}.",
        f"Quote the {count} as rekeyed, and name the new keyset beside their doors when the quote is accepted.",
        _last(keyset.symbol),
    )
