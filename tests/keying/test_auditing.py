import pytest
from hypothesis import given
from hypothesis import strategies as st

from app.keying import BittingSpec, KeyingError, Sections, audit, near_misses, operated_by, plan_levels
from tests.keying.oracle import bittings_of, every_bitting, operates, small_specs


@st.composite
def systems(draw):
    spec = draw(small_specs(most_depths=4))
    bittings = draw(st.lists(bittings_of(spec), min_size=1, max_size=8))
    keys = {f"K{n}": bitting for n, bitting in enumerate(bittings)}
    lists = draw(st.lists(st.lists(st.sampled_from(sorted(keys)), min_size=1, max_size=4), max_size=5))
    return spec, keys, {f"C{n}": meant for n, meant in enumerate(lists)}


@given(systems())
def test_the_audit_agrees_with_plain_enumeration(system):
    spec, keys, cylinders = system
    found = audit(keys, cylinders)
    assert found.unintended == tuple(
        (cylinder, key)
        for cylinder, meant in cylinders.items()
        for key, bitting in keys.items()
        if key not in meant and operates(bitting, [keys[k] for k in meant])
    )
    for cylinder, meant in cylinders.items():
        opening = {b for b in every_bitting(spec) if operates(b, [keys[k] for k in meant])}
        assert found.phantoms[cylinder] == len(opening - set(keys.values()))


@st.composite
def sections_of(draw, keys, cylinders):
    """Who enters what, drawn: of some keys and cylinders nothing is said, so that they enter and are entered."""
    keyways = st.sampled_from(["Q1", "Q2", "R1"])
    plugs = {name: draw(keyways) for name in cylinders if draw(st.booleans())}
    return Sections(plugs, {name: draw(st.frozensets(keyways)) for name in keys if draw(st.booleans())})


@given(st.data(), systems())
def test_across_keyways_only_what_enters_counts(data, system):
    spec, keys, cylinders = system
    sections = data.draw(sections_of(keys, cylinders))

    def enters(key, cylinder):
        plug, entered = sections.plugs.get(cylinder), sections.entered.get(key)
        return plug is None or entered is None or plug in entered

    found = audit(keys, cylinders, sections)
    pairs = [(cylinder, key) for cylinder in cylinders for key in keys]
    assert found.unintended == tuple(
        (cylinder, key)
        for cylinder, key in pairs
        if key not in cylinders[cylinder]
        and enters(key, cylinder)
        and operates(keys[key], [keys[one] for one in cylinders[cylinder]])
    )
    assert found.shut_out == tuple(
        (cylinder, key) for cylinder, key in pairs if key in cylinders[cylinder] and not enters(key, cylinder)
    )
    for cylinder, meant in cylinders.items():
        opening = {b for b in every_bitting(spec) if operates(b, [keys[k] for k in meant])}
        assert found.phantoms[cylinder] == len(
            opening - {cuts for key, cuts in keys.items() if enters(key, cylinder)}
        )
    every = {(one.cylinder, one.key) for one in near_misses(keys, cylinders)}
    apart = {(one.cylinder, one.key) for one in near_misses(keys, cylinders, sections=sections)}
    assert apart == {(cylinder, key) for cylinder, key in every if enters(key, cylinder)}
    for key in keys:
        assert operated_by(keys, cylinders, key, sections) == tuple(
            cylinder for cylinder in operated_by(keys, cylinders, key) if enters(key, cylinder)
        )


def test_two_keysets_cut_alike_are_found():
    keys = {"AA": (1, 1, 1), "1AA": (3, 3, 3), "2AA": (3, 3, 3)}
    found = audit(keys, {"1AA": ["AA", "1AA"], "2AA": ["AA", "2AA"]})
    assert found.unintended == (("1AA", "2AA"), ("2AA", "1AA"))


@pytest.mark.parametrize(
    ("keys", "cylinders", "field"),
    [
        ({"AA": (1, 1, 1)}, {"1AA": ["AB"]}, "cylinders.1AA"),
        ({"AA": (1, 1, 1)}, {"1AA": []}, "cylinders.1AA"),
        ({"AA": (1, 1, 1), "AB": (1, 1)}, {"1AA": ["AA"]}, "keys"),
    ],
)
def test_a_system_that_does_not_hang_together_is_refused(keys, cylinders, field):
    with pytest.raises(KeyingError) as refused:
        audit(keys, cylinders)
    assert refused.value.field == field


@given(systems(), st.integers(1, 2))
def test_near_misses_are_keys_whose_cuts_are_off_by_little(system, tolerance):
    _, keys, cylinders = system
    plain = []
    for cylinder, meant in cylinders.items():
        for key, bitting in keys.items():
            opening = [{keys[k][i] for k in meant} for i in range(len(bitting))]
            off = [min(abs(cut - depth) for depth in depths) for cut, depths in zip(bitting, opening, strict=True)]
            if max(off) in range(1, tolerance + 1) and sum(o > 0 for o in off) == 1:
                plain.append((cylinder, key))
    assert [(miss.cylinder, miss.key) for miss in near_misses(keys, cylinders, tolerance)] == plain


def test_a_whole_system_agrees_with_a_pairwise_check():
    spec = BittingSpec(chambers=6, depths=10, macs=7, step=2)
    plan = plan_levels(spec, (5, 2, 8, 6, 1, 4), levels=3, masters=6, changes_per_master=30)
    keys, cylinders = dict(plan.keys), dict(plan.cylinders)
    cylinders["X1X"] = ("AA1", "AB2", "AC3", "AD4", "AE5", "AF6")  # lets in more combinations than there are keys
    cylinders["X2X"] = ("AA1", "AA2")
    keys["AA31"] = keys["AA1"]  # two keysets cut alike
    found = audit(keys, cylinders)
    assert found.unintended == tuple(
        (cylinder, key)
        for cylinder, meant in cylinders.items()
        for key, bitting in keys.items()
        if key not in meant and operates(bitting, [keys[k] for k in meant])
    )
    assert any(cylinder == "X1X" and key.startswith("AB") for cylinder, key in found.unintended)
    assert ("AA1", "AA31") in found.unintended


def test_a_system_without_keys_or_cylinders_is_clean():
    assert not audit({}, {}).unintended
    assert not audit({"AA": (1, 1, 1)}, {}).unintended
    assert near_misses({"AA": (1, 1, 1)}, {}) == ()


def test_a_tolerance_is_a_small_whole_number():
    with pytest.raises(KeyingError) as refused:
        near_misses({"AA": (1, 1, 1)}, {"AA": ["AA"]}, 10**30)
    assert refused.value.field == "tolerance"


def test_a_system_of_twelve_chambers_and_sixteen_depths_is_counted_exactly():
    keys = {f"K{n}": (n,) * 12 for n in range(16)}
    found = audit(keys, {"C": list(keys), "D": ["K15"]})
    assert found.phantoms == {"C": 16**12 - 16, "D": 0}
    assert all(type(count) is int for count in found.phantoms.values())
    assert found.unintended == ()


def test_findings_without_end_are_refused():
    alike = {f"K{n}": (1, 1, 1) for n in range(4000)}
    with pytest.raises(KeyingError, match="10,000,000 times") as refused:
        audit(alike, {f"C{n}": ["K0"] for n in range(4000)})
    assert refused.value.field == "cylinders"
    every = {f"K{n}": (n // 256 % 16, n // 16 % 16, n % 16) for n in range(4096)}
    wide = [f"K{n * 273}" for n in range(15)]
    with pytest.raises(KeyingError, match="10,000,000 times"):
        audit(every, {f"C{n}": wide for n in range(3500)})


def test_a_near_miss_is_off_by_no_more_than_the_tolerance_and_one_increment_by_itself():
    keys = {"AA": (5, 5, 5), "NEAR": (4, 5, 5), "FAR": (5, 5, 7), "TWICE": (5, 6, 6), "OWN": (5, 5, 5)}
    cylinders = {"C": ["AA"]}
    assert [miss.key for miss in near_misses(keys, cylinders)] == ["NEAR"]
    assert [miss.key for miss in near_misses(keys, cylinders, 1)] == ["NEAR"]
    assert [miss.key for miss in near_misses(keys, cylinders, 2)] == ["NEAR", "FAR"]
    assert len(near_misses({"A": (0, 0, 0), "B": (0, 0, 15)}, {"C": ["A"]}, 15)) == 1
    with pytest.raises(KeyingError):
        near_misses(keys, cylinders, 16)
