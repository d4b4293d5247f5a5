"""Who saw a door's bitting, and when: over two keysets, by bench sheet, page, list, decoded key and correction."""

from dataclasses import replace
from datetime import datetime, timedelta
from fractions import Fraction

import pytest

from app.errors import BitternError
from app.ledger.bench.bench_sheet import bench_work, keyset_work
from app.ledger.keysystems.bittings import DecodeAsk, decode_key, reveal_bittings
from app.ledger.keysystems.correcting import CorrectForm, correct_bitting
from app.ledger.reports.reveals import MOST_DOORS, Reveal, RevealQuestion, Shown, find_reveals
from app.ledger.store.errors import NotAllowed
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Role, Stage
from app.pricing import show_day
from tests import factories
from tests.bare import config, work
from tests.keyed import BITTINGS, Keyed, keyed_job, walk

__all__ = ["config", "work"]  # the bare house


def at(work: Work, days: int, name: str = "Wren") -> Work:
    """The same house so many days later, in the hands of `name`."""
    return replace(work, now=work.now + timedelta(days=days), actor=replace(work.actor, name=name))


@pytest.fixture
def keyed(work: Work) -> Keyed:
    """F1 was keyed to 1AA by one job and to 2AA, F2's own, by a later one; six people saw something on six days."""
    keyed = keyed_job(work)
    bench_work(at(work, 1, "Bram"), keyed.job)
    walk(at(work, 2, "Bram"), keyed.job, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER)
    keyset_work(at(work, 3, "Cole"), keyed.system, keyed.cylinders[0].keyset)  # type: ignore[arg-type]  # it has one
    reveal_bittings(at(work, 4, "Wren"), [keyed.system.id], "bitting list")
    again = factories.JobFactory(customer=keyed.job.customer, stage=Stage.ON_THE_BENCH, keyed_at="shop")
    factories.CylinderFactory(job_id=again.id, door=keyed.doors[0], keyset=keyed.cylinders[1].keyset)
    factories.KeyFactory(keyset=keyed.cylinders[1].keyset, job_id=again.id, copy_number=2)
    bench_work(at(work, 5, "Dora"), again)
    walk(at(work, 6, "Dora"), again, Stage.CHECKED, Stage.READY, Stage.HANDED_OVER)
    keyed.system.spec.spec = {**keyed.system.spec.spec, "depth0_in": "0.335", "increment_in": "0.015"}
    work.session.commit()
    measured = "0.335 0.305 0.305 0.275 0.335 0.305"
    decode_key(at(work, 7, "Edna"), DecodeAsk(measured, Fraction(1, 500), "found", system_id=keyed.system.id))
    form = CorrectForm(keyset_id=keyed.cylinders[0].keyset_id or 0, bitting="344298", why="misread", destroyed=True)
    correct_bitting(at(work, 8, "Finn"), keyed.system.id, form)
    stranger = factories.KeySystemFactory(name="Another's")
    reveal_bittings(at(work, 9, "Gus"), [stranger.id], "bitting list")
    return keyed


def told(rows: list[Reveal] | object) -> list[tuple[str, str]]:
    return [(one.who, one.shown.value if one.shown else "") for one in rows]  # type: ignore[attr-defined]


def test_of_a_door_every_reveal_of_its_systems_says_whether_its_own_key_was_shown(work: Work, keyed: Keyed) -> None:
    first = find_reveals(work, RevealQuestion(door="f1"))
    assert told(first.rows) == [
        ("Finn", "yes"),  # typed what 1AA is cut to
        ("Edna", "not written down"),  # measured some key
        ("Dora", "yes"),  # 2AA, by which F1 goes now
        ("Wren", "yes"),  # the whole list
        ("Cole", "yes"),  # 1AA's page
        ("Bram", "yes"),  # the first job's sheet
    ]
    day = [show_day(work.today + timedelta(days=days)) for days in (2, 6)]
    assert first.rows[0].keysets == f"1AA, {day[0]} to {day[1]}; 2AA, since {day[1]}"
    second = find_reveals(work, RevealQuestion(door="F2", site="flats"))
    no, yes = Shown.NO.value, Shown.YES.value
    maybe = Shown.MAYBE.value
    assert told(second.rows) == [
        *(("Finn", no), ("Edna", maybe), ("Dora", yes), ("Wren", yes), ("Cole", no), ("Bram", yes))
    ]
    own = find_reveals(work, RevealQuestion(door="F2", only_own=True))
    assert [name for name, _ in told(own.rows)] == ["Edna", "Dora", "Wren", "Bram"]


def test_of_the_house_the_newest_first_by_person_day_and_customer(work: Work, keyed: Keyed) -> None:
    def people(**asked: object) -> list[str]:
        return [one.who for one in find_reveals(work, RevealQuestion(**asked)).rows]  # type: ignore[arg-type]

    assert people() == ["Gus", "Finn", "Edna", "Dora", "Wren", "Cole", "Bram"]
    assert people(person="cole") == ["Cole"]
    assert people(customer="Harbourmaster") == ["Finn", "Edna", "Dora", "Wren", "Cole", "Bram"]
    day = (work.now + timedelta(days=4)).astimezone().date()
    assert people(first=day, last=day) == ["Wren"]
    page = find_reveals(work, RevealQuestion(), page=2, size=3)
    assert (page.count, page.pages, [one.who for one in page.rows]) == (7, 3, ["Dora", "Wren", "Cole"])
    page = find_reveals(work, RevealQuestion(door="F1"), page=2, size=4)
    assert (page.count, [one.who for one in page.rows]) == (6, ["Cole", "Bram"])
    assert find_reveals(work, RevealQuestion(door="F9")).rows == []
    assert isinstance(find_reveals(work, RevealQuestion()).rows[0].at, datetime)


def test_no_reveal_tells_a_bitting_and_no_more_doors_are_told_than_somebody_reads(work: Work, keyed: Keyed) -> None:
    said = repr(find_reveals(work, RevealQuestion(door="F1")).rows)
    assert not any(cuts in said for cuts in BITTINGS.values())
    for _ in range(MOST_DOORS):
        factories.DoorFactory(site=factories.SiteFactory(), opening_number="F1")
    with pytest.raises(BitternError, match="Enter the site or the customer too") as refused:
        find_reveals(work, RevealQuestion(door="F1"))
    assert refused.value.field == "door"
    assert find_reveals(work, RevealQuestion(door="F1", customer="Harbourmaster's Flats")).count == 6


def test_reveals_are_for_the_owner_alone(work: Work) -> None:
    with pytest.raises(NotAllowed):
        find_reveals(replace(work, actor=Actor(work.actor.user_id, "Bram", Role.BENCH)), RevealQuestion())
