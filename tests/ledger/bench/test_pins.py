"""A pin that runs out: who waits for it, what stands in for it, and that each pin leaves the shelf once."""

from collections import Counter

import pytest
import sqlalchemy as sa

from app.keying import PinSize
from app.ledger.bench.checkoff import tick_cylinders
from app.ledger.bench.pins import draw_pins, pick_for_job, set_stock, short_of_pins, stock_of
from app.ledger.keysystems.crosskeying import cross_key
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import CylinderState, Event
from tests.bare import config, work
from tests.keyed import Keyed, keyed_job

__all__ = ["config", "work"]  # fixtures

# A stack of 18. Flat 1, 746036 under 528614: cuts 5 7, 2 4, 6 8, 0 6, 1 3, 4 6; flat 2, 346298: 3 5, 2 4, 6 8, 2 6,
# 1 9, 4 8. Each top pin is 18 less the deeper cut.
FLAT_1 = {"bottom": (5, 2, 6, 0, 1, 4), "master": (2, 2, 2, 6, 2, 2), "top": (11, 14, 10, 12, 15, 12)}
FLAT_2 = {"bottom": (3, 2, 6, 2, 1, 4), "master": (2, 2, 2, 4, 8, 4), "top": (13, 14, 10, 12, 9, 10)}
TOP = PinSize("top", 14)


def _pins(*flats: dict[str, tuple[int, ...]]) -> Counter[PinSize]:
    return Counter(PinSize(kind, size) for flat in flats for kind, sizes in flat.items() for size in sizes)


@pytest.fixture
def keyed(work: Work) -> Keyed:
    """Twenty of each pin are there, and one top pin of 14, of which each flat takes one."""
    made = keyed_job(work)
    made.system.spec.spec = {**made.system.spec.spec, "stack_total": 18}
    work.session.commit()
    set_stock(work, made.system.spec_id, {**dict.fromkeys(_pins(FLAT_1, FLAT_2), 20), TOP: 1})
    return made


def _gone(work: Work, keyed: Keyed) -> Counter[PinSize]:
    stock = stock_of(work.session, work.vault, keyed.system.spec_id)
    return Counter({pin: (1 if pin == TOP else 20) - count for pin, count in stock.items()})


def _pin(work: Work, keyed: Keyed, *which: int) -> int:
    ids = [keyed.cylinders[one].id for one in which]
    return tick_cylinders(work, keyed.job.number, ids, CylinderState.PINNED)


def test_a_short_pin_stops_what_needs_it_and_nothing_else(work: Work, keyed: Keyed) -> None:
    first, second = keyed.cylinders
    assert short_of_pins(work, keyed.job) == {second.id: (TOP,)}
    with pytest.raises(LedgerError, match=r"F2 waits for a pin that is out of stock.* nothing was ticked off") as no:
        _pin(work, keyed, 0, 1)
    assert no.value.field == "cylinders"
    assert [first.state, second.state] == [CylinderState.ORDERED] * 2 and +_gone(work, keyed) == Counter()
    _pin(work, keyed, 0)
    assert +_gone(work, keyed) == _pins(FLAT_1)
    tick_cylinders(work, keyed.job.number, [first.id], CylinderState.ORDERED)  # a wrong tick: its pins lie by it
    _pin(work, keyed, 0)
    assert +_gone(work, keyed) == _pins(FLAT_1)
    with pytest.raises(LedgerError, match="F2 waits"):
        _pin(work, keyed, 1)
    set_stock(work, keyed.system.spec_id, {TOP: 1})
    _pin(work, keyed, 1)
    assert (
        stock_of(work.session, work.vault, keyed.system.spec_id)[TOP] == 0
        and first.sealed_pins
        and second.sealed_pins
    )


def test_what_adds_up_is_offered_and_taken(work: Work, keyed: Keyed) -> None:
    [spec] = pick_for_job(work, keyed.job).specs
    [short] = spec.shorts
    assert (short.pin, short.lacks, [one.label for one in short.cylinders]) == (TOP, 1, ["F2"])
    # Of what stands over the lowest joint 18 - 9 - 2 = 7 is the most: 12 and 2, 10 and 4, 8 and 6.
    assert [way.words for way in short.ways] == [
        "top 12 + master 2",
        "top 10 + master 4",
        "master 8 + master 6",
    ]
    with pytest.raises(LedgerError, match="not offered any more"):
        draw_pins(work, keyed.job, pick_for_job(work, keyed.job), ["top 14 = top 9 + top 5"])
    left = draw_pins(work, keyed.job, pick_for_job(work, keyed.job), [short.ways[0].name])
    assert left == ()
    instead = Counter({PinSize("top", 12): 1, PinSize("master", 2): 1})
    assert +_gone(work, keyed) == _pins(FLAT_1, FLAT_2) - Counter({TOP: 1}) + instead
    _pin(work, keyed, 0, 1)
    assert +_gone(work, keyed) == _pins(FLAT_1, FLAT_2) - Counter({TOP: 1}) + instead
    [event] = work.session.scalars(sa.select(Event).where(Event.kind == "pins drawn"))
    assert event.summary == "37 pins drawn from the shelf for 2 cylinders; 1 cylinder with a pin made of several"
    with pytest.raises(LedgerError, match="drawn already"):
        draw_pins(work, keyed.job, pick_for_job(work, keyed.job))


def test_what_is_there_is_drawn_and_the_rest_waits(work: Work, keyed: Keyed) -> None:
    assert draw_pins(work, keyed.job, pick_for_job(work, keyed.job)) == ("F2",)
    assert +_gone(work, keyed) == _pins(FLAT_1)
    [spec] = pick_for_job(work, keyed.job).specs
    assert (spec.cylinders, spec.pins.total, spec.short) == (1, 18, {TOP: 1})


def test_a_cylinder_that_takes_other_pins_has_them_drawn_anew(work: Work, keyed: Keyed) -> None:
    set_stock(work, keyed.system.spec_id, {TOP: 20, PinSize("master", 1): 20, PinSize("top", 15): 20})
    _pin(work, keyed, 0, 1)
    cross_key(work, keyed.cylinders[0].id, ["2AA"])
    before = stock_of(work.session, work.vault, keyed.system.spec_id)
    _pin(work, keyed, 0)
    now = stock_of(work.session, work.vault, keyed.system.spec_id)
    # Cuts 3 5 7, 2 4, 6 8, 0 2 6, 1 3 9, 4 6 8: six bottom, ten master and six top pins.
    assert sum(before.values()) - sum(now.values()) == 6 + 10 + 6
    assert before[PinSize("top", 9)] - now[PinSize("top", 9)] == 1


def test_a_shelf_that_nobody_counts_holds_up_nobody(work: Work) -> None:
    keyed = keyed_job(work)
    assert short_of_pins(work, keyed.job) == {}
    assert _pin(work, keyed, 0, 1) == 2
