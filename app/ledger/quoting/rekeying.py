"""Lines for cylinders on record, which stay on their doors: rekeyed where they hang, or new ones that were planned.

A rekey job changes the pins of what hangs; a new cylinder takes its keyset and operators from what was planned.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session, joinedload, selectinload

from app.errors import BitternError
from app.fitting import CylinderAttributes
from app.ledger.quoting.loss_lines import PlanOfQuote
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest
from app.ledger.quoting.resolving import Resolved
from app.ledger.sites.cylinders import making_way, standing
from app.ledger.sites.doors import with_remarks
from app.ledger.tables import (
    Cylinder,
    CylinderOperator,
    CylinderState,
    Door,
    Keyset,
    KeySystem,
    Level,
    LineKind,
    Maker,
)
from app.pricing import KeyingKind
from app.validation import first_of

_KEPT = ("length", "chambers", "drilled", "keyway", "cam", "tailpiece", "finish")
_KINDS = {2: KeyingKind.MK, 3: KeyingKind.GMK, 4: KeyingKind.GGMK}
_NAMED = 12
_ANEW = "remove the line, and quote the planned doors anew"


def on_door(door: Door | None, position: str) -> Cylinder | None:
    """The cylinder on record at a position of a door; None where none is known."""
    there = standing(door) if door is not None else ()
    return next((one for one in there if one.position.casefold() == position.casefold()), None)


def keep_what_it_is(cylinder: Cylinder, there: Cylinder, said: CylinderAttributes) -> None:
    """Carry part number, maker, finish, measures, words and remarks over from the cylinder on record.

    What the job says of the cylinder (`said`) goes first; a cylinder of another type is not the one on record.
    """
    if said.type and there.type and said.type != there.type:
        return
    cylinder.maker_id = there.maker_id or cylinder.maker_id
    cylinder.part_number = there.part_number or cylinder.part_number
    cylinder.type = said.type or there.type
    cylinder.remarks = with_remarks(there.remarks, cylinder.remarks, " · ")
    for name in _KEPT:
        if not getattr(said, name):
            setattr(cylinder, name, getattr(there, name))
    # Its words are what somebody saw; only what the job says otherwise makes them untrue.
    if there.words and all(getattr(there, name) in (None, "", getattr(cylinder, name)) for name in _KEPT):
        cylinder.words = there.words


def hanging(session: Session, customer_id: int, ask: QuoteRequest, line: LineRequest) -> list[Cylinder]:
    """The cylinders on record that a line is for, in its order: it rekeys them where they hang, or brings what was
    planned; [] where it names none.

    BitternError on `quantity` where one is gone, is another customer's, is rekeyed by two lines or by another job, or
    where the quantity is not theirs.
    """
    if not line.standing:
        return []
    rows = session.execute(
        sa.select(Cylinder, KeySystem.customer_id)
        .join(Keyset, Keyset.id == Cylinder.keyset_id)
        .join(KeySystem, KeySystem.id == Keyset.system_id)
        .where(Cylinder.id.in_(line.standing), Cylinder.state != CylinderState.REMOVED)
        .options(
            joinedload(Cylinder.door),
            joinedload(Cylinder.keyset),
            selectinload(Cylinder.operators).joinedload(CylinderOperator.keyset),
        )
    ).all()
    by_id = {cylinder.id: cylinder for cylinder, owner in rows if owner == customer_id}
    found = [by_id[one] for one in line.standing if one in by_id]
    if len(found) < len(line.standing):
        raise BitternError(
            "quantity",
            "A cylinder that this line is for is no longer there, or another customer's: remove the line, and make "
            "the plan anew.",
        )
    named = Counter(one for other in ask.lines for one in other.standing)
    if any(named[one] > 1 for one in line.standing):
        raise BitternError("quantity", "Two lines are for the same cylinders: remove one of the two.")
    if line.kind is not LineKind.REKEY and ask.loss_id is None:
        _require_as_planned(ask, line, found)
        return found
    if any(one.is_planned for one in found):
        raise BitternError("quantity", f"On {places_of(found)} something is only planned yet: {_ANEW}.")
    taken = making_way(session, customer_id)
    if (told := next((taken[one] for one in line.standing if one in taken), None)) is not None:
        raise BitternError("quantity", f"{told} already: remove the line, and make the plan anew.")
    if line.quantity != len(found):
        raise BitternError(
            "quantity",
            f"This line rekeys what hangs on {places_of(found)}: enter {len(found)}, and add a line for others.",
        )
    _require_as_they_hang(session, ask, line, found)
    return found


def _require_as_planned(ask: QuoteRequest, line: LineRequest, found: Sequence[Cylinder]) -> None:
    """Refuse what a line of new cylinders says otherwise than their doors were planned."""
    gone = next((one for one in found if not one.is_planned), None)
    if gone is not None:
        raise BitternError("quantity", f"{_place(gone)} is not planned any more, a job brings its cylinder: {_ANEW}.")
    if line.quantity != len(found):
        raise BitternError(
            "quantity",
            f"This line is for {places_of(found)}, as planned: enter {len(found)}, or quote the doors anew.",
        )
    systems = sorted({one.keyset.system for one in found if one.keyset is not None}, key=lambda one: one.name)
    system, kind = systems[0], kind_of_levels(systems[0].levels)
    if line.keying != KeyingInstruction(kind):
        raise BitternError(
            "keying", f"{places_of(found)} keep the keysets that were planned: enter {kind.value} alone."
        )
    if len(systems) > 1 or ask.system is None or ask.system.existing_id != system.id:
        name = " and ".join(one.name for one in systems)
        raise BitternError("keying", f"{places_of(found)}: planned in {name}; choose it under System.")
    said = line.attributes
    on = found[0].keyset.section if found[0].keyset is not None else system.keyway
    for name, is_so in (("chambers", system.chambers), ("keyway", on)):
        if said is not None and getattr(said, name) not in (None, "", is_so):
            raise BitternError(name, f"{places_of(found)}: planned in {system.name}; enter {is_so}.")


def kind_of_levels(levels: int) -> KeyingKind:
    """How what hangs under a system's masters is keyed: MK, GMK or GGMK."""
    return KeyingKind.SKD if levels < 2 else _KINDS[min(levels, 4)]


def keyed_as(cylinders: Sequence[Cylinder], now: Callable[[str], str] = str) -> KeyingInstruction:
    """How cylinders are keyed, as the line that rekeys them says it: alike ones stay alike, under their master or
    what takes its place (`now`).
    """
    sets = Counter(one.keyset for one in cylinders if one.keyset is not None)
    sizes, keyset = {*sets.values()}, next(iter(sets))
    size = sizes.pop() if len(sizes) == 1 else 1
    in_sets = size if size > 1 else None
    if keyset.level is not Level.SINGLE:
        above = {one.parent.symbol if one.level is Level.CHANGE and one.parent else "" for one in sets}
        master = above.pop() if len(above) == 1 else ""
        return KeyingInstruction(kind_of_levels(keyset.system.levels), in_sets, now(master) if master else "")
    if keyset.system.levels > 1:
        return KeyingInstruction(KeyingKind.SKD, in_sets)
    return KeyingInstruction(KeyingKind.KA if in_sets else KeyingKind.KD, in_sets if len(sets) > 1 else None)


def _require_as_they_hang(session: Session, ask: QuoteRequest, line: LineRequest, found: Sequence[Cylinder]) -> None:
    """Refuse what a line says otherwise than it is: sold as said, it would be keyed as on record all the same."""
    there, keyset = found[0], found[0].keyset
    if keyset is None:
        return
    system, stays = keyset.system, f"What hangs on {places_of(found)} stays as it is"
    pins, keyway = there.chambers or system.chambers, there.keyway or keyset.section
    for name, value in (("type", there.type), ("chambers", pins), ("keyway", keyway)):
        said = getattr(line.attributes, name) if line.attributes else None
        if said and value and said != value:
            raise BitternError(name, f"{stays}: enter {value}, or remove the line and add one for other cylinders.")
    plan = PlanOfQuote.of(session, ask)
    keying = keyed_as(found, plan.now if plan else str)
    if line.keying != keying:
        raise BitternError(
            "keying",
            f"{stays}: {keying.words}. Enter that, or remove the line and add one, with its doors at acceptance, to "
            "key them otherwise.",
        )
    if system.levels > 1 and (ask.system is None or ask.system.existing_id != system.id):
        raise BitternError("keying", f"{stays}, in {system.name}: choose it under System.")


def places_of(cylinders: Sequence[Cylinder]) -> str:
    """Their openings for the counter: "D1, D4 inside and 3 more"; "no door named" for one without."""
    return first_of(list(dict.fromkeys(map(_place, cylinders))), _NAMED)


def _place(cylinder: Cylinder) -> str:
    door = cylinder.door.opening_number if cylinder.door else "no door named"
    return door if cylinder.position in ("", "outside") else f"{door} {cylinder.position}"


def as_on_record(line: LineRequest, cylinders: Sequence[Cylinder]) -> LineRequest:
    """The line with all that is on record of its cylinders, which are alike; what the line says goes first."""
    if not cylinders or line.kind is LineKind.PART:
        return line
    there, said = cylinders[0], line.attributes or CylinderAttributes("")
    known: dict[str, Any] = {name: getattr(said, name) or getattr(there, name) or None for name in _KEPT}
    return replace(line, attributes=replace(said, type=said.type or there.type, **known))


def told_of(session: Session, found: Resolved, cylinders: Sequence[Cylinder]) -> Resolved:
    """A line understood, with part number, maker and doors of what it rekeys."""
    if not cylinders:
        return found
    if found.line.kind is not LineKind.REKEY:
        is_planned = cylinders[0].is_planned
        told = (
            f"{places_of(cylinders)}, keyed as planned."
            if is_planned
            else f"{places_of(cylinders)}, in their places."
        )
        return replace(found, notes=(f"For {told}", *found.notes))
    maker = session.get(Maker, cylinders[0].maker_id) if cylinders[0].maker_id else None
    return replace(
        found,
        part_number=cylinders[0].part_number,
        maker_name=maker.name if maker else "",
        notes=(f"Rekeys what hangs on {places_of(cylinders)}; it stays there.", *found.notes),
    )


def crossed_ways(session: Session, ask: QuoteRequest, old: Keyset) -> list[list[Keyset]]:
    """What else operates the cylinders on a keyset that a request rekeys, for each way, as far as it stays."""
    ids = [one for line in ask.lines for one in line.standing]
    rows = sa.select(CylinderOperator).join(Cylinder, Cylinder.id == CylinderOperator.cylinder_id)
    rows = rows.where(Cylinder.keyset_id == old.id, Cylinder.id.in_(ids)).order_by(CylinderOperator.id)
    ways: dict[int, list[Keyset]] = {}
    for one in session.scalars(rows):
        if one.keyset.symbol not in ask.replaced:
            ways.setdefault(one.cylinder_id, []).append(one.keyset)
    return list(ways.values())
