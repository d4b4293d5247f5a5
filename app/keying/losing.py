"""A lost key: every cylinder that it operates is exposed, and the least rekeying that shuts it out of all.

A plan is one whose new bittings were found and held against every cylinder and key.
"""

from collections import Counter
from collections.abc import Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, field
from random import Random
from time import monotonic

from app.keying.auditing import check_system, operated_by
from app.keying.errors import KeyingError
from app.keying.replacing import Loss, replace_keys
from app.keying.spec import Bitting, BittingSpec
from app.validation import counted

SECONDS = 20.0
MOST_SAID = 6


@dataclass(frozen=True, slots=True)
class LostKey:
    """What a lost key exposes, and the plan.

    `exposed`: the cylinders that it operates, whether meant or not. `replace`: the keysets that get a new bitting,
    `new`; `repin`: the cylinders to rekey, the exposed ones and others that a replaced key operates;
    `keys_to_cut`: copies to make anew. `proven` says that the new bittings were found and checked; else there is no
    plan. `reasons` say what was tried, and why the plan is larger or wider than one would think.
    """

    symbol: str
    exposed: tuple[str, ...]
    replace: tuple[str, ...]
    repin: tuple[str, ...]
    keys_to_cut: int
    proven: bool
    new: Mapping[str, Bitting] = field(repr=False, default_factory=dict)
    reasons: tuple[str, ...] = ()


def lost_key(
    spec: BittingSpec,
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    symbol: str,
    rng: Random,
    copies: Mapping[str, int] | None = None,
    seconds: float = SECONDS,
) -> LostKey:
    """Give the cylinders exposed by the loss of a key, and the rekey plan with fewest cylinders, then fewest keys.

    A new bitting for the lost keyset is not always enough: where the keys that stay have all of the lost key's
    cuts between them, it still turns, and one of those keys must be replaced too; or no new bitting is clear of all
    keys that stay. Keysets of one bitting are lost together. `copies` is how many keys are out of each keyset (1
    where not said).

    >>> spec = BittingSpec(chambers=3, depths=6, macs=5, step=2)
    >>> keys = {"AA": (1, 1, 1), "1AA": (3, 3, 3), "2AA": (5, 5, 3)}
    >>> lost = lost_key(spec, keys, {"1AA": ["AA", "1AA"], "2AA": ["AA", "2AA"]}, "1AA", Random(1), {"1AA": 4})
    >>> lost.exposed, lost.replace, lost.repin, lost.keys_to_cut
    (('1AA',), ('1AA',), ('1AA',), 4)
    """
    until = monotonic() + seconds
    check_system(keys, cylinders)
    if symbol not in keys:
        raise KeyingError("lost", "There is no such key in this system.")
    out = copies or {}
    exposed = operated_by(keys, cylinders, symbol)
    alike = {name: tuple(dict.fromkeys(meant)) for name, meant in cylinders.items()}
    loss = Loss(
        spec,
        keys,
        Counter(alike.values()),
        keys[symbol],
        frozenset(key for key, bitting in keys.items() if bitting == keys[symbol]),
        frozenset(alike[name] for name in exposed),
        # A key weighs more than all keysets.
        {key: out.get(key, 1) * (len(keys) + 1) + 1 for key in keys},
    )
    new, reasons = _search(loss, rng, until)
    replaced = tuple(key for key in keys if key in new)
    repin = tuple(name for name, meant in alike.items() if not new.keys().isdisjoint(meant))
    to_cut = sum(out.get(key, 1) for key in replaced)
    return LostKey(symbol, exposed, replaced, repin, to_cut, bool(new), new, tuple(reasons))


def _search(loss: Loss, rng: Random, until: float) -> tuple[dict[str, Bitting], list[str]]:
    """Search from the smallest plan upward; a plan that widens no cylinder goes before one of the same size."""
    least, is_least = _least(loss, min(until - monotonic(), SECONDS) / 4)
    near = _ordered(loss, loss.gone | {key for one in loss.exposed for key in one})
    tried: list[str] = []
    best: dict[str, Bitting] = {}
    reasons: list[str] = []
    if least != loss.gone:
        more = _ordered(loss, least - loss.gone)
        reasons.append(
            f"A new bitting for {_named(_ordered(loss, loss.gone))} alone does not shut the lost key out: keys that "
            f"stay have all of its cuts between them. {_named(more)} {'goes' if len(more) == 1 else 'go'} too."
        )
    floor = loss.cost(least) if is_least else 0
    for free in dict.fromkeys([_ordered(loss, least), near, tuple(loss.keys)]):
        for is_bounded, apart in ((True, 2), (True, 1), (False, 1)):
            below = loss.cost(best.keys()) if best else None
            left = until - monotonic()
            if left <= 0 or (below is not None and below <= floor):
                break
            found = replace_keys(
                loss,
                free,
                rng,
                left / 3,
                is_bounded=is_bounded,
                apart=apart,
                all_of_them=set(free) == least,
                below=below,
            )
            if found.new:
                best = found.new
            elif not best and apart == 1:
                tried.append(
                    f"{_named(free)}: {'no new bittings' if found.is_impossible else 'none found in time'}"
                    f"{' that let in no more combinations than before' if is_bounded else ''}."
                )
    if not best:
        return {}, [*reasons, *tried]
    return best, [*reasons, *_said_of(loss, best, least)]


def _said_of(loss: Loss, new: Mapping[str, Bitting], least: AbstractSet[str]) -> list[str]:
    said = []
    if more := _ordered(loss, new.keys() - least):
        said.append(
            f"With new bittings for {_named(_ordered(loss, least))} alone some key would turn what it must not, or "
            f"none was found in time: {_named(more)} {'is' if len(more) == 1 else 'are'} replaced too."
        )
    if wider := loss.wider({**loss.keys, **new}):
        most, before, now = max(wider, key=lambda one: one[2] / one[1])
        count = sum(loss.cylinders[operators] for operators, _, _ in wider)
        said.append(
            f"{counted(count, 'cylinder')} let in more combinations than before: the one of {_named(most)} "
            f"{now:,} instead of {before:,}."
        )
    return said


def _ordered(loss: Loss, keys: AbstractSet[str]) -> tuple[str, ...]:
    return tuple(key for key in loss.keys if key in keys)


def _named(keys: Sequence[str]) -> str:
    more = f" and {len(keys) - MOST_SAID} more" if len(keys) > MOST_SAID else ""
    return ", ".join(keys[:MOST_SAID]) + more


def _least(loss: Loss, seconds: float) -> tuple[AbstractSet[str], bool]:
    """Choose the least keysets to replace, bittings aside, and tell whether none are less.

    Per exposed cylinder some chamber loses every key with the lost cut.
    """
    keys, gone, lost = loss.keys, loss.gone, loss.lost
    if all(_is_shut_out(lost, [keys[key] for key in one if key not in gone]) for one in loss.exposed):
        return gone, True  # these have to go in any plan, so no plan is smaller
    from ortools.sat.python import cp_model  # heavy to load, so only here

    model = cp_model.CpModel()
    replaced = {key: model.new_bool_var("") for key in keys}
    for key in gone:
        model.add(replaced[key] == 1)
    terms = [loss.costs[key] * chosen for key, chosen in replaced.items()]
    for operators, count in loss.cylinders.items():
        if operators in loss.exposed:
            chambers = []
            for chamber, cut in enumerate(lost):
                block = model.new_bool_var("")
                for key in operators:
                    if keys[key][chamber] == cut:
                        model.add_implication(block, replaced[key])
                chambers.append(block)
            model.add_bool_or(chambers)
        else:
            touch = model.new_bool_var("")
            for key in operators:
                model.add_implication(replaced[key], touch)
            terms.append(loss.weight * count * touch)
    model.minimize(sum(terms))
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = max(0.0, seconds)
    solver.parameters.num_workers = 1
    status = solver.solve(model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):  # replacing every key of the exposed is always a plan
        return gone | {key for one in loss.exposed for key in one}, False
    return {key for key, chosen in replaced.items() if solver.value(chosen)}, status == cp_model.OPTIMAL


def _is_shut_out(lost: Bitting, staying: Sequence[Bitting]) -> bool:
    """Tell whether there is a chamber in which no key that stays has the lost key's cut."""
    return any(all(key[chamber] != cut for key in staying) for chamber, cut in enumerate(lost))
