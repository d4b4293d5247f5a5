"""Prints how fast the audit and the keying of matrices are, as ratios: against plain checks, and as systems grow.

Run: python tests/bench/keying.py
"""

import sys
from pathlib import Path
from random import Random
from time import perf_counter, process_time

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from app.keying import AccessMatrix, AccessPlan, BittingSpec, audit, key_matrix, progression_under
from app.keying.solving import Outcome, solve_matrix
from app.keying.symbols import master_names
from tests.keying.oracle import crowded

TMK = (5, 2, 8, 6, 1, 4, 3, 4)
GENERAL = [(50, 0.04), (100, 0.02), (200, 0.01), (200, 0.02)]
PLAIN_SAMPLE = 40  # cylinders held against every key by the plain check; the rest is reckoned in proportion


def listed(chambers, wanted, macs):
    """A two-step system of three levels, every change and every master: keys, and who operates each cylinder."""
    spec = BittingSpec(chambers=chambers, depths=10, macs=macs, step=2)
    tmk = TMK[:chambers]
    roles = "M" * (chambers // 2) + "C" * (chambers - chambers // 2)
    keys, cylinders = {"A": tmk}, {}
    masters = progression_under(spec, tmk, roles, "M", tmk)
    for name, master in zip(master_names(), masters, strict=False):
        keys[name] = master
        for number, change in enumerate(progression_under(spec, tmk, roles, "C", master), 1):
            keys[f"{name}{number}"] = change
            cylinders[f"{name}{number}"] = ("A", name, f"{name}{number}")
            if len(cylinders) == wanted:
                return keys, cylinders
    return keys, cylinders


def plain_seconds_a_cylinder(keys, cylinders):
    """The check as one would first write it: every key against every cylinder, cut by cut."""
    sample = list(cylinders.items())[:: max(1, len(cylinders) // PLAIN_SAMPLE)][:PLAIN_SAMPLE]
    start = perf_counter()
    found = []
    for cylinder, meant in sample:
        opening = [{keys[symbol][i] for symbol in meant} for i in range(len(keys[meant[0]]))]
        for symbol, bitting in keys.items():
            if all(cut in depths for cut, depths in zip(bitting, opening, strict=True)) and symbol not in meant:
                found.append((cylinder, symbol))
    assert not found
    return (perf_counter() - start) / len(sample)


def best(function, turns=3):
    """The least seconds of some turns, and the last answer."""
    seconds = []
    for _ in range(turns):
        start = perf_counter()
        answer = function()
        seconds.append(perf_counter() - start)
    return min(seconds), answer


def main():
    print("Audit of a two-step system of three levels: listing its changes, then every key against every cylinder")
    print("floor: turning the same keys into one array, the least that any check must do")
    print(
        f"{'chambers':>8} {'cylinders':>9} {'listing':>9} {'audit':>9} {'µs a cyl.':>9} {'plain ×':>9} {'floor ×':>8}"
    )
    rates = {}
    for chambers, wanted, macs in [(6, 10**9, 7), *[(8, n, 9) for n in (1024, 4096, 16384, 65536)], (7, 10**9, 9)]:
        listing, (keys, cylinders) = best(lambda c=chambers, w=wanted, m=macs: listed(c, w, m))
        seconds, found = best(lambda k=keys, c=cylinders: audit(k, c))
        assert not found.unintended
        floor, _ = best(lambda k=keys: np.array(list(k.values()), dtype=np.uint8))
        plain = plain_seconds_a_cylinder(keys, cylinders) * len(cylinders)
        rates[chambers, len(cylinders)] = seconds / len(cylinders)
        print(
            f"{chambers:>8} {len(cylinders):>9,} {listing:>8.3f}s {seconds:>8.3f}s"
            f" {seconds / len(cylinders) * 1e6:>9.1f} {plain / (listing + seconds):>9,.0f} {seconds / floor:>8.1f}"
        )
    growth = rates[8, 65536] / rates[8, 4096]
    print(f"Eight chambers, from 4,096 to 65,536 cylinders: {growth:.2f} × the time per cylinder (1 is linear)")


def campus(grands, masters, changes):
    """Who opens what on a campus of nested keys: a door a change, a common door a grand."""
    opens, doors = {"all": set()}, []
    for g in range(grands):
        hall = {f"{g}"}
        doors.append(f"{g}")
        for m in range(masters):
            wing = {f"{g}-{m}-{c}" for c in range(changes)}
            doors += sorted(wing)
            opens |= {f"room {door}": {door} for door in wing}
            opens[f"wing {g}-{m}"] = wing
            hall |= wing
        opens[f"warden {g}"] = hall
        opens["all"] |= hall
    return opens, doors


def exceptions(groups, rooms, share):
    """A head over groups of a master and a room each for the rest; a share of all also opens a colleague's door."""
    rng = Random(7)
    wings = [[f"{g}-{r}" for r in range(rooms)] for g in range(groups)]
    doors = [door for wing in wings for door in wing]
    opens = {"all": set(doors)} | {f"wing {g}": set(wing) for g, wing in enumerate(wings)}
    opens |= {f"room {door}": {door} for door in doors}
    for holder in rng.sample([f"room {door}" for door in doors], round(share * len(opens))):
        opens[holder] = {*opens[holder], rng.choice(doors)}
    return opens, doors


def crossing(size, share):
    """Who opens what at random: one key for all doors, each other key a share of them."""
    rng = Random(7)
    doors = [f"d{n}" for n in range(size)]
    opens = {f"h{n}": {door for door in doors if rng.random() < share} | {doors[n]} for n in range(size)}
    opens["h0"] = set(doors)
    return opens, doors


def bare_pass(matrix, bittings):
    """The least that a check of a keyed matrix does: every key against every cylinder, in NumPy."""
    bits = np.left_shift(1, np.array(bittings)).astype(np.uint16)
    masks = np.array([np.bitwise_or.reduce(bits[list(group.keys)], axis=0) for group in matrix.cylinders])
    return ((bits[:, None, :] & masks[None, :, :]) != 0).all(axis=2)


def matrices(seconds):
    """Print how long matrices take, in seconds of the processor and beside a bare pass over the same matrix."""
    print()
    print("Who opens what, keyed; what levels do not hold is searched for up to", seconds, "s of the clock")
    print("pass: every key against every cylinder once, in NumPy")
    print(f"{'matrix':>42} {'keys':>6} {'doors':>6} {'processor':>10} {'pass ×':>9}")
    spec = BittingSpec(chambers=7, depths=10, macs=9, step=2)
    cases = {f"nested {size}": campus(*size) for size in [(1, 10, 25), (2, 10, 25), (4, 10, 25), (4, 20, 50)]}
    cases |= {
        "nested": exceptions(20, 19, 0),
        "nested, 5 % also open another door": exceptions(20, 19, 0.05),
        "nested, 20 % also open another door": exceptions(14, 13, 0.2),
        "crowded, a fifth of all doors a key": crowded(spec, 200, Random(1)),
    }
    cases |= {f"by chance, {share:.0%} of {size} doors a key": crossing(size, share) for size, share in GENERAL}
    for name, (opens, doors) in cases.items():
        start = process_time()
        matrix = AccessMatrix.of(opens, doors)
        found = key_matrix(spec, TMK[:7], matrix, Random(1), seconds=seconds, relax=False)
        took = process_time() - start
        solved = isinstance(found, AccessPlan)
        words = "" if solved else f"  {found.outcome}, {len(found.unwanted):,} unwanted"
        keys = matrix.keys
        bittings = [found.keys[found.holders[key.holders[0]]] for key in keys] if solved else found.bittings
        floor, operates = best(lambda m=matrix, b=bittings: bare_pass(m, b))
        assert not solved or (operates == matrix.listed).all()
        print(f"{name:>42} {len(keys):>6,} {len(doors):>6,} {took:>9.2f}s {took / floor:>9,.0f}{words}")


def shares(seconds, drawn=10):
    """Print of how many drawn matrices, all of which have an answer, none is found."""
    print()
    print(f"Crowded matrices drawn so that they have an answer: not found within {seconds} s of the clock")
    spec = BittingSpec(chambers=6, depths=10, macs=9, step=2)
    for size in [15, 30, 60, 120]:
        missed = 0
        for seed in range(drawn):
            matrix = AccessMatrix.of(*crowded(spec, size, Random(seed)))
            found = solve_matrix(spec, TMK[:6], matrix, Random(seed), seconds=seconds)
            missed += found.outcome is not Outcome.SOLVED
        print(f"  {size} × {size}: {missed} of {drawn}")


if __name__ == "__main__":
    main()
    matrices(seconds=20.0)
    shares(seconds=5.0)
