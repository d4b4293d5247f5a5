"""Bench time kept back for rush work and customers who wait, by hand over a weekend and a holiday."""

import random
from dataclasses import replace
from datetime import date
from fractions import Fraction

import pytest

from app.errors import BitternError
from app.pricing import BenchTerms, Supply, Urgency, bench_ready, decide

FRIDAY, TUESDAY, WEDNESDAY = date(2026, 3, 6), date(2026, 3, 10), date(2026, 3, 11)
HOLIDAY = date(2026, 3, 9)  # the Monday between
NOTHING = Supply(0, FRIDAY)
IN_TURN, RUSH, WAITS = Urgency.IN_TURN, Urgency.RUSH, Urgency.WAITS


@pytest.fixture
def kept(bench: BenchTerms) -> BenchTerms:
    """360 minutes a day, 60 of them kept back: 300 in turn. 600 are promised in turn, 40 of the 60 besides."""
    return replace(
        bench,
        reserve_minutes_per_day=Fraction(60),
        minutes_promised=Fraction(600),
        reserve_minutes_promised=Fraction(40),
        uncombinated_lead_days=2,
        closed_days=frozenset({HOLIDAY}),
    )


@pytest.mark.parametrize(
    ("minutes", "urgency", "ready"),
    [
        (20, WAITS, FRIDAY),  # 40 + 20 are the 60 kept for Friday
        (20, RUSH, FRIDAY),
        (21, WAITS, TUESDAY),  # 61 of 120 by the second day; 600 + 40 + 21 of 720 as well
        (80, RUSH, TUESDAY),
        (1, IN_TURN, WEDNESDAY),  # 601 of 300 a day: the third day
        (300, IN_TURN, WEDNESDAY),
        (301, IN_TURN, date(2026, 3, 12)),
    ],
)
def test_each_kind_of_work_has_its_own_time(kept: BenchTerms, minutes: int, urgency: Urgency, ready: date) -> None:
    assert bench_ready(FRIDAY, Fraction(minutes), NOTHING, kept, urgency) == ready


def test_what_nobody_was_promised_is_free_for_who_waits(kept: BenchTerms) -> None:
    """250 and 40 of Friday's 360 minutes are promised: 70 are left, though the reserve has but 20 of them."""
    slack = replace(kept, minutes_promised=Fraction(250))
    assert bench_ready(FRIDAY, Fraction(70), NOTHING, slack, WAITS) == FRIDAY
    assert bench_ready(FRIDAY, Fraction(71), NOTHING, slack, WAITS) == TUESDAY
    assert bench_ready(FRIDAY, Fraction(50), NOTHING, slack, IN_TURN) == FRIDAY  # 300 are all there are in turn
    assert bench_ready(FRIDAY, Fraction(51), NOTHING, slack, IN_TURN) == TUESDAY


def test_work_that_outgrew_the_reserve_is_not_promised_twice(kept: BenchTerms) -> None:
    """300 of Friday's 360 minutes went to people who wait: of the 300 in turn 60 are left."""
    rushed = replace(kept, minutes_promised=Fraction(0), reserve_minutes_promised=Fraction(300))
    assert bench_ready(FRIDAY, Fraction(60), NOTHING, rushed, IN_TURN) == FRIDAY
    assert bench_ready(FRIDAY, Fraction(61), NOTHING, rushed, IN_TURN) == TUESDAY


def test_who_waits_waits_for_the_cylinders_too(kept: BenchTerms) -> None:
    """They come in on Wednesday, two working days after Friday, and the bench has its 60 minutes then."""
    assert bench_ready(FRIDAY, Fraction(20), Supply(1, WEDNESDAY), kept, WAITS) == WEDNESDAY
    assert bench_ready(FRIDAY, Fraction(60), Supply(1, WEDNESDAY), kept, WAITS) == WEDNESDAY


@pytest.mark.parametrize("closed", [date(2026, 3, 7), HOLIDAY])
def test_nobody_waits_on_a_closed_day(kept: BenchTerms, closed: date) -> None:
    assert bench_ready(closed, Fraction(20), NOTHING, kept, WAITS) == TUESDAY


def test_a_bench_that_is_all_reserve_has_no_time_in_turn(kept: BenchTerms) -> None:
    reserved = replace(kept, reserve_minutes_per_day=kept.minutes_per_day)
    assert bench_ready(FRIDAY, Fraction(20), NOTHING, reserved, WAITS) == FRIDAY
    refusal = bench_ready(FRIDAY, Fraction(20), NOTHING, reserved, IN_TURN)
    assert not isinstance(refusal, date) and "no working time" in refusal.sentence


def test_more_than_the_day_is_not_kept_back(bench: BenchTerms) -> None:
    with pytest.raises(BitternError, match="no more than the bench has in a day, 360 minutes") as refused:
        replace(bench, reserve_minutes_per_day=Fraction(361))
    assert refused.value.field == "reserve_minutes_per_day"


def test_no_promise_is_broken_by_a_later_one(bench: BenchTerms) -> None:
    """Whatever comes in whatever order: all that is promised up to a day fits into the bench's minutes up to it."""
    chance = random.Random(14)
    days = [date(2026, 3, number) for number in range(2, 31) if date(2026, 3, number).weekday() < 5]
    for _ in range(60):
        terms = replace(bench, reserve_minutes_per_day=Fraction(chance.choice([0, 30, 120, 300])))
        promised: list[tuple[date, int]] = []
        for _ in range(12):
            minutes, urgency = chance.randint(1, 400), chance.choice(list(Urgency))
            ready = bench_ready(days[0], Fraction(minutes), Supply(0, days[0]), terms, urgency)
            assert isinstance(ready, date)
            promised.append((ready, minutes))
            name = "reserve_minutes_promised" if urgency.uses_reserve else "minutes_promised"
            terms = replace(terms, **{name: getattr(terms, name) + minutes})
            for number, day in enumerate(days, start=1):
                assert sum(one for due, one in promised if due <= day) <= number * terms.minutes_per_day


def test_rush_says_what_it_gains_and_keeps_to_the_bench(ask, kept, factory) -> None:
    """Two KD cylinders, 24 minutes: on Wednesday in their turn, on Tuesday as rush."""
    rush = decide(ask(2, "KD", today=FRIDAY, urgency=RUSH), kept, factory)
    assert rush.choice == "shop" and rush.shop.ready == TUESDAY
    assert "instead of Wednesday 11 March 2026; nobody else's promise moves." in " ".join(rush.reasons)
    assert "Rush work is done on our own bench." in rush.factory.why_not
    idle = replace(kept, minutes_promised=Fraction(0))
    said = decide(ask(2, "KD", today=FRIDAY, urgency=RUSH), idle, factory).reasons
    assert "In its turn it would be ready on the same day: rush gains nothing." in said


def test_who_cannot_wait_is_told_why(ask, kept, factory) -> None:
    full = decide(ask(2, "KD", today=FRIDAY, urgency=WAITS), kept, factory)
    assert full.reasons[-1].startswith("It cannot be done while the customer waits: the bench has not the time free")
    short = replace(kept, uncombinated_on_hand={"mortise": 1})
    lacking = decide(ask(2, "KD", today=FRIDAY, urgency=WAITS), short, factory)
    assert "1 of 2 cylinders is not on the shelf" in lacking.reasons[-1]


def test_a_day_that_only_rush_can_meet_is_offered_as_rush(ask, kept, factory) -> None:
    asked = ask(2, "KD", today=FRIDAY, need_by=TUESDAY)
    assert decide(asked, kept, factory).remedy == "As rush work the bench can have it ready on Tuesday 10 March 2026."
