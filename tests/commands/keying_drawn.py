"""Inputs of `bittern keying` drawn by chance: specs, rules, plans, who opens what, and systems that are clean."""

import random

from tests.commands.keying_judges import (
    Cuts,
    Json,
    allowed,
    columns_of,
    depths_of,
    misfits,
    write_cuts,
)


def draw_spec(chance: random.Random, chambers: tuple[int, int], depths: tuple[int, int]) -> Json:
    many = chance.randint(*depths)
    return {
        "chambers": chance.randint(*chambers),
        "depths": many,
        "first_depth": chance.choice([0, 0, 1]),
        "macs": chance.randint(max(1, many // 2), many - 1),
        "step": chance.choice([1, 2]),
    }


def draw_rules(chance: random.Random, lightly: bool = False) -> Json | None:
    if chance.random() < 0.3:
        return None
    rules: Json = {}
    if chance.random() < 0.5:
        rules["least_depths"] = chance.randint(1, 2 if lightly else 4)
    if chance.random() < 0.5:
        rules["most_equal_neighbors"] = chance.randint(2 if lightly else 1, 3)
    if chance.random() < 0.5:
        rules["least_span"] = chance.randint(0, 1 if lightly else 4)
    for switch in ("no_stairs", "no_uncut"):
        if chance.random() < 0.5:
            rules[switch] = chance.random() < 0.8
    return rules


def draw_cuts(chance: random.Random, spec: Json, rules: Json | None = None) -> Cuts | None:
    """A bitting that is allowed, by walking; None where a hundred walks find none."""
    for _ in range(100):
        cuts = [chance.choice(depths_of(spec))]
        while len(cuts) < spec["chambers"]:
            near = [d for d in depths_of(spec) if abs(d - cuts[-1]) <= spec["macs"]]
            cuts.append(chance.choice(near))
        if allowed(spec, rules, tuple(cuts)):
            return tuple(cuts)
    return None


def draw_progress(chance: random.Random) -> Json:
    spec = draw_spec(chance, (3, 5), (3, 7))
    tmk = draw_cuts(chance, spec) or (depths_of(spec)[0],) * spec["chambers"]
    asked: Json = {"spec": spec, "tmk": write_cuts(tmk)}
    if chance.random() < 0.4:
        columns = columns_of(spec, tmk)
        asked["array"] = [
            [f"{d:X}" for d in chance.sample(column, chance.randint(0, len(column)))] for column in columns
        ]
    if chance.random() < 0.7:
        asked["order"] = chance.sample(range(1, spec["chambers"] + 1), spec["chambers"])
    if chance.random() < 0.3:
        asked["limit"] = chance.choice([0, 1, 5, 50])
    if chance.random() < 0.9:
        asked["rules"] = draw_rules(chance)
    return asked


def draw_plan(chance: random.Random) -> Json:
    chambers, depths, step = chance.choice([(5, 6, 1), (6, 10, 2), (6, 10, 2), (7, 10, 2), (6, 7, 1), (4, 6, 1)])
    spec = {"chambers": chambers, "depths": depths, "macs": chance.randint(4, depths - 1), "step": step}
    spec["first_depth"] = chance.choice([0, 1]) if depths < 10 else 0
    levels = chance.choice([2, 3, 3, 3, 4, 4, 5, 6, 7])
    levels = min(levels, chambers + 1)
    asked: Json = {
        "spec": spec,
        "levels": levels,
        "masters": [chance.randint(1, 8 if levels < 4 else 3) for _ in range(levels - 2)],
        "changes": chance.randint(1, 20 if levels < 4 else 4),
        "seed": chance.randint(0, 10**6),
    }
    if chance.random() < 0.8:
        asked["rules"] = draw_rules(chance)
    if chance.random() < 0.3 and (tmk := draw_cuts(chance, spec)):
        asked["tmk"] = write_cuts(tmk)
    if chance.random() < 0.3:
        asked["room"] = [chance.choice([0, 0.1, 0.25, 0.5, 1]) for _ in range(levels - 1)]
    return asked


def draw_tiny_opens(chance: random.Random) -> Json:
    """Few people and doors at random, on specs so small that some cannot be had."""
    spec = draw_spec(chance, (3, 3), (2, 4))
    doors = [f"d{n}" for n in range(chance.randint(1, 6))]
    share = chance.choice([0.3, 0.5, 0.7])
    opens = {f"p{n}": [door for door in doors if chance.random() < share] for n in range(chance.randint(1, 7))}
    asked: Json = {"spec": spec, "opens": opens, "seed": chance.randint(0, 99)}
    if chance.random() < 0.5:
        asked["rules"] = draw_rules(chance, lightly=True)
    return asked


def draw_levelled_opens(chance: random.Random, most: int = 4) -> Json:
    """A head over departments with a person a door, and exceptions: a colleague's door, a shared one, a double."""
    chambers, depths, step = chance.choice([(5, 6, 1), (6, 10, 2), (6, 8, 2), (6, 7, 1)])
    spec = {"chambers": chambers, "depths": depths, "macs": chance.randint(4, depths - 1), "step": step}
    opens: dict[str, list[str]] = {}
    rooms = {
        f"dept{n}": [f"{n}.{door}" for door in range(chance.randint(2, most))] for n in range(chance.randint(1, most))
    }
    for name, doors in rooms.items():
        opens[name] = list(doors)
        for door in doors:
            opens[f"of {door}"] = [door]
    every = [door for doors in rooms.values() for door in doors]
    if chance.random() < 0.8:
        opens["head"] = list(every)
    people = [person for person in opens if person.startswith("of ")]
    for _ in range(chance.choice([0, 1, 1, 2])):
        other = opens[chance.choice(people)]
        door = chance.choice(every)
        if door not in other:
            other.append(door)
    if chance.random() < 0.2:
        shared = "porch"
        for person, doors in opens.items():
            if not person.startswith("of ") or chance.random() < 0.5:
                doors.append(shared)
    if chance.random() < 0.3:
        opens["twin"] = list(opens[chance.choice(list(opens))])
    if chance.random() < 0.3:
        opens["nobody"] = []
    asked: Json = {"spec": spec, "opens": opens, "seed": chance.randint(0, 99)}
    if chance.random() < 0.6:
        asked["rules"] = draw_rules(chance, lightly=True)
    return asked


def draw_system(chance: random.Random, tiny: bool) -> Json:
    """A clean system: by levels, sometimes with cylinders crossed under the head, or a few keys without any order."""
    while True:
        found = _levelled(chance, tiny) if chance.random() < 0.75 else _flat(chance, tiny)
        if found:
            return found


def _levelled(chance: random.Random, tiny: bool) -> Json | None:
    spec = draw_spec(chance, (3, 4), (3, 5)) if tiny else draw_spec(chance, (4, 6), (4, 10))
    rules = draw_rules(chance, lightly=True)
    tmk = draw_cuts(chance, spec, rules)
    if tmk is None:
        return None
    columns = columns_of(spec, tmk)
    chambers = list(range(spec["chambers"]))
    chance.shuffle(chambers)
    parted = chance.choice([0, 1, 1, 2])
    many = chance.choice([2, 5, 30])  # the last takes all that there are, or nearly
    over, under = chambers[:parted], chambers[parted:]

    def vary(base: Cuts, places: list[int], most: int) -> list[Cuts]:
        found: dict[Cuts, None] = {}
        for _ in range(20 * most):
            cuts = list(base)
            for n in places:
                cuts[n] = chance.choice(columns[n] or [base[n]])
            if tuple(cuts) != base and allowed(spec, rules, tuple(cuts)):
                found[tuple(cuts)] = None
        return list(found)[:most]

    keys: dict[str, Cuts] = {}
    cylinders: dict[str, list[str]] = {}
    if parted:
        keys["A"] = tmk
        for letter, master in zip("ABCD", vary(tmk, over, 2 if tiny else 4), strict=False):
            keys[f"A{letter}"] = master
            for number, change in enumerate(vary(master, under, many), start=1):
                keys[f"A{letter}{number}"] = change
                cylinders[f"A{letter}{number}"] = [f"A{letter}{number}", f"A{letter}", "A"]
    else:
        keys["AA"] = tmk
        for number, change in enumerate(vary(tmk, under, many), start=1):
            keys[f"{number}AA"] = change
            cylinders[f"{number}AA"] = [f"{number}AA", "AA"]
    if len(cylinders) < 2:
        return None
    if chance.random() < 0.3:
        some = chance.sample(sorted(cylinders), 2)
        crossed = dict.fromkeys(key for name in some for key in cylinders[name])
        trial = cylinders | {"X1X": list(crossed)}
        if not list(misfits(keys, trial, spec["chambers"])):
            cylinders = trial
    if list(misfits(keys, cylinders, spec["chambers"])):
        return None
    texts = {symbol: write_cuts(cuts) for symbol, cuts in keys.items()}
    return {"spec": spec, "keys": texts, "cylinders": cylinders, "rules": rules}


def _flat(chance: random.Random, tiny: bool) -> Json | None:
    spec = draw_spec(chance, (3, 4), (3, 5)) if tiny else draw_spec(chance, (5, 6), (5, 10))
    rules = draw_rules(chance, lightly=True)
    first = draw_cuts(chance, spec, rules)
    if first is None:
        return None
    keys = {"K1": first}
    for number in range(2, chance.randint(3, 4 if tiny else 7)):
        cuts = draw_cuts(chance, spec, rules)
        if cuts is None or cuts in keys.values():
            return None
        if spec["step"] == 2:
            cuts = tuple(cut if (cut - one) % 2 == 0 else one for cut, one in zip(cuts, first, strict=True))
            if not allowed(spec, rules, cuts) or cuts in keys.values():
                return None
        keys[f"K{number}"] = cuts
    cylinders = {
        f"door {n}": chance.sample(sorted(keys), chance.randint(1, min(3, len(keys))))
        for n in range(1, chance.randint(3, 5))
    }
    if list(misfits(keys, cylinders, spec["chambers"])):
        return None
    texts = {symbol: write_cuts(cuts) for symbol, cuts in keys.items()}
    return {"spec": spec, "keys": texts, "cylinders": cylinders, "rules": rules}


def draw_lost(chance: random.Random, tiny: bool) -> Json:
    system = draw_system(chance, tiny)
    return {**system, "lost": chance.choice(sorted(system["keys"])), "seed": chance.randint(0, 99)}


def draw_extend(chance: random.Random, tiny: bool) -> Json:
    system = draw_system(chance, tiny)
    keys, cylinders = system["keys"], system["cylinders"]
    add = []
    masters = [one for one in keys if one in ("AA", "AB", "AC") and f"1{one}" not in keys and one != "A"]
    for number in range(1, chance.randint(2, 3 if tiny else 6)):
        kind = chance.random()
        if "A" not in keys:
            if "AA" in keys:
                add.append({"symbol": f"{90 + number}AA", "operators": [f"{90 + number}AA", "AA"]})
            else:
                over = chance.sample(sorted(keys), chance.randint(0, 2))
                add.append({"symbol": f"N{number}", "operators": [f"N{number}", *over]})
        elif kind < 0.2 and number == 1:
            add.append({"symbol": "AY", "operators": ["AY", "A"]})
            if chance.random() < 0.7:
                add.append({"symbol": "AY1", "operators": ["AY1", "AY", "A"]})
        elif kind < 0.35 and number == 1:
            one, other = chance.sample([symbol for symbol in cylinders if symbol in keys], 2)
            over = dict.fromkeys([*cylinders[one], *cylinders[other]])
            add.append({"symbol": "X9X", "operators": list(over)})
        else:
            master = chance.choice(masters)
            add.append({"symbol": f"{master}{90 + number}", "operators": [f"{master}{90 + number}", master, "A"]})
    return {**system, "add": add, "seed": chance.randint(0, 99)}
