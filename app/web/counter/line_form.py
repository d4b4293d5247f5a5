"""Read one line of the counter page."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from app.fitting import CYLINDER_TYPES, CylinderAttributes, finishes_by_us_code
from app.ledger.quoting.replacing import AGREED, REFUSED
from app.ledger.quoting.request import KeyingInstruction, LineAsk
from app.ledger.tables import LineKind
from app.pricing import KeyingKind
from app.web.counter.boxes import Notes, cents, chambers, day, inches, record_id, short, whole
from app.web.counter.typed import FIT_BOXES, TypedLine


@dataclass(frozen=True, slots=True)
class Knowledge:
    """What reading needs to know of the house's records.

    keyway_makers: keyway → code of the one maker that has it. spellings: keyways, cams and tailpieces by their
    casefolded names. finishes: the makers' A156.18 numbers. plain_numbers: those typed part numbers, in
    capitals, that are no cylinders, so that nothing is keyed on them. tiers, site_ids, system_ids: what may be
    chosen. system_name: what a new key system is called when nobody says. stray_system: the name of the one that
    is chosen and is another customer's.
    """

    keyway_makers: Mapping[str, str] = field(default_factory=dict)
    spellings: Mapping[str, str] = field(default_factory=dict)
    finishes: Collection[str] = ()
    plain_numbers: Collection[str] = ()
    tiers: Collection[str] = ()
    site_ids: Collection[int] = ()
    system_ids: Collection[int] = ()
    system_name: str = ""
    stray_system: str = ""

    def spell(self, typed: str) -> str:
        """A keyway, cam or tailpiece as its maker writes it, large and small letters aside."""
        return self.spellings.get(typed.casefold(), typed)


_MOST_STANDING = 5_000
_PRICED = (LineKind.KEYS, LineKind.HARDWARE, LineKind.LABOUR, LineKind.TRIP)


def read_line(typed: TypedLine, known: Knowledge, notes: Notes) -> LineAsk:
    """The line as far as it can be read; `notes` names its fields."""
    notes.check_writable(typed, TypedLine.__dataclass_fields__)
    sort = typed.sort
    is_plain = sort is LineKind.PART and typed.part_number.upper() in known.plain_numbers
    # Nothing is keyed on hardware, so the usual keying of a part number is not meant for it.
    is_keyed = sort.is_keyed and not (is_plain and not typed.keying)
    maker = typed.maker
    if sort is LineKind.CYLINDER and not maker:
        maker = known.keyway_makers.get(known.spell(typed.keyway), "")
    return LineAsk(
        kind=sort,
        quantity=whole(typed.quantity, "quantity", notes, "Enter a whole quantity of 1 or more.", least=1),
        maker_code=maker if sort in (LineKind.CYLINDER, LineKind.PART) else "",
        part_number=typed.part_number if sort is LineKind.PART else "",
        attributes=_attributes(typed, sort, known, notes),
        keying=_keying(typed, sort, notes) if is_keyed else KeyingInstruction(),
        keys_each=whole(typed.keys_each or "0", "keys_each", notes, "Enter a whole number of keys, 0 or more.")
        if is_keyed
        else 0,
        price_code=typed.price_code if sort in _PRICED else "",
        symbol=short(typed.symbol, "symbol", 24, notes) if sort is LineKind.KEYS else "",
        unit_cents=cents(typed.unit_price, notes),
        remark=short(typed.remark, "remark", 500, notes),
        price_reason=short(typed.price_reason, "price_reason", 500, notes),
        need_by=day(typed.need_by, "need_by", notes) if is_keyed else None,
        **_replaced(typed, sort, notes),
        fit=_fit(typed, sort, notes),
        standing=tuple(map(record_id, typed.standing.split()[:_MOST_STANDING])) if sort is LineKind.REKEY else (),
    )


def _replaced(typed: TypedLine, sort: LineKind, notes: Notes) -> dict[str, str]:
    """The old cylinder and what the customer said of the new face; only a new cylinder replaces one."""
    if sort not in (LineKind.CYLINDER, LineKind.PART):
        return {}
    return {
        "replaces": short(typed.replaces, "replaces", 60, notes),
        "replaces_finish": short(typed.replaces_finish, "replaces_finish", 24, notes),
        "face_asked": typed.face_asked[:1000],
        "face_answer": typed.face_answer if typed.face_answer in (AGREED, REFUSED) else "",
    }


def _fit(typed: TypedLine, sort: LineKind, notes: Notes) -> tuple[tuple[str, str], ...]:
    """The boxes about the door that hold something; they ask questions, and change neither goods nor price."""
    if sort not in (LineKind.CYLINDER, LineKind.PART, LineKind.HARDWARE):
        return ()
    said = ((name, short(getattr(typed, name), name, 120, notes)) for name in FIT_BOXES)
    return tuple((name, text) for name, text in said if text)


def _attributes(typed: TypedLine, sort: LineKind, known: Knowledge, notes: Notes) -> CylinderAttributes | None:
    if sort is LineKind.KEYS:
        entered = known.spell(short(typed.keyway, "keyway", 24, notes))
        return CylinderAttributes("", keyway=entered) if entered else None
    if sort not in (LineKind.CYLINDER, LineKind.REKEY):
        return None
    if typed.type and typed.type not in CYLINDER_TYPES:
        notes.add("type", f"Choose {', '.join(CYLINDER_TYPES)}.")
    pinned, drilled = chambers(typed.chambers, notes)
    keyway = known.spell(short(typed.keyway, "keyway", 24, notes)) or None
    if sort is LineKind.REKEY:
        return CylinderAttributes(typed.type, chambers=pinned, drilled=drilled, keyway=keyway)
    tail = known.spell(short(typed.tail, "tail", 60, notes)) or None
    return CylinderAttributes(
        type=typed.type,
        length=inches(typed.length, notes),
        chambers=pinned,
        drilled=drilled,
        keyway=keyway,
        cam=tail if typed.type == "mortise" else None,
        tailpiece=tail if typed.type != "mortise" else None,
        finish=_finish(short(typed.finish, "finish", 24, notes), known),
    )


def _finish(typed: str, known: Knowledge) -> str | None:
    """The A156.18 number; an older US code is taken for the one number of its that the makers have."""
    if typed.upper().startswith("US"):
        meant = [each.code for each in finishes_by_us_code(typed.upper()) if each.code in known.finishes]
        if len(meant) == 1:
            return meant[0]
    return typed or None


def _keying(typed: TypedLine, sort: LineKind, notes: Notes) -> KeyingInstruction:
    usual = KeyingKind.NONE.value if sort is LineKind.REKEY else KeyingKind.KD.value
    kind = typed.keying or usual
    if kind not in {each.value for each in KeyingKind}:
        notes.add("keying", "Choose how the cylinders are keyed.")
        return KeyingInstruction()
    size = None
    if typed.set_size and KeyingKind(kind) not in (KeyingKind.KD, KeyingKind.NONE):
        size = whole(typed.set_size, "set_size", notes, "Enter how many are alike, 2 or more; or nothing.", least=2)
    master = short(typed.master, "master", 24, notes).upper() if KeyingKind(kind).is_master_keyed else ""
    return KeyingInstruction(KeyingKind(kind), size, master)
