"""Prints how fast the audit is, as ratios: against a plain pairwise check, and as systems grow.

Run: python tests/bench/keying.py
"""

from random import Random
from time import perf_counter

import numpy as np

from app.keying import AccessMatrix, BittingSpec, MatrixSolution, audit, key_matrix, progression_under
from app.keying.symbols import master_names

TMK = (5, 2, 8, 6, 1, 4, 3, 4)
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


def crossing(size, share):
    """Who opens what at random: one key for all doors, each other key a share of them."""
    rng = Random(7)
    doors = [f"d{n}" for n in range(size)]
    opens = {f"h{n}": {door for door in doors if rng.random() < share} | {doors[n]} for n in range(size)}
    opens["h0"] = set(doors)
    return opens, doors


def matrices(seconds):
    """Print how long matrices take: nested ones, and general ones up to a time limit."""
    print()
    print("Who opens what: nested keys keyed and audited; general ones searched for up to", seconds, "s")
    spec = BittingSpec(chambers=7, depths=10, macs=9, step=2)
    for size in [(1, 10, 25), (2, 10, 25), (4, 10, 25), (4, 20, 50)]:
        opens, doors = campus(*size)
        took, plan = best(lambda o=opens, d=doors: key_matrix(spec, TMK[:7], AccessMatrix.of(o, d), Random(1)))
        checked, found = best(lambda p=plan: audit(p.keys, p.cylinders))
        assert not found.unintended
        print(
            f"  nested, {len(opens):>5,} keys × {len(doors):>5,} doors: keyed {took:.3f} s, audited {checked:.3f} s"
        )
    for size, share in [(50, 0.04), (100, 0.02), (200, 0.01), (200, 0.05)]:
        opens, doors = crossing(size, share)
        start = perf_counter()
        found = key_matrix(spec, TMK[:7], AccessMatrix.of(opens, doors), Random(1), seconds=seconds)
        took = perf_counter() - start
        words = (
            f"{found.outcome}, best so far lets in {len(found.unwanted)} unwanted"
            if isinstance(found, MatrixSolution)
            else "solved"
        )
        print(f"  general, {size} × {size}, {share:.0%} of doors a key: {words}, {took:.1f} s")


if __name__ == "__main__":
    main()
    matrices(seconds=60.0)
