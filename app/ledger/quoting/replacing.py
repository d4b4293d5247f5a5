"""The cylinder that is on the door now, and whether the customer agrees to the face of the one in its place."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from app.errors import BitternError, Problem
from app.fitting import (
    CylinderAttributes,
    LockModel,
    PartNumberError,
    cam_for,
    decode_any,
    differences,
    face_change,
    face_on_lock,
    finish,
    finish_words,
    finishes_by_us_code,
    words,
)
from app.ledger.catalog.maker_queries import MakerTables
from app.ledger.quoting.request import LineRequest
from app.ledger.tables import LineKind

AGREED, REFUSED = "agreed", "refused"
LONGEST = 60
_FIT = ("type", "length", "chambers", "keyway", "cam", "tailpiece")


@dataclass(frozen=True, slots=True)
class Replacing:
    """What it means that a line takes an old cylinder's place, or goes into a lock that is named.

    words: the old one, as papers say it; "" where none is named. asked: what the customer is told of the face and
    of a cam that is not known, "" when there is nothing to ask. answer: the one given to exactly this, "" while
    there is none. notes: what else differs, for the counter. problems: what stands in the way of a quote, by the
    line's fields.
    """

    words: str
    asked: str
    answer: str
    notes: tuple[str, ...]
    problems: tuple[Problem, ...]


def old_cylinder(makers: Mapping[str, MakerTables], said: str, old_finish: str) -> tuple[CylinderAttributes, str]:
    """What is known of an old cylinder, and its part number where `said` is one that a maker on record reads.

    said: a part number, or a maker's name or code; a text that is neither is taken for another make.
    old_finish: an A156.18 number or the one number of an older US code, "" when not said. BitternError on
    `replaces` or `replaces_finish`.
    """
    if len(said) > LONGEST:
        raise BitternError("replaces", f"At most {LONGEST} characters fit here: a part number, or the maker's name.")
    code = _finish(old_finish)
    for maker in makers.values():
        if said.casefold() in (maker.name.casefold(), maker.code.casefold()):
            return CylinderAttributes("", maker=maker.name, finish=code), ""
    for maker in makers.values():
        try:
            reading = decode_any(maker.patterns, said)[0] if maker.patterns and said else None
        except BitternError:
            continue
        if reading is not None:
            known = reading.attributes
            return replace(known, maker=maker.name, finish=code or known.finish), reading.part_number
    # A number that nobody on record reads tells of another make, but is no name to print for one.
    name = "" if any(letter.isdigit() for letter in said) else said
    return CylinderAttributes("", maker=name, finish=code), ""


def _finish(typed: str) -> str | None:
    if not typed:
        return None
    meant = finishes_by_us_code(typed)
    if len(meant) > 1:
        numbers = " or ".join(each.code for each in meant)
        raise BitternError("replaces_finish", f"{typed[:24]} stands for several finishes: enter {numbers}.")
    try:
        return meant[0].code if meant else finish(typed).code
    except BitternError as error:
        raise BitternError("replaces_finish", error.message) from error


def replacing(makers: Mapping[str, MakerTables], line: LineRequest, new: CylinderAttributes) -> Replacing | None:
    """What `line`, whose cylinder is `new` (its maker by name), means for the old one and for the lock; None where
    neither is named."""
    lock = lock_named(makers, line)
    is_replaced = bool(line.replaces or line.replaces_finish)
    if lock is None and not is_replaced:
        return None
    try:
        old, number = old_cylinder(makers, line.replaces, line.replaces_finish)
    except BitternError as error:
        return Replacing("", "", "", (), (Problem(error.field, error.message),))
    changes = list(face_change(old, new).changes) if is_replaced else []
    problems: list[Problem] = []
    if lock is not None:
        face = face_on_lock(lock.maker, new.maker)
        changes += [face] if face and not any(each.startswith("The face") for each in changes) else []
        told, wrong = _of_what_turns(makers, lock, new)
        changes += told
        # A part number says its cam; of a composed one the cam is a box.
        field = "part_number" if line.kind is LineKind.PART else "cam"
        problems = [Problem(field, each) for each in wrong]
    asked = " ".join(changes)
    # An answer holds for what was asked: a change of the line asks anew.
    answer = line.face_answer if line.face_asked == asked else ""
    return Replacing(
        words=_old_words(old, number, line.replaces) if is_replaced else "",
        asked=asked,
        answer=answer if asked else "",
        notes=_notes(makers, old, number, line.replaces, new) if is_replaced else (),
        problems=(*problems, *_problems(asked, answer)),
    )


def lock_named(makers: Mapping[str, MakerTables], line: LineRequest) -> LockModel | None:
    """The lock that the line's cylinder goes into; None where none is named that a maker on record has."""
    name = dict(line.fit).get("fit_lock")
    return next((lock for maker in makers.values() for lock in maker.locks if lock.name == name), None)


def _of_what_turns(
    makers: Mapping[str, MakerTables], lock: LockModel, new: CylinderAttributes
) -> tuple[list[str], list[str]]:
    """What is to be asked of what turns the lock (its cam, or the tailpiece that it dictates), and what is wrong."""
    is_other = lock.maker.casefold() != new.maker.casefold()
    if new.type in ("rim", "bored") and lock.takes == new.type and is_other:
        return [f"The tailpiece must be the one that {lock.name} dictates."], []
    if new.type != "mortise" or lock.takes != "mortise":
        return [], []
    found = cam_for([cam for maker in makers.values() for cam in maker.cams], lock, new.maker, new.cam or "")
    if found.is_wrong:
        return [], [found.words]
    return ([found.words] if is_other or not found.cam else []), []


def _old_words(old: CylinderAttributes, number: str, said: str) -> str:
    if number:
        return f"{old.maker} {number}, {words(old)}"
    finish_said = f", {finish_words(old.finish)}" if old.finish else ""
    return f"{said or 'a cylinder'}{finish_said}"


def _notes(
    makers: Mapping[str, MakerTables], old: CylinderAttributes, number: str, said: str, new: CylinderAttributes
) -> tuple[str, ...]:
    """How the new one fits where the old one was; and what an unread number may have been meant for."""
    if number:
        unlike = [each for each in differences(old, new) if each.split(" ", 1)[0] in _FIT]
        return (f"Against the old one: {'; '.join(unlike)}.",) if unlike else ()
    if not any(letter.isdigit() for letter in said):
        return ()
    near = [near for maker in makers.values() if (near := _nearest(maker, said))]
    hint = f" Nearest: {', '.join(near[:3])}." if near else ""
    return (f"No maker on record reads {said} as a part number: taken for another make.{hint}",)


def _nearest(maker: MakerTables, said: str) -> str:
    """The maker's legal number that begins as the text does; "" for none."""
    try:
        decode_any(maker.patterns, said)
    except PartNumberError as error:
        begins = error.nearest is not None and error.nearest[:2].upper() == said[:2].upper()
        return error.nearest or "" if begins else ""
    except BitternError:
        return ""
    return ""


def _problems(asked: str, answer: str) -> tuple[Problem, ...]:
    if not asked or answer == AGREED:
        return ()
    if answer == REFUSED:
        return (Problem("face_answer", "The customer does not want another face: choose another cylinder."),)
    return (Problem("face_answer", f"Ask the customer and record the answer. {asked}"),)


def told_customer(asked: str, answer: str) -> str:
    """The sentence for the papers; "" where nothing was agreed.

    >>> told_customer("The face will be Northlight's. The finish will be 605 bright brass.", "agreed")
    "Customer was told that the face will be Northlight's; the finish will be 605 bright brass, and agreed."
    """
    if not asked or answer != AGREED:
        return ""
    said = asked.removesuffix(".").replace(". The ", "; the ")
    return f"Customer was told that {said[:1].lower()}{said[1:]}, and agreed."
