"""Bittings that a plan uses on several keyways: drawn systems against a plain loop over all keys and cylinders."""

from collections import Counter
from random import Random

import pytest

from app.keying import (
    BittingSpec,
    Demand,
    KeyingError,
    NoBittingsLeft,
    Sections,
    audit,
    draw_master,
    draw_system,
    operating_chains,
    parents_of_masters,
    plan_levels,
    plan_system,
    share_bittings,
)
from tests.keying.oracle import operates

KEYWAYS = ("Q1", "Q2", "Q3", "Q4")
SMALL = BittingSpec(chambers=5, depths=6, macs=5, step=2)
"""Two depths a chamber beside the top's: three chambers of masters are 8 bittings, two of changes 4."""
TOP = (1, 2, 3, 4, 1)
MOST_DRAWN = 480


def draw_family(chance, counts):
    """Masters on keyways by chance, parts together, and what their keys enter by blanks drawn, as a plain loop says
    it; what no blank is for is not named, and now and then what is.
    """
    parents, plugs, needed = parents_of_masters(counts), {}, {}
    ways = KEYWAYS[: chance.randint(2, 4)]
    for symbol, above in parents.items():
        moves = above is None or chance.random() < 0.6
        plugs[symbol] = chance.choice(ways) if moves else plugs[above]
        at = symbol
        while at is not None:
            needed.setdefault(at, set()).add(plugs[symbol])
            at = parents[at]
    blanks = (
        [{name} for name in ways] + [set(ways)] + [set(chance.sample(ways, 2)) for _ in range(chance.randint(0, 3))]
    )
    if chance.random() < 0.2:
        blanks.pop(chance.randrange(len(ways)))
    entered = {}
    for symbol, wanted in needed.items():
        fitting = sorted((blank for blank in blanks if wanted <= blank), key=len)
        if fitting and chance.random() < 0.97:
            entered[symbol] = fitting[0]
    return Sections(plugs if chance.random() < 0.9 else dict(list(plugs.items())[1:]), entered)


def operating_pairs(plan, sections):
    """Every key against every keyset's cylinder, changes on their master's keyway and cut of its blank: the pairs
    that operate, and those that are meant to.
    """
    parents = {one.symbol: one.parent for one in plan.keysets}
    chains, below = operating_chains(parents), {one for one in parents.values() if one}
    part = {symbol: symbol if symbol in below else above for symbol, above in parents.items()}
    found = set()
    for cylinder, meant in chains.items():
        stack = [plan.keys[one] for one in meant]
        plug = sections.plugs.get(part[cylinder])
        for key, cuts in plan.keys.items():
            entered = sections.entered.get(part[key])
            enters = plug is None or entered is None or plug in entered
            if enters and operates(cuts, stack):
                found.add((key, cylinder))
    return found, {(key, cylinder) for cylinder, meant in chains.items() for key in meant}


def test_on_drawn_families_every_key_operates_what_it_should_and_nothing_else():
    said = Counter()
    for number in range(MOST_DRAWN):
        chance = Random(number)
        levels = chance.choice([2, 3, 3, 3, 4, 4, 4, 5])
        spec = BittingSpec(
            chambers=chance.randint(max(4, levels), 6), depths=chance.choice([4, 6, 8]), macs=chance.randint(3, 7),
            step=chance.choice([1, 2]),
        )  # fmt: skip
        top = draw_master(spec, chance)
        each = {3: 14, 4: 5, 5: 3}.get(levels, 1)
        counts = [*(chance.randint(2, each) for _ in range(levels - 2)), chance.randint(1, 4)]
        sections = draw_family(chance, counts)
        shared = share_bittings(counts, sections)
        said["each its own"] += shared is None
        asked = dict(zip(("changes_per_master", "masters", "grands", "great_grands"), reversed(counts), strict=False))
        try:
            plan = plan_levels(spec, top, levels=levels, shared=shared, **asked)
        except (NoBittingsLeft, KeyingError):
            said["does not fit"] += 1
            continue
        masters = parents_of_masters(counts)
        lowest = len(masters) - len({above for above in masters.values() if above})
        assert len(plan.keysets) == len(masters) + lowest * counts[-1]
        found, meant = operating_pairs(plan, sections)
        assert found == meant, (number, plan.keys)
        twice = len(plan.keys) - len(set(plan.keys.values()))
        assert twice == 0 or shared is not None
        said["shared"] += twice > 0
        said["planned"] += 1
        # What the house's own audit says of it, changes named like their masters.
        of = {one.symbol: one.parent if one.symbol in plan.cylinders else one.symbol for one in plan.keysets}
        named = Sections(
            {one: sections.plugs[above] for one, above in of.items() if above in sections.plugs},
            {one: sections.entered[above] for one, above in of.items() if above in sections.entered},
        )
        report = audit(plan.keys, plan.cylinders, named)
        assert not report.unintended and not report.shut_out
    assert said["planned"] >= 330 and said["shared"] >= 150 and said["each its own"] >= 30, said


def wing(masters, *, on=("Q1", "Q3"), spanning=()):
    """Three levels: masters in turn on these keyways, each with a blank of its own, or one that enters all."""
    symbols = [*parents_of_masters([masters, 1])]
    plugs = {symbol: on[number % len(on)] for number, symbol in enumerate(symbols[1:])} | {"A": on[0]}
    return Sections(plugs, {one: set(on) if one in ("A", *spanning) else {plugs[one]} for one in symbols})


@pytest.mark.parametrize(
    ("masters", "sections", "bittings"),
    [
        (8, wing(8), 8),  # three chambers of two depths: what has room for a bitting each gets it
        (9, wing(9), 5),
        (16, wing(16), 8),  # 8 on each of two keyways
        (17, wing(17), None),
        (24, wing(24, on=("Q1", "Q2", "Q3")), 8),
        (15, wing(15, spanning=["AA"]), 8),  # that bitting is on both keyways, the other 7 twice: 1 + 2 × 7
        (16, wing(16, spanning=["AA"]), None),
        (9, wing(9, on=("Q1",)), None),
    ],
)
def test_what_an_array_holds_on_several_keyways_counted_by_hand(masters, sections, bittings):
    found = plan_system(SMALL, TOP, Demand(levels=3, masters=masters, changes_per_master=4), sections)
    assert found.fits == (bittings is not None)
    for plan in found.plans:
        changes, masters_held = plan.levels
        assert (masters_held.used, masters_held.capacity, changes.capacity) == (bittings, 8, 4)
        assert masters_held.keys == (masters if found.shared else 0)
        built = plan_levels(
            SMALL, TOP, roles=plan.roles, shared=found.shared, levels=3, masters=masters, changes_per_master=4
        )
        assert len(set(built.keys.values())) == 1 + bittings * 5 and len(built.keys) == 1 + masters * 5
        pairs, meant = operating_pairs(built, sections)
        assert pairs == meant
    if bittings and bittings < masters:
        assert f"{masters} × 4 keys" in found.sentence and f"{bittings} × 4 bittings" in found.sentence


def test_room_for_later_is_kept_in_bittings_of_its_own():
    """Nobody says on which keyway the later masters will be: 8 bittings are 6 of now, twice, and 2 of later."""
    fits = {
        later: plan_system(
            SMALL, TOP, Demand(levels=3, masters=12, changes_per_master=4, room=(0, later)), wing(12)
        ).fits
        for later in (2, 3)
    }
    assert fits == {2: True, 3: False}


def test_what_is_not_known_enters_everything():
    symbols, (plugs, entered) = [*parents_of_masters([2, 1])], (wing(2).plugs, wing(2).entered)
    assert share_bittings([2, 1], Sections(plugs, entered)) is not None
    for name in symbols[1:]:
        unnamed = {one: ways for one, ways in entered.items() if one != name}
        assert share_bittings([2, 1], Sections(plugs, unnamed)) is None
        assert (
            share_bittings([2, 1], Sections({one: way for one, way in plugs.items() if one != name}, entered)) is None
        )
    assert share_bittings([2, 1], Sections(plugs, {})) is None
    assert share_bittings([2, 1], Sections({}, dict.fromkeys(symbols, ()))) is None
    crossing = {**entered, "AB": {"Q1", "Q3"}}  # enters the doors under AA, though AA's keys do not enter its own
    assert share_bittings([2, 1], Sections(plugs, crossing)) is None


def test_a_master_over_keyways_has_a_bitting_of_its_own_and_so_has_every_level_below_it():
    """A over AA on Q1 and AB on Q3, B over two on Q3: A meets B, AA meets neither of AB, BA and BB."""
    plugs = {"GGM": "Q1", "A": "Q1", "B": "Q3", "AA": "Q1", "AB": "Q3", "BA": "Q3", "BB": "Q3"}
    every = {"Q1", "Q3"}
    entered = {one: every if one in ("GGM", "A") else {way} for one, way in plugs.items()}
    assert share_bittings([2, 2, 3], Sections(plugs, entered)) is None  # BA and BB need two
    apart = share_bittings(
        [2, 2, 3], Sections({**plugs, "A": "Q1", "AB": "Q1"}, {**entered, "A": {"Q1"}, "AB": {"Q1"}})
    )
    assert apart is not None and apart.counts == (1, 2, 3) and apart.places["A"] == apart.places["B"] == 0


def test_a_drawn_system_shares_only_where_the_array_needs_it():
    for masters, twice in ((8, False), (14, True)):
        drawn = draw_system(SMALL, [masters, 4], [0, 0], TOP, Random(1), 20, wing(masters))
        cuts = [*drawn.plan.keys.values()]
        assert len(cuts) == 1 + 5 * masters and (len(set(cuts)) < len(cuts)) == twice
        assert any("7 × 4 bittings do" in one for one in drawn.warnings) == twice
        pairs, meant = operating_pairs(drawn.plan, wing(masters))
        assert pairs == meant
    assert draw_system(SMALL, [14, 4], [0, 0], TOP, Random(1), 20, wing(14)).left == (1, 0)
    with pytest.raises(KeyingError) as refused:
        draw_system(SMALL, [17, 4], [0, 0], TOP, Random(1), 20, wing(17))
    assert refused.value.field == "masters"
