"""Promises kept and makers' figures, counted by hand on eight jobs."""

from dataclasses import replace
from datetime import date, timedelta
from fractions import Fraction

import pytest

from app.ledger.reports.promises import (
    GroupedBy,
    KeyingPlace,
    PromiseOutcome,
    PromiseQuestion,
    find_makers,
    find_promised,
    find_promises,
)
from app.ledger.store.errors import NotAllowed
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Role, Stage
from tests import factories
from tests.bare import config, work

__all__ = ["config", "work"]  # the bare house
YEAR = (date(2026, 1, 1), date(2026, 12, 31))


@pytest.fixture
def numbers(work: Work) -> dict[str, int]:
    """Jobs promised: two kept, three late by 1, 4 and 10 days, one past and not ready (so far 3 days), one of which
    nobody knows when it was ready; one not due yet, and one canceled."""
    ardent = factories.MakerFactory(code="ARD", name="Ardent Brass")
    north = factories.MakerFactory(code="NOR", name="Northlight")
    today = work.today
    past = today - timedelta(days=3)
    jobs = {
        "kept": ("shop", date(2026, 10, 5), date(2026, 10, 5), Stage.CLOSED, (ardent,)),
        "early": ("factory", date(2026, 10, 9), date(2026, 10, 1), Stage.READY, (ardent, north)),
        "one": ("shop", date(2026, 10, 30), date(2026, 10, 31), Stage.HANDED_OVER, (ardent,)),
        "four": ("shop", date(2026, 11, 2), date(2026, 11, 6), Stage.CLOSED, ()),
        "ten": ("factory/shop", date(2026, 11, 3), date(2026, 11, 13), Stage.CLOSED, (north,)),
        "open": ("shop", past, None, Stage.ON_THE_BENCH, (ardent,)),
        "unknown": ("", date(2026, 11, 4), None, Stage.CLOSED, ()),
        "due today": ("shop", today, None, Stage.ON_THE_BENCH, ()),
        "canceled": ("shop", past, None, Stage.CANCELED, (ardent,)),
        "quoted": ("shop", past, None, Stage.QUOTED, ()),
    }
    found = {}
    for name, (place, promised, ready, stage, makers) in jobs.items():
        job = factories.JobFactory(keyed_at=place, promised_on=promised, ready_on=ready, stage=stage)
        found[name] = job.number
        for at, maker in enumerate(makers):
            said = {"maker_id": maker.id, "quantity": 2, "amount_cents": 1_000, "cost_cents": 600}
            factories.SoldLineFactory(job_id=job.id, label=f"{at}", **said)
            factories.SoldLineFactory(
                job_id=job.id, label=f"{at}a", kind="keying", **{**said, "amount_cents": 300, "cost_cents": 200}
            )
    return found


def told(work: Work, by: GroupedBy | None, **asked: object) -> list[tuple[object, ...]]:
    groups = find_promises(work, PromiseQuestion(*YEAR, **asked), by)  # type: ignore[arg-type]
    return [
        (one.label, one.due, one.kept, one.percent, one.median_days, one.worst_days, one.unknown) for one in groups
    ]


def test_promises_are_counted_by_place_maker_and_month(work: Work, numbers: dict[str, int]) -> None:
    assert work.today == date(2026, 11, 25)
    # Late by 1, 3, 4 and 10: their median is 3.5.
    assert told(work, None) == [("all", 6, 2, 33, Fraction(7, 2), 10, 1)]
    assert told(work, GroupedBy.PLACE) == [
        ("both", 1, 0, 0, 10, 10, 0),
        ("factory", 1, 1, 100, None, None, 0),
        ("nothing keyed", 0, 0, None, None, None, 1),
        ("our bench", 4, 1, 25, 3, 4, 0),
    ]
    assert told(work, GroupedBy.MAKER) == [
        ("Ardent Brass", 4, 2, 50, 2, 3, 0),
        ("Northlight", 2, 1, 50, 10, 10, 0),
    ]
    assert told(work, GroupedBy.MONTH) == [
        ("2026-10", 3, 2, 67, 1, 1, 0),
        ("2026-11", 3, 0, 0, 4, 10, 1),
    ]
    assert told(work, None, maker="NOR", place=KeyingPlace.BOTH) == [("all", 1, 0, 0, 10, 10, 0)]
    assert find_promises(work, PromiseQuestion(date(2020, 1, 1), date(2020, 2, 1)), None) == []


@pytest.mark.postgresql
@pytest.mark.parametrize(
    ("asked", "names"),
    [
        ({}, ["ten", "four", "open", "one", "unknown", "early", "kept"]),
        ({"outcome": PromiseOutcome.LATE}, ["ten", "four", "open", "one"]),
        ({"outcome": PromiseOutcome.KEPT}, ["early", "kept"]),
        ({"outcome": PromiseOutcome.UNKNOWN}, ["unknown"]),
        ({"place": KeyingPlace.SHOP, "outcome": PromiseOutcome.LATE}, ["four", "open", "one"]),
        ({"maker": "ARD", "outcome": PromiseOutcome.KEPT}, ["early", "kept"]),
        ({"place": KeyingPlace.NOWHERE}, ["unknown"]),
    ],
)
def test_each_figure_opens_its_jobs(
    work: Work, numbers: dict[str, int], asked: dict[str, object], names: list[str]
) -> None:
    found = find_promised(work, PromiseQuestion(*YEAR, **asked))  # type: ignore[arg-type]
    assert [row.number for row in found.rows] == [numbers[name] for name in names]
    assert found.count == len(names)
    late = {"ten": 10, "four": 4, "open": 3, "one": 1}
    assert [row.days_late for row in found.rows] == [late.get(name) for name in names]


def test_a_makers_cost_stands_beside_its_lateness(work: Work, numbers: dict[str, int]) -> None:
    found = [
        (one.promises.label, one.jobs, one.pieces, one.charged_cents, one.cost_cents, one.keying_cents)
        for one in find_makers(work, PromiseQuestion(*YEAR))
    ]
    # Ardent: kept, early, one, open; Northlight: early, ten. Two pieces at 10.00 each job.
    assert found == [("Ardent Brass", 4, 8, 4_000, 2_400, 800), ("Northlight", 2, 4, 2_000, 1_200, 400)]
    assert [one.promises.percent for one in find_makers(work, PromiseQuestion(*YEAR))] == [50, 50]


def test_promises_are_for_the_owner(work: Work, numbers: dict[str, int]) -> None:
    counter = replace(work, actor=Actor(work.actor.user_id, "Cora", Role.COUNTER))
    for find in (find_promised, find_makers):
        with pytest.raises(NotAllowed):
            find(counter, PromiseQuestion(*YEAR))
