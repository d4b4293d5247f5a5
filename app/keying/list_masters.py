"""The masters that a list of changes allows: what the list does not rule out, and no proof."""

from collections.abc import Collection, Iterator
from dataclasses import dataclass, field, replace
from itertools import islice

import numpy as np
from numpy.typing import NDArray

from app.keying.counting import count_columns
from app.keying.errors import KeyingError, check_whole
from app.keying.progression import Columns, run_choices
from app.keying.rules import NO_RULES
from app.keying.spec import Bitting, BittingSpec

MOST_LISTED = 1_000
_BREAK_MACS = (
    "Every master that this list leaves open by total position breaks the MACS of this spec: look whether the list "
    "is written in another spec."
)
MOST_TRIED = 200_000


@dataclass(frozen=True, slots=True)
class MasterCandidates:
    """The masters that fit: how many, the first of them, and in plain words what that means.

    `choices` has the depths each chamber leaves open. `complete` is False where the search stopped at its
    limit, so that there may be more.
    """

    count: int
    candidates: tuple[Bitting, ...] = field(repr=False)
    choices: Columns = field(repr=False)
    complete: bool
    sentence: str


def find_masters(spec: BittingSpec, changes: Collection[Bitting]) -> MasterCandidates:
    """Give the masters under which all `changes` are one total position progression.

    The master's cut in a progressed chamber is one that no change uses there, with step 2 of the changes'
    parity. A chamber where all changes have the same cut may also be held at it. The master obeys MACS.
    """
    _check(spec, changes)
    columns = []
    for cuts in zip(*changes, strict=True):
        seen = set(cuts)
        alike = len({cut % spec.step for cut in cuts}) == 1
        unused = (d for d in spec.all_depths if d not in seen and (d - cuts[0]) % spec.step == 0)
        held = seen if len(seen) == 1 and len(changes) > 1 else ()
        columns.append(tuple(sorted({*unused, *held})) if alike else ())
    count = count_columns(columns, spec.macs) if all(columns) else 0
    listed: tuple[Bitting, ...] = ()
    if count:
        bare = replace(spec, rules=NO_RULES)  # the master was cut by somebody else
        listed = tuple(islice(run_choices(tuple(columns), bare, range(spec.chambers)), MOST_LISTED))
    sentence = _sentence(count, "total position") if count or not all(columns) else _BREAK_MACS
    return MasterCandidates(count, listed, tuple(columns), len(listed) == count, sentence)


def find_rotating_masters(spec: BittingSpec, changes: Collection[Bitting], constants: int) -> MasterCandidates:
    """Give the masters that every one of `changes` matches in exactly `constants` chambers (rotating constants)."""
    _check(spec, changes)
    check_whole(constants, "constants", 1, spec.chambers - 1)
    columns = tuple(
        tuple(d for d in spec.all_depths if (d - cuts[0]) % spec.step == 0)
        if len({cut % spec.step for cut in cuts}) == 1
        else ()
        for cuts in zip(*changes, strict=True)
    )
    tried = 0
    table = np.array(list(changes), dtype=np.int64)

    def search(chosen: Bitting, matches: NDArray[np.int64]) -> Iterator[Bitting]:
        nonlocal tried
        chamber = len(chosen)
        if chamber == spec.chambers:
            yield chosen
            return
        further = spec.chambers - chamber - 1
        for depth in columns[chamber]:
            tried += 1
            if tried > MOST_TRIED:
                return
            if chosen and abs(depth - chosen[-1]) > spec.macs:
                continue
            now = matches + (table[:, chamber] == depth)
            if now.max() <= constants <= now.min() + further:
                yield from search((*chosen, depth), now)

    found = list(islice(search((), np.zeros(len(table), dtype=np.int64)), MOST_LISTED + 1))
    complete = len(found) <= MOST_LISTED and tried <= MOST_TRIED
    method = f"rotating constants, {constants} held"
    return MasterCandidates(len(found), tuple(found[:MOST_LISTED]), columns, complete, _sentence(len(found), method))


def _check(spec: BittingSpec, changes: Collection[Bitting]) -> None:
    if not changes:
        raise KeyingError("changes", "Give at least one change's bitting.")
    if any(len(bitting) != spec.chambers or any(d not in spec.all_depths for d in bitting) for bitting in changes):
        raise KeyingError("changes", "A bitting does not fit this spec.")


def _sentence(count: int, method: str) -> str:
    if count == 0:
        return f"No master fits this list by {method}: it was made another way, or rows of other systems are in it."
    if count == 1:
        return f"One master alone fits this list by {method}. Hold it against the owner's own before relying on it."
    return f"{count:,} masters fit this list by {method}; the list does not tell which. Ask for the master itself."
