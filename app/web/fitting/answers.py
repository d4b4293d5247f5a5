"""The Fit pages' answers that are looked up: the cam of a lock, the cylinder for a key, the finishes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from app.errors import BitternError
from app.fitting import (
    CamAnswer,
    CylinderAttributes,
    Finish,
    KeyAnswer,
    all_finishes,
    cams_for_lock,
    can_take_key,
    finish,
    finishes_by_us_code,
    mismatch_among,
    words,
)
from app.ledger.store import Session
from app.web.fitting import forms
from app.web.fitting.part_numbers import decoded
from app.web.fitting.tables import Makers, blanks_of, locks_of


def answer_cam(session: Session, makers: Makers, form: forms.CamForm) -> tuple[CamAnswer, ...]:
    """Every cam that serves the lock or its series, those that fit first."""
    cams = [cam for maker in makers.values() for cam in maker.cams]
    return cams_for_lock(cams, locks_of(makers), str(form.lock.data or ""))


def answer_key(session: Session, makers: Makers, form: forms.KeyForm) -> tuple[KeyAnswer, str] | None:
    """Whether a cylinder can be keyed to the customer's key, and the cylinder in words."""
    if not form.blank.data:
        return None
    maker = makers.get(str(form.maker.data or ""))
    if form.number.data:
        cylinder = decoded(makers, str(form.number.data), maker)
    else:
        cylinder = CylinderAttributes(
            "", chambers=form.chambers.data, keyway=form.keyway.data or None, maker=maker.name if maker else ""
        )
    return can_take_key(cylinder, str(form.blank.data), form.cuts.data, blanks_of(makers)), words(cylinder)


@dataclass(frozen=True, slots=True)
class FinishAnswer:
    """The finishes that were asked for and how many were, what does not match on one door, which US codes leave
    the number open, and the makers' own codes by number."""

    asked: tuple[Finish, ...]
    count: int
    warnings: tuple[str, ...]
    open_codes: tuple[str, ...]
    own_codes: Mapping[str, Sequence[tuple[str, str]]]


def answer_finishes(session: Session, makers: Makers, form: forms.FinishForm) -> FinishAnswer:
    """Finishes by BHMA number or US code, and whether they match on one door."""
    asked: dict[str, tuple[Finish, ...]] = {}
    for typed in filter(None, (each.strip() for each in str(form.codes.data or "").split(","))):
        try:
            asked[typed.upper()] = finishes_by_us_code(typed) or (finish(typed),)
        except BitternError as error:
            raise BitternError("codes", error.message) from error
    own: dict[str, list[tuple[str, str]]] = {each.code: [] for each in all_finishes()}
    for maker in makers.values():
        for pattern in maker.patterns:
            for segment in pattern.segments:
                for code in segment.codes:
                    number = dict(code.sets).get("finish")
                    if number in own and (maker.name, code.code) not in own[number]:
                        own[number].append((maker.name, code.code))
    open_codes = tuple(
        f"{typed} can be {' or '.join(each.words for each in meant)}: the base metal decides."
        for typed, meant in asked.items()
        if len(meant) > 1
    )
    shown = tuple(dict.fromkeys(each for meant in asked.values() for each in meant))
    warnings = mismatch_among([[each.code for each in meant] for meant in asked.values()])
    return FinishAnswer(shown, len(asked), warnings, open_codes, own)
