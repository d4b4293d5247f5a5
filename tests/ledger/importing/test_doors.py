"""A door list goes in: what a spreadsheet made of it, every problem by place, the same list out again."""

import io
from datetime import datetime

import openpyxl
import pytest
import sqlalchemy as sa

from app.errors import BitternError, Problems
from app.ledger.importing.imports import (
    KINDS,
    ImportPlan,
    SentTable,
    open_table,
    plan_import,
    propose_choice,
    save_import,
    undo_import,
)
from app.ledger.importing.kinds import RowState
from app.ledger.sites.door_import import site_list
from app.ledger.store.errors import LedgerError, Stale
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Door, Import, Lock, Site
from app.spreadsheets import PASTED, table_bytes
from tests import factories


def as_book(rows: list[list[object]], *merged: str) -> bytes:
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    for cells in merged:
        book.active.merge_cells(cells)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def sent(content: bytes, site: Site, name: str = PASTED) -> SentTable:
    return open_table(name, content, KINDS["doors"], site.id)


def planned(work: Work, table: SentTable) -> ImportPlan:
    return plan_import(work.session, table, propose_choice(work.session, table).choice)


def saved(work: Work, table: SentTable) -> Import:
    choice = propose_choice(work.session, table).choice
    seal = plan_import(work.session, table, choice).seal
    return save_import(work, table, choice, seal, leaves_problems_aside=False)


def told(plan: ImportPlan) -> list[tuple[int, str]]:
    return [(one.row, one.place) for one in plan.problems]


LIST = b"""opening,location,hand,thickness,lock,function,egress,remarks,position,cylinder,part number
101,Main entrance,RH,1-3/4,Mortise lock,Entrance,yes,,outside,mortise cylinder,A18M
101,,,,,,,,inside,mortise cylinder,A18M
=1+1,'-store,LHR,143/127,,,no,"two
lines",,,
"""


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_a_list_out_and_in_again_gives_the_same_bytes(kind: str, work: Work, site: Site) -> None:
    def written(one: Site) -> bytes:
        return table_bytes(kind, "Doors", site_list(work.session, one.id))

    saved(work, sent(LIST, site, "doors.csv"))
    first, other = written(site), factories.SiteFactory()
    row = saved(work, sent(first, other, f"doors.{kind}"))
    assert written(other) == first and (row.new, row.changed) == (3, 0)
    with pytest.raises(LedgerError, match="saved already"):
        saved(work, sent(first, other, f"doors.{kind}"))


def test_every_problem_is_told_by_row_and_column_and_nothing_is_saved(work: Work, site: Site) -> None:
    lines = (
        "opening,location,hand,thickness,egress",
        "101,Hall,up,thick,maybe",
        ",Stair,RH,,",
        "102,Office,RH,1-3/4,no",
    )
    table = sent("\n".join((*lines, "102,Attic,RH,1-3/4,no")).encode(), site, "d.csv")
    plan = planned(work, table)
    assert told(plan) == [
        (2, "column C (hand)"),
        (2, "column D (thickness)"),
        (2, "column E (egress)"),
        (3, "column A (opening)"),
        (5, "Position"),
        (5, "column B (location)"),
    ]
    choice = propose_choice(work.session, table).choice
    with pytest.raises(Problems):
        save_import(work, table, choice, plan.seal, leaves_problems_aside=False)
    assert work.session.scalars(sa.select(Door)).all() == []
    row = save_import(work, table, choice, plan.seal, leaves_problems_aside=True)
    assert (row.new, row.aside) == (1, 3) and work.session.scalars(sa.select(Door.opening_number)).all() == ["102"]


def test_merged_cells_speak_for_each_row_but_name_no_second_door(work: Work, site: Site) -> None:
    rows = [["opening", "location"], ["1", "Hall"], ["2", None], ["3", "Stair"], [None, "Attic"]]
    plan = planned(work, sent(as_book(rows, "B2:B3", "A4:A5"), site, "d.xlsx"))
    assert [(one.title, one.fields["location"][1]) for one in plan.plans] == [
        ("1", "Hall"), ("2", "Hall"), ("3", "Stair"),
    ]  # fmt: skip
    assert {row for row, _ in told(plan)} == {5}


def test_what_a_spreadsheet_made_of_a_number_becomes_no_door(work: Work, site: Site) -> None:
    rows: list[list[object]] = [["opening", "egress"], [101, True], [102.0, False], [datetime(2026, 1, 2), None]]
    plan = planned(work, sent(as_book(rows), site, "d.xlsx"))
    assert [one.title for one in plan.plans] == ["101", "102"]
    assert [one.message.partition(".")[0] for one in plan.problems] == ["The cell holds the day 2026-01-02"]


@pytest.mark.parametrize(
    ("content", "name", "part"),
    [
        (b"PK\x03\x04 not a table", "d.xlsx", "no XLSX workbook"),
        (b"", "d.csv", "There is no row in this"),
        (b"opening\n", "d.csv", "There is no row in this"),
    ],
)
def test_a_file_that_cannot_be_read_is_refused_clearly(content: bytes, name: str, part: str, site: Site) -> None:
    with pytest.raises(BitternError, match=part):
        sent(content, site, name)


def test_an_import_is_undone_as_long_as_nothing_leans_on_it(work: Work, site: Site) -> None:
    hall = factories.DoorFactory(site=site, opening_number="9", location="Hall", hand="RH")
    rows = b"opening\tlocation\tlock\tcylinder\n9\tGreat hall\tMortise lock\t\n10\tStair\t\trim cylinder\n"
    first = saved(work, sent(rows, site))
    assert (first.new, first.changed) == (1, 1)
    undo_import(work, first.id, first.version)
    work.session.expire_all()
    assert (hall.location, hall.hand, hall.lock) == ("Hall", "RH", None)
    assert [work.session.scalar(sa.select(sa.func.count(one.id))) for one in (Door, Cylinder, Lock)] == [1, 0, 0]

    again = saved(work, sent(rows, site))
    stair = work.session.scalars(sa.select(Door).where(Door.opening_number == "10")).one()
    factories.CylinderFactory(door=stair, position="inside")
    hall.location = "Porch"
    work.session.commit()
    with pytest.raises(LedgerError, match="1 door changed since; 1 cylinder made of them"):
        undo_import(work, again.id, again.version)
    assert stair.location == "Stair"


def test_a_plan_that_is_not_true_any_more_is_stale(work: Work, site: Site) -> None:
    door = factories.DoorFactory(site=site, opening_number="101", location="Hall")
    table = sent(b"opening\tlocation\n101\tGreat hall\n", site)
    choice = propose_choice(work.session, table).choice
    seal = plan_import(work.session, table, choice).seal
    door.location = "Stair"
    work.session.commit()
    with pytest.raises(Stale):
        save_import(work, table, choice, seal, leaves_problems_aside=True)


def test_a_list_of_several_sites_names_them_and_one_without_headings_is_asked_about(work: Work, site: Site) -> None:
    rows = f"Customer\tBuilding\tDoor no.\n{site.customer.name}\tnorth hall\t7\n{site.customer.name}\tSouth\t8\n"
    plan = planned(work, open_table(PASTED, rows.encode(), KINDS["doors"]))
    assert [(one.title, one.state) for one in plan.plans] == [("7", RowState.NEW)]
    assert told(plan) == [(3, "column B (Building)")]
    bare = sent(b"FRONT\tShop\nBACK\tYard\n", site)
    proposed = propose_choice(work.session, bare)
    assert dict(proposed.choice.columns) == {"opening": 0, "location": 1} and not proposed.is_sure
