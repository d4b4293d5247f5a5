"""Extension by search: beyond the array, no key in service touched, or an honest answer."""

from __future__ import annotations

from random import Random

import pytest

from app.keying import (
    BittingSpec,
    KeyingError,
    LevelArray,
    NoBittingsLeft,
    Outcome,
    ask_fixed,
    audit,
    draw_master,
    extend,
    extend_fixed,
    plan_levels,
)

SPEC = BittingSpec(chambers=5, depths=6, first_depth=1, macs=5, step=2)


def full_system():
    plan = plan_levels(SPEC, draw_master(SPEC, Random(3)), levels=3, masters=2, changes_per_master=4)
    return plan, LevelArray(plan.tmk, plan.roles)


def test_a_search_goes_on_where_the_array_is_full():
    plan, array = full_system()
    with pytest.raises(NoBittingsLeft) as full:
        extend(SPEC, array, plan.keys, plan.cylinders, changes={"AA": 30})
    wanted = full.value.exist + 1  # one more than the array holds
    asked = ask_fixed(plan.keys, {"AA": wanted}, {})
    found = extend_fixed(SPEC, plan.tmk, plan.keys, plan.cylinders, asked, Random(1), seconds=30)
    assert found.solution.outcome is Outcome.SOLVED
    added = {keyset.symbol: keyset.bitting for keyset in found.extension.keysets}
    assert list(added) == [f"AA{5 + n}" for n in range(wanted)]
    after = {**plan.keys, **added}
    assert len(set(after.values())) == len(after)
    assert audit(after, {**plan.cylinders, **found.extension.cylinders}).clean
    assert all(SPEC.within_macs(bitting) for bitting in added.values())


def test_what_cannot_be_is_told_with_what_clashes():
    spec = BittingSpec(chambers=3, depths=2, first_depth=1, macs=1, step=1)
    keys = {"AA": (1, 1, 1), "1AA": (2, 1, 1), "2AA": (1, 2, 1), "3AA": (1, 1, 2)}
    cylinders = {symbol: (symbol, "AA") for symbol in keys if symbol != "AA"}
    found = extend_fixed(spec, (1, 1, 1), keys, cylinders, ask_fixed(keys, {"AA": 1}, {}), Random(1), seconds=20)
    assert found.extension is None and found.solution.outcome is Outcome.IMPOSSIBLE
    assert "4AA" in found.solution.clash.sentence


def test_masters_get_the_next_symbols_and_unknown_ones_are_refused():
    asked = ask_fixed(["A", "AA", "AA1", "AB"], {}, {"A": [2]})
    assert [symbol for symbol, _, _ in asked.keysets] == ["AC", "AC1", "AC2"]
    for changes, masters, field in (({"AZ": 1}, {}, "changes.AZ"), ({}, {"AA": [1]}, "masters.AA")):
        with pytest.raises(KeyingError) as refused:
            ask_fixed(["A", "AA"], changes, masters)
        assert refused.value.field == field
