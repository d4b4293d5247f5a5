"""A selective master's bitting corrected: what the array withholds, and what it still holds, follow it."""

from __future__ import annotations

from contextlib import suppress
from itertools import product

import pytest
import sqlalchemy as sa

from app.errors import BitternError
from app.keying import write_bitting
from app.ledger.keysystems.bittings import (
    count_capacity,
    open_bittings,
    open_plan,
    reseal_bittings,
    spec_of,
)
from app.ledger.keysystems.correcting import Corrected, CorrectForm, correct_bitting, leave_array
from app.ledger.keysystems.selective import add_selective
from app.ledger.keysystems.system_queries import get_system
from app.ledger.store.engine import transaction
from app.ledger.store.work import Work
from app.ledger.tables import Keyset, KeySystem, Level
from tests.ledger.test_main_job import accept, flats, issued, openings

Cuts = tuple[int, ...]


@pytest.fixture
def system(work: Work) -> KeySystem:
    accept(work, issued(work, flats(work, 6, keyed_at="shop", override_reason="here")), openings(6))
    return work.session.scalars(sa.select(KeySystem)).one()


def corrected(work: Work, system: KeySystem, eng: Keyset, cuts: Cuts) -> Corrected | None:
    form = CorrectForm(eng.id, write_bitting(spec_of(system), cuts), "read with the gauge")
    with suppress(BitternError):
        return correct_bitting(work, system.id, form)
    return None


def test_the_array_withholds_the_depth_that_the_selective_master_really_has(work: Work, system: KeySystem) -> None:
    place = add_selective(work, system.id, "ENG").place
    eng = next(one for one in get_system(work.session, system.id).keysets if one.level is Level.SELECTIVE)
    before, spec = open_plan(work.vault, system), spec_of(system)
    assert before is not None and before.withheld == (place.chamber, place.depth)
    others = [
        (chamber, depth)
        for chamber in range(1, spec.chambers + 1)
        for depth in range(spec.first_depth, spec.first_depth + spec.depths)
        if depth != before.tmk[chamber - 1] and chamber != place.chamber
    ]
    for chamber, depth in others:
        cuts = (*before.tmk[: chamber - 1], depth, *before.tmk[chamber:])
        if found := corrected(work, system, eng, cuts):
            break
    assert found is not None and not found.lost_plan
    system = get_system(work.session, system.id)
    plan = open_plan(work.vault, system)
    assert plan is not None and plan.withheld == (chamber, depth)
    assert system.capacity == count_capacity(work, system, plan)


def test_one_that_is_like_no_top_master_any_more_costs_the_array(work: Work, system: KeySystem) -> None:
    add_selective(work, system.id, "ENG")
    system = get_system(work.session, system.id)
    eng = next(one for one in system.keysets if one.level is Level.SELECTIVE)
    change = next(one for one in system.keysets if one.level is Level.CHANGE)
    opened = open_bittings(work.session, work.vault, [system])
    with transaction(work.session):
        reseal_bittings(work, system, [(eng, opened[change.id]), (change, opened[eng.id])])
        assert leave_array(work, system, eng, opened[change.id])
    assert open_plan(work.vault, system) is None and system.capacity is None


def test_one_that_is_retired_stays_so_when_it_is_really_cut_as_it_is(work: Work, system: KeySystem) -> None:
    spec, opened = spec_of(system), open_bittings(work.session, work.vault, [system])
    change = next(one for one in system.keysets if one.level is Level.CHANGE)
    cuts = opened[change.id]
    odd = next(
        one
        for place, depth in product(range(spec.chambers), (1, -1))
        for one in [(*cuts[:place], cuts[place] + depth, *cuts[place + 1 :])]
        if one[place] in spec.all_depths and spec.within_macs(one) and one not in opened.values()
    )
    with transaction(work.session):
        reseal_bittings(work, system, [(change, odd)])
        change.purpose, change.is_retired = "x" * 200, True
    found = correct_bitting(work, system.id, CorrectForm(change.id, write_bitting(spec, odd), "measured twice"))
    assert found.is_kept and change.purpose_and_state == f"{'x' * 200}, really cut so, retired"
    with transaction(work.session):
        reseal_bittings(work, system, [(change, cuts)])
    assert change.is_retired and not change.is_really_cut_so
