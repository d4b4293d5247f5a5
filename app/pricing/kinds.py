"""Keying kinds and cylinder types, in the trade's own terms (common practice, no source)."""

from __future__ import annotations

from enum import StrEnum


class KeyingKind(StrEnum):
    """How cylinders are to be keyed; the value is what an order form says."""

    KD = "KD"
    KA = "KA"
    MK = "MK"
    GMK = "GMK"
    GGMK = "GGMK"
    SKD = "SKD"
    NONE = "NONE"

    @property
    def words(self) -> str:
        """The kind spelled out.

        >>> KeyingKind.GMK.words
        'grand master keyed'
        """
        return _WORDS[self]

    @property
    def is_master_keyed(self) -> bool:
        """Whether a cylinder of this kind works under a master, so that the system's records matter."""
        return self in (KeyingKind.MK, KeyingKind.GMK, KeyingKind.GGMK)


_WORDS = {
    KeyingKind.KD: "keyed different",
    KeyingKind.KA: "keyed alike",
    KeyingKind.MK: "master keyed",
    KeyingKind.GMK: "grand master keyed",
    KeyingKind.GGMK: "great grand master keyed",
    KeyingKind.SKD: "single keyed",
    KeyingKind.NONE: "uncombinated",
}


class CylinderType(StrEnum):
    """What kind of cylinder goes on the bench."""

    MORTISE = "mortise"
    RIM = "rim"
    BORED = "bored"
    SFIC = "sfic"
    LFIC = "lfic"


class LineKind(StrEnum):
    """What a price or a quote line is, since places tax the two apart."""

    GOODS = "goods"
    LABOUR = "labour"
