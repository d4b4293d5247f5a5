"""A door's fields as text, one name each: read, checked and put back; what pages, lists and the history speak in."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from app.errors import BitternError
from app.fitting import read_inches, write_inches
from app.ledger.sites.door_paste import HANDS
from app.ledger.tables import Door, Lock

FIELDS = (
    "opening", "location", "hand", "thickness", "stile", "lock", "function", "egress", "fire rated", "remarks",
)  # fmt: skip
LIMITS = {"opening": 40, "location": 200, "lock": 200, "function": 120, "remarks": 2000}
_INCHES = ("thickness", "stile")
_FLAGS = ("egress", "fire rated")


@dataclass(frozen=True, slots=True)
class FieldChange:
    """One field of a door, before and after, as text; "" where nothing is known."""

    field: str
    old: str
    new: str


@dataclass(frozen=True, slots=True)
class DoorChange:
    """What changes on one door, read at `version`."""

    door_id: int
    version: int
    opening: str
    fields: tuple[FieldChange, ...]


def read_field(field: str, text: str) -> str:
    """The text of a field as it is kept: inches exact, flags yes or no. BitternError on the field."""
    text = text.strip()
    if len(text) > LIMITS.get(field, 200):
        raise BitternError(field, f"At most {LIMITS.get(field, 200)} characters fit here.")
    if field == "opening" and not text:
        raise BitternError(field, "Enter the opening number.")
    if field == "hand" and text.upper() not in HANDS:
        raise BitternError(field, "Choose LH, RH, LHR, RHR or none.")
    if field in _INCHES and text:
        return write_inches(read_inches(text, field))
    if field in _FLAGS and text not in ("yes", "no"):
        raise BitternError(field, "Say yes or no.")
    return text.upper() if field == "hand" else text


def said(door: Door) -> dict[str, str]:
    """Every field of a door on record as text, in the order of FIELDS."""
    return {
        "opening": door.opening_number,
        "location": door.location,
        "hand": door.hand,
        "thickness": write_inches(door.thickness) if door.thickness else "",
        "stile": write_inches(door.stile) if door.stile else "",
        "lock": door.lock.description if door.lock else "",
        "function": door.lock.function if door.lock else "",
        "egress": "yes" if door.is_egress else "no",
        "fire rated": "yes" if door.is_fire_rated else "no",
        "remarks": door.remarks,
    }


def changed(before: Mapping[str, str], after: Mapping[str, str]) -> tuple[FieldChange, ...]:
    """The fields of `after` that are not what they were."""
    return tuple(FieldChange(name, before[name], new) for name, new in after.items() if before[name] != new)


def for_event(changes: Iterable[DoorChange]) -> dict[str, dict[str, list[str]]]:
    """Changes as an event keeps them, so that they can be taken back: door id → field → [before, after]."""
    return {str(one.door_id): {field.field: [field.old, field.new] for field in one.fields} for one in changes}


def put(door: Door, values: Mapping[str, str]) -> None:
    """Set fields from texts that `read_field` gave. A lock that is taken away takes its function along."""
    for name, text in values.items():
        match name:
            case "opening":
                door.opening_number = text
            case "thickness" | "stile":
                setattr(door, name, read_inches(text, name) if text else None)
            case "egress":
                door.is_egress = text == "yes"
            case "fire rated":
                door.is_fire_rated = text == "yes"
            case "lock" | "function":
                _put_lock(door, name, text)
            case _:
                setattr(door, name, text)


def _put_lock(door: Door, name: str, text: str) -> None:
    if door.lock is None:
        if not text:
            return
        door.lock = Lock(description="", function="")
    if name == "lock":
        door.lock.description = text
    else:
        door.lock.function = text
