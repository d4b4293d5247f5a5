"""Doors changed together, taken back through the history, merged; cylinders as found and taken out."""

import pytest
import sqlalchemy as sa

from app.errors import BitternError, Problems
from app.ledger.sites.cylinders import CylinderForm, add_cylinder, take_out
from app.ledger.sites.door_history import door_story, plan_undo, site_story, undo_change
from app.ledger.sites.door_import import import_doors
from app.ledger.sites.door_paste import DoorRow
from app.ledger.sites.doors import DoorForm, add_door, change_door, change_doors, plan_change, upsert_door
from app.ledger.sites.duplicate_doors import find_alike, merge_doors
from app.ledger.store.errors import LedgerError, NotFound, Stale, Taken
from app.ledger.store.events import first_broken_link
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderState, Door, Event, Site
from tests import factories
from tests.desk import listed_doors


@pytest.fixture
def doors(site: Site) -> list[Door]:
    return [
        factories.DoorFactory(site=site, opening_number=str(number), location=f"Room {number}")
        for number in (1, 2, 3)
    ]


def door_of(work: Work, door_id: int) -> Door:
    work.session.rollback()
    work.session.expire_all()
    return work.session.get_one(Door, door_id)


def test_fields_are_set_on_many_doors_and_taken_back(work: Work, site: Site, doors: list[Door]) -> None:
    values = {"lock": "Mortise lock", "function": "Office", "egress": "yes", "thickness": "1.75"}
    plan = plan_change(work.session, site.id, [doors[0].id, doors[1].id], values)
    assert (plan[0].opening, [(name, *pair) for name, pair in plan[0].fields.items()]) == (
        "1",
        [
            ("lock", "", "Mortise lock"),
            ("function", "", "Office"),
            ("egress", "no", "yes"),
            ("thickness", "", "1-3/4"),
        ],
    )
    assert change_doors(work, site.id, {one.door_id: one.version for one in plan}, values) == 2
    assert door_of(work, doors[1].id).is_egress and not door_of(work, doors[2].id).is_egress

    event = site_story(work.session, site.id)[0]
    assert door_story(work.session, doors[0])[0].id == event.id and door_story(work.session, doors[2]) == ()
    back = plan_undo(work.session, site.id, event.id)
    assert undo_change(work, site.id, event.id, back.seen) == 2
    first = door_of(work, doors[0].id)
    assert not first.is_egress and first.thickness is None and (first.lock is None or not first.lock.description)
    # Taking the taking back gives the change again.
    again = site_story(work.session, site.id)[0]
    undo_change(work, site.id, again.id, plan_undo(work.session, site.id, again.id).seen)
    assert door_of(work, doors[0].id).is_egress
    assert first_broken_link(work.session) is None


def test_what_was_changed_again_since_stays(work: Work, site: Site, doors: list[Door]) -> None:
    one, two = doors[0], doors[1]
    change_doors(work, site.id, {one.id: one.version, two.id: two.version}, {"hand": "RH", "location": "Hall"})
    change_door(work, one.id, one.version, DoorForm("1", location="Great hall", hand="RH"))
    event = site_story(work.session, site.id)[0]
    plan = plan_undo(work.session, site.id, event.id)
    assert plan.kept == ("1, location: changed since to Great hall; it stays.",)
    undo_change(work, site.id, event.id, plan.seen)
    assert (door_of(work, one.id).location, door_of(work, one.id).hand) == ("Great hall", "")
    assert door_of(work, two.id).location == "Room 2"


def test_one_doors_change_is_taken_back_too(work: Work, site: Site, doors: list[Door]) -> None:
    change_door(work, doors[0].id, doors[0].version, DoorForm("1A", location="Stair"))
    event = door_story(work.session, doors[0])[0]
    undo_change(work, site.id, event.id, plan_undo(work.session, site.id, event.id).seen)
    assert door_of(work, doors[0].id).opening_number == "1"


def test_a_list_read_at_the_wrong_site_is_taken_back(work: Work, site: Site, doors: list[Door]) -> None:
    rows = listed_doors(work, "opening\tlocation\tcylinder\n1\tAttic\t\n77\tCellar\t\n78\tVault\tmortise cylinder\n")
    import_doors(work, site.id, rows)
    event = site_story(work.session, site.id)[0]
    vault = work.session.scalars(sa.select(Door).where(Door.opening_number == "78")).one()
    add_cylinder(work, vault.id, CylinderForm("inside", "rim cylinder"))
    plan = plan_undo(work.session, site.id, event.id)
    assert [door.opening_number for door in plan.removed] == ["77"]
    assert [(one.door.opening_number, one.position) for one in plan.cylinders if one.door] == [("78", "outside")]
    assert plan.kept == ("78 was changed or given cylinders since it was added; it stays.",)
    undo_change(work, site.id, event.id, plan.seen)
    numbers = set(work.session.scalars(sa.select(Door.opening_number)))
    assert numbers == {"1", "2", "3", "78"} and door_of(work, doors[0].id).location == "Room 1"


def test_another_sites_change_is_not_found_here(work: Work, site: Site, doors: list[Door]) -> None:
    change_door(work, doors[0].id, doors[0].version, DoorForm("1", location="Stair"))
    event = door_story(work.session, doors[0])[0]
    with pytest.raises(NotFound):
        plan_undo(work.session, factories.SiteFactory().id, event.id)
    for number in (0, 10**6):
        with pytest.raises(NotFound):
            plan_undo(work.session, site.id, number)


def test_a_stale_change_names_the_doors_and_saves_nothing(work: Work, site: Site, doors: list[Door]) -> None:
    seen = {door.id: door.version for door in doors}
    change_door(work, doors[1].id, doors[1].version, DoorForm("2", location="Stair"))
    with pytest.raises(Stale, match="Somebody changed 2 while"):
        change_doors(work, site.id, seen, {"hand": "LH"})
    assert {door_of(work, door.id).hand for door in doors} == {""}


@pytest.mark.parametrize(
    ("values", "field"),
    [
        ({}, "fields"),
        ({"opening": "9"}, "fields"),
        ({"hand": "up"}, "hand"),
        ({"thickness": "thick"}, "thickness"),
        ({"thickness": "1" + "0" * 30}, "thickness"),
        ({"egress": "maybe"}, "egress"),
        ({"location": "x" * 10_000}, "location"),
        ({"function": "Office"}, "lock"),
    ],
)
def test_a_field_that_cannot_be_is_named(
    values: dict[str, str], field: str, work: Work, site: Site, doors: list[Door]
) -> None:
    with pytest.raises(BitternError) as refused:
        change_doors(work, site.id, {doors[0].id: 1}, values)
    assert refused.value.field == field


def test_doors_of_another_site_are_not_changed(work: Work, site: Site, doors: list[Door]) -> None:
    other = factories.DoorFactory()
    for seen in ({}, {other.id: 1}, {10**9: 1}):
        with pytest.raises(LedgerError) as refused:
            change_doors(work, site.id, seen, {"hand": "LH"})
        assert refused.value.field == "doors"


def test_doors_that_may_be_one_are_found(work: Work, site: Site) -> None:
    for number, place in (("101A", "Hall"), ("101-a", ""), ("0101 A", "hall "), ("102", "Store"), ("7", "Attic")):
        factories.DoorFactory(site=site, opening_number=number, location=place)
    groups = find_alike(work.session, site.id)
    assert [(group.why, [door.opening_number for door in group.doors]) for group in groups] == [
        ("one number, written differently", ["101A", "101-a", "0101 A"]),
        ("one location", ["101A", "0101 A"]),
    ]


def test_doors_are_merged_with_their_history(work: Work, site: Site, doors: list[Door]) -> None:
    kept, gone = doors[0], doors[1]
    factories.LockFactory(door=gone, description="Mortise lock")
    gone.hand, gone.is_fire_rated = "RH", True
    inside = factories.CylinderFactory(door=gone, position="inside")
    old = factories.CylinderFactory(door=gone, state=CylinderState.REMOVED)
    work.session.commit()
    merge_doors(work, (kept.id, kept.version), (gone.id, gone.version))
    door = door_of(work, kept.id)
    assert (door.location, door.hand, door.is_fire_rated) == ("Room 1", "RH", True)
    assert door.lock is not None and door.lock.description == "Mortise lock"
    assert {one.id for one in door.cylinders} == {inside.id, old.id}
    assert work.session.get(Door, gone.id) is None
    assert door_story(work.session, door)[0].summary == "Door 2 merged into 1"


def test_doors_with_a_cylinder_at_one_position_are_not_merged(work: Work, doors: list[Door]) -> None:
    for door in doors[:2]:
        factories.CylinderFactory(door=door, position="outside")
    with pytest.raises(Problems, match="Both 1 and 2 have a cylinder outside"):
        merge_doors(work, (doors[0].id, doors[0].version), (doors[1].id, doors[1].version))
    with pytest.raises(LedgerError, match="with itself"):
        merge_doors(work, (doors[0].id, 1), (doors[0].id, 1))
    with pytest.raises(LedgerError, match="different sites"):
        merge_doors(work, (doors[0].id, doors[0].version), (factories.DoorFactory().id, 1))


def test_a_door_is_added_by_hand_once(work: Work, site: Site) -> None:
    door = add_door(
        work,
        site.id,
        DoorForm("12", location="Stair", hand="LH", lock="Rim lock", function="Entrance", is_egress=True),
    )
    assert door_story(work.session, door)[0].summary == "Door 12 saved"
    with pytest.raises(Taken):
        add_door(work, site.id, DoorForm("12"))
    with pytest.raises(NotFound):
        add_door(work, 10**6, DoorForm("13"))


def test_a_cylinder_as_found_stands_until_it_is_taken_out(work: Work, doors: list[Door]) -> None:
    door = doors[0]
    keyset = factories.KeysetFactory(system=factories.KeySystemFactory(customer=door.site.customer))
    cylinder = add_cylinder(work, door.id, CylinderForm("outside", "rim cylinder, worn", keyset_id=keyset.id))
    assert cylinder.type == "rim" and cylinder.state is CylinderState.FITTED
    with pytest.raises(LedgerError, match="already; remove it first"):
        add_cylinder(work, door.id, CylinderForm("Outside", "mortise cylinder"))
    take_out(work, cylinder.id, cylinder.version, "worn")
    add_cylinder(work, door.id, CylinderForm("outside", "mortise cylinder"))
    assert [one.words for one in door_of(work, door.id).cylinders] == ["rim cylinder, worn", "mortise cylinder"]
    assert "removed from the door: worn" in door_story(work.session, door)[1].summary


def test_cylinders_are_refused_by_field(work: Work, doors: list[Door]) -> None:
    with pytest.raises(Problems) as refused:
        add_cylinder(work, doors[0].id, CylinderForm("", "", "x" * 81))
    assert [problem.field for problem in refused.value.problems] == ["part_number", "position", "words"]
    with pytest.raises(LedgerError) as foreign:
        add_cylinder(work, doors[0].id, CylinderForm("outside", "rim", keyset_id=factories.KeysetFactory().id))
    assert foreign.value.field == "keyset_id"
    ordered: Cylinder = factories.CylinderFactory(door=doors[0], job_id=factories.JobFactory().id)
    with pytest.raises(LedgerError, match="is ordered; only a fitted one"):
        take_out(work, ordered.id, ordered.version)
    with pytest.raises(Stale):
        take_out(work, ordered.id, ordered.version + 1)


def test_a_list_taken_back_takes_its_cylinders_along(work: Work, site: Site, doors: list[Door]) -> None:
    rows = listed_doors(
        work,
        "opening\tposition\tcylinder\n1\toutside\trim cylinder\n1\tinside\trim cylinder\n9\toutside\trim cylinder",
    )
    import_doors(work, site.id, rows)
    event = site_story(work.session, site.id)[0]
    assert event.id in {one.id for one in door_story(work.session, doors[0])}
    touched = next(one for one in door_of(work, doors[0].id).cylinders if one.position == "inside")
    take_out(work, touched.id, touched.version, "worn")
    plan = plan_undo(work.session, site.id, event.id)
    assert plan.kept == ("1, inside: the cylinder was changed since it was added; it stays.",)
    assert [door.opening_number for door in plan.removed] == ["9"]
    assert [(one.door.opening_number, one.position) for one in plan.cylinders if one.door] == [
        ("1", "outside"),
        ("9", "outside"),
    ]
    assert undo_change(work, site.id, event.id, plan.seen) == 2
    assert work.session.scalars(sa.select(Door.opening_number).order_by(Door.id)).all() == ["1", "2", "3"]
    assert [one.words for one in door_of(work, doors[0].id).cylinders] == ["rim cylinder"]
    with pytest.raises(LedgerError, match="nothing to undo"):
        undo_change(work, site.id, event.id, plan_undo(work.session, site.id, event.id).seen)


def test_a_merged_door_keeps_the_story_of_the_one_that_went(work: Work, site: Site, doors: list[Door]) -> None:
    one, two = doors[0], doors[1]
    change_door(work, two.id, two.version, DoorForm("2", location="Old stair", lock="Rim lock", function="Passage"))
    change_doors(work, site.id, {two.id: two.version}, {"hand": "LH"})
    found = add_cylinder(work, two.id, CylinderForm("outside", "rim cylinder"))
    take_out(work, found.id, found.version, "seized")
    change_door(work, one.id, one.version, DoorForm("1", location="Room 1", lock="Rim lock"))
    merge_doors(work, (one.id, one.version), (two.id, door_of(work, two.id).version))
    kept = door_of(work, one.id)
    assert kept.lock is not None and kept.lock.function == "Passage"
    told = [event.summary for event in door_story(work.session, kept)]
    assert any("seized" in summary for summary in told), told
    assert any("Old stair" in summary for summary in told) and any("hand → LH" in summary for summary in told)


def test_remarks_that_do_not_fit_one_door_stop_a_merge(work: Work, doors: list[Door]) -> None:
    one, two = doors[0], doors[1]
    one.remarks, two.remarks = "a" * 1500, "b" * 1500
    work.session.commit()
    with pytest.raises(LedgerError, match="remarks") as refused:
        merge_doors(work, (one.id, one.version), (two.id, two.version))
    assert refused.value.field == "keep"


def test_a_merge_is_taken_back_with_the_cylinders_and_the_story(work: Work, site: Site, doors: list[Door]) -> None:
    one, two = doors[0], doors[1]
    change_door(
        work, two.id, two.version, DoorForm("2", location="Stair", hand="LH", lock="Rim lock", is_egress=True)
    )
    brought = add_cylinder(work, two.id, CylinderForm("outside", "rim cylinder"))
    own = add_cylinder(work, one.id, CylinderForm("inside", "mortise cylinder"))
    merge_doors(work, (one.id, door_of(work, one.id).version), (two.id, door_of(work, two.id).version))
    kept = door_of(work, one.id)
    change_door(
        work, one.id, kept.version, DoorForm("1", location="Lobby", hand="LH", lock="Rim lock", is_egress=True)
    )
    event = next(event for event in site_story(work.session, site.id) if event.kind == "doors merged")
    with pytest.raises(Stale):
        undo_change(work, site.id, event.id, {one.id: 1})
    plan = plan_undo(work.session, site.id, event.id)
    assert plan.returning is not None and [one.id for one in plan.returning.cylinders] == [brought.id]
    assert undo_change(work, site.id, event.id, plan.seen) == 2

    kept, back = door_of(work, one.id), door_of(work, two.id)
    assert (kept.location, kept.hand, kept.is_egress) == ("Lobby", "", False)  # what was changed since stays
    assert (back.opening_number, back.location, back.hand, back.is_egress) == ("2", "Stair", "LH", True)
    assert back.lock is not None and back.lock.description == "Rim lock"
    assert [[c.id for c in door.cylinders] for door in (kept, back)] == [[own.id], [brought.id]]
    assert not any("rim cylinder" in event.summary for event in door_story(work.session, kept))
    assert any("rim cylinder" in event.summary for event in door_story(work.session, back))
    again = plan_undo(work.session, site.id, event.id)
    assert not again.seen and "undone already" in again.kept[0]
    merge_doors(work, (one.id, kept.version), (two.id, back.version))
    assert door_of(work, one.id).hand == "LH" and first_broken_link(work.session) is None


def test_a_merge_is_not_taken_back_over_another_door(work: Work, site: Site, doors: list[Door]) -> None:
    one, two, three = doors
    merge_doors(work, (one.id, one.version), (two.id, two.version))
    first = site_story(work.session, site.id)[0]
    merge_doors(work, (three.id, three.version), (one.id, door_of(work, one.id).version))
    assert "merged on since" in plan_undo(work.session, site.id, first.id).kept[0]
    second = site_story(work.session, site.id)[0]
    add_door(work, site.id, DoorForm("1", location="Yard"))
    with pytest.raises(LedgerError, match="Another door is 1 by now"):
        plan_undo(work.session, site.id, second.id)


def test_a_new_door_takes_over_no_story_of_one_that_is_gone(work: Work, site: Site, doors: list[Door]) -> None:
    kept, gone = doors[1], doors[2].id
    merge_doors(work, (kept.id, kept.version), (gone, doors[2].version))
    new = add_door(work, site.id, DoorForm("200"))
    assert new.id != gone
    assert [event.summary for event in door_story(work.session, new)] == ["Door 200 saved"]
    assert [event.summary for event in door_story(work.session, door_of(work, kept.id))] == ["Door 3 merged into 2"]


def test_a_list_taken_back_leaves_alone_what_a_later_list_added(work: Work, site: Site) -> None:
    for text in ("opening\tcylinder\n501\trim", "opening\tcylinder\n601\trim"):
        import_doors(work, site.id, listed_doors(work, text))
        first = site_story(work.session, site.id)[-1]
        if text.endswith("501\trim"):
            undo_change(work, site.id, first.id, plan_undo(work.session, site.id, first.id).seen)
    plan = plan_undo(work.session, site.id, first.id)
    assert (plan.removed, plan.cylinders) == ((), ())


def test_a_door_list_adds_to_a_doors_remarks_and_says_what_became_other(work: Work) -> None:
    door = factories.DoorFactory(opening_number="101", location="Hall", remarks="sticks in winter")
    for row in (DoorRow(1, "101", remarks="glass"), DoorRow(2, "101", location="Lobby", remarks="glass")):
        upsert_door(work, door.site_id, row)
    assert (door.remarks, door.location) == ("sticks in winter\nglass", "Lobby")
    said = work.session.scalars(sa.select(Event.summary).where(Event.kind == "door changed").order_by(Event.id)).all()
    assert said == [
        "Door 101: remarks sticks in winter → sticks in winter\nglass",
        "Door 101: location Hall → Lobby",
    ]
