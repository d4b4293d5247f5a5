"""Issuing bittings: a master drawn by chance, single keys drawn by chance, and the next changes of an array."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from collections.abc import Set as AbstractSet
from itertools import islice
from random import Random

from app.keying.bitting_list import Array
from app.keying.counting import usable
from app.keying.errors import NoBittingsLeft
from app.keying.progression import Columns, progress, run_choices
from app.keying.spec import Bitting, BittingSpec, parity_pattern

DRAWS = 48
LISTABLE = 2_000_000


def usable_bittings(spec: BittingSpec) -> Iterator[Bitting]:
    """Give every bitting of the spec within its MACS, the last chamber turning fastest."""
    return run_choices((tuple(spec.all_depths),) * spec.chambers, spec.macs, range(spec.chambers))


def draw_bitting(spec: BittingSpec, rng: Random) -> Bitting:
    """Draw one bitting within MACS, each with the same chance. Pass `secrets.SystemRandom()` for real keys."""
    return draw_from((tuple(spec.all_depths),) * spec.chambers, spec.macs, rng)


def draw_from(columns: Columns, macs: int, rng: Random) -> Bitting:
    """Draw one depth from each column so that neighbours keep within `macs`, each such bitting as likely.

    Raises NoBittingsLeft where no such bitting is there.
    """
    ways = [dict.fromkeys(columns[-1], 1)]  # from the tip: legal runs of further cuts after a cut of that depth
    for column in reversed(columns[:-1]):
        after = ways[-1]
        ways.append({d: sum(n for e, n in after.items() if abs(d - e) <= macs) for d in column})
    if not any(ways[-1].values()):
        raise NoBittingsLeft("bittings", "No bitting within MACS has these depths.", asked=1, exist=0, left=0)
    cuts: list[int] = []
    for column, further in zip(columns, reversed(ways), strict=True):
        open_to = [d for d in column if not cuts or abs(d - cuts[-1]) <= macs]
        ticket = rng.randrange(sum(further[d] for d in open_to))
        for depth in open_to:
            ticket -= further[depth]
            if ticket < 0:
                cuts.append(depth)
                break
    return tuple(cuts)


def draw_master(spec: BittingSpec, rng: Random, avoid: AbstractSet[Bitting] = frozenset()) -> Bitting:
    """Draw a top master within MACS that leaves a roomy progression; never one of `avoid`.

    Of some fair draws it takes one whose full array keeps at least nine tenths of the most usable bittings
    seen, first among those whose parity pattern no bitting of `avoid` has: such a system shares no bitting
    with the old ones under a two-step progression (lockreference.com, using TMK registers).
    """
    drawn = [draw_bitting(spec, rng) for _ in range(DRAWS)]
    fresh = [bitting for bitting in dict.fromkeys(drawn) if bitting not in avoid]
    if not fresh:
        fresh = [draw_single(spec, rng, avoid)]
    patterns = {parity_pattern(bitting) for bitting in avoid}
    unlike = [bitting for bitting in fresh if parity_pattern(bitting) not in patterns]
    candidates = unlike or fresh
    room = {bitting: progress(spec, bitting).usable for bitting in candidates}
    most = max(room.values())
    return next(bitting for bitting in candidates if room[bitting] * 10 >= most * 9)


def draw_single(
    spec: BittingSpec,
    rng: Random,
    avoid: AbstractSet[Bitting] = frozenset(),
    cylinders: Collection[Sequence[Collection[int]]] = (),
) -> Bitting:
    """Draw a bitting for a keyed-different or single-keyed cylinder: within MACS and not in `avoid`.

    A bitting that operates one of `cylinders` (per chamber the depths that shear) is passed over too: those of
    master-keyed systems let in more than their own keys. A key with fewer than three different depths is
    passed over while others are left. Raises NoBittingsLeft.
    """

    def free(bitting: Bitting) -> bool:
        return bitting not in avoid and not any(
            all(cut in depths for cut, depths in zip(bitting, shear, strict=True)) for shear in cylinders
        )

    plain = []
    for _ in range(DRAWS):
        bitting = draw_bitting(spec, rng)
        if free(bitting):
            if len(set(bitting)) >= 3:
                return bitting
            plain.append(bitting)
    if plain:
        return plain[0]
    exist = usable(spec)
    if exist > LISTABLE:  # then `avoid` can hardly fill it, and fair draws find what is free
        for _ in range(LISTABLE):
            bitting = draw_bitting(spec, rng)
            if free(bitting):
                return bitting
    left = [bitting for bitting in usable_bittings(spec) if free(bitting)] if exist <= LISTABLE else []
    if not left:
        raise NoBittingsLeft(
            "bittings",
            f"1 bitting was asked for, but none of the {exist:,} bittings of this spec within MACS is left.",
            asked=1,
            exist=exist,
            left=0,
        )
    return left[rng.randrange(len(left))]


def next_bittings(
    progression: Array, wanted: int, used: AbstractSet[Bitting] = frozenset(), field: str = "changes"
) -> tuple[Bitting, ...]:
    """Give the next `wanted` bittings of the progression, in its sequence or Spread, that are not in `used`.

    Raises NoBittingsLeft, naming `field`, when fewer are left; then nothing is issued.
    """
    if wanted <= 0:
        return ()
    found = tuple(islice((bitting for bitting in progression if bitting not in used), wanted))
    if len(found) < wanted:
        exist = progression.usable
        raise NoBittingsLeft(
            field,
            f"{wanted:,} bittings were asked for, but only {len(found):,} are left of the {exist:,} "
            "within MACS in this progression.",
            asked=wanted,
            exist=exist,
            left=len(found),
        )
    return found


def issue_changes(
    spec: BittingSpec,
    tmk: Bitting,
    *,
    wanted: int,
    used: AbstractSet[Bitting] = frozenset(),
    columns: Sequence[Sequence[int]] | None = None,
    order: Sequence[int] | None = None,
    held: Collection[int] = (),
) -> tuple[Bitting, ...]:
    """Give the next `wanted` changes under `tmk` by total position progression, none twice, none in `used`.

    `columns`, `order` and `held` are as in `progress`. Raises NoBittingsLeft, saying how many were asked for
    and how many exist and are left.

    >>> spec = BittingSpec(chambers=3, depths=6, macs=3, step=2)
    >>> issue_changes(spec, (1, 1, 2), wanted=1, held=[2], used={(3, 1, 0)})
    ((3, 1, 4),)
    """
    return next_bittings(progress(spec, tmk, columns, order, held), wanted, used)
