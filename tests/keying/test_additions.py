"""Keys and cylinders added to systems whose keys stay, held against plain enumeration."""

from itertools import combinations, product
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.errors import BitternError
from app.keying import AddedCylinder, BittingRules, BittingSpec, KeyingError, add_cylinders, plan_levels
from tests.keying.oracle import every_bitting, obeys_macs, operates


def added(**operators):
    return [AddedCylinder(symbol, tuple(keys.split())) for symbol, keys in operators.items()]


def clean(keys, cylinders):
    """Whether every cylinder opens to the keys that it lists and to no other, one by one."""
    return all(
        operates(bitting, [keys[one] for one in meant]) == (symbol in meant)
        for meant in cylinders
        for symbol, bitting in keys.items()
    )


def drawn_system(turn):
    """A clean system of three to six keys in crossed cylinders, drawn by chance; its spec; and what is added."""
    rng = Random(turn)
    spec = BittingSpec(
        chambers=3, depths=rng.choice([2, 3, 4]), first_depth=rng.choice([0, 1]), macs=rng.choice([1, 2, 4]), step=1
    )
    if rng.random() < 0.4:
        spec = BittingSpec(chambers=3, depths=6, macs=rng.choice([2, 4]), step=2)
    if rng.random() < 0.5:
        spec = BittingSpec(**{**fields(spec), "rules": BittingRules(least_depths=2, most_equal_neighbors=2)})
    pattern = [rng.randrange(2) for _ in range(3)]
    space = [
        one
        for one in every_bitting(spec)
        if obeys_macs(spec, one) and (spec.step == 1 or [cut % 2 for cut in one] == pattern)
    ]
    while True:
        keys = dict(zip("PQRSTU", rng.sample(space, min(len(space), rng.randint(3, 6))), strict=False))
        cylinders = [rng.sample([*keys], rng.choice([1, 1, 2])) for _ in range(3)]
        if clean(keys, cylinders):
            break
    names = [*keys]
    new = []
    for number in range(rng.randint(1, 2)):
        symbol = f"N{number}"
        new.append(AddedCylinder(symbol, (symbol, *rng.sample(names, rng.choice([0, 1, 2])))))
    if rng.random() < 0.3:
        new.append(AddedCylinder("door", (*rng.sample([one.symbol for one in new], 1), names[0])))
    return spec, keys, {f"C{n}": meant for n, meant in enumerate(cylinders)}, new, space


def fields(spec):
    return {name: getattr(spec, name) for name in ("chambers", "depths", "first_depth", "macs", "step")}


def solvable(spec, keys, cylinders, new, space):
    """Every choice tried one by one."""
    allowed = [
        one for one in space if not spec.rules.first_broken(one, spec.first_depth) and one not in keys.values()
    ]
    symbols = [one.symbol for one in new if one.symbol in one.operators]
    everything = [*cylinders.values(), *(one.operators for one in new)]
    return any(
        len(set(chosen)) == len(chosen) and clean(keys | dict(zip(symbols, chosen, strict=True)), everything)
        for chosen in product(allowed, repeat=len(symbols))
    )


def check(spec, keys, cylinders, new, found):
    symbols = [one.symbol for one in new if one.symbol in one.operators and one.symbol not in keys]
    assert list(found) == symbols
    assert all(obeys_macs(spec, one) and not spec.rules.first_broken(one, spec.first_depth) for one in found.values())
    if spec.step == 2:
        shapes = {tuple(cut % 2 for cut in one) for one in keys.values()}
        assert {tuple(cut % 2 for cut in one) for one in found.values()} <= shapes
    assert len(set(found.values()) | set(keys.values())) == len(found) + len(set(keys.values()))
    assert clean(keys | found, [*cylinders.values(), *(one.operators for one in new)])


def test_small_systems_get_bittings_just_where_trying_them_all_finds_some():
    ended = {"found": 0, "none": 0}
    for turn in range(80):
        spec, keys, cylinders, new, space = drawn_system(turn)
        try:
            found = add_cylinders(spec, keys, cylinders, new, Random(turn), seconds=10)
        except BitternError as refused:
            # Whoever opens all that others open, where keys do not cross, is a master: it may not be left out.
            masters = {one.message for one in refused.problems if "without the masters" in one.message}
            assert masters or not solvable(spec, keys, cylinders, new, space), (turn, refused)
            assert all(one.field.startswith(("add", "rules")) for one in refused.problems)
            ended["none"] += 1
        else:
            check(spec, keys, cylinders, new, found)
            ended["found"] += 1
    print(ended)
    assert min(ended.values()) > 10


SIX = BittingSpec(chambers=6, depths=10, macs=7, step=2)
RULES = BittingRules(least_depths=3, most_equal_neighbors=2, least_span=3, no_stairs=True, no_uncut=True)


def school(roles=None):
    plan = plan_levels(SIX, (4, 1, 7, 2, 5, 0), levels=3, masters=2, changes_per_master=5, roles=roles)
    return plan.keys, plan.cylinders


@settings(deadline=None, max_examples=15)
@given(st.integers(0, 10**6), st.integers(1, 12), st.integers(0, 3))
def test_changes_and_a_master_with_its_own_join_a_system_of_levels(seed, changes, below):
    keys, cylinders = school()
    spec = BittingSpec(**fields(SIX), rules=RULES)
    new = [AddedCylinder(f"AA{6 + n}", (f"AA{6 + n}", "AA", "A")) for n in range(changes)]
    new += [AddedCylinder(f"AD{1 + n}", (f"AD{1 + n}", "AD", "A")) for n in range(below)] + added(AD="AD A")
    found = add_cylinders(spec, keys, cylinders, new, Random(seed))
    check(spec, keys, cylinders, new, found)
    assert found == add_cylinders(spec, keys, cylinders, new, Random(seed))


def test_a_cylinder_of_keys_in_service_adds_none_but_has_to_be_clean():
    keys, cylinders = school()
    assert add_cylinders(SIX, keys, cylinders, added(X1X="AA1 AB1 AA AB A", AA1="AA1 AA A"), Random(1)) == {}


@pytest.mark.parametrize(
    ("operators", "left_out"),
    [
        ("AA1 AA A AB1", ["AB"]),
        ("AA1 AA2", ["A", "AA"]),
        ("AA1 AB1", ["A", "AA", "AB"]),
        ("AA AB", ["A"]),
        ("X1X AA A AB5", ["AB"]),
    ],
)
def test_a_cylinder_crossed_without_the_masters_over_its_keys_is_refused_with_them_named(operators, left_out):
    keys, cylinders = school("CCMMMM")
    with pytest.raises(BitternError) as refused:
        add_cylinders(SIX, keys, cylinders, added(AA9="AA9 AA A", X1X=operators), Random(1))
    [problem] = refused.value.problems
    assert problem.field == "add[2].operators"
    assert f"list {', '.join(left_out)} too" in problem.message
    # The cuts of AA with those of AB5 are AA3's too, since the changes of all masters have the same columns.
    assert ("it lets AA3 in" in problem.message) == ("AB5" in operators)


def test_whom_the_cuts_of_a_cylinder_let_in_is_told_without_levels_too():
    # 1 3 and 3 1 between them have the cuts of 1 1 and of 3 3.
    keys = {"clerk": (1, 3, 5), "porter": (3, 1, 5), "guest": (1, 1, 5), "cook": (5, 5, 5)}
    spec = BittingSpec(chambers=3, depths=6, macs=4, step=2)
    with pytest.raises(BitternError, match="yard lets guest in by the cuts") as refused:
        add_cylinders(spec, keys, {"hall": ["cook"]}, added(yard="clerk porter"), Random(1))
    assert refused.value.problems[0].field == "add[1].operators"
    assert add_cylinders(spec, keys, {}, added(yard="clerk porter guest"), Random(1)) == {}


@pytest.mark.parametrize(
    ("new", "field", "words"),
    [
        ([], "add", "at least one"),
        (added(AA9="AA9 ZZ A"), "add[1].operators", "no key ZZ,"),
        (added(AA9="AA9 AA A", AA8="AA7 AA"), "add[2].operators", "no key AA7,"),
        ([*added(AA9="AA9 AA A"), *added(AA9="AA9 AA A")], "add[2].symbol", "twice"),
        ([AddedCylinder("AA9", ())], "add[1].operators", "at least one key"),
    ],
)
def test_what_cannot_be_read_is_refused_by_its_place(new, field, words):
    keys, cylinders = school()
    with pytest.raises(BitternError, match=words) as refused:
        add_cylinders(SIX, keys, cylinders, new, Random(1))
    assert [one.field for one in refused.value.problems] == [field]


def test_a_rule_that_leaves_nothing_is_named():
    # Odd cuts of 1 to 3, three of them: 111 is the master, so seven are left; only with three depths there is none.
    spec = BittingSpec(chambers=3, depths=4, macs=3, step=2, rules=BittingRules(least_depths=3))
    keys, cylinders = {"AA": (1, 1, 1), "1AA": (3, 3, 3)}, {"1AA": ["1AA", "AA"]}
    with pytest.raises(KeyingError, match="without least_depths there are") as refused:
        add_cylinders(spec, keys, {}, added(two="two"), Random(1))
    assert refused.value.field == "rules"
    # 1AA's cylinder takes every one of them: no rule is to blame.
    with pytest.raises(
        KeyingError, match=r"No bitting is left for 2AA: .* turns a cylinder in service \(1AA\)"
    ) as full:
        add_cylinders(BittingSpec(**fields(spec)), keys, cylinders, added(**{"2AA": "2AA AA"}), Random(1))
    assert full.value.field == "add[1].operators"


def test_a_spec_of_more_bittings_than_can_be_listed_is_drawn_from():
    spec = BittingSpec(chambers=7, depths=10, macs=4, step=1)
    keys = {"AA": (4, 2, 5, 3, 6, 4, 2), "1AA": (3, 5, 2, 6, 3, 2, 5)}
    new = added(**{f"{n}AA": f"{n}AA AA" for n in range(2, 40)})
    found = add_cylinders(spec, keys, {"1AA": ["1AA", "AA"]}, new, Random(5))
    check(spec, keys, {"1AA": ["1AA", "AA"]}, new, found)
    # A change differs from its master in two chambers or more while there are such.
    assert all(sum(a != b for a, b in zip(keys["AA"], one, strict=True)) > 1 for one in found.values())


def test_a_flat_system_takes_a_door_for_two_colleagues():
    """Three keys side by side in three crossed doors, as they come out of a matrix without levels."""
    spec = BittingSpec(chambers=5, depths=6, macs=5, step=1)
    rng = Random(8)
    while True:
        keys = {symbol: tuple(rng.randrange(6) for _ in range(5)) for symbol in ("1AA", "2AA", "3AA")}
        cylinders = dict(zip(("X1X", "X2X", "X3X"), combinations(keys, 2), strict=True))
        if clean(keys, cylinders.values()):
            break
    new = added(**{"4AA": "4AA 1AA", "X4X": "2AA 4AA", "5AA": "5AA"})
    check(spec, keys, cylinders, new, add_cylinders(spec, keys, cylinders, new, Random(3)))


def test_changes_of_one_order_differ_in_more_than_one_chamber_while_there_are_such():
    keys, cylinders = school()
    new = added(**{f"AA{n}": f"AA{n} AA A" for n in range(6, 26)})
    found = add_cylinders(SIX, keys, cylinders, new, Random(4))
    there = [keys[f"AA{n}"] for n in range(1, 6)]
    two = [*combinations(found.values(), 2), *product(found.values(), there)]
    assert all(sum(a != b for a, b in zip(one, other, strict=True)) > 1 for one, other in two)


def test_a_new_master_lies_among_the_masters_and_its_changes_as_theirs_do():
    keys, cylinders = school()
    # The masters have A's cuts wherever changes differ; the other chambers are their own.
    masters_own = [n for n in range(6) if keys["AA"][n] != keys["A"][n] or keys["AB"][n] != keys["A"][n]]
    for seed in range(20):
        found = add_cylinders(SIX, keys, cylinders, added(AD="AD A", AD1="AD1 AD A"), Random(seed))
        assert {n for n in range(6) if found["AD"][n] != keys["A"][n]} <= {*masters_own}
        assert all(found["AD1"][n] == found["AD"][n] for n in masters_own)
