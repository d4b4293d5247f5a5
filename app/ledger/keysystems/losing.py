"""Use case: a key is lost. What it exposes, the rekey plan, and the lines of a quote for it."""

from __future__ import annotations

__all__ = ["LossPlan", "RekeyLine", "plan_for_loss"]

from collections import defaultdict
from dataclasses import dataclass

import sqlalchemy as sa

from app.keying import LostKey, lost_key
from app.ledger.engine import transaction
from app.ledger.errors import LedgerError
from app.ledger.events.actions import record
from app.ledger.keysystems.control import CONTROL_SYMBOL
from app.ledger.keysystems.models import Key, Keyset, KeyState, KeySystem
from app.ledger.keysystems.opened import OpenedSystem, Way, open_system
from app.ledger.users.models import Role
from app.ledger.work import Work

SECONDS = 6.0


@dataclass(frozen=True, slots=True)
class RekeyLine:
    """Cylinders of one type, chambers and keyway to rekey, and where they are.

    `operators`: keysets beside the own and the masters above it that operate them, so each has to be told again.
    """

    type: str
    chambers: int
    keyway: str
    quantity: int
    doors: tuple[str, ...]
    operators: tuple[str, ...]
    is_nmk: bool


@dataclass(frozen=True, slots=True)
class LossPlan:
    """What the lost key exposes, and the plan in cylinders and keys; `keys` is new keys to cut by keyset."""

    system: KeySystem
    lost: LostKey
    exposed: tuple[Way, ...]
    repin: tuple[Way, ...]
    keys: tuple[tuple[str, int], ...]
    lines: tuple[RekeyLine, ...]

    @property
    def exposed_cylinders(self) -> int:
        """How many cylinders the lost key operates."""
        return sum(len(way.cylinders) for way in self.exposed)

    @property
    def repinned_cylinders(self) -> int:
        """How many cylinders the plan rekeys."""
        return sum(len(way.cylinders) for way in self.repin)


def plan_for_loss(work: Work, system_id: int, symbol: str) -> LossPlan:
    """The plan with fewest cylinders to rekey, then fewest keys to cut anew. Shows no bitting.

    A lost control key takes every core of the system out: each is pinned anew for another one.
    """
    work.require(Role.COUNTER, Role.BENCH)
    opened = open_system(work, system_id)
    is_control = symbol == CONTROL_SYMBOL and opened.control is not None
    if symbol not in opened.keys and not is_control:
        raise LedgerError("keyset", f"{opened.system.name} has no keyset {symbol[:24]} with a bitting in the shop.")
    copies = _copies(work, opened)
    single = _one_by_one(opened)
    if is_control:
        lost = LostKey(symbol, tuple(single), (symbol,), tuple(single), copies[symbol], {}, True)
    else:
        lost = lost_key(opened.keys, single, symbol, copies, seconds=SECONDS)
    exposed = _ways(opened, lost.exposed)
    repin = _ways(opened, lost.repin)
    plan = LossPlan(
        opened.system,
        lost,
        exposed,
        repin,
        tuple((key, copies[key]) for key in lost.replace),
        _lines(opened.system, repin),
    )
    with transaction(work.session):
        record(
            work,
            "lost key looked at",
            f"key system {system_id}",
            f"{opened.system.name}: a key of {symbol} exposes {plan.exposed_cylinders} cylinders; "
            f"the plan rekeys {plan.repinned_cylinders} and cuts {lost.keys_to_cut} keys",
        )
    return plan


def _lines(system: KeySystem, repin: tuple[Way, ...]) -> tuple[RekeyLine, ...]:
    """One line for cylinders of a kind; those that are cross-keyed alike, or NMK, stand apart."""
    doors: dict[tuple[str, int, str, tuple[str, ...], bool], list[str]] = defaultdict(list)
    for way in repin:
        for cylinder in way.cylinders:
            kind = (cylinder.type, cylinder.chambers or system.chambers, cylinder.keyway or system.keyway)
            crossed = tuple(operator.keyset.symbol for operator in cylinder.operators)
            doors[*kind, crossed, cylinder.is_nmk].append(cylinder.door.opening_number if cylinder.door else "")
    return tuple(
        RekeyLine(type_, chambers, keyway, len(there), tuple(filter(None, there)), crossed, is_nmk)
        for (type_, chambers, keyway, crossed, is_nmk), there in sorted(doors.items())
    )


def _one_by_one(opened: OpenedSystem) -> dict[str, tuple[str, ...]]:
    """Every cylinder by itself, so that the plan with fewest cylinders counts doors and not kinds of cylinder."""
    known = opened.cylinders
    return {
        f"{label}\0{number}": symbols
        for label, symbols in known.items()
        for number in range(len(opened.ways[label].cylinders))
    }


def _ways(opened: OpenedSystem, names: tuple[str, ...]) -> tuple[Way, ...]:
    return tuple(opened.ways[label] for label in dict.fromkeys(name.partition("\0")[0] for name in names))


def _copies(work: Work, opened: OpenedSystem) -> dict[str, int]:
    """Keys out or about to be, by symbol: each is to be cut anew when its keyset is replaced."""
    rows = work.session.execute(
        sa.select(Keyset.symbol, sa.func.count(Key.id))
        .join(Key, Key.keyset_id == Keyset.id)
        .where(Keyset.system_id == opened.system.id, Key.state.not_in((KeyState.RETIRED, KeyState.LOST)))
        .group_by(Keyset.symbol)
    )
    known = dict(rows.all())
    return {symbol: known.get(symbol, 1) for symbol in (*opened.keys, CONTROL_SYMBOL)}
