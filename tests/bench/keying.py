"""Prints how fast the audit is, as ratios: against a plain pairwise check, and as systems grow.

Run: python tests/bench/keying.py
"""

from __future__ import annotations

from time import perf_counter

import numpy as np

from app.keying import BittingSpec, audit, master_names, progression_under

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
        assert found.clean
        floor, _ = best(lambda k=keys: np.array(list(k.values()), dtype=np.uint8))
        plain = plain_seconds_a_cylinder(keys, cylinders) * len(cylinders)
        rates[chambers, len(cylinders)] = seconds / len(cylinders)
        print(
            f"{chambers:>8} {len(cylinders):>9,} {listing:>8.3f}s {seconds:>8.3f}s"
            f" {seconds / len(cylinders) * 1e6:>9.1f} {plain / (listing + seconds):>9,.0f} {seconds / floor:>8.1f}"
        )
    growth = rates[8, 65536] / rates[8, 4096]
    print(f"Eight chambers, from 4,096 to 65,536 cylinders: {growth:.2f} × the time per cylinder (1 is linear)")


if __name__ == "__main__":
    main()
