"""A site's door list in and out: every problem by row and column, all or nothing, and the same bytes again."""

import io
from datetime import datetime
from fractions import Fraction

import openpyxl
import pytest
import sqlalchemy as sa

from app.errors import Problems
from app.ledger.sites.door_import import import_doors, plan_doors, read_list_file, read_list_text, site_list
from app.ledger.sites.door_paste import LIST_COLUMNS
from app.ledger.store.errors import Stale
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Door, Event, Site
from app.spreadsheets import table_bytes, table_rows
from tests import factories


def as_csv(*rows: str) -> bytes:
    return "\n".join(rows).encode()


def as_book(rows: list[list[object]], *merged: str) -> bytes:
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    for cells in merged:
        book.active.merge_cells(cells)
    out = io.BytesIO()
    book.save(out)
    return out.getvalue()


def loaded(work: Work, site: Site, content: bytes, name: str = "doors.csv") -> None:
    rows, problems = read_list_file(name, content)
    assert problems == []
    import_doors(work, site.id, rows)


LIST = as_csv(
    "opening,location,hand,thickness,stile,lock,function,egress,fire rated,remarks,position,cylinder,part number",
    "101,Main entrance,RH,1-3/4,4-1/4,Mortise lock,Entrance,yes,no,,outside,mortise cylinder,A18M",
    "101,,,,,,,,,,inside,mortise cylinder,A18M",
    '=1+1,\'-store,LHR,143/127,,,,no,yes,"two\nlines",,,',
)


def test_a_list_becomes_doors_with_locks_and_cylinders(work: Work, site: Site) -> None:
    loaded(work, site, LIST)
    doors = {door.opening_number: door for door in work.session.scalars(sa.select(Door))}
    main = doors["101"]
    assert (main.location, main.hand, main.thickness, main.stile) == (
        "Main entrance",
        "RH",
        Fraction(7, 4),
        Fraction(17, 4),
    )
    assert main.is_egress and not main.is_fire_rated and main.lock and main.lock.function == "Entrance"
    assert [(one.position, one.part_number, one.state, one.type) for one in main.cylinders] == [
        ("outside", "A18M", CylinderState.FITTED, "mortise"),
        ("inside", "A18M", CylinderState.FITTED, "mortise"),
    ]
    assert doors["=1+1"].location == "-store" and doors["=1+1"].remarks == "two\nlines"
    event = work.session.scalars(sa.select(Event).order_by(Event.id.desc())).first()
    assert event is not None and event.summary == "Door list: 2 doors added, 0 changed, 2 cylinders added"


@pytest.mark.parametrize("kind", ["csv", "xlsx"])
def test_a_list_out_and_in_again_gives_the_same_bytes(kind: str, work: Work, site: Site) -> None:
    def written(one: Site) -> bytes:
        return table_bytes(kind, "Doors", site_list(work.session, one.id))

    loaded(work, site, LIST)
    first = written(site)
    other = factories.SiteFactory()
    loaded(work, other, first, f"doors.{kind}")
    assert written(other) == first
    cells = [cell for row in table_rows(f"doors.{kind}", first) for cell in row]
    assert "'=1+1" in cells and not any(cell.startswith(("=", "+", "-", "@")) for cell in cells)


def test_every_problem_is_told_by_row_and_column_and_nothing_is_saved(work: Work, site: Site) -> None:
    rows, problems = read_list_file(
        "d.csv",
        as_csv(
            "opening,location,hand,thickness,egress",
            "101,Hall,up,thick,maybe",
            ",Stair,RH,,",
            "102,Office,RH,1-3/4,no",
            "102,Office,LH,1-3/4,no",
        ),
    )
    assert [problem.field for problem in problems] == [
        "row 2, hand",
        "row 2, thickness",
        "row 2, egress",
        "row 3, opening",
        "row 5, opening",
    ]
    assert [row.opening for row in rows] == ["102"]
    rows, problems = read_list_text("opening\tlocation\tposition\n7\tHall\toutside\n7\tStair\tinside\n8\t\t\n")
    assert problems == []
    plan = plan_doors(work.session, site.id, rows)
    assert [problem.field for problem in plan.problems] == ["row 3, location"]
    with pytest.raises(Problems):
        import_doors(work, site.id, rows)
    assert work.session.scalars(sa.select(Door)).all() == []


@pytest.mark.parametrize(
    ("content", "name", "field", "part"),
    [
        (b"opening\n\xe9\xff", "d.csv", "file", "Row 2 is not in UTF-8"),
        (b"PK\x03\x04 not a table", "d.xlsx", "file", "no XLSX workbook"),
        (b"opening", "d.pdf", "file", "no PDF that can be read"),
        (b"", "d.csv", "file", "There is no door in this"),
        (as_csv("opening", *(f"D{n}" for n in range(5001))), "d.csv", "file", "At most 5,000 doors"),
    ],
)
def test_a_file_that_cannot_be_read_is_refused_clearly(content: bytes, name: str, field: str, part: str) -> None:
    rows, problems = read_list_file(name, content)
    assert rows == [] and [problem.field for problem in problems] == [field] and part in problems[0].message


def test_merged_cells_are_named_one_by_one() -> None:
    content = as_book([["opening", "location"], ["1", "Hall"], ["2", None], ["3", None]], "B2:B4", "A3:A4")
    rows, problems = read_list_file("d.xlsx", content)
    assert rows == []
    assert {problem.field for problem in problems} == {"row 2, column B", "row 3, column A"}
    assert "B2 to B4 are merged" in " ".join(problem.message for problem in problems)


def test_a_workbook_gives_values_and_never_runs_a_formula() -> None:
    rows, problems = read_list_file(
        "d.xlsx", as_book([["opening", "egress", "location"], [101, True, "Hall"], [102.0, False, '=CONCAT("a")']])
    )
    assert problems == []
    assert [(row.opening, row.is_egress, row.location) for row in rows] == [("101", True, "Hall"), ("102", False, "")]


def test_a_date_that_a_spreadsheet_made_of_a_number_becomes_no_door() -> None:
    content = as_book([["opening", "location"], ["101", "Hall"], [datetime(2026, 1, 2), "Store"], [None, "Attic"]])
    rows, problems = read_list_file("d.xlsx", content)
    assert [row.opening for row in rows] == ["101"]
    assert [problem.field for problem in problems] == ["row 3, opening", "row 4, opening"]
    assert "the date 2026-01-02" in problems[0].message


def test_other_encodings_of_a_spreadsheet_are_read() -> None:
    rows, problems = read_list_file("d.csv", "opening;location\r\n1;Küche\r\n".encode("utf-16"))
    assert problems == [] and rows[0].location == "Küche"


def test_five_thousand_doors_go_in_at_once(work: Work, site: Site) -> None:
    rows, problems = read_list_text("\n".join(["opening\tlocation", *(f"D{n}\tRoom {n}" for n in range(5000))]))
    assert problems == []
    plan = import_doors(work, site.id, rows)
    assert len(plan.added) == 5000
    assert plan_doors(work.session, site.id, rows).unchanged == 5000


def test_what_a_list_does_not_say_stays_and_what_it_says_is_shown_first(work: Work, site: Site) -> None:
    factories.DoorFactory(site=site, opening_number="101", location="Hall", is_egress=True, hand="RH")
    factories.DoorFactory(site=site, opening_number="9", location="Attic")
    rows, _ = read_list_text("opening\tlocation\tegress\n101\tGreat hall\tno\n101-A\t\t\n0101\t\t\n")
    plan = plan_doors(work.session, site.id, rows)
    assert [(name, *pair) for name, pair in plan.changed[0].fields.items()] == [
        ("location", "Hall", "Great hall"),
        ("egress", "yes", "no"),
    ]
    assert plan.unnamed == 1 and plan.alike == ("101, 0101 may be one door written differently.",)
    import_doors(work, site.id, rows, plan.seal)
    assert work.session.scalars(sa.select(Door).where(Door.opening_number == "101")).one().hand == "RH"


def test_a_plan_that_is_not_true_any_more_is_stale(work: Work, site: Site) -> None:
    door = factories.DoorFactory(site=site, opening_number="101", location="Hall")
    rows, _ = read_list_text("opening\tlocation\n101\tGreat hall\n")
    seal = plan_doors(work.session, site.id, rows).seal
    door.location = "Stair"
    work.session.commit()
    with pytest.raises(Stale):
        import_doors(work, site.id, rows, seal)


def test_a_list_changes_no_cylinder_and_knows_the_customers_keysets(work: Work, site: Site) -> None:
    door = factories.DoorFactory(site=site, opening_number="101")
    factories.CylinderFactory(door=door, part_number="A18M")
    keyset = factories.KeysetFactory(symbol="AA1", system=factories.KeySystemFactory(customer=site.customer))
    factories.KeysetFactory(symbol="BB1")
    text = "opening\tposition\tpart number\tkeyset\n101\toutside\tOTHER\t\n101\tinside\t\tAA1\n102\t\t\tBB1\n"
    rows, _ = read_list_text(text)
    plan = plan_doors(work.session, site.id, rows)
    assert [problem.field for problem in plan.problems] == ["row 2, part number", "row 4, keyset"]
    import_doors(work, site.id, [row for row in rows if row.row == 3])
    inside = work.session.scalars(sa.select(Cylinder).where(Cylinder.position == "inside")).one()
    assert inside.keyset_id == keyset.id


def test_the_columns_of_a_list_are_documented_by_its_own_head(work: Work, site: Site) -> None:
    assert site_list(work.session, site.id) == [list(LIST_COLUMNS)]


@pytest.mark.parametrize("second", ["Outside", "outside", " OUTSIDE "])
def test_one_position_holds_one_cylinder_however_it_is_written(work: Work, site: Site, second: str) -> None:
    first = f"opening\tposition\tcylinder\n7\t\trim cylinder\n7\t{second}\trim cylinder"
    rows, found = read_list_text(first)
    if not found:
        found = list(plan_doors(work.session, site.id, rows).problems)
    assert any("position" in problem.message for problem in found), found
    rows, _ = read_list_text("opening\tposition\tcylinder\n8\toutside\trim cylinder")
    import_doors(work, site.id, rows)
    rows, _ = read_list_text(f"opening\tposition\tcylinder\n8\t{second}\trim cylinder")
    plan = plan_doors(work.session, site.id, rows)
    assert plan.problems == () and plan.cylinders == ()
