"""What a cylinder is, apart from any maker's part number, how that reads to a customer, and what a swap changes."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields
from fractions import Fraction
from functools import lru_cache
from typing import Any

from app.errors import BitternError
from app.fitting.inches import read_inches, show_inches, write_inches
from app.fitting.reference import finish_words, mismatch
from app.validation import Reader, quoted, read_text, read_typed_whole, short_name

CYLINDER_TYPES: Mapping[str, str] = {
    "mortise": "mortise cylinder",
    "rim": "rim cylinder",
    "bored": "bored-lock cylinder",
    "sfic": "small-format interchangeable core",
    "lfic": "large-format interchangeable core",
    "deadbolt": "bored deadbolt",
    "lockset": "knob or lever lock",
    "padlock": "padlock",
    "cabinet": "cabinet lock",
}
"""What is keyed, in words: a cylinder by itself, or a whole lock that is sold with its own."""
ATTRIBUTES = ("type", "length", "chambers", "drilled", "keyway", "cam", "tailpiece", "finish", "keying")
LONGEST_NAME = 60
MOST_CHAMBERS = 12
_NUMBERS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


@dataclass(frozen=True, slots=True)
class CylinderAttributes:
    """A cylinder in attributes; None (or "" for the maker and type) means not said.

    `type` is one of CYLINDER_TYPES; `length` is in inches; `chambers` are pinned, `drilled` are drilled;
    `finish` is an A156.18 number; `keying` is what the maker's number says of keying, such as zero-bitted.
    """

    type: str
    length: Fraction | None = None
    chambers: int | None = None
    drilled: int | None = None
    keyway: str | None = None
    cam: str | None = None
    tailpiece: str | None = None
    finish: str | None = None
    maker: str = ""
    keying: str | None = None


def number_word(number: int) -> str:
    """A small number in words, as the counter says it: 'six'; digits above ten."""
    return _NUMBERS[number] if 0 <= number < len(_NUMBERS) else str(number)


def words(attributes: CylinderAttributes) -> str:
    """What the counter reads to the customer.

    >>> words(CylinderAttributes("mortise", Fraction(9, 8), 6, 6, "AQ1", "standard", None, "626"))
    'mortise cylinder 1-1/8 in, six pin, keyway AQ1, standard cam, 626 satin chromium'
    >>> words(CylinderAttributes("bored", chambers=5, drilled=6, tailpiece="flat"))
    'bored-lock cylinder, five pin drilled six, flat tailpiece'
    """
    first = CYLINDER_TYPES.get(attributes.type, attributes.type or "cylinder")
    if attributes.length is not None:
        first += f" {show_inches(attributes.length)} in"
    said = [first]
    if attributes.chambers is not None:
        pins = f"{number_word(attributes.chambers)} pin"
        if attributes.drilled is not None and attributes.drilled != attributes.chambers:
            pins += f" drilled {number_word(attributes.drilled)}"
        said.append(pins)
    if attributes.keyway:
        said.append(f"keyway {attributes.keyway}")
    if attributes.cam:
        said.append(f"{attributes.cam} cam")
    if attributes.tailpiece:
        said.append(f"{attributes.tailpiece} tailpiece")
    if attributes.finish:
        said.append(finish_words(attributes.finish))
    if attributes.keying:
        said.append(attributes.keying)
    return ", ".join(said)


def to_json(attributes: CylinderAttributes) -> dict[str, Any]:
    """Plain values, all keys always there; the length as text that reads back exactly."""
    said = {name: getattr(attributes, name) for name in _FIELDS}
    return said | {"length": None if attributes.length is None else write_inches(attributes.length)}


def from_json(given: object) -> CylinderAttributes:
    """The inverse of `to_json`; absent and empty values are not said. Problems name each attribute at fault.

    >>> from_json({"type": "rim", "length": "1 1/4", "chambers": 6}).length
    Fraction(5, 4)
    """
    read = Reader(given)
    if not read.usable:
        raise BitternError("attributes", read.problems[0].message)
    for name in [name for name in read.given if name not in _KNOWN]:
        read.raw(name)
        read.refuse(
            f"attributes.{short_name(name)}", f"{quoted(name)} is not known here. Known: {', '.join(_KNOWN)}."
        )
    said: dict[str, Any] = {"type": _type(read)}
    for name in _FIELDS[1:]:
        if read.raw(name) not in (None, ""):
            said[name] = read.value(name, _READERS.get(name, _name))
    chambers, drilled = said.get("chambers"), said.get("drilled")
    if chambers is not None and drilled is not None and drilled < chambers:
        read.refuse("drilled", f"Drilled for {drilled} cannot hold {chambers} chambers of pins.")
    read.done()
    return CylinderAttributes(**said)


def _type(read: Reader) -> str:
    kind = read.raw("type")
    if kind is None or kind == "":
        read.refuse("type", f"Say the cylinder's type: {', '.join(CYLINDER_TYPES)}.")
    elif not isinstance(kind, str) or kind not in CYLINDER_TYPES:
        read.refuse("type", f"{quoted(kind)} is no cylinder type. Use {', '.join(CYLINDER_TYPES)}.")
    return str(kind)


def _name(given: object) -> str:
    return read_text(given, LONGEST_NAME)


def _count(given: object) -> int:
    return read_typed_whole(given, 1, MOST_CHAMBERS)


_FIELDS = tuple(each.name for each in fields(CylinderAttributes))
_KNOWN = (*ATTRIBUTES, "maker")
_READERS: Mapping[str, Callable[[object], Any]] = {
    "length": lambda given: read_inches(given, ""),
    "chambers": _count,
    "drilled": _count,
}


def attribute_texts(attributes: CylinderAttributes) -> dict[str, str]:
    """The attributes that are said, as text by name, without the maker: what patterns and rules compare.

    >>> attribute_texts(CylinderAttributes("rim", Fraction(5, 4)))
    {'type': 'rim', 'length': '1-1/4'}
    """
    said = to_json(attributes)
    return {name: str(said[name]) for name in ATTRIBUTES if said[name] not in (None, "")}


@lru_cache(maxsize=4096)
def _length(text: str) -> Fraction:
    return read_inches(text, "length")


def from_texts(texts: Mapping[str, str], maker: str = "") -> CylinderAttributes:
    """The inverse of `attribute_texts`, for values that a checked pattern gave (no checks of its own)."""
    length, chambers, drilled = texts.get("length"), texts.get("chambers"), texts.get("drilled")
    return CylinderAttributes(
        type=texts.get("type", ""),
        length=_length(length) if length else None,
        chambers=int(chambers) if chambers else None,
        drilled=int(drilled) if drilled else None,
        keyway=texts.get("keyway") or None,
        cam=texts.get("cam") or None,
        tailpiece=texts.get("tailpiece") or None,
        finish=texts.get("finish") or None,
        maker=maker,
        keying=texts.get("keying") or None,
    )


def differences(wanted: CylinderAttributes, offered: CylinderAttributes) -> tuple[str, ...]:
    """What would differ if `offered` were sold for `wanted`, a short phrase each; what was not said is free.

    >>> differences(CylinderAttributes("rim", Fraction(5, 4)), CylinderAttributes("rim", Fraction(9, 8)))
    ('length 1-1/8 instead of 1-1/4',)
    """
    asked, given = attribute_texts(wanted), attribute_texts(offered)
    return tuple(
        f"{name} {given.get(name, 'not said')} instead of {value}"
        for name, value in asked.items()
        if given.get(name) != value
    )


@dataclass(frozen=True, slots=True)
class FaceChange:
    """What of the visible face changes; `question` is '' when nothing does and nobody need be asked."""

    changes: tuple[str, ...]
    question: str


QUESTION = "The owner will see a different face on the door. Ask first: does the customer agree?"


def face_on_lock(lock_maker: str, cylinder_maker: str) -> str:
    """What a cylinder's face is on a lock of another make, whatever the finish; "" where both are one maker's.

    >>> face_on_lock("Northlight", "Ardent Brass")
    "The face will be Ardent Brass's on a lock of Northlight's."
    >>> face_on_lock("Northlight", "northlight")
    ''
    """
    if lock_maker.casefold() == cylinder_maker.casefold():
        return ""
    return f"The face will be {cylinder_maker}'s on a lock of {lock_maker}'s."


def face_change(old: CylinderAttributes, new: CylinderAttributes) -> FaceChange:
    """Compares maker and finish, which show on the face; what is not said of the old cylinder is asked about.

    >>> old = CylinderAttributes("mortise", finish="626", maker="Ardent Brass")
    >>> face_change(old, old).question
    ''
    >>> face_change(old, CylinderAttributes("mortise", finish="626", maker="Pell & Rowe")).changes
    ("The face will be Pell & Rowe's instead of Ardent Brass's.",)
    """
    changes = []
    if new.maker and not old.maker:
        changes.append(f"The face will be {new.maker}'s; the maker of the old one was not said.")
    elif new.maker and new.maker.casefold() != old.maker.casefold():
        changes.append(f"The face will be {new.maker}'s instead of {old.maker}'s.")
    if new.finish and old.finish and new.finish != old.finish:
        changes.append(f"The finish will be {finish_words(new.finish)} instead of {finish_words(old.finish)}.")
        changes.extend(warning for warning in mismatch([old.finish, new.finish]) if "look alike" in warning)
    return FaceChange(tuple(changes), QUESTION if changes else "")
