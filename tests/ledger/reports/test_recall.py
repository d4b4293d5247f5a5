"""Where cylinders stand and whom to call, on a small house whose every cylinder is counted by hand."""

from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.reports.recall import CylinderQuestion, Whereabouts, find_customers_to_call, find_cylinders
from app.ledger.store.work import Work
from app.ledger.tables import Customer, CylinderState, Door, FormerName, KeySystem, Role, Stage
from tests.bare import config, work
from tests.factories import (
    CatalogItemFactory,
    ContactFactory,
    CustomerFactory,
    CylinderFactory,
    DoorFactory,
    JobFactory,
    JobLineFactory,
    KeysetFactory,
    KeySystemFactory,
    MakerFactory,
    SiteFactory,
    saving_into,
)

__all__ = ["config", "work"]
WorkAs = Callable[[Role], Work]


@pytest.fixture
def counter(session: Session, work_as: WorkAs) -> Work:
    """The flats have two of series A18M standing and one removed, the school one standing, one coming and one of
    another maker; a walk-in bought one for no door; a job that was canceled brought none."""
    with saving_into(session):
        ardent, north = MakerFactory(code="ARD", name="Ardent Brass"), MakerFactory(code="NOR", name="Northlight")
        CatalogItemFactory(maker=ardent, code="A18M-Q3-66")
        flats, school, walk_in = (CustomerFactory(name=name) for name in ("Quay Flats", "Reed School", "A. Walker"))
        flats.phone, walk_in.phone = "555-0101", "555-0103"
        ContactFactory(customer=school, name="T. Gull", phone="")
        ContactFactory(customer=school, name="P. Harbour", phone="555-0102")
        ContactFactory(customer=school, name="S. Later", phone="555-0199")
        hall, house = SiteFactory(customer=school, name="Hall"), SiteFactory(customer=flats, name="The Flats")
        keyset = KeysetFactory(system=KeySystemFactory(customer=flats, name="Flats 2024"), symbol="AA1")
        done, going, off = (
            JobFactory(customer=who, number=number, stage=stage)
            for who, number, stage in (
                *((flats, 7001, Stage.CLOSED), (school, 7002, Stage.ON_THE_BENCH)),
                (school, 7003, Stage.CANCELED),
            )
        )
        sold = JobFactory(customer=walk_in, number=7004, stage=Stage.HANDED_OVER)
        fitted = {"state": CylinderState.FITTED, "maker_id": ardent.id, "finish": "626"}

        def add(door: Any, number: str, **said: Any) -> None:
            CylinderFactory(door=door, part_number=number, **said)

        f10, f9 = (DoorFactory(site=house, opening_number=number) for number in ("F10", "F9"))
        add(f10, "A18M-Q1-66", job_id=done.id, fitted_on=date(2024, 3, 2), keyset_id=keyset.id, **fitted)
        add(f9, "A18M-Q1-66", job_id=done.id, fitted_on=date(2024, 3, 3), **fitted)
        gone = {**fitted, "state": CylinderState.REMOVED, "removed_on": date(2025, 1, 7)}
        add(f9, "A18M-Q2-66", job_id=done.id, fitted_on=date(2022, 5, 1), **gone)
        door = DoorFactory(site=hall, opening_number="101")
        add(door, "A18M-Q3-66", words="found there, finish 626")  # no maker, no finish, no day on record
        add(door, "A18M-Q3-66", job_id=going.id, maker_id=ardent.id, finish="613", position="inside")
        add(door, "A18M-Q3-66", job_id=off.id, state=CylinderState.REMOVED, maker_id=ardent.id)
        add(DoorFactory(site=hall), "N-7", maker_id=north.id, finish="626")
        add(None, "A18M-Q1-66", job_id=sold.id, fitted_on=date(2024, 3, 2), **fitted)
        add(door, "A18M-Q9", job_id=None, state=CylinderState.ORDERED)  # planned: no metal
    return work_as(Role.COUNTER)


def places(work: Work, **asked: Any) -> list[tuple[str, str, str]]:
    found = find_cylinders(work, CylinderQuestion(**asked))
    rows = [(row.customer_name, row.opening, row.where) for row in found.rows]
    assert found.count == len(rows)
    return rows


def test_a_series_is_told_by_customer_and_door_with_what_was_removed_apart(counter: Work) -> None:
    standing = [("A. Walker", "", "standing"), ("Quay Flats", "F9", "standing"), ("Quay Flats", "F10", "standing")]
    assert places(counter, part="A18M", where=Whereabouts.STANDING) == [*standing, ("Reed School", "101", "standing")]
    assert places(counter, part="a18m q", where=Whereabouts.REMOVED) == [("Quay Flats", "F9", "removed")]
    assert places(counter, part="A18M", where=Whereabouts.COMING) == [("Reed School", "101", "on its way")]
    assert len(places(counter, part="A18M")) == 6
    assert places(counter, part="18M") == []  # a beginning, not a middle


@pytest.mark.postgresql
@pytest.mark.parametrize(
    ("asked", "count"),
    [
        ({"finish": "626"}, 6),  # the one found there says it in its words
        ({"finish": "613"}, 1),
        ({"maker": "NOR"}, 1),
        ({"maker": "ARD"}, 6),  # the one found there has a number of this maker's
        ({"keyset": "aa1"}, 1),
        ({"system": "flats"}, 1),
        ({"customer": "reed"}, 3),
        ({"customer": "walker"}, 1),
        ({"site": "hall"}, 3),
        ({"fitted_from": date(2024, 3, 2)}, 3),
        ({"fitted_from": date(2024, 3, 2), "fitted_to": date(2024, 3, 2)}, 2),
        ({"fitted_to": date(2022, 12, 31)}, 1),
        ({"finish": "626", "customer": "Quay", "part": "A18M-Q1", "fitted_to": date(2024, 3, 2)}, 1),
        ({"customer": "nobody"}, 0),
        ({"part": "%"}, 0),
        ({}, 0),  # nothing is asked: the whole house is no answer
    ],
)
def test_each_box_narrows_and_they_narrow_together(counter: Work, asked: dict[str, Any], count: int) -> None:
    assert len(places(counter, **asked)) == count


def test_a_row_says_whom_to_call(counter: Work) -> None:
    (row,) = find_cylinders(counter, CylinderQuestion(part="A18M", where=Whereabouts.COMING)).rows
    assert (row.contact, row.contact_phone, row.job_number) == ("P. Harbour", "555-0102", 7002)
    (row,) = find_cylinders(counter, CylinderQuestion(keyset="AA1")).rows
    assert (row.phone, row.contact, row.system_name, row.maker_name) == ("555-0101", "", "Flats 2024", "Ardent Brass")


def test_the_list_to_call_counts_by_customer(counter: Work) -> None:
    found = find_customers_to_call(counter, CylinderQuestion(part="A18M"))
    told = [(row.customer_name, row.sites, row.standing, row.coming, row.removed) for row in found.rows]
    assert told == [("A. Walker", 0, 1, 0, 0), ("Quay Flats", 1, 2, 0, 1), ("Reed School", 1, 1, 1, 0)]
    assert [row.contact for row in found.rows] == ["", "", "P. Harbour"]


def test_a_page_has_its_rows_and_the_count_is_of_all(counter: Work) -> None:
    found = find_cylinders(counter, CylinderQuestion(part="A18M"), page=2, size=4)
    assert (found.count, found.page, found.pages, len(found.rows)) == (6, 2, 2, 2)
    found = find_customers_to_call(counter, CylinderQuestion(part="A18M"), page=9, size=2)
    assert (found.count, found.page, [row.customer_name for row in found.rows]) == (3, 2, ["Reed School"])


def test_a_whole_name_means_that_one_alone(counter: Work) -> None:
    with saving_into(counter.session):
        longer = CustomerFactory(name="Quay Flats East")
        door = DoorFactory(site=SiteFactory(customer=longer))
        CylinderFactory(door=door, part_number="A18M-Q1-66")
    assert {name for name, _, _ in places(counter, customer="quay flats")} == {"Quay Flats"}
    assert {name for name, _, _ in places(counter, customer="quay fl")} == {"Quay Flats", "Quay Flats East"}


def test_a_former_name_and_the_name_of_what_was_merged_find_their_doors(counter: Work) -> None:
    session = counter.session
    flats = session.scalars(sa.select(Customer).where(Customer.name == "Quay Flats")).one()
    with saving_into(session):
        CustomerFactory(name="Harbor Estates", merged_into_id=flats.id)
        session.add(FormerName(customer_id=flats.id, name="Old Quay Rooms", until=date(2025, 1, 1)))
    assert len(places(counter, customer="harbor")) == len(places(counter, customer="old quay rooms")) == 3


def test_what_is_rekeyed_where_it_hangs_is_one_piece_of_metal(counter: Work) -> None:
    """F10 is rekeyed from AA1 to AA2, then on its way to AA3: one cylinder stands, none was removed, none comes."""
    session = counter.session
    door = session.scalars(sa.select(Door).where(Door.opening_number == "F10")).one()
    (old,) = door.cylinders
    system = session.get_one(KeySystem, old.keyset.system_id) if old.keyset else None
    with saving_into(session):
        old.state, old.removed_on = CylinderState.REMOVED, date(2025, 6, 2)
        same = {"door": door, "part_number": old.part_number, "finish": "626", "line_number": 1}
        stages = ((Stage.CLOSED, CylinderState.FITTED), (Stage.ON_THE_BENCH, CylinderState.PINNED))
        for number, (stage, state) in enumerate(stages, start=2):
            job = JobFactory(customer=door.site.customer, stage=stage)
            JobLineFactory(job=job, number=1, kind="rekey")
            fitted_on = old.removed_on if stage is Stage.CLOSED else None
            keyset = KeysetFactory(system=system, symbol=f"AA{number}")
            CylinderFactory(job_id=job.id, state=state, fitted_on=fitted_on, keyset_id=keyset.id, **same)
    asked = {"site": "The Flats", "part": old.part_number}
    assert [row[1:] for row in places(counter, **asked)] == [("F9", "standing"), ("F10", "standing")]
    found = find_customers_to_call(counter, CylinderQuestion(**asked))
    assert [(row.standing, row.coming, row.removed) for row in found.rows] == [(2, 0, 0)]
    told = [row[2] for row in places(counter, system="Flats 2024")]
    assert told == ["standing", "on its way", "rekeyed since"]
    assert [row[2] for row in places(counter, keyset="AA1")] == ["rekeyed since"]
    assert places(counter, keyset="AA1", where=Whereabouts.STANDING) == []
    assert [row[1] for row in places(counter, **asked, where=Whereabouts.REKEYED)] == ["F10"]
