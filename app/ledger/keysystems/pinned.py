"""What a piece of metal is pinned to, under seal: whatever its keyset's bitting becomes, the pins are what turns."""

import json
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from typing import TypeAlias

import sqlalchemy as sa
from sqlalchemy.orm import selectinload

from app.keying import Bitting as Cuts
from app.keying import KeyStop, entering
from app.ledger.keysystems.bittings import open_bittings, spec_of
from app.ledger.keysystems.rows_aside import open_rows_aside
from app.ledger.keysystems.system_queries import (
    chambers_in,
    control_over,
    operators_of,
    sections_of,
    systems_sharing_keyway,
)
from app.ledger.keysystems.unsealed_system import WhatEnters, keys_aside
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work, require_current_key
from app.ledger.tables import Cylinder, CylinderOperator, CylinderState, Keyset, KeySystem

_STANDING = (CylinderState.PINNED, CylinderState.CHECKED, CylinderState.FITTED)
_AT_ONCE = 500


def pins_context(cylinder_id: int) -> str:
    """What a cylinder's sealed pins are bound to."""
    return f"pins of cylinder {cylinder_id}"


@dataclass(frozen=True, slots=True)
class Pinned:
    """The depths that shear in each chamber, bow to tip: `operating` for keys, `control` for what takes cores out."""

    operating: tuple[tuple[int, ...], ...] = field(repr=False)
    control: Cuts | None = field(repr=False)
    shallowest: int
    # How a key of another length enters, not what stands in the chambers: a spec's stop may be corrected.
    stop: KeyStop = field(default=KeyStop.SHOULDER, compare=False)

    def turned_by(self, cuts: Cuts) -> bool:
        """Whether a key turns it at the operating line or takes it out at the control line, never at both mixed.

        >>> core = Pinned(((3, 5), (4,)), (1, 2), 0)
        >>> core.turned_by((5, 4)), core.turned_by((1, 2)), core.turned_by((3, 2)), core.turned_by((3, 4, 9))
        (True, True, False, True)
        """
        entered = entering(cuts, len(self.operating), self.shallowest, self.stop)
        if self.control == entered:
            return True
        return all(cut in depths for cut, depths in zip(entered, self.operating, strict=True))

    def to_text(self) -> str:
        """As it is sealed."""
        return json.dumps(
            {"cuts": self.operating, "control": self.control, "shallowest": self.shallowest, "stop": self.stop}
        )

    @classmethod
    def of_text(cls, text: str) -> "Pinned":
        """What `to_text` wrote.

        >>> Pinned.of_text(Pinned(((3, 5), (4,)), (1, 2), 0).to_text()) == Pinned(((3, 5), (4,)), (1, 2), 0)
        True
        """
        given = json.loads(text)
        control = tuple(given["control"]) if given["control"] is not None else None
        # Pins sealed before keys could stop at the tip do not speak of it.
        stop = KeyStop(given.get("stop", KeyStop.SHOULDER))
        return cls(tuple(map(tuple, given["cuts"])), control, given["shallowest"], stop)


_Pins: TypeAlias = Mapping[int, Pinned]  # by cylinder


def seal_pins(work: Work, cylinders: Iterable[Cylinder]) -> None:
    """Seal what cylinders are pinned to by the bittings on record, in place of what was there, inside the caller's
    transaction. Those whose bittings the shop lacks have nothing sealed."""
    cylinders = list(cylinders)
    if not cylinders:
        return
    require_current_key(work)
    work.session.flush()
    pinned = _by_record(work, cylinders)
    for cylinder in cylinders:
        pins = pinned.get(cylinder.id)
        cylinder.sealed_pins = None if pins is None else work.vault.seal(pins.to_text(), pins_context(cylinder.id))


def freeze_pins(work: Work, cylinders: Iterable[Cylinder]) -> None:
    """The same for those pinned or fitted whose pins nobody has sealed yet: before they are removed, and before a
    keyset that operates them gets another bitting."""
    seal_pins(work, [one for one in cylinders if one.sealed_pins is None and one.state in _STANDING])


def turn_ball(work: Work, cylinders: Sequence[Cylinder], construction: Keyset, *, is_lost: bool) -> None:
    """Have the sealed pins of cylinders be without the balls of a construction key, or with them again, inside the
    caller's transaction, once the key is no operator of theirs any more, or is one again."""
    require_current_key(work)
    work.session.flush()
    cuts = open_bittings(work.session, work.vault, [construction.system], [construction.id]).get(construction.id)
    sealed, record = open_pins(work, cylinders), _by_record(work, cylinders)
    for cylinder in cylinders:
        if cuts is None or cylinder.id not in sealed or cylinder.id not in record:
            continue
        pins = sealed[cylinder.id]
        operating = tuple(
            tuple(sorted({*depths, cut} if not is_lost else {*depths} - ({cut} - {*permanent})))
            for depths, cut, permanent in zip(pins.operating, cuts, record[cylinder.id].operating, strict=True)
        )
        text = replace(pins, operating=operating).to_text()
        cylinder.sealed_pins = work.vault.seal(text, pins_context(cylinder.id))


def open_pins(work: Work, cylinders: Iterable[Cylinder]) -> dict[int, Pinned]:
    """Cylinder id → its pins, as far as they were sealed. For the house's own reckoning: whoever shows them to a
    person puts that on record (`note_reveal`)."""
    return {
        one.id: Pinned.of_text(work.vault.open(one.sealed_pins, pins_context(one.id)))
        for one in cylinders
        if one.sealed_pins is not None
    }


def turned_by(
    work: Work, keyset: Keyset, bittings: Collection[Cuts], cylinders: Sequence[Cylinder], pinned: _Pins | None = None
) -> tuple[Cylinder, ...]:
    """Those of these cylinders that a key of a keyset enters and, so cut, turns, or takes out as a control key.

    bittings: each that it may be cut to, now or once. By the pins that were sealed, else by the bittings on record
    (`pins_now`, where `pinned` has not them). A key of other length or another spec turns by what `cut_into` says.
    """
    keys = [(keyset, cuts) for cuts in bittings]
    return tuple(dict.fromkeys(one for _, _, one in turning(work, keys, cylinders, pinned)))


def turning(
    work: Work, keys: Collection[tuple[Keyset, Cuts]], cylinders: Sequence[Cylinder], pinned: _Pins | None = None
) -> tuple[tuple[Keyset, Cuts, Cylinder], ...]:
    """The same of many keys, each as it is cut: which turns which."""
    pinned = pins_now(work, cylinders) if pinned is None else pinned
    there = [(one, one.keyset) for one in cylinders if one.id in pinned and one.keyset is not None]
    systems = [*(keyset.system for keyset, _ in keys), *(own.system for _, own in there)]
    enters = WhatEnters.of(work.session, dict.fromkeys(systems))
    found = []
    for one, own in there:
        spec = replace(enters.specs[own.id], chambers=len(pinned[one.id].operating))
        for keyset, cuts in keys:
            cut = enters.cut_into(keyset.id, cuts, spec, enters.plugs[own.id])
            if cut and pinned[one.id].turned_by(cut):
                found.append((keyset, cuts, one))
    return tuple(found)


@contextmanager
def keeping_keys_aside_out(
    work: Work, system: KeySystem, cylinders: Sequence[Cylinder], field: str
) -> Iterator[None]:
    """Refuse, with a LedgerError on `field`, what is done meanwhile where a key of the customer's old lists that
    stands aside turns one of these cylinders by it, which are of this system, and did not turn it before.
    """
    before = _turned_by_keys_aside(work, system, cylinders)
    yield
    for words, cuts, one in _turned_by_keys_aside(work, system, cylinders):
        if (words, cuts, one) not in before:
            door = f"door {one.door.opening_number}" if one.door else "a cylinder on no door"
            raise LedgerError(
                field,
                f"{words[0].upper()}{words[1:]} stands aside, and its key may open {door} then, which it does not "
                "now. Nothing was saved: the owner settles that row on the system's page first.",
            )


def _turned_by_keys_aside(
    work: Work, system: KeySystem, cylinders: Sequence[Cylinder]
) -> tuple[tuple[str, Cuts, Cylinder], ...]:
    """Row aside, in words, as its key may be cut, and a cylinder that this turns."""
    work.session.flush()
    sections = sections_of(system)
    near = systems_sharing_keyway(work.session, sections, system.customer_id)
    if not cylinders or not open_rows_aside(work, near):
        return ()
    by_id = {one.id: one for each in near for one in each.keysets}
    aside = keys_aside(work, near, WhatEnters.of(work.session, near), sections, {})
    words = {(by_id[one.keyset_id], one.cuts): one.words for one in aside}
    return tuple((words[key, cuts], cuts, cylinder) for key, cuts, cylinder in turning(work, words, cylinders))


def pins_now(work: Work, cylinders: Sequence[Cylinder]) -> dict[int, Pinned]:
    """Cylinder id → its pins: as they were sealed, else by the bittings on record, as far as the shop has them."""
    pinned = open_pins(work, cylinders)
    return pinned | _by_record(work, [one for one in cylinders if one.id not in pinned])


def pinned_as_on_record(work: Work, cylinders: Iterable[Cylinder]) -> tuple[Cylinder, ...]:
    """Those of these cylinders that are pinned to just what the bittings on record say."""
    cylinders = list(cylinders)
    pinned, by_record = open_pins(work, cylinders), _by_record(work, cylinders)
    return tuple(one for one in cylinders if one.id in pinned and pinned[one.id] == by_record.get(one.id))


def _by_record(work: Work, cylinders: Sequence[Cylinder]) -> dict[int, Pinned]:
    """Cylinder id → its pins by the bittings on record, as far as the shop has them."""
    keyset_ids = sorted({one.keyset_id for one in cylinders if one.keyset_id is not None})
    crossed = _crossed(work, [one.id for one in cylinders])
    systems: dict[int, KeySystem] = {}
    for start in range(0, len(keyset_ids), _AT_ONCE):
        of_these = sa.select(Keyset.system_id).where(Keyset.id.in_(keyset_ids[start : start + _AT_ONCE]))
        loaded = (selectinload(KeySystem.keysets), selectinload(KeySystem.spec))
        rows = sa.select(KeySystem).where(KeySystem.id.in_(of_these)).options(*loaded)
        # A system of this transaction may have been loaded before its keysets were added.
        systems |= {one.id: one for one in work.session.scalars(rows.execution_options(populate_existing=True))}
    opened = open_bittings(work.session, work.vault, systems.values())
    by_id = {keyset.id: keyset for system in systems.values() for keyset in system.keysets}
    specs = {system.id: spec_of(system) for system in systems.values()}
    alike: dict[tuple[int, ...], Pinned] = {}  # by who operates it: many doors are pinned alike
    found = {}
    for cylinder in cylinders:
        if cylinder.keyset_id is None:
            continue
        own = by_id[cylinder.keyset_id]
        chain = [one.id for one in operators_of(own, is_nmk=cylinder.is_nmk, by_id=by_id)]
        operators = tuple(one for one in dict.fromkeys([*chain, *crossed[cylinder.id]]) if one in opened)
        if not operators:
            continue
        spec, control = specs[own.system_id], control_over(own, systems[own.system_id].keysets)
        chambers = chambers_in(spec.chambers, cylinder.chambers)
        if (own.system_id, chambers, *operators) not in alike:
            seen = [spec.entering(opened[one], chambers) for one in operators]
            depths = tuple(tuple(sorted(set(cuts))) for cuts in zip(*seen, strict=True))
            pulling = spec.entering(opened[control.id], chambers) if control and control.id in opened else None
            alike[own.system_id, chambers, *operators] = Pinned(depths, pulling, spec.first_depth, spec.stop)
        found[cylinder.id] = alike[own.system_id, chambers, *operators]
    return found


def _crossed(work: Work, cylinder_ids: Sequence[int]) -> Mapping[int, list[int]]:
    """Cylinder id → further keysets that operate it."""
    found: dict[int, list[int]] = defaultdict(list)
    for start in range(0, len(cylinder_ids), _AT_ONCE):
        ids = cylinder_ids[start : start + _AT_ONCE]
        rows = sa.select(CylinderOperator.cylinder_id, CylinderOperator.keyset_id)
        rows = rows.where(CylinderOperator.cylinder_id.in_(ids)).order_by(CylinderOperator.id)
        for cylinder_id, keyset_id in work.session.execute(rows):
            found[cylinder_id].append(keyset_id)
    return found
