"""What a key, a cylinder, a rule and a level are, in plain Python, and judges of what `bittern keying` answers.

Written from the words of the commands alone: nothing of `app.keying` is used. A judge gives a sentence for each
thing that is wrong.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from collections.abc import Set as AbstractSet
from fractions import Fraction
from itertools import combinations, pairwise, product
from math import prod
from typing import Any

Cuts = tuple[int, ...]
Json = dict[str, Any]

RULES = ("least_depths", "most_equal_neighbors", "least_span", "no_stairs", "no_uncut")


def read_cuts(text: str) -> Cuts:
    return tuple(int(character, 16) for character in text)


def write_cuts(cuts: Iterable[int]) -> str:
    return "".join(f"{cut:X}" for cut in cuts)


def depths_of(spec: Json) -> range:
    first = spec.get("first_depth") or 0
    return range(first, first + spec["depths"])


def within_macs(spec: Json, cuts: Cuts) -> bool:
    return all(abs(a - b) <= spec["macs"] for a, b in pairwise(cuts))


def first_broken(spec: Json, rules: Json | None, cuts: Cuts) -> str | None:
    """The first rule, in their order, that a bitting breaks."""
    for rule in RULES:
        wanted = (rules or {}).get(rule)
        if wanted is None or wanted is False:
            continue
        run = longest = 1
        for a, b in pairwise(cuts):
            run = run + 1 if a == b else 1
            longest = max(longest, run)
        steps = {b - a for a, b in pairwise(cuts)}
        broken = {
            "least_depths": len(set(cuts)) < wanted,
            "most_equal_neighbors": longest > wanted,
            "least_span": max(cuts) - min(cuts) < wanted,
            "no_stairs": len(steps) == 1 and steps != {0},
            "no_uncut": max(cuts) <= depths_of(spec)[0] + 1,
        }
        if broken[rule]:
            return rule
    return None


def allowed(spec: Json, rules: Json | None, cuts: Cuts) -> bool:
    return within_macs(spec, cuts) and first_broken(spec, rules, cuts) is None


def shapes(spec: Json, text: object) -> bool:
    """Whether a bitting is written as one: a depth of the spec a chamber."""
    return (
        isinstance(text, str)
        and len(text) == spec["chambers"]
        and all(character in "0123456789ABCDEF" and int(character, 16) in depths_of(spec) for character in text)
    )


def opening(keys: Iterable[Cuts], chambers: int) -> list[set[int]]:
    """The depths that shear in each chamber of a cylinder pinned to these keys."""
    keys = list(keys)
    return [{key[chamber] for key in keys} for chamber in range(chambers)]


def turns(key: Cuts, sheared: Sequence[AbstractSet[int]]) -> bool:
    return all(cut in depths for cut, depths in zip(key, sheared, strict=True))


def misfits(keys: Mapping[str, Cuts], cylinders: Mapping[str, Iterable[str]], chambers: int) -> Iterator[str]:
    """Each key that turns a cylinder whose list it is not on."""
    for name, operators in cylinders.items():
        listed = set(operators)
        sheared = opening([keys[symbol] for symbol in listed], chambers)
        for symbol, key in keys.items():
            if symbol not in listed and turns(key, sheared):
                yield f"{symbol} turns {name}"


def one_parity(spec: Json, keys: Iterable[Cuts]) -> bool:
    """Whether, where depths go by twos, all keys are odd or even alike in each chamber."""
    return spec.get("step") != 2 or all(len({cut % 2 for cut in column}) == 1 for column in zip(*keys, strict=True))


def as_told(spec: Json, rules: Json | None, made: Mapping[str, Any]) -> Iterator[str]:
    """What is wrong with bittings that a command made, each by itself."""
    for symbol, text in made.items():
        if not shapes(spec, text):
            yield f"{symbol} has {text!r}, which is no bitting of the spec"
        elif not within_macs(spec, read_cuts(text)):
            yield f"{symbol} {text} breaks MACS"
        elif broken := first_broken(spec, rules, read_cuts(text)):
            yield f"{symbol} {text} breaks {broken}"


def said_in_full(answer: Json, *fields: str) -> Iterator[str]:
    if set(answer) != set(fields):
        yield f"the answer has the fields {sorted(answer)}"


# --- progress


def columns_of(spec: Json, tmk: Cuts) -> list[list[int]]:
    return [[d for d in depths_of(spec) if d != cut and (d - cut) % spec["step"] == 0] for cut in tmk]


def in_sequence(columns: Sequence[Sequence[int]], order: Sequence[int]) -> Iterator[Cuts]:
    """Each combination, the first chamber of `order` fastest."""
    slowest_first = list(reversed(order))
    for combination in product(*(columns[chamber - 1] for chamber in slowest_first)):
        cut_of = dict(zip(slowest_first, combination, strict=True))
        yield tuple(cut_of[chamber] for chamber in range(1, len(columns) + 1))


def judge_progress(asked: Json, answer: Json) -> Iterator[str]:
    spec, rules, tmk = asked["spec"], asked.get("rules"), read_cuts(asked["tmk"])
    if rules is None:
        answer = {"refused": {}, **answer}
    yield from said_in_full(answer, "array", "theoretical", "usable", "refused", "bittings")
    columns = columns_of(spec, tmk)
    if asked.get("array") is not None:
        columns = [[int(depth, 16) for depth in column] for column in asked["array"]]
    if answer["array"] != [[f"{depth:X}" for depth in column] for column in columns]:
        yield f"the array is {answer['array']}"
    progressed = [column or [cut] for column, cut in zip(columns, tmk, strict=True)]
    if answer["theoretical"] != prod(map(len, progressed)):
        yield f"theoretical is {answer['theoretical']}"
    macs = [cuts for cuts in product(*progressed) if within_macs(spec, cuts)]
    refused = Counter(first_broken(spec, rules, cuts) for cuts in macs)
    usable = refused.pop(None, 0)
    if answer["usable"] != usable:
        yield f"usable is {answer['usable']}, not {usable}"
    if {rule: n for rule, n in answer["refused"].items() if n} != dict(refused):
        yield f"refused is {answer['refused']}, not {dict(refused)}"
    if not set(answer["refused"]) <= {rule for rule in RULES if (rules or {}).get(rule)}:
        yield f"refused names rules that nobody asked for: {answer['refused']}"
    good = {write_cuts(cuts) for cuts in macs if first_broken(spec, rules, cuts) is None}
    listed = answer["bittings"]
    limit = asked.get("limit")
    if len(listed) != (usable if limit is None else min(limit, usable)) or not set(listed) <= good:
        yield f"{len(listed)} bittings are listed, of {usable}, or others than those"
    if len(set(listed)) != len(listed):
        yield "a bitting is listed twice"
    if asked.get("order") is not None:
        sequence = (write_cuts(cuts) for cuts in in_sequence(progressed, asked["order"]))
        wanted = [text for text in sequence if text in good][: len(listed)]
        if listed != wanted:
            yield f"the sequence is {listed[:5]}…, not {wanted[:5]}…"


# --- plan


def judge_plan(asked: Json, answer: Json) -> Iterator[str]:
    spec, rules, levels, masters = asked["spec"], asked.get("rules"), asked["levels"], asked["masters"]
    yield from said_in_full(answer, "keys", "cylinders", "left", "refused", "warnings")
    keys, cylinders = answer["keys"], answer["cylinders"]
    made = dict(keys)
    if asked.get("tmk"):
        given = [symbol for symbol, text in keys.items() if text == asked["tmk"]]
        if len(given) != 1:
            yield f"the given master is the key of {given}"
        made = {symbol: text for symbol, text in keys.items() if symbol not in given}
        if not allowed(spec, rules, read_cuts(asked["tmk"])) and not answer["warnings"]:
            yield "the given master breaks MACS or a rule, and no warning says so"
    yield from as_told(spec, rules, made)
    if len(set(keys.values())) != len(keys):
        yield "two keys have one bitting"
    cuts = {symbol: read_cuts(text) for symbol, text in keys.items()}
    if not one_parity(spec, cuts.values()):
        yield "keys are not of one parity"
    above = [1]
    for count in masters:
        above.append(above[-1] * count)
    changes = above[-1] * asked["changes"]
    if len(keys) != sum(above) + changes:
        yield f"there are {len(keys)} keys, not {sum(above) + changes}"
    if len(cylinders) != changes or not set(cylinders) <= set(keys):
        yield f"there are {len(cylinders)} cylinders, not {changes}, or one has no change"
        return
    yield from judge_tree(asked, keys, cylinders)
    yield from misfits(cuts, cylinders, spec["chambers"])
    left = answer["left"]
    if len(left) != levels - 1 or not all(isinstance(n, int) and n >= 0 for n in left):
        yield f"left is {left}: no count for each level under the top"
    elif asked.get("room"):
        wanted = [*masters, asked["changes"]]
        for level, (share, count, free) in enumerate(zip(asked["room"], wanted, left, strict=True)):
            if free < share * count:
                yield f"level {level} keeps {free} free, less than {share} of {count}"
    if not set(answer["refused"]) <= {rule for rule in RULES if (rules or {}).get(rule)}:
        yield f"refused names rules that nobody asked for: {answer['refused']}"
    if not all(isinstance(warning, str) for warning in answer["warnings"]):
        yield f"warnings are {answer['warnings']}"


def symbol_level(symbol: str, levels: int) -> tuple[int, str | None] | None:
    """Where a symbol without number stands under its letters (0: the top), and its parent; None if it is none.

    Up to 22 under one key, so that each is one letter.
    """
    letters = "[ABCDEFGHJKLMNPRSTUVWYZ]"
    import re

    if levels == 2:
        if symbol == "AA":
            return 0, None
        found = re.fullmatch(r"([1-9]\d*)AA", symbol)
        return (1, "AA") if found else None
    top = "A" if levels == 3 else "G" * (levels - 2) + "M"
    if symbol == top:
        return 0, None
    found = re.fullmatch(rf"({letters}+)([1-9]\d*)?", symbol)
    if not found:
        return None
    depth = len(found[1]) - (1 if levels == 3 else 0)
    if found[2]:
        return levels - 1, found[1]
    return depth, (found[1][:-1] or top)


def judge_tree(asked: Json, keys: Mapping[str, str], cylinders: Mapping[str, Sequence[str]]) -> Iterator[str]:
    """Every change with all keys above it, and as many under each key as were asked for, by the symbols' letters."""
    levels = asked["levels"]
    counts = [*asked["masters"], asked["changes"]]
    if max(counts[:-1], default=0) > 22:
        return  # then some symbols have a number between their letters
    place = {symbol: symbol_level(symbol, levels) for symbol in keys}
    unread = [symbol for symbol, found in place.items() if found is None]
    if unread:
        yield f"symbols are not those of {levels} levels: {unread[:5]}"
        return
    below: Counter[str] = Counter()
    by_level: Counter[int] = Counter()
    for found in place.values():
        level, parent = found or (0, None)
        by_level[level] += 1
        if parent:
            below[parent] += 1
            if parent not in keys:
                yield f"the parent {parent} is no key"
    expected = 1
    for level in range(levels):
        if by_level[level] != expected:
            yield f"level {level} has {by_level[level]} keys, not {expected}"
        if level < levels - 1:
            expected *= counts[level]
    for symbol, found in place.items():
        level = (found or (0, None))[0]
        if level < levels - 1 and below[symbol] != counts[level]:
            yield f"{symbol} has {below[symbol]} under it, not {counts[level]}"
    for change, operators in cylinders.items():
        chain, at = [], change
        while at:
            chain.append(at)
            at = (place.get(at) or (0, None))[1] or ""
        if sorted(chain) != sorted(operators):
            yield f"{change} is operated by {operators}, not by {chain}"


def masters_apart(asked: Json, answer: Json) -> str:
    """ "near" where masters of the top differ in one chamber only though as many two chambers apart are there."""
    spec, rules, levels = asked["spec"], asked.get("rules"), asked["levels"]
    place = {symbol: symbol_level(symbol, levels) for symbol in answer["keys"]}
    top = next(read_cuts(answer["keys"][symbol]) for symbol, found in place.items() if found and found[0] == 0)
    masters = [read_cuts(answer["keys"][symbol]) for symbol, found in place.items() if found and found[0] == 1]
    chambers = [n for n, cut in enumerate(top) if any(master[n] != cut for master in masters)]
    near = any(sum(a != b for a, b in zip(one, other, strict=True)) == 1 for one, other in combinations(masters, 2))
    if len(chambers) != 2:
        return "other"
    if not near:
        return "apart"
    columns = columns_of(spec, top)
    pairs: dict[int, list[int]] = {}
    for a, b in product(columns[chambers[0]], columns[chambers[1]]):
        cuts = list(top)
        cuts[chambers[0]], cuts[chambers[1]] = a, b
        if allowed(spec, rules, tuple(cuts)):
            pairs.setdefault(a, []).append(b)
    return "near" if matching(pairs) >= len(masters) else "no room"


def matching(pairs: Mapping[int, Sequence[int]]) -> int:
    """The most pairs of which no two have the same first or the same second."""
    taken: dict[int, int] = {}

    def place(one: int, tried: set[int]) -> bool:
        for other in pairs[one]:
            if other not in tried:
                tried.add(other)
                if other not in taken or place(taken[other], tried):
                    taken[other] = one
                    return True
        return False

    return sum(place(one, set()) for one in pairs)


# --- solve


def carried(opens: Mapping[str, Sequence[str]]) -> dict[frozenset[str], list[str]]:
    """Doors → the people who open just these, and carry one key."""
    found: dict[frozenset[str], list[str]] = {}
    for person, doors in opens.items():
        if doors:
            found.setdefault(frozenset(doors), []).append(person)
    return found


def is_master(doors: frozenset[str], all_keys: Iterable[frozenset[str]]) -> bool:
    return sum(other < doors for other in all_keys) >= 2


def crossed_doors(opens: Mapping[str, Sequence[str]]) -> set[str]:
    """Doors that two or more changes operate, or masters of which neither stands over the other."""
    keys = list(carried(opens))
    masters = {key for key in keys if is_master(key, keys)}
    crossed = set()
    for door in {door for key in keys for door in key}:
        operators = [key for key in keys if door in key]
        here = [key for key in operators if key in masters]
        beside = any(not (a < b or b < a) for a, b in combinations(here, 2))
        if len(operators) - len(here) >= 2 or beside:
            crossed.add(door)
    return crossed


def judge_solve(asked: Json, answer: Json) -> Iterator[str]:
    spec, rules, opens = asked["spec"], asked.get("rules"), asked["opens"]
    yield from said_in_full(answer, "status", "keys", "symbols", "crossed", "shares", "conflict", "relax")
    status = answer["status"]
    if status not in ("solved", "impossible", "not found"):
        yield f"the status is {status!r}"
    for change in answer["relax"]:
        there = change["door"] in opens.get(change["person"], ())
        if set(change) != {"person", "door", "do"} or change["do"] != ("drop" if there else "allow"):
            yield f"relax says {change}, which changes nothing"
        if change["person"] not in opens or not any(change["door"] in doors for doors in opens.values()):
            yield f"relax names what is not there: {change}"
    if status != "solved":
        if any(answer["keys"].values()):
            yield f"it is {status}, and yet has keys"
        if status == "impossible" and not answer["conflict"]:
            yield "it is impossible, and nothing is in conflict"
        return
    if answer["conflict"] or answer["relax"]:
        yield "it is solved, and yet something is in conflict or to relax"
    keys, symbols = answer["keys"], answer["symbols"]
    alike = carried(opens)
    symbols = {k: v for k, v in symbols.items() if v is not None}
    keys = {k: v for k, v in keys.items() if v is not None}
    for holders in (keys, symbols):
        if set(holders) != {person for person, doors in opens.items() if doors}:
            yield f"keys or symbols go to {sorted(holders)}"
            return
    yield from as_told(spec, rules, keys)
    cut_for, symbol_for = {}, {}
    for doors, people in alike.items():
        if len({keys[person] for person in people}) != 1 or len({symbols[person] for person in people}) != 1:
            yield f"{people} open the same doors and do not carry one key"
        cut_for[doors], symbol_for[doors] = read_cuts(keys[people[0]]), symbols[people[0]]
    if len(set(symbol_for.values())) != len(symbol_for) or len(set(cut_for.values())) != len(cut_for):
        yield "two different keys have one symbol or one bitting"
    if not one_parity(spec, cut_for.values()):
        yield "keys are not of one parity"
    shares = {}
    for door in sorted({door for doors in alike for door in doors}):
        sheared = opening([cuts for doors, cuts in cut_for.items() if door in doors], spec["chambers"])
        for doors, cuts in cut_for.items():
            if door not in doors and turns(cuts, sheared):
                yield f"{alike[doors][0]} opens {door} and must not"
        shares[door] = Fraction(prod(map(len, sheared)), spec["depths"] ** spec["chambers"])
    if set(shares) != set(answer["shares"]):
        yield f"shares has the doors {sorted(answer['shares'])}"
    elif any(abs(float(share) - answer["shares"][door]) > 1e-12 for door, share in shares.items()):
        yield f"shares are {answer['shares']}"
    wanted = crossed_doors(opens)
    if set(answer["crossed"]) != wanted or len(answer["crossed"]) != len(wanted):
        yield f"crossed is {sorted(answer['crossed'])}, not {sorted(wanted)}"
    for doors, symbol in symbol_for.items():
        says_master = not symbol[-1].isdigit() and not symbol[0].isdigit()
        if says_master != is_master(doors, alike):
            yield f"{symbol} of {alike[doors][0]} is no symbol of its level"
    masters = [doors for doors in alike if is_master(doors, alike)]
    for doors, symbol in symbol_for.items():
        beside = [other for other in alike if other != doors and other not in masters]
        alone = [door for door in doors if not any(door in other for other in beside)]
        over = [
            {master for master in masters if door in master and not any(door in m and m < master for m in masters)}
            for door in alone
        ]
        parent = symbol.strip("0123456789")
        if doors not in masters and any(over) and parent not in {symbol_for[m] for found in over for m in found}:
            yield f"{symbol} of {alike[doors][0]} is not under a master over a door that is his alone"


def relaxed(asked: Json, answer: Json) -> Json:
    """The same with what `relax` says done."""
    opens = {person: list(doors) for person, doors in asked["opens"].items()}
    for change in answer["relax"]:
        if change["do"] == "allow":
            opens[change["person"]].append(change["door"])
        else:
            opens[change["person"]].remove(change["door"])
    return {**asked, "opens": opens}


class TooMany(Exception):
    """A search by trying everything would go on too long."""


def by_trying(
    spec: Json, rules: Json | None, listed: Sequence[AbstractSet[str]], most: int = 60_000, alike_may: bool = False
) -> list[Cuts] | None:
    """Bittings of keys that open just these doors each, found by trying all of one parity; None if there are none."""
    candidates = [cuts for cuts in product(depths_of(spec), repeat=spec["chambers"]) if allowed(spec, rules, cuts)]
    groups: dict[Cuts, list[Cuts]] = {}
    for cuts in candidates:
        pattern = tuple(cut % 2 for cut in cuts) if spec.get("step") == 2 else ()
        groups.setdefault(pattern, []).append(cuts)
    order = sorted(range(len(listed)), key=lambda n: -len(listed[n]))
    doors = sorted({door for opened in listed for door in opened})
    tried = 0
    chosen: dict[int, Cuts] = {}

    def sound() -> bool:
        for door in doors:
            sheared = opening([cuts for n, cuts in chosen.items() if door in listed[n]], spec["chambers"])
            if any(door not in listed[n] and turns(cuts, sheared) for n, cuts in chosen.items()):
                return False
        return True

    def place(at: int, group: Sequence[Cuts]) -> bool:
        nonlocal tried
        if at == len(order):
            return True
        for cuts in group:
            if not alike_may and cuts in chosen.values():
                continue
            tried += 1
            if tried > most:
                raise TooMany
            chosen[order[at]] = cuts
            if sound() and place(at + 1, group):
                return True
            del chosen[order[at]]
        return False

    for group in groups.values():
        if len(group) >= (1 if alike_may else len(order)) and place(0, group):
            return [chosen[n] for n in range(len(listed))]
    return None


def judge_conflict(asked: Json, answer: Json) -> Iterator[str]:
    """People and doors in conflict cannot be had by themselves either."""
    people = list(dict.fromkeys(person for person, _ in answer["conflict"]))
    doors = {door for _, door in answer["conflict"]}
    part = [doors & set(asked["opens"][person]) for person in people]
    try:
        if by_trying(asked["spec"], asked.get("rules"), part, alike_may=True) is not None:
            yield f"{people} and {sorted(doors)} are in conflict, and yet can be had"
    except TooMany:
        return


# --- lost


def touched(cylinders: Mapping[str, Sequence[str]], replaced: AbstractSet[str]) -> int:
    return sum(not replaced.isdisjoint(operators) for operators in cylinders.values())


def judge_lost(asked: Json, answer: Json) -> Iterator[str]:
    spec, rules, cylinders, lost = asked["spec"], asked.get("rules"), asked["cylinders"], asked["lost"]
    yield from said_in_full(answer, "exposed", "replace", "new", "proven", "reasons")
    old = {symbol: read_cuts(text) for symbol, text in asked["keys"].items()}
    exposed = {
        name
        for name, operators in cylinders.items()
        if turns(old[lost], opening([old[symbol] for symbol in operators], spec["chambers"]))
    }
    if set(answer["exposed"]) != exposed or len(answer["exposed"]) != len(exposed):
        yield f"exposed is {sorted(answer['exposed'])}, not {sorted(exposed)}"
    if not answer["proven"]:
        if answer["new"] or answer["replace"] or not answer["reasons"]:
            yield "nothing is proven, and yet keys are replaced, or no reason is given"
        return
    replace = set(answer["replace"])
    if lost not in replace or set(answer["new"]) != replace or not replace <= set(old):
        yield f"replaced are {sorted(replace)}, with new bittings for {sorted(answer['new'])}"
        return
    yield from as_told(spec, rules, answer["new"])
    keys = old | {symbol: read_cuts(text) for symbol, text in answer["new"].items()}
    if one_parity(spec, old.values()) and not one_parity(spec, keys.values()):
        yield "the new keys are not of the system's parity"
    for name, operators in cylinders.items():
        if turns(old[lost], opening([keys[symbol] for symbol in operators], spec["chambers"])):
            yield f"the lost key still turns {name}"
    yield from misfits(keys, cylinders, spec["chambers"])
    alike = {symbol for symbol, cuts in keys.items() if Counter(keys.values())[cuts] > 1}
    if alike & replace:
        yield f"{sorted(alike)} have one bitting now"


def least_replaced(asked: Json, most: int = 30_000) -> tuple[int, int] | None:
    """The fewest cylinders, then keys, with which a lost key can be answered, by trying everything; None if none."""
    spec, rules, cylinders, lost = asked["spec"], asked.get("rules"), asked["cylinders"], asked["lost"]
    old = {symbol: read_cuts(text) for symbol, text in asked["keys"].items()}
    parity = tuple(cut % 2 for cut in old[lost]) if spec.get("step") == 2 else None
    candidates = [
        cuts
        for cuts in product(depths_of(spec), repeat=spec["chambers"])
        if allowed(spec, rules, cuts) and (parity is None or tuple(cut % 2 for cut in cuts) == parity)
    ]
    others = [symbol for symbol in old if symbol != lost]
    if len(others) > 9:
        raise TooMany
    ways = [{lost, *some} for size in range(len(others) + 1) for some in combinations(others, size)]
    ways.sort(key=lambda way: (touched(cylinders, way), len(way)))
    tried = 0

    def sound(keys: Mapping[str, Cuts]) -> bool:
        for operators in cylinders.values():
            sheared = opening([keys[symbol] for symbol in operators if symbol in keys], spec["chambers"])
            if turns(old[lost], sheared):
                return False
            if any(turns(cuts, sheared) for symbol, cuts in keys.items() if symbol not in operators):
                return False
        return True

    def place(keys: dict[str, Cuts], waiting: Sequence[str]) -> bool:
        nonlocal tried
        if not waiting:
            return True
        for cuts in candidates:
            tried += 1
            if tried > most:
                raise TooMany
            if cuts in keys.values():
                continue
            keys[waiting[0]] = cuts
            if sound(keys) and place(keys, waiting[1:]):
                return True
            del keys[waiting[0]]
        return False

    for way in ways:
        staying = {symbol: cuts for symbol, cuts in old.items() if symbol not in way}
        if sound(staying) and place(dict(staying), sorted(way)):
            return touched(cylinders, way), len(way)
    return None


# --- extend


def judge_extend(asked: Json, answer: Json) -> Iterator[str]:
    spec, rules = asked["spec"], asked.get("rules")
    yield from said_in_full(answer, "new")
    old = {symbol: read_cuts(text) for symbol, text in asked["keys"].items()}
    wanted = {one["symbol"] for one in asked["add"] if one["symbol"] in one["operators"]} - set(old)
    if set(answer["new"]) != wanted:
        yield f"there are new keys {sorted(answer['new'])}, not {sorted(wanted)}"
        return
    yield from as_told(spec, rules, answer["new"])
    keys = old | {symbol: read_cuts(text) for symbol, text in answer["new"].items()}
    if len(set(keys.values())) < len(set(old.values())) + len(wanted):
        yield "a new key has the bitting of another"
    if one_parity(spec, old.values()) and not one_parity(spec, keys.values()):
        yield "the new keys are not of the system's parity"
    cylinders = asked["cylinders"] | {one["symbol"]: one["operators"] for one in asked["add"]}
    yield from misfits(keys, cylinders, spec["chambers"])


def can_extend(asked: Json, most: int = 20_000) -> bool:
    """Whether trying everything finds the new keys."""
    spec, rules = asked["spec"], asked.get("rules")
    old = {symbol: read_cuts(text) for symbol, text in asked["keys"].items()}
    parity = tuple(cut % 2 for cut in next(iter(old.values()))) if spec.get("step") == 2 else None
    candidates = [
        cuts
        for cuts in product(depths_of(spec), repeat=spec["chambers"])
        if allowed(spec, rules, cuts) and (parity is None or tuple(cut % 2 for cut in cuts) == parity)
    ]
    cylinders = asked["cylinders"] | {one["symbol"]: one["operators"] for one in asked["add"]}
    waiting = sorted({one["symbol"] for one in asked["add"] if one["symbol"] in one["operators"]} - set(old))
    tried = 0

    def place(keys: dict[str, Cuts], left: Sequence[str]) -> bool:
        nonlocal tried
        known = {name: [one for one in operators if one in keys] for name, operators in cylinders.items()}
        if next(misfits(keys, known, spec["chambers"]), None):
            return False
        if not left:
            return True
        for cuts in candidates:
            tried += 1
            if tried > most:
                raise TooMany
            if cuts not in keys.values() and place(keys | {left[0]: cuts}, left[1:]):
                return True
        return False

    return place(old, waiting)
