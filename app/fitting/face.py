"""Does a swap change the face that the owner sees: ask first, and record the answer on the line."""

from __future__ import annotations

from dataclasses import dataclass

from app.fitting.cylinder import CylinderAttributes
from app.fitting.finishes import finish_words, mismatch


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
