"""A key that was lost years ago under a symbol that has another bitting by now opens nothing that is keyed since.

Each time the old key is cut so that by chance it would turn just what the program would do next: of each chamber it
has the cut of one of the keys that operate there, so it is none of them and turns no other door.
"""

from collections.abc import Sequence
from dataclasses import replace
from itertools import product
from random import Random

import pytest
import sqlalchemy as sa

from app.keying import Extension
from app.ledger.keys.loss_plans import choose_plan, open_loss_plan, put_plan_on_record, ways_of_loss
from app.ledger.keysystems.bittings import lost_context, open_bittings, spec_of
from app.ledger.keysystems.crosskeying import ReadyCross, make_cross_ready, seal_cross_search
from app.ledger.keysystems.extending import (
    ExtendForm,
    ReadyExtension,
    extend_system,
    make_extension_ready,
    seal_extension,
)
from app.ledger.keysystems.keysets import next_cuts
from app.ledger.keysystems.system_queries import systems_sharing_keyway
from app.ledger.keysystems.unsealed_system import SystemsInService, open_system
from app.ledger.quoting.request import SystemRequest
from app.ledger.quoting.room import waiting_changes
from app.ledger.sites.door_paste import DoorRow
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, KeySystem, ListRowAside, Loss
from tests.ledger.test_main_job import accept, flats, issued, openings

SHOP = {"keyed_at": "shop", "override_reason": "soon"}
Cuts = tuple[int, ...]


@pytest.fixture
def system(work: Work) -> KeySystem:
    """The Flats: F1 to F3 on 1AA to 3AA, under AA."""
    accept(work, issued(work, flats(work, 3, **SHOP)), openings(3))
    return work.session.scalars(sa.select(KeySystem)).one()


def _cuts(work: Work, system: KeySystem, *symbols: str) -> list[Cuts]:
    opened = open_bittings(work.session, work.vault, [system])
    by_symbol = {one.symbol: opened[one.id] for one in system.keysets if one.id in opened}
    return [by_symbol[symbol] for symbol in symbols]


def _turns(cuts: Cuts, operators: Sequence[Cuts]) -> bool:
    return all(cut in depths for cut, depths in zip(cuts, zip(*operators, strict=True), strict=True))


def _lose_by_chance(work: Work, system: KeySystem, operators: Sequence[Cuts], then: Sequence[Cuts] = ()) -> Cuts:
    """Have AA have lost, long ago, a key that turns a cylinder with these operators and none that stands."""
    work.session.rollback()
    opened = open_bittings(work.session, work.vault, [system])
    standing = [
        [opened[one.keyset_id or 0], *_cuts(work, system, "AA")]
        for one in work.session.scalars(sa.select(Cylinder).order_by(Cylinder.id))
        if one.keyset and one.keyset.symbol != "AA"
    ]
    known = {*opened.values(), *operators}
    lost = next(
        cuts
        for cuts in product(*(sorted(set(depths)) for depths in zip(*operators, strict=True)))
        if cuts not in known and not any(_turns(cuts, stack) for stack in [*standing, *then])
    )
    master = next(one for one in system.keysets if one.symbol == "AA")
    loss = Loss(system_id=system.id, keyset_id=master.id, reported_at=work.now, closed_at=work.now, copies=[1])
    loss.successors = {"AA": "AA"}
    work.session.add(loss)
    work.session.flush()
    loss.sealed_lost = work.vault.seal("".join(map(str, lost)), lost_context(loss.id))
    work.session.commit()
    return lost


def test_what_is_sold_next_is_none_that_an_old_lost_key_opens(work: Work, system: KeySystem) -> None:
    """At the counter, and by the bench that extends the system."""
    master = system.keysets[0]
    for symbol in ("4AA", "5AA"):
        [own] = next_cuts(work, system, master, 1)
        lost = _lose_by_chance(work, system, [own, *_cuts(work, system, "AA")])
        if symbol == "4AA":
            job = issued(work, flats(work, 1, system=SystemRequest(existing_id=system.id), **SHOP))
            accept(work, job, (DoorRow(1, "G1"),))
        else:
            extend_system(work, system.id, ExtendForm(master="AA", changes=1))
        work.session.refresh(system, ["keysets"])
        new = _cuts(work, system, symbol, "AA")
        assert new[0] != own and not _turns(lost, new)


def test_a_search_for_more_changes_finds_none_that_an_old_lost_key_opens(work: Work, system: KeySystem) -> None:
    system.sealed_plan = None
    work.session.commit()

    def found(ready: ReadyExtension) -> Extension:
        extension = ready.search(Random(3), 5.0, lambda *_: None).extension
        assert extension is not None
        return extension

    form = ExtendForm(master="AA", changes=1)
    [own] = found(make_extension_ready(work, system.id, form)).keysets
    lost = _lose_by_chance(work, system, [own.bitting, *_cuts(work, system, "AA")])
    ready = make_extension_ready(work, system.id, form)
    seal_extension(work, ready, found(ready))
    work.session.refresh(system, ["keysets"])
    assert not _turns(lost, _cuts(work, system, "4AA", "AA"))


def test_single_keys_and_other_systems_of_the_customer_know_what_was_lost(work: Work, system: KeySystem) -> None:
    """They are drawn beside all keys that are about: one of seven chambers has the lost key's cuts, then no cut."""
    lost = _lose_by_chance(work, system, _cuts(work, system, "2AA", "3AA"))
    sharing = systems_sharing_keyway(work.session, system.keyway, system.customer_id)
    six = spec_of(system)
    assert lost in SystemsInService.of(work, sharing, six, system.keyway).keys
    assert (*lost, 0) in SystemsInService.of(work, sharing, replace(six, chambers=7), system.keyway).keys


@pytest.mark.parametrize("how", ["crossed", "kept in reserve"])
def test_no_door_is_accepted_that_an_old_lost_key_would_open(work: Work, system: KeySystem, how: str) -> None:
    """Neither as it is crossed on the door list, nor on a change that was made before the key was lost."""
    if how == "crossed":
        row = DoorRow(1, "G1", keyset="2AA", operated_by="2AA 3AA AA")
        _lose_by_chance(work, system, _cuts(work, system, "2AA", "3AA", "AA"))
    else:
        extend_system(work, system.id, ExtendForm(master="AA", changes=1))
        row = DoorRow(1, "G1", keyset="4AA")
        _lose_by_chance(work, system, _cuts(work, system, "4AA", "AA"))
    job = issued(work, flats(work, 1, system=SystemRequest(existing_id=system.id), **SHOP))
    with pytest.raises(LedgerError) as refused:
        accept(work, job, (row,))
    assert (refused.value.field, refused.value.message) == (
        "doors",
        "Keys of AA that are cut as the lost one was would open G1 then: cross-key with another keyset, or key the "
        "door to a new one.",
    )
    work.session.rollback()
    accept(work, job, (replace(row, keyset="", operated_by=""),))


def test_the_counter_offers_no_waiting_change_that_an_old_lost_key_would_open(work: Work, system: KeySystem) -> None:
    """4AA and 5AA wait for a door; a line that runs out of new changes takes such."""
    extend_system(work, system.id, ExtendForm(master="AA", changes=2))
    assert waiting_changes(work, system, "AA") == ["4AA", "5AA"]
    _lose_by_chance(work, system, _cuts(work, system, "4AA", "AA"), [_cuts(work, system, "5AA", "AA")])
    assert waiting_changes(work, system, "AA") == ["5AA"]


def test_a_search_for_cross_keying_keeps_an_old_lost_key_out(work: Work, system: KeySystem) -> None:
    [door] = [
        one for one in work.session.scalars(sa.select(Cylinder)) if one.door and one.door.opening_number == "F1"
    ]

    def ready() -> ReadyCross:
        return make_cross_ready(work, open_system(work, system.id), door.id, ["2AA"])

    def found(by: ReadyCross) -> dict[str, Cuts]:
        chosen = by.search(Random(1), 5.0, lambda *_: None).bittings
        assert chosen is not None
        return {symbol: chosen[symbol] for symbol in ("1AA", "2AA")}

    before = ready()
    first = found(before)
    above = _cuts(work, system, "AA")
    lost = _lose_by_chance(work, system, [*first.values(), *above], [[first["2AA"], *above], [first["1AA"], *above]])
    with pytest.raises(LedgerError, match="Keys of AA that are cut as the lost one was would open F1 then"):
        seal_cross_search(work, before, first)
    work.session.rollback()
    again = found(ready())
    assert not _turns(lost, [*again.values(), *above])
    seal_cross_search(work, ready(), again)
    assert not _turns(lost, _cuts(work, system, "1AA", "2AA", "AA"))


def test_the_plan_of_another_loss_keeps_an_old_lost_key_out(work: Work, system: KeySystem) -> None:
    for one in work.session.scalars(sa.select(Cylinder)):
        one.state = CylinderState.FITTED
    work.session.commit()
    keyset = next(one for one in system.keysets if one.symbol == "1AA")
    loss = Loss(system_id=system.id, keyset_id=keyset.id, reported_at=work.now)
    work.session.add(loss)
    work.session.commit()
    choose_plan(work, loss.id, ways_of_loss(work, loss.id)[0].kind, loss.version)
    [own] = open_loss_plan(work, loss).values()
    lost = _lose_by_chance(work, system, [own, *_cuts(work, system, "AA")])
    with pytest.raises(LedgerError, match="its new bittings would clash with that: make the plan anew"):
        put_plan_on_record(work, loss)
    work.session.rollback()
    choose_plan(work, loss.id, ways_of_loss(work, loss.id)[0].kind, loss.version)
    [own] = open_loss_plan(work, loss).values()
    assert not _turns(lost, [own, *_cuts(work, system, "AA")])
    put_plan_on_record(work, loss)


def test_a_way_with_new_bittings_says_what_of_the_systems_list_is_not_known(work: Work, system: KeySystem) -> None:
    loss = Loss(system_id=system.id, keyset_id=system.keysets[0].id, reported_at=work.now)
    work.session.add(loss)
    work.session.add(ListRowAside(system_id=system.id, row=7, own_symbol="103", reason="Blurred.", could_matter=True))
    work.session.commit()
    ways = ways_of_loss(work, loss.id)
    told = {any("not settled (103)" in said for said in one.says) for one in ways if one.cuts}
    assert told == {True} and not [one for one in ways if not one.cuts and "103" in str(one.says)]
