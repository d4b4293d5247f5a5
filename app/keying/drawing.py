"""A whole system drawn: a top master by chance, or as given, under which all fits that is asked for."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from math import prod
from random import Random

from app.keying.apart import count_near
from app.keying.auditing import ALL_ENTER, Sections
from app.keying.errors import KeyingError, NoBittingsLeft
from app.keying.filling import Filling, TimeUp, fill_levels
from app.keying.issuing import draw_master
from app.keying.levels import MOST_KEYSETS, ROLES, LevelPlan, wanted_apart
from app.keying.progression import check_master, make_columns
from app.keying.rules import NO_RULES
from app.keying.shared_bittings import SharedBittings, share_bittings
from app.keying.spec import Bitting, BittingSpec
from app.keying.symbols import LETTERS, SymbolLevel
from app.keying.time_limit import by_the_clock
from app.validation import counted

MOST_TOPS = 24
MOST_FOUND = 4
# By which share of the time all masters are chosen, all changes listed, what is refused and what is left counted;
# or, where no masters were found, by which the reason is.
_CHOOSING, _LISTING, _REFUSED, _LEFT, _DIAGNOSIS = 0.5, 0.8, 0.9, 0.95, 0.85


@dataclass(frozen=True, slots=True)
class DrawnSystem:
    """A plan; per level what the poorest key above still holds; per rule what it refused; and what to know of it."""

    plan: LevelPlan
    left: tuple[int, ...]
    refused: dict[str, int]
    warnings: tuple[str, ...] = field(default=())


def draw_system(
    spec: BittingSpec,
    counts: Sequence[int],
    spare: Sequence[int],
    tmk: Bitting | None,
    rng: Random,
    seconds: float = 20.0,
    sections: Sections = ALL_ENTER,
) -> DrawnSystem:
    """Plan a system of `counts` keys of each level under each key above, upper first, with `spare` more kept free.

    Without `tmk` tops are drawn until one holds it all. Where no array holds a bitting for each, masters that
    `sections` keeps apart share theirs, as `share_bittings` says. Refusals name `levels`, `masters`, `changes`,
    `room`, `rules`, `tmk` or `seconds`, as the command takes them.
    """
    _check_counts(counts)
    if (shared := share_bittings(counts, sections)) is None:
        return _draw(spec, counts, spare, tmk, rng, seconds)
    try:
        return _draw(spec, counts, spare, tmk, rng, seconds / 2)
    except KeyingError:
        return _draw(spec, counts, spare, tmk, rng, seconds / 2, shared)


def _draw(
    spec: BittingSpec,
    counts: Sequence[int],
    spare: Sequence[int],
    tmk: Bitting | None,
    rng: Random,
    seconds: float,
    shared: SharedBittings | None = None,
) -> DrawnSystem:
    start, every = by_the_clock(), counts
    counts = shared.counts if shared else counts
    if tmk is not None:
        check_master(spec, tmk)
    _check_chambers(spec, counts, spare, tmk)
    try:
        filling = _fill(spec, counts, spare, tmk, rng, start + _CHOOSING * seconds)
    except (NoBittingsLeft, TimeUp) as error:
        raise _why(spec, counts, spare, tmk, rng, start + _DIAGNOSIS * seconds, isinstance(error, TimeUp)) from error
    filling.until = start + _LISTING * seconds
    filling.list_changes()
    filling.until = start + _REFUSED * seconds
    refused, is_refused_exact = filling.refused()
    filling.until = start + _LEFT * seconds
    left, is_left_exact = filling.left()
    warnings = list(_warnings(filling.plan, tmk is not None))
    if not is_left_exact:
        warnings.append("What is left was counted in part, so there may be more.")
    if not is_refused_exact:
        warnings.append("The time was over before all that the rules refuse was counted, so there may be more.")
    if shared:
        warnings.append(shared.words(every))
        filling.top = shared.unfolded(filling.top, every)
    return DrawnSystem(filling.plan, left, refused, tuple(warnings))


def _check_counts(counts: Sequence[int]) -> None:
    levels = len(counts) + 1
    if levels > 3 and counts[0] > len(LETTERS):
        raise KeyingError(
            "masters",
            f"With {levels} levels at most {len(LETTERS)} keys stand directly under the top, one a letter (I, O, Q "
            "and X are not made): ask for fewer there and for more under each.",
        )
    made = prod(counts[:-1]) * (counts[-1] + 1)
    if made > MOST_KEYSETS:
        raise KeyingError("changes", f"That is more than {MOST_KEYSETS:,} keys; plan two systems, or ask for fewer.")


def _check_chambers(spec: BittingSpec, counts: Sequence[int], spare: Sequence[int], tmk: Bitting | None) -> None:
    """Refuse what no array of these columns' sizes holds, MACS and rules left aside."""
    if tmk is not None:
        sizes = [len(column) for column in make_columns(spec, tmk)]
    else:
        sizes = [(spec.depths + spec.step - 1) // spec.step - 1] * spec.chambers
    free = [size for size in sizes if size]
    if len(counts) > len(free):
        under = "under this master " if tmk is not None else ""
        raise KeyingError(
            "levels",
            f"{len(counts) + 1} levels need {counted(len(counts), 'chamber')} that can progress; {under}there "
            f"{'is' if len(free) == 1 else 'are'} {len(free)}, which makes at most {len(free) + 1} levels.",
        )
    most = max(free)

    def fits(needs: Sequence[int]) -> bool:
        used = 0
        for need in needs:
            used += next((n for n in range(1, len(free) + 1) if most**n >= need), len(free) + 1)
        return used <= len(free)

    targets = [count + more for count, more in zip(counts, spare, strict=True)]
    if fits(targets):
        return
    asked = " × ".join(f"{count:,}" for count in counts)
    free_words = f"{counted(len(free), 'chamber')} of {counted(most, 'depth')} beside the top's"
    if fits(counts):
        raise KeyingError("room", f"{free_words} hold {asked}, but not with this room besides: keep less free.")
    name = "masters" if fits([1] * (len(counts) - 1) + [counts[-1]]) else "changes"
    raise KeyingError(name, f"{free_words} cannot hold {asked}: ask for fewer, or use more chambers or depths.")


def _fill(
    spec: BittingSpec,
    counts: Sequence[int],
    spare: Sequence[int],
    tmk: Bitting | None,
    rng: Random,
    until: float,
    tops: int = MOST_TOPS,
) -> Filling:
    """Fill a system under the top, or under one that is drawn: the first of those whose masters are best apart."""
    best: Filling | None = None
    found, enough = 0, by_the_clock() + (until - by_the_clock()) / 3
    short: KeyingError = NoBittingsLeft("changes", "No top was tried.")
    for top in [tmk] if tmk is not None else _tops(spec, rng, tops):
        try:
            filling = fill_levels(spec, top, counts, spare=spare, rng=rng, until=until, is_counted=False)
        except TimeUp:
            if best is None:
                raise
            break
        except NoBittingsLeft as missing:
            short = missing
            continue
        if best is None or filling.nearer < best.nearer:
            best = filling
        found += 1
        if best.nearer <= best.fewest_near or found == MOST_FOUND or by_the_clock() > enough:
            break
    if best is not None:
        return best
    raise short


def _tops(spec: BittingSpec, rng: Random, wanted: int) -> Iterator[Bitting]:
    seen: set[Bitting] = set()
    for _ in range(wanted):
        top = draw_master(spec, rng)
        if top not in seen and spec.allows(top):
            seen.add(top)
            yield top


def _why(
    spec: BittingSpec,
    counts: Sequence[int],
    spare: Sequence[int],
    tmk: Bitting | None,
    rng: Random,
    until: float,
    is_time_up: bool,
) -> KeyingError:
    """Say what keeps a system from fitting: each is tried that could be asked for otherwise."""

    def fits(spec: BittingSpec, counts: Sequence[int], spare: Sequence[int]) -> bool:
        now = by_the_clock()
        try:
            _fill(spec, counts, spare, tmk, rng, now + (until - now) / 3, tops=4)
        except (NoBittingsLeft, TimeUp):
            return False
        return True

    asked = " × ".join(f"{count:,}" for count in counts)
    under = "this master" if tmk is not None else "any master that was tried"
    words = f"No plan was found that holds {asked} under {under}"
    if is_time_up:
        words += " in this time"
    if spec.rules.names and fits(replace(spec, rules=NO_RULES), counts, spare):
        without = {name: [one for one in spec.rules.names if one != name] for name in spec.rules.names}
        alone = [
            name
            for name, others in without.items()
            if fits(replace(spec, rules=spec.rules.only(others)), counts, spare)
        ]
        loosen = f"loosen {' or '.join(alone)}, by which alone it fits" if alone else "loosen several, then it fits"
        return KeyingError("rules", f"{words} within the rules: {loosen}, or ask for fewer.")
    none = [0] * len(counts)
    if any(spare) and fits(spec, counts, none):
        return KeyingError("room", f"{words} with this room besides; without it all fits: keep less free.")
    name = "masters" if len(counts) > 1 and fits(spec, [1] * (len(counts) - 1) + [counts[-1]], none) else "changes"
    more = " Or allow more seconds." if is_time_up else ""
    return KeyingError(name, f"{words}: ask for fewer, or use a spec with more chambers or depths.{more}")


def _warnings(plan: LevelPlan, is_given: bool) -> Iterator[str]:
    """Say what a locksmith would want to know before he cuts."""
    spec = plan.spec
    broken = spec.rules.first_broken(plan.tmk, spec.first_depth) if is_given else None
    if broken:
        yield f"The top master breaks the rule {broken}; it stays as given."
    if plan.levels > 4:
        yield "Symbols of five and more levels are from memory: no text that was read says their form."
    apart = wanted_apart(spec)
    if apart < 2:
        return
    chains = plan.chains
    names = [f"the masters {level} below the top" for level in range(1, plan.levels - 1)] + ["the changes"]
    roles = ROLES[plan.levels][::-1]
    few = [name for name, role in zip(names, roles, strict=True) if plan.roles.count(role) < apart]
    if few:
        yield (
            f"Too few chambers for a distance of {apart} serve {', '.join(few)}: these differ from the key above in "
            f"{'one chamber' if apart == 2 else 'fewer'} only."
        )
    for level, name in enumerate(names[:-1], start=2):
        masters = [
            keyset.bitting
            for keyset in plan.keysets
            if keyset.level is not SymbolLevel.CHANGE and len(chains[keyset.symbol]) == level
        ]
        if near := count_near(masters, apart):
            yield (
                f"Of {name} {near:,} of {len(masters):,} differ from another in fewer than {apart} chambers: no more "
                "that stand further apart were found."
            )
