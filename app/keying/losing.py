"""A lost key: every cylinder that it operates is exposed, and the least rekeying that shuts it out of all."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from app.keying.auditing import check_system, operated_by
from app.keying.errors import KeyingError
from app.keying.spec import Bitting

SECONDS = 10.0


@dataclass(frozen=True, slots=True)
class LostKey:
    """What a lost key exposes, and the plan.

    `exposed`: the cylinders that it operates, whether meant or not. `replace`: the keysets that get a new
    bitting; `repin`: the cylinders to rekey, the exposed ones and others that a replaced key operates;
    `keys_to_cut`: copies to make anew. `proven` says that no plan touches fewer cylinders, and none of those cuts
    fewer keys.
    """

    symbol: str
    exposed: tuple[str, ...]
    replace: tuple[str, ...]
    repin: tuple[str, ...]
    keys_to_cut: int
    proven: bool


def lost_key(
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    symbol: str,
    copies: Mapping[str, int] | None = None,
    seconds: float = SECONDS,
) -> LostKey:
    """Give the cylinders exposed by the loss of a key, and the rekey plan with fewest cylinders, then fewest keys.

    A new bitting for the lost keyset is not always enough: where the keys that stay have all of the lost key's
    cuts between them, it still turns, and one of those keys must be replaced too. `copies` is how many keys
    are out of each keyset (1 where not said).

    >>> keys = {"AA": (1, 1, 1), "1AA": (3, 3, 3), "2AA": (5, 5, 3)}
    >>> lost = lost_key(keys, {"1AA": ["AA", "1AA"], "2AA": ["AA", "2AA"]}, "1AA", {"1AA": 4})
    >>> lost.exposed, lost.replace, lost.repin, lost.keys_to_cut
    (('1AA',), ('1AA',), ('1AA',), 4)
    """
    check_system(keys, cylinders)
    if symbol not in keys:
        raise KeyingError("symbol", "There is no such key in this system.")
    out = copies or {}
    exposed = operated_by(keys, cylinders, symbol)
    if not exposed:
        return LostKey(symbol, (), (symbol,), (), out.get(symbol, 1), True)
    replace, proven = _least(keys, cylinders, symbol, exposed, out, seconds)
    # An exposed cylinder is among them: to shut the lost key out, one of its own keys had to be replaced.
    repin = tuple(cylinder for cylinder, meant in cylinders.items() if not replace.isdisjoint(meant))
    ordered = tuple(key for key in keys if key in replace)
    return LostKey(symbol, exposed, ordered, repin, sum(out.get(key, 1) for key in ordered), proven)


def _least(
    keys: Mapping[str, Bitting],
    cylinders: Mapping[str, Sequence[str]],
    lost: str,
    exposed: Sequence[str],
    out: Mapping[str, int],
    seconds: float,
) -> tuple[set[str], bool]:
    """Choose the keysets to replace: per exposed cylinder some chamber loses every key with the lost cut."""
    # Keys of one bitting are lost together: a copy under another symbol turns just as well.
    same = {key for key, bitting in keys.items() if bitting == keys[lost]}
    if all(_is_shut_out(keys[lost], [keys[key] for key in cylinders[one] if key not in same]) for one in exposed):
        return same, True  # these have to go in any plan, so no plan is smaller
    from ortools.sat.python import cp_model  # heavy to load, so only here

    model = cp_model.CpModel()
    replaced = {key: model.new_bool_var(f"replace {number}") for number, key in enumerate(keys)}
    for key in same:
        model.add(replaced[key] == 1)
    for number, cylinder in enumerate(exposed):
        chambers = []
        for chamber, cut in enumerate(keys[lost]):
            block = model.new_bool_var(f"block {number} {chamber}")
            for key in cylinders[cylinder]:
                if keys[key][chamber] == cut:
                    model.add_implication(block, replaced[key])
            chambers.append(block)
        model.add_bool_or(chambers)
    touched = []
    for number, (cylinder, meant) in enumerate(cylinders.items()):
        if cylinder not in exposed:
            touch = model.new_bool_var(f"repin {number}")
            for key in meant:
                model.add_implication(replaced[key], touch)
            touched.append(touch)
    # Cylinders weigh more than all keys together, a key more than all keysets.
    costs = {key: out.get(key, 1) * (len(keys) + 1) + 1 for key in keys}
    weight = sum(costs.values()) + 1
    model.minimize(weight * sum(touched) + sum(costs[key] * chosen for key, chosen in replaced.items()))
    solver = cp_model.CpSolver()
    solver.parameters.max_time_in_seconds = seconds
    solver.parameters.num_workers = 1
    status = solver.solve(model)
    if status not in (cp_model.OPTIMAL, cp_model.FEASIBLE):  # replacing every key of the exposed is always a plan
        return {key for cylinder in exposed for key in cylinders[cylinder]} | {lost}, False
    return {key for key, variable in replaced.items() if solver.value(variable)}, status == cp_model.OPTIMAL


def _is_shut_out(lost: Bitting, staying: Sequence[Bitting]) -> bool:
    """Tell whether there is a chamber in which no key that stays has the lost key's cut."""
    return any(all(key[chamber] != cut for key in staying) for chamber, cut in enumerate(lost))
