"""What a cylinder is, apart from any maker's part number, and how that reads to a customer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import Any

from app.errors import BitternError
from app.fitting.finishes import finish_words
from app.fitting.given import as_object, as_text, as_whole, quoted
from app.fitting.inches import read_inches, show_inches, write_inches

CYLINDER_TYPES: Mapping[str, str] = {
    "mortise": "mortise cylinder",
    "rim": "rim cylinder",
    "bored": "bored-lock cylinder",
    "sfic": "small-format interchangeable core",
    "lfic": "large-format interchangeable core",
}
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
    length = attributes.length
    return {
        "type": attributes.type,
        "length": None if length is None else write_inches(length),
        "chambers": attributes.chambers,
        "drilled": attributes.drilled,
        "keyway": attributes.keyway,
        "cam": attributes.cam,
        "tailpiece": attributes.tailpiece,
        "finish": attributes.finish,
        "maker": attributes.maker,
        "keying": attributes.keying,
    }


def _name(given: Mapping[str, Any], field: str) -> str | None:
    value = given.get(field)
    return None if value is None or value == "" else as_text(value, field, LONGEST_NAME)


def _count(given: Mapping[str, Any], field: str) -> int | None:
    value = given.get(field)
    return None if value is None or value == "" else as_whole(value, field, 1, MOST_CHAMBERS)


def from_json(given: object) -> CylinderAttributes:
    """The inverse of `to_json`; absent keys are not said. BitternError names the attribute at fault.

    >>> from_json({"type": "rim", "length": "1 1/4", "chambers": 6}).length
    Fraction(5, 4)
    """
    data = as_object(given, "attributes", (*ATTRIBUTES, "maker"))
    kind = data.get("type")
    if kind is None or kind == "":
        raise BitternError("type", f"Say the cylinder's type: {', '.join(CYLINDER_TYPES)}.")
    if not isinstance(kind, str) or kind not in CYLINDER_TYPES:
        raise BitternError("type", f"{quoted(kind)} is no cylinder type. Use {', '.join(CYLINDER_TYPES)}.")
    length = data.get("length")
    chambers, drilled = _count(data, "chambers"), _count(data, "drilled")
    if chambers is not None and drilled is not None and drilled < chambers:
        raise BitternError("drilled", f"Drilled for {drilled} cannot hold {chambers} chambers of pins.")
    return CylinderAttributes(
        type=kind,
        length=None if length is None or length == "" else read_inches(length, "length"),
        chambers=chambers,
        drilled=drilled,
        keyway=_name(data, "keyway"),
        cam=_name(data, "cam"),
        tailpiece=_name(data, "tailpiece"),
        finish=_name(data, "finish"),
        maker=_name(data, "maker") or "",
        keying=_name(data, "keying"),
    )


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
