from random import Random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from app.keying import (
    BittingSpec,
    KeyingError,
    NoBittingsLeft,
    SymbolLevel,
    audit,
    draw_master,
    operating_chains,
    plan_levels,
)
from app.keying.symbols import make_symbols

SPEC = BittingSpec(chambers=6, depths=10, macs=7, step=2)


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from([SPEC, BittingSpec(chambers=7, depths=6, first_depth=1, macs=4, step=1)]),
    st.integers(0, 10**6),
    st.integers(2, 4),
    st.integers(1, 4),
    st.integers(1, 12),
    st.integers(1, 3),
)
def test_every_planned_system_audits_clean(spec, turn, levels, masters, changes, grands):
    tmk = draw_master(spec, Random(turn))
    masters = masters if levels > 2 else 1
    grands = grands if levels == 4 else 1
    plan = plan_levels(spec, tmk, levels=levels, masters=masters, changes_per_master=changes, grands=grands)
    assert [keyset.symbol for keyset in plan.keysets] == make_symbols(levels, masters, changes, grands)
    assert plan.keysets[0].bitting == tmk
    assert len(set(plan.keys.values())) == len(plan.keysets)
    assert all(spec.within_macs(bitting) for bitting in plan.keys.values())
    assert not audit(plan.keys, plan.cylinders).unintended
    assert {len(chain) for chain in plan.cylinders.values()} == {levels}


def test_a_master_has_the_top_masters_cuts_where_its_changes_progress():
    plan = plan_levels(SPEC, draw_master(SPEC, Random(3)), levels=4, grands=2, masters=3, changes_per_master=9)
    keys = plan.keys
    below = {SymbolLevel.GREAT_GRAND: "GMC", SymbolLevel.GRAND: "MC", SymbolLevel.MASTER: "C"}
    for keyset in plan.keysets:
        for role, cut, top in zip(plan.roles, keyset.bitting, plan.tmk, strict=True):
            if role in below.get(keyset.level, ""):
                assert cut == top
            else:
                assert cut != top or role == "-"
        if keyset.level is SymbolLevel.CHANGE:
            master = keys[keyset.parent]
            assert all(a == b for a, b, r in zip(keyset.bitting, master, plan.roles, strict=True) if r != "C")


def test_used_bittings_are_left_out():
    tmk = draw_master(SPEC, Random(3))
    first = plan_levels(SPEC, tmk, levels=3, masters=3, changes_per_master=9)
    used = set(first.keys.values()) - {tmk}
    second = plan_levels(SPEC, tmk, levels=3, masters=3, changes_per_master=9, used=used, roles=first.roles)
    assert not used & set(second.keys.values())


def test_roles_given_are_kept():
    tmk = (5, 2, 8, 6, 1, 4)
    assert plan_levels(SPEC, tmk, levels=3, masters=2, changes_per_master=5, roles="MMCC--").roles == "MMCC--"


@pytest.mark.parametrize("roles", ["CCC", "CCCCCC", "CCMMGX", "ccmmgg"])
def test_roles_that_do_not_fit_are_refused(roles):
    with pytest.raises(KeyingError) as refused:
        plan_levels(SPEC, (5, 2, 8, 6, 1, 4), levels=3, masters=2, changes_per_master=5, roles=roles)
    assert refused.value.field == "roles"


def test_a_system_too_large_says_how_much_fits_and_that_much_fits():
    tmk = draw_master(SPEC, Random(3))
    with pytest.raises(NoBittingsLeft) as refused:
        plan_levels(SPEC, tmk, levels=3, masters=100, changes_per_master=100)
    assert refused.value.field == "changes_per_master"
    assert refused.value.asked == 10_000
    assert 0 < refused.value.left < 4096
    assert f"{refused.value.left:,} fit" in refused.value.message


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({"levels": 8}, "levels"),
        ({"levels": 5, "grands": 0}, "grands"),
        ({"levels": 5, "great_grands": 23}, "great_grands"),
        ({"levels": 4, "great_grands": 2}, "great_grands"),
        ({"levels": 2, "masters": 2}, "masters"),
        ({"levels": 3, "grands": 2}, "grands"),
        ({"levels": 3, "changes_per_master": 0}, "changes_per_master"),
        ({"levels": 3, "changes_per_master": 10**30}, "changes_per_master"),
        ({"levels": 3, "masters": True}, "masters"),
    ],
)
def test_counts_out_of_range_are_refused_by_field(values, field):
    with pytest.raises(KeyingError) as refused:
        plan_levels(SPEC, (5, 2, 8, 6, 1, 4), **{"changes_per_master": 5, **values})
    assert refused.value.field == field


def test_a_plan_does_not_show_its_bittings():
    plan = plan_levels(SPEC, (5, 2, 8, 6, 1, 4), levels=2, changes_per_master=5)
    assert "5, 2, 8" not in repr(plan)
    assert "bitting" not in repr(plan.keysets[1])


@pytest.mark.parametrize(
    ("parents", "field"),
    [
        ({"AA": "A"}, "parent.AA"),
        ({"A": "AA", "AA": "A"}, "parent.A"),
        ({"AA": "AA"}, "parent.AA"),
        ({"AA1": "AA", "AA": "AB", "AB": "AA"}, "parent.AA1"),
    ],
)
def test_parents_that_lead_nowhere_or_round_are_refused(parents, field):
    with pytest.raises(KeyingError) as refused:
        operating_chains(parents)
    assert refused.value.field == field
