"""Issuing bittings: masters, single keys and control keys drawn by chance, and the next bittings of an array."""

from collections.abc import Iterable, Iterator, Mapping
from collections.abc import Set as AbstractSet
from dataclasses import replace
from itertools import islice
from random import Random

from app.keying.arrays import Array
from app.keying.counting import count_allowed, count_gains, name_gains, spec_gains, usable
from app.keying.errors import KeyingError, NoBittingsLeft
from app.keying.progression import Columns, progress, run_choices
from app.keying.spec import Bitting, BittingSpec, parity_pattern

DRAWS = 48
CONTROL_DRAWS = 500
RULED_DRAWS = 200
LISTABLE = 2_000_000


def usable_bittings(spec: BittingSpec) -> Iterator[Bitting]:
    """Give every bitting that the spec allows, the last chamber turning fastest."""
    return run_choices((tuple(spec.all_depths),) * spec.chambers, spec, range(spec.chambers))


def draw_bitting(spec: BittingSpec, rng: Random) -> Bitting:
    """Draw one bitting that the spec allows, each with the same chance where the rules leave a fair share.

    Pass `secrets.SystemRandom()` for real keys. Raises NoBittingsLeft where there is none.
    """
    return draw_allowed((tuple(spec.all_depths),) * spec.chambers, spec, rng)


def draw_allowed(columns: Columns, spec: BittingSpec, rng: Random) -> Bitting:
    """Draw one depth from each column so that the spec allows the bitting; NoBittingsLeft where it allows none."""
    for _ in range(RULED_DRAWS):
        bitting = draw_from(columns, spec.macs, rng)
        if spec.rules.first_broken(bitting, spec.first_depth) is None:
            return bitting
    # Chance finds hardly any: the first of the columns in an order drawn by chance.
    mixed = tuple(tuple(rng.sample(column, len(column))) for column in columns)
    found = next(run_choices(mixed, spec, rng.sample(range(spec.chambers), spec.chambers)), None)
    if found is None:
        gains = count_gains(spec.rules, lambda rules: count_allowed(replace(spec, rules=rules), columns))
        raise NoBittingsLeft("rules", f"The rules leave none of these bittings.{name_gains(gains)}")
    return found


def draw_from(columns: Columns, macs: int, rng: Random) -> Bitting:
    """Draw one depth from each column so that neighbors keep within `macs`, each such bitting as likely.

    Raises NoBittingsLeft where no such bitting is there.
    """
    ways = [dict.fromkeys(columns[-1], 1)]  # from the tip: legal runs of further cuts after a cut of that depth
    for column in reversed(columns[:-1]):
        after = ways[-1]
        ways.append({d: sum(n for e, n in after.items() if abs(d - e) <= macs) for d in column})
    if not any(ways[-1].values()):
        raise NoBittingsLeft("bittings", "No bitting within MACS has these depths.")
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
    """Draw a top master that the spec allows and that leaves a roomy progression; never one of `avoid`.

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
) -> Bitting:
    """Draw a bitting for a keyed-different or single-keyed cylinder: allowed by the spec and not in `avoid`.

    While others are left it passes over a key with fewer than three different depths where no rule speaks of them,
    and one that is nearer to one of `avoid` than the rules wish. Raises NoBittingsLeft.
    """
    least_depths, least_apart = spec.rules.least_depths or 3, spec.rules.least_apart or 0
    plain = []
    for _ in range(DRAWS):
        bitting = draw_bitting(spec, rng)
        if bitting not in avoid:
            if len(set(bitting)) >= least_depths and is_apart(bitting, avoid, least_apart):
                return bitting
            plain.append(bitting)
    if plain:
        return plain[0]
    exist = usable(spec)
    if exist > LISTABLE:  # then `avoid` can hardly fill it, and fair draws find what is free
        for _ in range(LISTABLE):
            bitting = draw_bitting(spec, rng)
            if bitting not in avoid:
                return bitting
    left = [bitting for bitting in usable_bittings(spec) if bitting not in avoid] if exist <= LISTABLE else []
    if not left:
        raise NoBittingsLeft(
            "bittings",
            f"1 bitting was asked for, but none of the {exist:,} bittings of this spec {_by(spec)} is left."
            + name_gains(spec_gains(spec)),
        )
    return left[rng.randrange(len(left))]


def is_apart(bitting: Bitting, others: Iterable[Bitting], least: int) -> bool:
    """Whether a bitting differs from each of the others in at least so many chambers."""
    return least <= 1 or all(sum(a != b for a, b in zip(bitting, other, strict=True)) >= least for other in others)


def _by(spec: BittingSpec) -> str:
    return "within MACS and rules" if spec.rules.names else "within MACS"


def next_bittings(
    progression: Array,
    wanted: int,
    used: AbstractSet[Bitting] = frozenset(),
    field: str = "changes",
    *,
    beside: Iterable[Bitting] = (),
) -> tuple[Bitting, ...]:
    """Give the next `wanted` bittings of the progression, in its sequence or Spread, that are not in `used`.

    beside: bittings under other keys too. While others are left, those are passed over whose progressed cuts one of
    these has: under another master, such a one would turn each cylinder that is cross-keyed with that master.
    Raises NoBittingsLeft, naming `field`, when fewer are left; then nothing is issued.
    """
    if wanted <= 0:
        return ()
    taken = {progression.own_cuts(bitting) for bitting in beside}

    def in_turn() -> Iterator[Bitting]:
        later = []
        for bitting in progression:
            if bitting not in used:
                if progression.own_cuts(bitting) in taken:
                    later.append(bitting)
                else:
                    yield bitting
        yield from later

    found = tuple(islice(in_turn(), wanted))
    if len(found) < wanted:
        gains = progression.gains()
        words = "within MACS and rules" if gains else "within MACS"
        raise NoBittingsLeft(
            field,
            f"{wanted:,} bittings were asked for, but only {len(found):,} are left of the {progression.usable:,} "
            f"{words} in this progression.{name_gains(gains)}",
            asked=wanted,
            left=len(found),
        )
    return found


def draw_control(
    spec: BittingSpec,
    rng: Random,
    keys: Mapping[str, Bitting],
    avoid: AbstractSet[Bitting] = frozenset(),
) -> Bitting:
    """Draw a control key that the spec allows for cores that `keys` operate; never one of `avoid`.

    It differs from each of `keys` in as many chambers as the rules wish, where such a one is found.
    In every chamber the build-up pin is at least the spec's least master pin (at least 1), and the stack
    leaves room for a top pin: beside the deepest cut of the spec where that can be, so that keys issued later
    find room too, else beside the deepest of `keys`. Raises NoBittingsLeft where neither can be.
    """
    check_offset(spec)
    for deepest in ([spec.last_depth] * spec.chambers, [max(cuts) for cuts in zip(*keys.values(), strict=True)]):
        columns = tuple(_room(spec, cut) for cut in deepest)
        if columns and all(columns):
            break
    for number, column in zip(spec.chamber_numbers, columns or ((),), strict=False):
        if not column:
            raise NoBittingsLeft(
                "control",
                f"Chamber {number} has no control cut that leaves room for its pins; look at the stack total and "
                "the control offset of the spec.",
            )
    near: Bitting | None = None
    for _ in range(CONTROL_DRAWS):
        try:
            control = draw_allowed(columns, spec, rng)
        except NoBittingsLeft as error:
            raise NoBittingsLeft("control", error.message) from error
        if control not in avoid:
            if is_apart(control, keys.values(), spec.rules.least_apart or 0):
                return control
            near = near or control
    if near is not None:
        return near
    raise NoBittingsLeft(
        "control",
        "No control key was found that is not in use already; try again.",
    )


def _room(spec: BittingSpec, deepest: int) -> tuple[int, ...]:
    """Give the control cuts that leave a chamber's build-up and top pins room above its deepest plain cut."""
    offset, least = spec.control_offset or 0, max(spec.min_master_pin or 0, 1)
    return tuple(
        depth
        for depth in spec.all_depths
        if depth + offset - deepest >= least and (spec.stack_total is None or spec.stack_total - depth - offset >= 1)
    )


def check_offset(spec: BittingSpec) -> None:
    """Refuse a spec without two shear lines that stand clear of each other.

    A stack parts at the control line where a cut and the offset together come to one of its joints. With an
    offset under the number of depths a plain key's cut can do that, and pull the core; or the control line's
    joint can stand at the plain shear line, and a stranger's key turn the plug.
    """
    if spec.control_offset is None:
        raise KeyingError("spec.control_offset", "A control key needs the spec's control offset.")
    if spec.control_offset < spec.depths:
        raise KeyingError(
            "spec.control_offset",
            f"With {spec.depths} depths the control offset must be at least {spec.depths}: under that a plain key "
            "can reach the control shear line. Compare it with the chart.",
        )
