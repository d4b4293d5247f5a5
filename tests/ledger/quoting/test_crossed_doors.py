"""A door list that names keysets which a system has already: the doors are keyed to them, as a matrix asks."""

from dataclasses import replace

import pytest
import sqlalchemy as sa

from app.errors import BitternError, Problems
from app.ledger.jobs.papers import schedule_of
from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.bittings import open_bittings
from app.ledger.keysystems.crosskeying import cross_key
from app.ledger.keysystems.extending import ExtendForm, extend_system
from app.ledger.keysystems.lost_keysets import lost_for_job, lost_masters
from app.ledger.quoting.request import SystemRequest
from app.ledger.sites.door_paste import DoorRow, read_doors
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Event, Job, Key, Keyset, KeyState, KeySystem, Role
from tests.keyed import mark_lost
from tests.ledger.conftest import by
from tests.ledger.test_main_job import accept, flats, issued, openings

SHOP = {"keyed_at": "shop", "override_reason": "soon"}


def _second(work: Work, *keysets: str) -> Job:
    accept(work, issued(work, flats(work, 3, **SHOP)), openings(3))
    system = work.session.scalars(sa.select(KeySystem)).one()
    ask = flats(work, len(keysets), system=SystemRequest(existing_id=system.id), **SHOP)
    job = issued(work, ask)
    doors = [DoorRow(row=n, opening=f"G{n}", keyset=keyset) for n, keyset in enumerate(keysets, start=1)]
    return accept(work, job, tuple(doors), site_name="The annex")


def test_named_keysets_are_used_and_others_are_new(work: Work) -> None:
    job = _second(work, "2AA", "", "AA", "2AA", "4AA")
    assert [row.keyset for row in schedule_of(work, job).rows] == ["2AA", "5AA", "AA", "2AA", "4AA"]
    system = work.session.scalars(sa.select(KeySystem)).one()
    assert [keyset.symbol for keyset in system.keysets] == ["AA", "1AA", "2AA", "3AA", "4AA", "5AA"]
    assert audit_systems(work, [system]).is_clean
    opened = open_bittings(work.session, work.vault, [system])
    assert len(set(opened.values())) == 6


def test_a_system_without_an_array_takes_doors_on_its_keysets_and_on_new_ones(work: Work) -> None:
    job = _second(work, "1AA")
    system = work.session.scalars(sa.select(KeySystem)).one()
    system.sealed_plan = None  # as one made of a matrix that crosses, or taken over from a list
    work.session.commit()
    before = work.session.scalar(sa.select(sa.func.count(Keyset.id)))
    ask = replace(flats(work, 2, system=SystemRequest(existing_id=system.id), **SHOP), title="Two more")
    doors = (DoorRow(row=1, opening="H1", keyset="1AA"), DoorRow(row=2, opening="H2", keyset="3AA"))
    more = accept(work, issued(work, ask), doors, site_name="The lodge")
    assert [row.keyset for row in schedule_of(work, more).rows] == ["1AA", "3AA"]
    assert work.session.scalar(sa.select(sa.func.count(Keyset.id))) == before
    gate = accept(work, issued(work, ask), (DoorRow(row=1, opening="H3", keyset="1AA"),), site_name="The gate")
    assert [(row.keyset, row.operated_by) for row in schedule_of(work, gate).rows] == [
        ("1AA", ("1AA", "AA")),
        ("4AA", ("4AA", "AA")),
    ]
    assert audit_systems(work, [system]).is_clean
    assert len(set(open_bittings(work.session, work.vault, [system]).values())) == 5
    assert len({job.id, more.id, gate.id}) == 3


def test_nmk_keeps_the_master_out(work: Work) -> None:
    job = _second(work, "2AA (NMK)", "4AA(nmk)")
    rows = schedule_of(work, job).rows
    assert [(row.keyset, row.operated_by) for row in rows] == [("2AA(NMK)", ("2AA",)), ("4AA(NMK)", ("4AA",))]
    cylinders = work.session.scalars(sa.select(Cylinder).where(Cylinder.job_id == job.id)).all()
    assert all(cylinder.is_nmk for cylinder in cylinders)
    assert audit_systems(work, list(work.session.scalars(sa.select(KeySystem)))).is_clean


def test_the_doors_that_a_matrix_crosses_are_cross_keyed_where_they_are_made(work: Work) -> None:
    accept(work, issued(work, flats(work, 3, **SHOP)), openings(3))
    system = work.session.scalars(sa.select(KeySystem)).one()
    ask = replace(flats(work, 2, system=SystemRequest(existing_id=system.id), **SHOP), title="The stores")
    rows, problems = read_doors('door,keyset,operated by\nS1,X1X,"1AA, 3AA AA"\nS2,2AA,2AA AA\n')
    assert problems == []
    stores = accept(work, issued(work, ask), tuple(rows), site_name="The stores")
    found = [(row.keyset, row.operated_by) for row in schedule_of(work, stores).rows]
    assert found == [("X1AA", ("1AA", "3AA", "AA")), ("2AA", ("2AA", "AA"))]
    assert audit_systems(work, [system]).is_clean
    rows, _ = read_doors("door,keyset,operated by\nG3,X2X,1AA - 3AA AA\n")
    one = replace(flats(work, 1, system=SystemRequest(existing_id=system.id), **SHOP), title="The gate")
    gate = accept(work, issued(work, one), tuple(rows), site_name="The gate")
    assert [row.operated_by for row in schedule_of(work, gate).rows] == [("1AA", "2AA", "3AA", "AA")]
    rows, _ = read_doors("door,keyset,operated by\nS3,X2X,1AA - AA\n")
    with pytest.raises(BitternError, match=r"Row 2, operated by: 1AA-AA is no range"):
        accept(work, issued(work, replace(ask, title="One more", lines=ask.lines)), tuple(rows), site_name="The yard")
    rows, _ = read_doors("door,keyset,operated by\nS3,X2X,1AA 9AA\n")
    with pytest.raises(BitternError, match=r"Row 2, operated by: .* has no keyset '9AA'"):
        accept(work, issued(work, replace(ask, title="One more", lines=ask.lines)), tuple(rows), site_name="The yard")


@pytest.mark.parametrize("how", ["retired", "lost"])
def test_no_door_is_keyed_to_what_a_stranger_may_open(work: Work, how: str) -> None:
    """Neither as the door's own keyset nor as one that crosses it, until the key is found."""
    accept(work, issued(work, flats(work, 3, **SHOP)), openings(3))
    system = work.session.scalars(sa.select(KeySystem)).one()
    out = work.session.scalars(sa.select(Keyset).where(Keyset.symbol == "2AA")).one()
    key = work.session.scalars(sa.select(Key).where(Key.keyset_id == out.id)).first()
    assert key is not None
    if how == "lost":
        mark_lost(work.session, key)
    else:
        out.is_retired = True
    work.session.commit()
    ask = replace(flats(work, 1, system=SystemRequest(existing_id=system.id), **SHOP), title="One more")
    words = "A key of 2AA.* is lost" if how == "lost" else "2AA is retired"
    for row in (
        DoorRow(row=1, opening="H1", keyset="2AA"),
        DoorRow(row=1, opening="H1", keyset="X1X", operated_by="3AA, 2AA"),
    ):
        with pytest.raises(BitternError, match=words):
            accept(work, issued(work, ask), (row,), site_name="The lodge")
    with pytest.raises(BitternError, match=words):
        cross_key(work, work.session.scalars(sa.select(Cylinder.id).order_by(Cylinder.id)).first() or 0, ["2AA"])
    key.state, out.is_retired = KeyState.RETURNED, False
    work.session.commit()
    job = accept(work, issued(work, ask), (DoorRow(row=1, opening="H1", keyset="2AA"),), site_name="The lodge")
    assert [row.keyset for row in schedule_of(work, job).rows] == ["2AA"]


def test_nothing_is_keyed_under_a_lost_master_but_by_the_owners_word(work: Work) -> None:
    accept(work, issued(work, flats(work, 3, **SHOP)), openings(3))
    system = work.session.scalars(sa.select(KeySystem)).one()
    master = work.session.scalars(sa.select(Keyset).where(Keyset.symbol == "AA")).one()
    told = sa.select(Event.subject, Event.job_id, Event.summary).where(Event.kind == "keyed under a lost key")
    ask = replace(flats(work, 2, system=SystemRequest(existing_id=system.id), **SHOP), title="Two more")
    quoted, other = issued(work, ask), issued(work, ask)
    extend_system(work, system.id, ExtendForm(master="AA", changes=1))
    assert lost_masters(work.session, [system.id]) == ()
    assert work.session.execute(told).all() == []

    key = mark_lost(work.session, Key(keyset_id=master.id, copy_number=1, changed_at=work.now))
    assert [(one.keyset.symbol, one.copies) for one in lost_masters(work.session, [system.id])] == [("AA", (1,))]
    for asked in (ask, replace(ask, lost_reason=" ")):
        with pytest.raises(Problems) as refused:
            issued(work, asked)
        assert [problem.field for problem in refused.value.problems] == ["lines.0.master"]
    with pytest.raises(Problems, match="Only the owner"):
        issued(by(work, Role.COUNTER), replace(ask, lost_reason="they ask for it"))
    with pytest.raises(LedgerError, match=r"Line 1: A key of AA of The Flats is lost .* 2 cylinders of this job"):
        accept(work, quoted, openings(1), site_name="The gate")
    with pytest.raises(LedgerError) as only:
        accept(by(work, Role.COUNTER), quoted, openings(1), site_name="The gate", lost_reason="they ask for it")
    assert only.value.field == "lost_reason"
    with pytest.raises(LedgerError) as extended:
        extend_system(work, system.id, ExtendForm(master="AA", changes=1))
    assert extended.value.field == "master"
    assert work.session.execute(told).all() == []

    job = accept(work, quoted, openings(1), site_name="The gate", lost_reason="bricked  up")
    assert [one.cylinders for one in lost_for_job(work.session, job.id)] == [2]
    said = f"A key of AA of {system.name} is lost (copy 1): whoever has it would open"
    [row] = work.session.execute(told)
    assert row == (f"key system {system.id}", job.id, f"{said} 2 cylinders of this job. Reason to go on: bricked up")
    # What no lost key opens is nobody's to ask about: NMK, on keysets that stand there.
    doors = tuple(DoorRow(row=n, opening=f"H{n}", keyset=f"{n}AA (NMK)") for n in (1, 2))
    assert lost_for_job(work.session, accept(work, other, doors, site_name="The yard").id) == ()
    key.state = KeyState.RETURNED  # found
    work.session.commit()
    assert lost_for_job(work.session, job.id) == ()
    issued(work, ask)
