"""What a piece of metal is pinned to outlives its keyset's bitting; figures by hand from the bittings of tests.keyed.

F1 is operated by 1AA 746036 and AA 528614, F2 by 2AA 346298 and AA.
"""

import json

import pytest

from app.ledger.bench.checkoff import tick_cylinders
from app.ledger.keysystems.bittings import reseal_bittings, seal_bitting
from app.ledger.keysystems.correcting import CorrectForm, correct_bitting
from app.ledger.keysystems.crosskeying import cross_key
from app.ledger.keysystems.pinned import freeze_pins, open_pins, pins_context, turned_by
from app.ledger.store.errors import VaultError
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Keyset, Level, Stage
from tests import factories
from tests.bare import config, work
from tests.keyed import BITTINGS, Keyed, keyed_job, walk

__all__ = ["config", "work"]  # fixtures

OTHER = "766236"
"""In AA's parity as 746036 is, and in no chamber but the first, third, fifth and sixth alike to it."""


def cuts(text: str) -> tuple[int, ...]:
    return tuple(map(int, text))


def turns(work: Work, text: str, keyed: Keyed) -> list[str]:
    """The opening numbers of what a key so cut turns."""
    found = turned_by(work, keyed.cylinders[0].keyset, [cuts(text)], keyed.cylinders)
    return sorted(one.door.opening_number if one.door else "none" for one in found)


def tick(work: Work, keyed: Keyed, state: CylinderState) -> None:
    tick_cylinders(work, keyed.job.number, [one.id for one in keyed.cylinders], state)


def rekeys(work: Work, keyed: Keyed, symbol: str, text: str) -> None:
    """The keyset keeps its symbol and gets another bitting."""
    keyset = next(one for one in keyed.system.keysets if one.symbol == symbol)
    reseal_bittings(work, keyed.system, [(keyset, cuts(text))])
    work.session.commit()


def test_pins_stay_what_they_are_when_the_keyset_gets_another_bitting(work: Work) -> None:
    keyed = keyed_job(work)
    tick(work, keyed, CylinderState.PINNED)
    sealed = keyed.cylinders[0].sealed_pins
    assert sealed is not None and b"[5, 7]" not in sealed
    text = json.loads(work.vault.open(sealed, pins_context(keyed.cylinders[0].id)))
    assert text["cuts"] == [[5, 7], [2, 4], [6, 8], [0, 6], [1, 3], [4, 6]] and text["control"] is None
    rekeys(work, keyed, "1AA", OTHER)
    assert turns(work, BITTINGS["1AA"], keyed) == ["F1"]
    assert turns(work, OTHER, keyed) == []
    assert turns(work, BITTINGS["AA"], keyed) == ["F1", "F2"]
    assert turns(work, "726034", keyed) == ["F1"]  # no key is cut so: 7 2 6 0 3 4, each of them a depth that shears
    assert turns(work, "346294", keyed) == ["F2"]


def test_undone_ticks_leave_no_pins_and_new_ticks_seal_the_new_bitting(work: Work) -> None:
    keyed = keyed_job(work)
    tick(work, keyed, CylinderState.PINNED)
    tick(work, keyed, CylinderState.ORDERED)
    assert {one.sealed_pins for one in keyed.cylinders} == {None}
    rekeys(work, keyed, "1AA", OTHER)
    assert (turns(work, BITTINGS["1AA"], keyed), turns(work, OTHER, keyed)) == ([], ["F1"])  # as they will be pinned
    tick(work, keyed, CylinderState.PINNED)
    rekeys(work, keyed, "1AA", BITTINGS["1AA"])
    assert (turns(work, BITTINGS["1AA"], keyed), turns(work, OTHER, keyed)) == ([], ["F1"])


def test_a_cross_keyed_cylinder_is_sealed_anew_when_it_is_pinned_anew(work: Work) -> None:
    keyed = keyed_job(work)
    tick(work, keyed, CylinderState.PINNED)
    assert turns(work, BITTINGS["2AA"], keyed) == ["F2"]
    cross_key(work, keyed.cylinders[0].id, ["2AA"])
    assert keyed.cylinders[0].sealed_pins is None and keyed.cylinders[1].sealed_pins is not None
    tick(work, keyed, CylinderState.PINNED)
    rekeys(work, keyed, "2AA", "544298")
    assert turns(work, BITTINGS["2AA"], keyed) == ["F1", "F2"]


def test_a_fitted_cylinder_is_frozen_before_its_master_gets_another_bitting(work: Work) -> None:
    keyed = keyed_job(work)
    for one in keyed.cylinders:
        one.state = CylinderState.FITTED  # by a release that sealed no pins
    work.session.commit()
    freeze_pins(work, keyed.cylinders)
    rekeys(work, keyed, "AA", "724836")
    assert (turns(work, BITTINGS["AA"], keyed), turns(work, "724836", keyed)) == (["F1", "F2"], [])
    freeze_pins(work, keyed.cylinders)  # what was frozen stays
    assert turns(work, BITTINGS["AA"], keyed) == ["F1", "F2"]


def test_what_is_to_be_pinned_yet_is_not_frozen(work: Work) -> None:
    keyed = keyed_job(work)
    freeze_pins(work, keyed.cylinders)
    assert {one.sealed_pins for one in keyed.cylinders} == {None}


def test_what_is_replaced_keeps_its_pins(work: Work) -> None:
    keyed = keyed_job(work)
    old = factories.CylinderFactory(
        door=keyed.doors[0], keyset=keyed.cylinders[1].keyset, state=CylinderState.FITTED, finish="626"
    )
    work.session.commit()
    walk(work, keyed.job, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER)
    assert old.state is CylinderState.REMOVED
    rekeys(work, keyed, "2AA", "544298")
    assert turned_by(work, old.keyset, [cuts(BITTINGS["2AA"])], [old]) == (old,)
    assert turned_by(work, old.keyset, [cuts("544298")], [old]) == ()


def test_a_core_is_taken_out_at_its_control_line_alone(work: Work) -> None:
    keyed = keyed_job(work)
    control = factories.KeysetFactory(system=keyed.system, symbol="CONTROL", level=Level.CONTROL)
    seal_bitting(work, keyed.system, control, cuts("100321"))
    work.session.commit()
    for stage in ("by the record", "by the pins"):
        assert turns(work, "100321", keyed) == ["F1", "F2"], stage
        assert turns(work, "746021", keyed) == [], stage  # four chambers at the one line, two at the other
        tick(work, keyed, CylinderState.PINNED)


def test_a_longer_key_turns_by_its_first_cuts_and_a_shorter_one_as_if_uncut(work: Work) -> None:
    keyed = keyed_job(work)
    tick(work, keyed, CylinderState.PINNED)
    assert turns(work, BITTINGS["1AA"] + "9", keyed) == ["F1"]
    assert turns(work, BITTINGS["1AA"][:5], keyed) == []  # the sixth chamber shears at 4 and 6, uncut is 0


def test_a_corrected_record_is_what_its_cylinders_go_by_and_an_older_bitting_in_metal_stays(work: Work) -> None:
    keyed = keyed_job(work)
    tick(work, keyed, CylinderState.PINNED)
    for one in keyed.cylinders:
        one.state = CylinderState.FITTED
    rekeys(work, keyed, "1AA", OTHER)  # F1 stands with the old pins
    form = CorrectForm(keyset_id=keyed.cylinders[1].keyset_id or 0, bitting="344298", why="misread", destroyed=True)
    correct_bitting(work, keyed.system.id, form)
    assert (turns(work, "344298", keyed), turns(work, BITTINGS["2AA"], keyed)) == (["F2"], [])
    form = CorrectForm(keyset_id=keyed.cylinders[0].keyset_id or 0, bitting="766238", why="misread", destroyed=True)
    correct_bitting(work, keyed.system.id, form)
    assert (turns(work, "766238", keyed), turns(work, BITTINGS["1AA"], keyed)) == ([], ["F1"])


def test_sealed_pins_are_bound_to_their_own_cylinder(work: Work) -> None:
    keyed = keyed_job(work)
    tick(work, keyed, CylinderState.PINNED)
    first, second = keyed.cylinders
    first.sealed_pins, second.sealed_pins = second.sealed_pins, first.sealed_pins
    with pytest.raises(VaultError):
        open_pins(work, [first])


def test_a_cylinder_whose_bitting_is_elsewhere_is_turned_by_nothing_that_is_known(work: Work) -> None:
    keyed = keyed_job(work)
    alien = factories.CylinderFactory(keyset=factories.KeysetFactory(symbol="1B"), state=CylinderState.FITTED)
    bare = factories.CylinderFactory(keyset=None, state=CylinderState.FITTED)
    freeze_pins(work, [alien, bare])
    assert (alien.sealed_pins, bare.sealed_pins) == (None, None)
    there = [alien, bare, *keyed.cylinders]
    assert turned_by(work, keyed.cylinders[0].keyset, [cuts(BITTINGS["AA"])], there) == keyed.cylinders
    assert work.session.get_one(Keyset, alien.keyset_id).bitting is None
    assert isinstance(bare, Cylinder)
