from collections import Counter
from itertools import product
from math import prod
from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.keying import (
    BittingRules,
    BittingSpec,
    Demand,
    KeyingError,
    audit,
    draw_master,
    plan_levels,
    plan_system,
    planning,
    progression_under,
)

SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2)
SHORT = BittingSpec(chambers=5, depths=6, first_depth=1, macs=3, step=1)


@settings(max_examples=30, deadline=None)
@given(
    st.sampled_from([SPEC, SHORT]),
    st.integers(0, 10**6),
    st.integers(2, 4),
    st.integers(1, 5),
    st.integers(1, 30),
    st.integers(1, 3),
    st.tuples(*[st.integers(0, 6)] * 3),
)
def test_every_plan_shown_can_be_built_with_its_room_for_later(spec, turn, levels, masters, changes, grands, later):
    tmk = draw_master(spec, Random(turn))
    counts = {"changes_per_master": changes, "masters": masters, "grands": grands}
    counts = dict(list(counts.items())[: levels - 1])
    demand = Demand(levels=levels, room=later, **counts)
    assert list(demand.needs.values()) == [n + m for n, m in zip(counts.values(), later, strict=False)]
    found = plan_system(spec, tmk, demand)
    assert found.fits == bool(found.plans)
    assert len({plan.roles for plan in found.plans}) == len(found.plans) <= 3
    for plan in found.plans:
        grown = dict(zip(counts, demand.needs.values(), strict=True))
        built = plan_levels(spec, tmk, levels=levels, roles=plan.roles, **grown)
        assert len(built.cylinders) == prod(grown.values())
        assert plan.progressed == sum(role != "-" for role in plan.roles)
        assert [(level.used, level.later) for level in plan.levels] == list(zip(counts.values(), later, strict=False))
        assert all(level.left == level.capacity - level.used - level.later >= 0 for level in plan.levels)


@pytest.mark.parametrize(
    ("levels", "counts", "room"),
    [
        (5, (4, 2, 2, 2), (2, 1, 0, 1)),
        (6, (3, 2, 2, 1, 2), (0, 1, 1, 0, 1)),
        (7, (3, 2, 2, 2, 2, 2), (1, 0, 1, 0, 1, 1)),
    ],
)
def test_systems_of_five_to_seven_levels_are_planned_and_hold_what_is_said(levels, counts, room):
    spec = BittingSpec(chambers=6, depths=10, macs=9, step=2)
    tmk = (4, 1, 7, 2, 5, 0)
    names = ("changes_per_master", "masters", "grands", "great_grands", "second_grands", "third_grands")
    asked = dict(zip(names, counts, strict=False))
    found = plan_system(spec, tmk, Demand(levels=levels, room=room, **asked))
    assert found.plans
    for plan in found.plans:
        # With every depth within MACS a level holds, under each key above, the product of its chambers' other depths.
        columns = {role: 4 ** plan.roles.count(role) for role in set(plan.roles)}
        assert [one.capacity for one in plan.levels] == [columns[role] for role in "CMG456"[: levels - 1]]
        grown = {name: count + more for (name, count), more in zip(asked.items(), room, strict=True)}
        built = plan_levels(spec, tmk, levels=levels, roles=plan.roles, **grown)
        assert len(built.cylinders) == prod(grown.values())
        assert not audit(built.keys, built.cylinders).unintended
        assert {len(chain) for chain in built.cylinders.values()} == {levels}


def test_capacities_are_counted_within_macs():
    tmk = draw_master(SPEC, Random(9))
    found = plan_system(SPEC, tmk, Demand(levels=3, masters=4, changes_per_master=10))
    for plan in found.plans:
        masters = list(progression_under(SPEC, tmk, plan.roles, "M", tmk))
        rooms = [progression_under(SPEC, tmk, plan.roles, "C", master).usable for master in masters]
        enough = [room for room in rooms if room >= 10]
        changes, above = plan.levels
        assert above.capacity == len(enough)
        assert changes.capacity == min(enough)  # whichever masters come into use
        assert changes.left == changes.capacity - 10
        assert changes.left_percent == changes.left * 100 // changes.capacity


def test_the_plans_differ_as_their_titles_say():
    tmk = (5, 2, 8, 6, 1, 4)
    by_title = {p.title: p for p in plan_system(SPEC, tmk, Demand(levels=3, masters=4, changes_per_master=10)).plans}
    assert set(by_title) == {"most to spare", "fewest master pins", "most room for changes"}
    pins = by_title["fewest master pins"].progressed
    assert all(pins <= plan.progressed for plan in by_title.values())
    room = by_title["most room for changes"].levels[0].capacity
    assert all(room >= plan.levels[0].capacity for plan in by_title.values())


def test_what_does_not_fit_says_so_and_what_would():
    tmk = draw_master(SPEC, Random(1))
    demand = Demand(levels=2, changes_per_master=4500)
    found = plan_system(SPEC, tmk, demand)
    assert not found.fits
    assert "4,500 (changes per master) do not fit" in found.sentence
    assert any("7 chambers" in remedy for remedy in found.remedies)
    assert any("single steps" in remedy for remedy in found.remedies)
    assert any(remedy.startswith("Rotating constants, 1 held") for remedy in found.remedies)


def test_fewer_levels_and_less_room_are_tried():
    tmk = draw_master(SPEC, Random(1))
    demand = Demand(levels=4, grands=5, masters=4, changes_per_master=16, room=(8, 2, 1))
    found = plan_system(SPEC, tmk, demand)
    assert not found.fits
    assert demand.one_level_less().needs == {"C": 24 * 6, "M": 6}
    assert any("3 levels" in remedy for remedy in found.remedies)


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"levels": 1}, "levels"),
        ({"levels": 2, "masters": 2}, "masters"),
        ({"levels": 3, "grands": 2}, "grands"),
        ({"levels": 3, "changes_per_master": 10**30}, "changes_per_master"),
        ({"levels": 3, "room": (0, -1)}, "masters_later"),
        ({"levels": 3, "room": (0.5,)}, "changes_per_master_later"),
    ],
)
def test_a_demand_out_of_range_is_refused_by_field(values, field):
    with pytest.raises(KeyingError) as refused:
        Demand(**{"changes_per_master": 5, **values})
    assert refused.value.field == field


def test_a_chamber_with_no_other_depth_of_the_masters_parity_is_held_in_every_rotation():
    """Depths 0 to 2 in two steps: under a cut of 1 nothing progresses."""
    spec = BittingSpec(chambers=4, depths=3, macs=2, step=2)
    found = plan_system(spec, (1, 0, 2, 0), Demand(levels=2, changes_per_master=3))
    assert not found.fits
    changes = [
        cuts
        for cuts in product(range(3), repeat=4)
        if all((cut - top) % 2 == 0 for cut, top in zip(cuts, (1, 0, 2, 0), strict=True))
        and sum(cut == top for cut, top in zip(cuts, (1, 0, 2, 0), strict=True)) == 2
    ]
    assert f"Rotating constants, 2 held at a time, hold {len(changes)} changes." in found.remedies


def test_what_would_make_seven_levels_fit_is_told_without_counting_every_branch(monkeypatch):
    counted = Counter()
    plain = planning.progression_under

    def counting(*asked):
        counted["progressions"] += 1
        return plain(*asked)

    monkeypatch.setattr(planning, "progression_under", counting)
    rules = BittingRules(least_depths=3, most_equal_neighbors=2, least_span=3, no_stairs=True, no_uncut=True)
    spec = BittingSpec(chambers=6, depths=10, macs=7, step=2, rules=rules)
    asked = Demand(
        levels=7, changes_per_master=3, masters=2, great_grands=2, second_grands=2, third_grands=2, room=(3,)
    )
    found = plan_system(spec, draw_master(spec, Random(3)), asked)
    assert not found.fits
    assert [words.split(",")[0].split(" with ")[0] for words in found.remedies] == [
        "Without the room for more changes per master it fits.",
        "With 6 levels",
        "A spec of 7 chambers",
        "A spec that progresses in single steps holds it; that asks for an increment of about .023 in or more (ALOA "
        "Keynotes",
    ]
    assert counted["progressions"] < 60_000
