"""Reserves by floor, building and department: what belongs to them, under which master, and what takes from them."""

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.keysets import add_keysets
from app.ledger.keysystems.reserves import (
    Reserve,
    add_reserve,
    belongs,
    read_reserves,
    release_reserve,
    reserves_of,
)
from app.ledger.keysystems.system_queries import get_system
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Door, Event, Keyset
from tests.web.keying.keying_system import system_in_service


@pytest.mark.parametrize(
    ("name", "opening", "location", "site", "is_of"),
    [
        ("floor 2", "215", "", "", True),
        ("Floor 2", "N215", "", "", True),
        ("2nd floor", "215", "", "", True),
        ("second floor", "1", "Floor 2, east", "", True),
        ("floor 2", "215", "floor 3", "", False),
        ("floor 2", "1215", "", "", False),
        ("floor 12", "1215", "", "", True),
        ("floor 2", "store", "", "", False),
        ("North Hall", "12", "", "north hall", True),
        ("North Hall", "12", "North Hall, attic", "Campus", True),
        ("North", "12", "Northern wing", "Campus", False),
        ("Chemistry", "215", "chemistry store", "", True),
        ("later doors", "anything", "", "", True),
    ],
)
def test_a_door_is_of_a_reserve_by_its_location_its_site_or_its_opening_number(name, opening, location, site, is_of):
    assert belongs(name, opening, location, site) is is_of


@pytest.mark.parametrize("text", ["floor 2", "floor 2: many", "floor 2: 501", ": 5 under", "x" * 61 + ": 5"])
def test_what_is_no_reserve_is_refused_by_its_box(text):
    with pytest.raises(LedgerError) as refused:
        read_reserves(text)
    assert refused.value.field == "reserve"


@pytest.mark.postgresql
def test_a_reserve_is_kept_under_the_master_that_its_doors_tell_or_that_is_named(
    session: Session, work: Work
) -> None:
    system = system_in_service(work)
    for door in work.session.scalars(sa.select(Door).order_by(Door.id)):
        number = int(door.opening_number.removeprefix("D"))
        with transaction(work.session):
            door.opening_number = f"{1 if number <= 3 else 2}{number:02}"  # AA has the first floor, AB the second
    assert read_reserves("floor 9: 2") == (Reserve("floor 9", 2),)
    with pytest.raises(LedgerError, match="Under which master is the reserve for floor 9"):
        add_reserve(work, system.id, "floor 9: 2")
    with pytest.raises(LedgerError, match="There is no master AD"):
        add_reserve(work, system.id, "floor 9: 2 under AD")
    added = add_reserve(work, system.id, "floor 2: 3; workshop: 2 under AA; each floor: 1")
    assert len(added.symbols) == 3 + 2 + 2
    system = get_system(work.session, system.id)
    left = {(one.name, one.master): one.symbols for one in reserves_of(work.session, system)}
    assert left == {
        ("floor 2", "AB"): ("AB4", "AB5", "AB6", "AB7"),
        ("workshop", "AA"): ("AA4", "AA5"),
        ("floor 1", "AA"): ("AA6",),
    }
    assert audit_systems(work, [system]).is_clean
    with transaction(work.session):
        [own] = [one for one in system.keysets if one.symbol == "AB4"]
        hung = work.session.scalars(sa.select(Cylinder)).first()
        assert hung is not None
        hung.keyset_id = own.id
    [floor] = [one for one in reserves_of(work.session, system) if one.name == "floor 2"]
    assert (floor.symbols, floor.left, floor.kept) == (("AB5", "AB6", "AB7"), 3, 4)
    assert release_reserve(work, system.id, "floor 2", "AB") == 3
    assert not work.session.scalars(sa.select(Keyset).where(Keyset.reserved_for == "floor 2")).all()
    with pytest.raises(LedgerError, match="nothing in reserve for floor 2 any more"):
        release_reserve(work, system.id, "floor 2", "AB")
    kinds = work.session.scalars(sa.select(Event.kind).where(Event.kind.like("reserve %")).order_by(Event.id)).all()
    assert kinds == ["reserve kept", "reserve released"]


def test_each_floor_says_how_many_and_what_to_write_where_no_door_tells_its_floor_or_one_has_two_masters(
    work: Work,
) -> None:
    system = system_in_service(work)  # D1, D2 …: no number tells a floor
    with pytest.raises(LedgerError, match=r"No door's number here tells its floor, .* such as floor 1: 10 under AA"):
        add_reserve(work, system.id, "each floor: 10")
    with transaction(work.session):
        for door in work.session.scalars(sa.select(Door)):
            door.opening_number = f"4{int(door.opening_number.removeprefix('D')):02}"
    with pytest.raises(LedgerError, match=r"Its doors are under .*write floor 4: 10 under AA"):
        add_reserve(work, system.id, "each floor: 10")


def test_no_more_is_kept_than_the_array_has_and_then_nothing_is(session: Session, work: Work) -> None:
    system = system_in_service(work)
    with pytest.raises(LedgerError, match=r"AA has .* changes left, not 500: enter at most that"):
        add_reserve(work, system.id, "floor 1: 500 under AA")
    assert not work.session.scalars(sa.select(Keyset).where(Keyset.reserved_for != "")).all()
    with transaction(work.session):
        assert [one.symbol for one in add_keysets(work, get_system(work.session, system.id), 1, "AA")] == ["AA4"]
