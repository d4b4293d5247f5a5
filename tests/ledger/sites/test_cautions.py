"""Cautions where a door's flags and its hardware meet; each defers to local code and its authority."""

from fractions import Fraction

import pytest

from app.documents import schedule_table
from app.ledger.jobs.papers import schedule_of
from app.ledger.sites.cautions import DRILLING, EGRESS, FINISHES, FIRE, INSIDE, caution_word, cautions_of
from app.ledger.store.work import Work
from app.ledger.tables import CylinderState, Site
from tests import factories
from tests.keyed import keyed_job


def door(site: Site, **given: object):
    return factories.DoorFactory(site=site, **given)


def test_an_exit_door_with_a_key_inside_is_told_apart(site: Site) -> None:
    plain, inside, double = (door(site, is_egress=True) for _ in range(3))
    factories.CylinderFactory(door=plain, position="outside")
    factories.CylinderFactory(door=inside, position="Inside")
    factories.LockFactory(door=double, description="Deadbolt, double cylinder")
    assert [cautions_of(one) for one in (plain, inside, double)] == [(EGRESS,), (INSIDE,), (INSIDE,)]
    assert cautions_of(door(site)) == ()


def test_a_cylinder_that_came_out_says_nothing_any_more(site: Site) -> None:
    exit_door = door(site, is_egress=True)
    factories.CylinderFactory(door=exit_door, position="inside", state=CylinderState.REMOVED)
    assert cautions_of(exit_door) == (EGRESS,)


@pytest.mark.parametrize(
    ("kind", "state", "is_told"),
    [
        ("rim", CylinderState.ORDERED, True),
        ("bored", CylinderState.CHECKED, True),
        ("rim", CylinderState.FITTED, False),
        ("mortise", CylinderState.ORDERED, False),
    ],
)
def test_drilling_on_a_rated_door(kind: str, state: CylinderState, is_told: bool, site: Site) -> None:
    rated = door(site, is_fire_rated=True)
    factories.CylinderFactory(door=rated, type=kind, state=state)
    assert cautions_of(rated) == ((FIRE, DRILLING) if is_told else (FIRE,))


@pytest.mark.parametrize(
    ("thickness", "length", "told"),
    [
        ("7/4", "9/8", ""),  # (1-3/4 − 1) / 2 + 3/4 = 1-1/8
        ("9/4", "9/8", "would not reach"),
        ("7/4", "13/8", ""),  # 1/2 in more, which a ring covers
        ("7/4", "7/4", "stands proud"),
        ("1/2", "9/8", ""),  # thinner than the case: nothing can be said
    ],
)
def test_a_length_is_held_against_the_thickness(thickness: str, length: str, told: str, site: Site) -> None:
    thick = door(site, thickness=Fraction(thickness))
    factories.CylinderFactory(door=thick, length=Fraction(length))
    found = " ".join(cautions_of(thick))
    assert told in found if told else found == ""


def test_cautions_print_on_the_schedule_by_what_stands_on_the_door(work: Work) -> None:
    keyed = keyed_job(work)
    exit_door, rated = keyed.doors
    exit_door.is_egress, rated.is_egress, rated.is_fire_rated = True, False, True
    factories.CylinderFactory(door=exit_door, position="inside", state=CylinderState.FITTED)
    for cylinder in keyed.cylinders:
        cylinder.type = "bored"
    work.session.commit()
    rows = {row.opening_number: row.cautions for row in schedule_of(work, keyed.job).rows}
    assert rows[exit_door.opening_number] == (INSIDE,)
    assert rows[rated.opening_number] == (FIRE, DRILLING)
    text = schedule_table(schedule_of(work, keyed.job)).csv().decode("utf-8-sig")
    assert INSIDE in text and DRILLING in text


def test_every_caution_defers() -> None:
    for sentence in (EGRESS, INSIDE, FIRE, DRILLING):
        assert "authority having jurisdiction" in sentence or "local code" in sentence


def test_finishes_that_do_not_match_on_one_door_are_told(site: Site) -> None:
    mixed, alike, same = (door(site) for _ in range(3))
    for one, finishes in ((mixed, ("626", "605")), (alike, ("626", "652")), (same, ("626", "626"))):
        for position, finish in zip(("outside", "inside"), finishes, strict=True):
            factories.CylinderFactory(door=one, position=position, finish=finish)
    (told,) = cautions_of(mixed)
    assert told.startswith(FINISHES) and "do not match: ask" in told
    assert caution_word(told) == "finishes"
    assert "look alike (US26D)" in cautions_of(alike)[0]
    assert cautions_of(same) == ()
