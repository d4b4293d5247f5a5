"""The cuts in a cell of a list: with blanks, hyphens or dots between them, or as a spreadsheet left them."""

import re
from contextlib import suppress
from dataclasses import replace
from datetime import date
from itertools import pairwise

from app.keying.errors import KeyingError
from app.keying.spec import DEPTH_CHARACTERS, Bitting, BittingSpec
from app.validation import counted

_BETWEEN = re.compile(r"[\s\-‐‑–—−.,;:/|_]+")
_A_NUMBER = re.compile(r"[+\-−]?\d+[.,]0*|[+\-−]?\d+(?:[.,]\d+)?[Ee]\+\d+|[+\-−]\d+")
_YEAR_FIRST = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})(?:[ T].*)?")
_YEAR_LAST = re.compile(r"(\d{1,2})[-/.](\d{1,2})[-/.](\d{4})(?:[ T].*)?")
_MONTH = re.compile(
    r"(?i)(?:\d{1,2}[- ])?(?:jan|feb|mar|apr|may|jun|jul|aug|sep|oct|nov|dec)[- ]\d{1,4}|\d{1,2}-[a-z]{3}"
)


class CutsAsked(KeyingError):
    """Cuts that cannot be read as they stand, and that somebody who has the list or the key can tell."""


def read_cuts(spec: BittingSpec, cell: object, *, is_tip_first: bool = False) -> Bitting:
    """The bitting in a cell, bow to tip; is_tip_first: the list has it from the tip to the bow.

    CutsAsked where cuts are missing, where nothing stands there, and where a spreadsheet made a number or a day of
    them; KeyingError where the cuts are none of this spec. A depth over 9 is a letter, or a number of its own where
    every cut stands by itself. No sentence holds a cut.

    >>> spec = BittingSpec(chambers=6, depths=10, macs=7)
    >>> read_cuts(spec, "2 7 5 0 3 8"), read_cuts(spec, "275-038"), read_cuts(spec, 275038)
    ((2, 7, 5, 0, 3, 8), (2, 7, 5, 0, 3, 8), (2, 7, 5, 0, 3, 8))
    >>> read_cuts(spec, "75038")
    Traceback (most recent call last):
    ...
    app.keying.listed_cuts.CutsAsked: bitting: 5 of 6 cuts: was a leading zero lost? Enter all 6, bow to tip.
    """
    text = "" if cell is None or isinstance(cell, bool) else str(cell).strip().upper()
    every = f"Enter all {spec.chambers}, {'tip to bow' if is_tip_first else 'bow to tip'}."
    if _is_of_a_spreadsheet(text):
        raise CutsAsked("bitting", f"A spreadsheet made a number or a day of the cuts. {every}")
    parts = [part for part in _BETWEEN.split(text) if part]
    joined = "".join(parts)
    if not parts or (joined.isalpha() and not _are_depths(spec, joined)):
        raise CutsAsked("bitting", f"No bitting stands here. {every}")
    if not (joined.isascii() and joined.isalnum()):
        raise CutsAsked("bitting", f"A sign among the cuts cannot be read. {every}")
    if len(parts) == spec.chambers and all(part.isdecimal() and len(part) <= 2 for part in parts):
        cuts = [int(part) for part in parts]
    else:
        cuts = [DEPTH_CHARACTERS.find(sign) for sign in joined]
    if len(cuts) < spec.chambers:
        lost = "was a leading zero lost?" if _may_lack_zero(spec, text, cuts) else "which is missing?"
        raise CutsAsked("bitting", f"{len(cuts)} of {spec.chambers} cuts: {lost} {every}")
    if len(cuts) > spec.chambers:
        raise KeyingError("bitting", f"{len(cuts)} cuts, and a key on this spec has {spec.chambers}.")
    bitting = tuple(reversed(cuts)) if is_tip_first else tuple(cuts)
    _check(spec, bitting, is_tip_first=is_tip_first)
    return bitting


def lost_zero(spec: BittingSpec, cell: object) -> str:
    """A cell with the one zero put back that a spreadsheet takes from the front of a number; "" where none was lost.

    >>> lost_zero(BittingSpec(chambers=6, depths=10, macs=9), "75038")
    '075038'
    """
    text = str(cell).strip().removesuffix(".0")
    if len(text) == spec.chambers - 1 and _may_lack_zero(spec, text, [*map(int, text)] if text.isdecimal() else []):
        with suppress(KeyingError):
            read_cuts(spec, f"0{text}")
            return f"0{text}"
    return ""


def bittings_read(spec: BittingSpec, cell: str) -> frozenset[Bitting]:
    """Each bitting that a cell may say where nobody has told: from either end, with a lost zero put back, and cut
    beyond the MACS.

    >>> spec = BittingSpec(chambers=3, depths=10, macs=2)
    >>> sorted(bittings_read(spec, "1-9-2")), sorted(bittings_read(spec, "52")), bittings_read(spec, "blurred")
    ([(1, 9, 2), (2, 9, 1)], [(0, 5, 2), (2, 5, 0)], frozenset())
    """
    steep, found = replace(spec, macs=spec.depths), set[Bitting]()
    for text in (cell, cell.strip().removesuffix(".0"), lost_zero(steep, cell)):
        with suppress(KeyingError):
            cuts = read_cuts(steep, text)
            found |= {cuts, cuts[::-1]}
    return frozenset(found)


def _may_lack_zero(spec: BittingSpec, text: str, cuts: list[int]) -> bool:
    """Whether a number came of it: zeros at its front are gone then."""
    return spec.first_depth == 0 and text.isdecimal() and len(cuts) < spec.chambers


def _are_depths(spec: BittingSpec, letters: str) -> bool:
    return all(DEPTH_CHARACTERS.find(letter) in spec.all_depths for letter in letters)


def _is_of_a_spreadsheet(text: str) -> bool:
    if _A_NUMBER.fullmatch(text) or _MONTH.fullmatch(text):
        return True
    year_first, year_last = _YEAR_FIRST.fullmatch(text), _YEAR_LAST.fullmatch(text)
    if year_first:
        year, one, other = map(int, year_first.groups())
    elif year_last:
        one, other, year = map(int, year_last.groups())
    else:
        return False
    for month, day in ((one, other), (other, one)):
        with suppress(ValueError):
            return 1900 <= date(year, month, day).year < 2100
    return False


def _check(spec: BittingSpec, bitting: Bitting, *, is_tip_first: bool) -> None:
    """Refuse cuts that a spec does not allow, their chambers counted as the list has them."""
    listed, counted_from = (bitting[::-1], " from the tip") if is_tip_first else (bitting, "")
    for chamber, depth in enumerate(listed, start=1):
        if depth not in spec.all_depths:
            lowest, deepest = DEPTH_CHARACTERS[spec.first_depth], DEPTH_CHARACTERS[spec.last_depth]
            told = f"depths of this spec run from {lowest} to {deepest}."
            raise KeyingError("bitting", f"Chamber {chamber}{counted_from}: {told}")
    for chamber, (cut, following) in enumerate(pairwise(listed), start=1):
        if abs(cut - following) > spec.macs:
            both = f"Chambers {chamber} and {chamber + 1}{counted_from}"
            raise KeyingError(
                "bitting", f"{both} differ by more than the MACS of this spec, {counted(spec.macs, 'step')}."
            )
