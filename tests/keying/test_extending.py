from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.keying import (
    BittingSpec,
    KeyingError,
    LevelArray,
    NoBittingsLeft,
    audit,
    draw_master,
    extend,
    name_wanted,
    plan_levels,
    progression_under,
    search_extension,
)
from app.keying.arrays import Spread
from app.keying.solving import MatrixSolution, Outcome
from app.keying.symbols import SymbolLevel
from tests.keying.oracle import operates

SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2)


def system(levels, turn=0, **counts):
    plan = plan_levels(SPEC, draw_master(SPEC, Random(turn)), levels=levels, **counts)
    return plan, LevelArray(plan.tmk, plan.roles)


@settings(deadline=None, max_examples=25)
@given(st.integers(2, 4), st.integers(0, 10**6), st.integers(1, 4), st.integers(1, 4), st.integers(0, 2))
def test_an_extension_leaves_issued_keys_alone_and_audits_clean(levels, turn, issued, more, new_masters):
    counts = {} if levels == 2 else {"masters": 2} if levels == 3 else {"masters": 2, "grands": 2}
    plan, array = system(levels, turn, changes_per_master=issued, **counts)
    keys = dict(plan.keys)
    masters = {} if levels == 2 else {"A": [more] * new_masters}
    found = extend(SPEC, array, keys, plan.cylinders, changes={"AA": more}, masters=masters)
    assert keys == plan.keys
    added = {keyset.symbol: keyset.bitting for keyset in found.keysets}
    assert not set(added) & set(keys)
    assert not set(added.values()) & set(keys.values())
    assert len(added) == more + (new_masters * (more + 1) if levels > 2 else 0)
    after_keys, after_cylinders = {**keys, **added}, {**plan.cylinders, **found.cylinders}
    assert not audit(after_keys, after_cylinders).unintended
    assert {len(chain) for chain in found.cylinders.values()} == {levels}
    assert all(SPEC.within_macs(bitting) for bitting in added.values())


def test_new_symbols_follow_on():
    plan, array = system(3, masters=2, changes_per_master=3)
    found = extend(SPEC, array, plan.keys, plan.cylinders, changes={"AB": 2}, masters={"A": [1, 0]})
    assert [keyset.symbol for keyset in found.keysets] == ["AC", "AC1", "AD", "AB4", "AB5"]
    assert found.cylinders == {"AC1": ("AC1", "AC", "A"), "AB4": ("AB4", "AB", "A"), "AB5": ("AB5", "AB", "A")}


def test_changes_directly_under_a_grand_or_great_grand_open_to_no_master_below():
    plan, array = system(4, grands=2, masters=2, changes_per_master=3)
    found = extend(SPEC, array, plan.keys, plan.cylinders, changes={"A": 2, "GGM": 1, "AB": 1})
    assert found.cylinders == {
        "A1": ("A1", "A", "GGM"),
        "A2": ("A2", "A", "GGM"),
        "GGM1": ("GGM1", "GGM"),
        "AB4": ("AB4", "AB", "A", "GGM"),
    }
    keys = {**plan.keys, **{keyset.symbol: keyset.bitting for keyset in found.keysets}}
    assert not audit(keys, {**plan.cylinders, **found.cylinders}).unintended
    more = extend(SPEC, array, keys, {**plan.cylinders, **found.cylinders}, masters={"A": [2]})
    assert [keyset.symbol for keyset in more.keysets] == ["AC", "AC1", "AC2"]


def test_bittings_that_would_open_a_cross_keyed_store_are_passed_over():
    plan, array = system(3, masters=2, changes_per_master=6)
    cylinders = {**plan.cylinders, "X1X": ("AA1", "AA6", "AB1", "AA", "A")}
    before = set(audit(plan.keys, cylinders).unintended)
    found = extend(SPEC, array, plan.keys, cylinders, changes={"AA": 20})
    keys = {**plan.keys, **{k.symbol: k.bitting for k in found.keysets}}
    assert set(audit(keys, {**cylinders, **found.cylinders}).unintended) == before


def test_without_the_list_nothing_is_extended():
    plan, array = system(2, changes_per_master=3)
    with pytest.raises(KeyingError, match="single \\(SKD\\)") as refused:
        extend(SPEC, array, {}, plan.cylinders, changes={"AA": 1})
    assert refused.value.field == "system"


def test_an_exhausted_master_says_how_many_are_left():
    plan, array = system(3, masters=4, changes_per_master=40, roles="MMMCCC")
    with pytest.raises(NoBittingsLeft, match="60 changes were asked for under AA, but only") as refused:
        extend(SPEC, array, plan.keys, plan.cylinders, changes={"AA": 60})
    left = refused.value.left
    assert 0 < left <= 24
    assert len(extend(SPEC, array, plan.keys, plan.cylinders, changes={"AA": left}).cylinders) == left


def test_a_full_system_has_no_master_left():
    plan, array = system(3, masters=40, changes_per_master=30)
    with pytest.raises(NoBittingsLeft) as refused:
        extend(SPEC, array, plan.keys, plan.cylinders, masters={"A": [30] * 40})
    assert refused.value.field == "masters.A"


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"changes": {"ZZ": 1}}, "changes.ZZ"),
        ({"changes": {"GGM": 1}}, "changes.GGM"),
        ({"changes": {"AA1": 1}}, "changes.AA1"),
        ({"changes": {"AA": 10**30}}, "changes.AA"),
        ({"changes": {"AA": True}}, "changes.AA"),
        ({"masters": {"B": [1]}}, "masters.B"),
        ({"masters": {"AA": [1]}}, "masters.AA"),
        ({"masters": {"A": [-1]}}, "masters.A"),
    ],
)
def test_what_the_system_does_not_have_is_refused(values, field):
    plan, array = system(3, masters=2, changes_per_master=3)
    with pytest.raises(KeyingError) as refused:
        extend(SPEC, array, plan.keys, plan.cylinders, **values)
    assert refused.value.field == field


def grown_by_hand():
    """A system whose two changes differ in two chambers, so that a store for both lets in mixtures of them."""
    tmk, roles = (5, 2, 8, 6, 1, 4), "CCCMMM"
    master = next(iter(progression_under(SPEC, tmk, roles, "M", tmk)))
    sequence = list(progression_under(SPEC, tmk, roles, "C", master))
    first = sequence[0]
    mixed = next(b for b in sequence if sum(x != y for x, y in zip(b, first, strict=True)) == 2)
    keys = {"A": tmk, "AA": master, "AA1": first, "AA2": mixed}
    cylinders = {"AA1": ("AA1", "AA", "A"), "AA2": ("AA2", "AA", "A"), "X1X": ("AA1", "AA2")}
    return LevelArray(tmk, roles), keys, cylinders, sequence


def test_mixtures_of_cross_keyed_changes_are_passed_over():
    array, keys, cylinders, sequence = grown_by_hand()
    found = extend(SPEC, array, keys, cylinders, changes={"AA": len(sequence) - 8})
    added = [keyset.bitting for keyset in found.keysets]
    mixtures = [b for b in sequence if b not in keys.values() and operates(b, [keys["AA1"], keys["AA2"]])]
    assert mixtures
    assert not set(mixtures) & set(added)
    issued = {**keys, **{keyset.symbol: keyset.bitting for keyset in found.keysets}}
    assert audit(issued, {**cylinders, **found.cylinders}).unintended == ()


def test_changes_whose_cylinder_a_key_in_service_would_operate_are_passed_over():
    array, keys, cylinders, _ = grown_by_hand()
    upcoming = next(
        b
        for b in Spread(progression_under(SPEC, array.tmk, array.roles, "C", keys["AA"]))
        if b[1] not in (keys["AA1"][1], keys["AA2"][1])
    )
    plain = extend(SPEC, array, keys, cylinders, changes={"AA": 20})
    assert upcoming in [keyset.bitting for keyset in plain.keysets]
    keys["SKD1"] = (array.tmk[0], *upcoming[1:])
    cylinders["SKD1"] = ("SKD1",)
    found = extend(SPEC, array, keys, cylinders, changes={"AA": 20})
    assert upcoming not in [keyset.bitting for keyset in found.keysets]
    issued = {**keys, **{keyset.symbol: keyset.bitting for keyset in found.keysets}}
    assert not audit(issued, {**cylinders, **found.cylinders}).unintended


def test_what_is_added_names_its_level_and_the_key_above():
    plan, array = system(3, masters=2, changes_per_master=3)
    found = extend(SPEC, array, plan.keys, plan.cylinders, changes={"A": 1, "AB": 1, "AA": 0}, masters={"A": [1]})
    named = [(one.symbol, one.level, one.parent) for one in found.keysets]
    assert named == [
        ("AC", SymbolLevel.MASTER, "A"),
        ("AC1", SymbolLevel.CHANGE, "AC"),
        ("A1", SymbolLevel.CHANGE, "A"),
        ("AB4", SymbolLevel.CHANGE, "AB"),
    ]
    # A change under the grand takes the place of a master, so that no master turns its cylinder.
    masters = set(progression_under(SPEC, array.tmk, array.roles, "M", array.tmk))
    assert found.keysets[2].bitting in masters


def test_two_levels_number_their_changes_in_front():
    plan, array = system(2, changes_per_master=2)
    found = extend(SPEC, array, plan.keys, plan.cylinders, changes={"AA": 2})
    assert [one.symbol for one in found.keysets] == ["3AA", "4AA"]
    with pytest.raises(KeyingError, match="no such grand master"):
        extend(SPEC, array, plan.keys | {"A": (1, 1, 1, 1, 1, 1)}, plan.cylinders, masters={"A": [1]})


def test_masters_without_changes_are_cut_unlike():
    plan, array = system(3, masters=2, changes_per_master=3)
    found = extend(SPEC, array, plan.keys, plan.cylinders, masters={"A": [0, 0, 0]})
    assert [one.symbol for one in found.keysets] == ["AC", "AD", "AE"]
    assert len({one.bitting for one in found.keysets}) == 3


@pytest.mark.parametrize(
    ("request_", "field"),
    [({"masters": {"Tower 1": [1]}}, "masters.Tower 1"), ({"changes": {"Tower 1": 1}}, "changes.Tower 1")],
)
def test_a_key_above_that_is_no_standard_symbol_is_refused_by_its_field(request_, field):
    plan, array = system(3, masters=2, changes_per_master=3)
    keys = plan.keys | {"Tower 1": (1, 1, 1, 1, 1, 1)}
    with pytest.raises(KeyingError) as refused:
        extend(SPEC, array, keys, plan.cylinders, **request_)
    assert refused.value.field == field


def test_what_turns_a_further_cylinder_is_passed_over_masters_and_changes_alike():
    plan, array = system(3, masters=2, changes_per_master=3)
    plain = extend(SPEC, array, plan.keys, plan.cylinders, changes={"AA": 2}, masters={"A": [1]})
    cuts = {one.symbol: one.bitting for one in plain.keysets}
    # Cylinders of another house on the keyway, pinned to just these cuts among others.
    shearing = [[(cut, cut % 2 + 6) for cut in cuts[symbol]] for symbol in ("AC", "AA4")]
    found = extend(SPEC, array, plan.keys, plan.cylinders, changes={"AA": 2}, masters={"A": [1]}, shearing=shearing)
    added = {one.symbol: one.bitting for one in found.keysets}
    assert list(added) == list(cuts) and added["AA4"] == cuts["AA5"]
    for bitting in added.values():
        assert not any(all(cut in depths for cut, depths in zip(bitting, stack, strict=True)) for stack in shearing)


SHORT = BittingSpec(chambers=5, depths=6, first_depth=1, macs=5, step=2)


def full_system():
    plan = plan_levels(SHORT, draw_master(SHORT, Random(3)), levels=3, masters=2, changes_per_master=4)
    return plan, LevelArray(plan.tmk, plan.roles)


def test_a_search_goes_on_where_the_array_is_full():
    plan, array = full_system()
    with pytest.raises(NoBittingsLeft) as full:
        extend(SHORT, array, plan.keys, plan.cylinders, changes={"AA": 30})
    wanted = full.value.left + 1  # one more than the array holds
    asked = name_wanted(plan.keys, {"AA": wanted}, {})
    found = search_extension(SHORT, plan.tmk, plan.keys, plan.cylinders, asked, Random(1), seconds=30)
    assert found.solution.outcome is Outcome.SOLVED
    added = {keyset.symbol: keyset.bitting for keyset in found.extension.keysets}
    assert list(added) == [f"AA{5 + n}" for n in range(wanted)]
    after = {**plan.keys, **added}
    assert len(set(after.values())) == len(after)
    assert not audit(after, {**plan.cylinders, **found.extension.cylinders}).unintended
    assert all(SHORT.within_macs(bitting) for bitting in added.values())


def test_what_cannot_be_is_told_with_what_clashes():
    spec = BittingSpec(chambers=3, depths=2, first_depth=1, macs=1, step=1)
    keys = {"AA": (1, 1, 1), "1AA": (2, 1, 1), "2AA": (1, 2, 1), "3AA": (1, 1, 2)}
    cylinders = {symbol: (symbol, "AA") for symbol in keys if symbol != "AA"}
    found = search_extension(
        spec, (1, 1, 1), keys, cylinders, name_wanted(keys, {"AA": 1}, {}, levels=2), Random(1), seconds=20
    )
    assert found.extension is None and found.solution.outcome is Outcome.IMPOSSIBLE
    assert "4AA" in found.solution.clash.sentence


def test_masters_get_the_next_symbols_and_unknown_ones_are_refused():
    asked = name_wanted(["A", "AA", "AA1", "AB"], {}, {"A": [2]})
    assert [symbol for symbol, _, _ in asked.keysets] == ["AC", "AC1", "AC2"]
    for changes, masters, field in (({"AZ": 1}, {}, "changes.AZ"), ({}, {"AA": [1]}, "masters.AA")):
        with pytest.raises(KeyingError) as refused:
            name_wanted(["A", "AA"], changes, masters)
        assert refused.value.field == field


def test_what_a_search_is_for_is_named_level_by_level():
    wanted = name_wanted(["GGM", "B", "BA", "BA1"], {"BA": 1, "GGM": 1}, {"B": [1]})
    assert wanted.keysets == (
        ("BB", SymbolLevel.MASTER, "B"),
        ("BB1", SymbolLevel.CHANGE, "BB"),
        ("BA2", SymbolLevel.CHANGE, "BA"),
        ("GGM1", SymbolLevel.CHANGE, "GGM"),
    )
    assert wanted.cylinders == {
        "BB1": ("BB1", "BB", "B", "GGM"),
        "BA2": ("BA2", "BA", "B", "GGM"),
        "GGM1": ("GGM1", "GGM"),
    }
    assert [symbol for symbol, _, _ in name_wanted(["AA", "1AA"], {"AA": 2}, {}, levels=2).keysets] == [
        "2AA",
        "3AA",
    ]
    with pytest.raises(KeyingError, match="no such grand master"):
        name_wanted(["A", "AA"], {}, {"B": [1]})


def test_a_search_keeps_within_what_it_is_given(monkeypatch):
    plan, _ = full_system()
    wanted = name_wanted(plan.keys, {"AA": 1}, {})
    found = search_extension(SHORT, plan.tmk, plan.keys, plan.cylinders, wanted, Random(1), seconds=30)
    (added,) = found.extension.keysets
    assert (added.symbol, added.level, added.parent) == ("AA5", SymbolLevel.CHANGE, "AA")
    assert found.matrix.keys[-1].holders == ("AA5",) and found.matrix.cylinders[-1].doors == ("AA5",)
    assert found.matrix.keys[-1].doors == {len(plan.cylinders)}
    again = search_extension(
        SHORT, plan.tmk, plan.keys, plan.cylinders, wanted, Random(1), seconds=30, avoid={added.bitting}
    )
    assert again.extension.keysets[0].bitting != added.bitting
    given = {}
    lost = MatrixSolution(Outcome.NOT_IN_TIME, None, (), None, False, 1.0)
    monkeypatch.setattr("app.keying.additions.TURNS", 0)  # so that it is left to the solver
    monkeypatch.setattr("app.keying.additions.solve_matrix", lambda *_, **more: given.update(more) or lost)
    ended = search_extension(
        SHORT, plan.tmk, plan.keys, plan.cylinders, wanted, Random(1), seconds=7.0, on_progress=print
    )
    assert 0 < given["seconds"] <= 7.0 and given["on_progress"] is print
    assert ended.extension is None and ended.matrix == found.matrix and ended.solution is lost
