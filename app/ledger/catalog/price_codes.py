"""The price-book codes that quoting looks up by itself; everything else in the book is chosen on a line."""

from __future__ import annotations

from app.pricing import KeyingKind

KEY_CUT = "KEY-CUT"


def keying_code(kind: KeyingKind) -> str:
    """The charge for keying one cylinder.

    >>> keying_code(KeyingKind.MK)
    'KEYING-MK'
    """
    return f"KEYING-{kind.value}"


def factory_keying_code(kind: KeyingKind) -> str:
    """The charge for having one cylinder keyed at the factory, where the house has a price of its own for that.

    >>> factory_keying_code(KeyingKind.MK)
    'KEYING-MK-FACTORY'
    """
    return f"{keying_code(kind)}-FACTORY"


def rekey_code(cylinder_type: str) -> str:
    """The charge for taking one of the customer's own cylinders apart and pinning it anew.

    >>> rekey_code("rim")
    'REKEY-RIM'
    """
    return f"REKEY-{cylinder_type.upper()}"


def system_code(levels: int) -> str:
    """The charge for making a new key system and its records.

    >>> system_code(3)
    'SYSTEM-3'
    """
    return f"SYSTEM-{levels}"
