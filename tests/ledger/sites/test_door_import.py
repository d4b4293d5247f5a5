"""What a site's door list changes: shown first, all of it or nothing; the same list again changes nothing."""

from fractions import Fraction

import pytest
import sqlalchemy as sa

from app.errors import Problems
from app.ledger.sites.door_import import ListPlan, import_doors, plan_doors, site_list
from app.ledger.sites.door_paste import LIST_COLUMNS
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Door, Event, Site
from tests import factories
from tests.desk import listed_doors

LIST = (
    "opening\tlocation\thand\tthickness\tstile\tlock\tfunction\tegress\tfire rated\tposition\tcylinder\tpart number\n"
    "101\tMain entrance\tRH\t1-3/4\t4-1/4\tMortise lock\tEntrance\tyes\tno\toutside\tmortise cylinder\tA18M\n"
    "101\t\t\t\t\t\t\t\t\tinside\tmortise cylinder\tA18M\n"
    "=1+1\t'-store\tLHR\t143/127\t\t\t\tno\tyes\t\t\t\n"
)


def test_a_list_becomes_doors_with_locks_and_cylinders(work: Work, site: Site) -> None:
    import_doors(work, site.id, listed_doors(work, LIST))
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
    assert doors["=1+1"].location == "-store" and doors["=1+1"].is_fire_rated
    event = work.session.scalars(sa.select(Event).order_by(Event.id.desc())).first()
    assert event is not None and event.summary == "Door list: 2 doors added, 0 changed, 2 cylinders added"


def test_rows_of_one_door_that_contradict_are_told_and_nothing_is_saved(work: Work, site: Site) -> None:
    rows = listed_doors(work, "opening\tlocation\tposition\n7\tHall\toutside\n7\tStair\tinside\n8\t\t\n")
    plan = plan_doors(work.session, site.id, rows)
    assert [problem.field for problem in plan.problems] == ["row 3, location"]
    with pytest.raises(Problems):
        import_doors(work, site.id, rows)
    assert work.session.scalars(sa.select(Door)).all() == []


def test_five_thousand_doors_go_in_at_once(work: Work, site: Site) -> None:
    rows = listed_doors(work, "\n".join(["opening\tlocation", *(f"D{n}\tRoom {n}" for n in range(5000))]))
    plan = import_doors(work, site.id, rows)
    assert len(plan.added) == 5000
    assert plan_doors(work.session, site.id, rows) == ListPlan()


def test_what_a_list_does_not_say_stays_and_what_it_says_is_shown_first(work: Work, site: Site) -> None:
    factories.DoorFactory(site=site, opening_number="101", location="Hall", is_egress=True, hand="RH")
    factories.DoorFactory(site=site, opening_number="9", location="Attic")
    rows = listed_doors(work, "opening\tlocation\tegress\n101\tGreat hall\tno\n101-A\t\t\n0101\t\t\n")
    plan = plan_doors(work.session, site.id, rows)
    assert [(name, *pair) for name, pair in plan.changed[0].fields.items()] == [
        ("location", "Hall", "Great hall"),
        ("egress", "yes", "no"),
    ]
    assert plan.alike == ("101, 0101 may be one door written differently.",)
    import_doors(work, site.id, rows)
    assert work.session.scalars(sa.select(Door).where(Door.opening_number == "101")).one().hand == "RH"


def test_a_list_changes_no_cylinder_and_knows_the_customers_keysets(work: Work, site: Site) -> None:
    door = factories.DoorFactory(site=site, opening_number="101")
    factories.CylinderFactory(door=door, part_number="A18M")
    keyset = factories.KeysetFactory(symbol="AA1", system=factories.KeySystemFactory(customer=site.customer))
    factories.KeysetFactory(symbol="BB1")
    text = "opening\tposition\tpart number\tkeyset\n101\toutside\tOTHER\t\n101\tinside\t\tAA1\n102\t\t\tBB1\n"
    rows = listed_doors(work, text)
    plan = plan_doors(work.session, site.id, rows)
    assert [problem.field for problem in plan.problems] == ["row 2, part number", "row 4, keyset"]
    import_doors(work, site.id, [row for row in rows if row.row == 3])
    inside = work.session.scalars(sa.select(Cylinder).where(Cylinder.position == "inside")).one()
    assert inside.keyset_id == keyset.id


def test_the_columns_of_a_list_are_documented_by_its_own_head(work: Work, site: Site) -> None:
    assert site_list(work.session, site.id) == [list(LIST_COLUMNS)]


@pytest.mark.postgresql
@pytest.mark.parametrize("second", ["Outside", "outside", " OUTSIDE "])
def test_one_position_holds_one_cylinder_however_it_is_written(work: Work, site: Site, second: str) -> None:
    first = f"opening\tposition\tcylinder\n7\t\trim cylinder\n7\t{second}\trim cylinder"
    found = plan_doors(work.session, site.id, listed_doors(work, first)).problems
    assert any("position" in problem.message for problem in found), found
    rows = listed_doors(work, "opening\tposition\tcylinder\n8\toutside\trim cylinder")
    import_doors(work, site.id, rows)
    rows = listed_doors(work, f"opening\tposition\tcylinder\n8\t{second}\trim cylinder")
    plan = plan_doors(work.session, site.id, rows)
    assert plan.problems == () and plan.cylinders == ()
