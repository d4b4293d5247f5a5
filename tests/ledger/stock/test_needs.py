"""What accepted jobs take of the stock, from the quote to the bench's ticks; and that no promise takes another's."""

from collections.abc import Iterator
from dataclasses import replace
from datetime import date

import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from app.ledger.bench.blanks import cut_keys
from app.ledger.bench.checkoff import tick_keys
from app.ledger.jobs.stages import move_job
from app.ledger.keys.keys import order_copies, scrap_copies
from app.ledger.quoting.accepting import SINCE_CHANGED
from app.ledger.quoting.planning import plan_again
from app.ledger.quoting.promises import promise_again
from app.ledger.quoting.quoting import price_request
from app.ledger.quoting.request import KeyingInstruction, LineRequest, QuoteRequest
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.stock.free_stock import Wanted
from app.ledger.stock.movements import quantity_of
from app.ledger.stock.needs import LineWant, NeedState, make_needs, needs_of, release_needs, take_out
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import (
    CylinderState,
    Item,
    ItemKind,
    Job,
    Key,
    KeyState,
    LineKind,
    Maker,
    MovementKind,
    OrderKind,
    OrderState,
    PurchaseLine,
    PurchaseOrder,
    Stage,
    StockMovement,
)
from app.pricing import KeyingKind
from tests import factories
from tests.ledger.conftest import customer_id
from tests.ledger.test_main_job import accept, issued, mortise
from tests.shelf import count_item, count_part, count_unpinned, unpinned

KD = KeyingInstruction(KeyingKind.KD)
RINGS = LineRequest(LineKind.HARDWARE, 8, price_code="RING-SET")
THURSDAY = date(2026, 3, 5)
IN_SIX_DAYS = date(2026, 3, 10)  # Monday 2 March and the six working days that the demo's bench terms say


@pytest.fixture(autouse=True)
def saving(work: Work) -> Iterator[None]:
    """The factories save into the house of the test."""
    with factories.saving_into(work.session):
        yield


def ask_for(work: Work, *lines: LineRequest) -> QuoteRequest:
    return QuoteRequest(customer_id(work, "Lantern"), lines, keyed_at="shop", override_reason="from us")


def states(work: Work, job: Job) -> list[tuple[int | None, int, int, int, int]]:
    """Line, quantity, reserved, out, to order."""
    work.session.expire_all()
    return [
        (one.need.line_number, one.need.quantity, one.reserved, one.out, one.to_order)
        for one in needs_of(work.session, job.id)
    ]


def only_lead(work: Work) -> int:
    return price_request(work, ask_for(work, mortise(1, KD))).plan.lines[0].to_order


def maker(work: Work) -> int:
    return work.session.scalars(sa.select(Maker.id).where(Maker.code == "ARD")).one()


def test_a_job_takes_its_own_part_number_first_then_cylinders_without_pins(work: Work) -> None:
    """Ten are sold; three of the number lie there and four without pins: three are to be ordered."""
    part = price_request(work, ask_for(work, mortise(1, KD))).ask.lines[0].part_number
    own = count_part(work, maker(work), part, 3)
    count_unpinned(work, 4)
    ask = ask_for(work, mortise(10, KD))
    [line] = price_request(work, ask).plan.lines
    assert (line.on_shelf, line.on_order, line.to_order, line.here_on) == (7, 0, 3, IN_SIX_DAYS)
    assert line.stock_words == "7 on the shelf, 3 to order: here on Tuesday 10 March 2026"
    job = accept(work, issued(work, ask))
    assert states(work, job) == [(1, 10, 7, 0, 3), (None, 20, 0, 0, 0)]  # nobody counts the blanks
    assert (quantity_of(work.session, own.id).free, unpinned(work).free, only_lead(work)) == (0, 0, 1)
    move_job(work, job.id, job.version, Stage.CANCELED, "changed their mind")
    assert (quantity_of(work.session, own.id).free, unpinned(work).free, only_lead(work)) == (3, 4, 0)
    assert states(work, job) == [(1, 10, 0, 0, 0), (None, 20, 0, 0, 0)]


def test_goods_that_are_short_are_told_with_their_day_and_move_the_promise(work: Work) -> None:
    count_part(work, None, "RING-SET", 5, ItemKind.GOODS)
    ask = QuoteRequest(customer_id(work, "Lantern"), (RINGS,))
    priced = price_request(work, ask)
    assert priced.ready_on == IN_SIX_DAYS
    assert priced.lead_time == (
        "Ready 6 working days after acceptance (on Tuesday 10 March 2026 if accepted on Monday 2 March 2026). "
        "3 of 8 RING-SET are not on the shelf: 3 to order, here on Tuesday 10 March 2026."
    )
    assert priced.plan.sentences == ("Line 1: 5 on the shelf, 3 to order: here on Tuesday 10 March 2026.",)
    assert price_request(work, replace(ask, lines=(replace(RINGS, quantity=5),))).lead_time == "From the shelf."
    job = accept(work, issued(work, ask))
    assert job.promised_on == IN_SIX_DAYS and states(work, job) == [(1, 8, 5, 0, 3)]


def test_two_see_the_last_piece_and_one_gets_it(work: Work) -> None:
    count_part(work, None, "RING-SET", 1, ItemKind.GOODS)
    ask = QuoteRequest(customer_id(work, "Lantern"), (replace(RINGS, quantity=1),))
    first, second = issued(work, ask), issued(work, ask)
    seen = plan_again(work, read_snapshot(second.revisions[-1].snapshot)).plan
    accept(work, first, seen=seen.mark)
    with pytest.raises(LedgerError, match=SINCE_CHANGED):
        accept(work, second, seen=seen.mark)
    now = plan_again(work, read_snapshot(second.revisions[-1].snapshot)).plan
    assert seen.changes(now) == ("Line 1: 1 are to be ordered now, not 0.",)
    second = accept(work, work.session.get_one(Job, second.id), seen=now.mark)
    assert states(work, first) == [(1, 1, 1, 0, 0)] and states(work, second) == [(1, 1, 0, 0, 1)]


def test_what_a_count_finds_goes_to_those_who_wait(work: Work) -> None:
    count_unpinned(work, 0)
    job = accept(work, issued(work, ask_for(work, mortise(2, KD))))
    assert states(work, job)[0] == (1, 2, 0, 0, 2)
    count_unpinned(work, 5)
    assert states(work, job)[0] == (1, 2, 2, 0, 0) and unpinned(work).free == 3


def test_what_a_factory_keys_is_ordered_from_it_whatever_lies_here(work: Work) -> None:
    count_unpinned(work, 30)
    job = accept(work, issued(work, replace(ask_for(work, mortise(24, KD)), keyed_at="factory")))
    [state] = needs_of(work.session, job.id)
    assert (state.need.keyed_at, state.reserved, state.to_order, unpinned(work).free) == ("factory", 0, 24, 30)


def test_what_nobody_counts_is_taken_as_it_was(work: Work) -> None:
    stocked = work.session.scalars(
        sa.select(Item).where(Item.is_stocked, Item.category == "hardware").order_by(Item.id)
    ).first()
    assert stocked is not None
    line = LineRequest(LineKind.PART, 3, part_number=stocked.code)
    ask = QuoteRequest(customer_id(work, "Lantern"), (line,))
    priced = price_request(work, ask)
    assert priced.lead_time == "From the shelf."
    assert priced.plan.goods[0].stock_words == "never counted, taken as there"
    job = accept(work, issued(work, ask))
    [state] = needs_of(work.session, job.id)
    assert (state.is_counted, state.reserved, state.to_order, state.can_start) == (False, 0, 0, True)
    with transaction(work.session):
        assert take_out(work, state.need, 3, MovementKind.SOLD) == 0
    assert not work.session.scalars(sa.select(StockMovement).where(StockMovement.item_id == state.need.item_id)).all()


def test_a_key_that_is_cut_takes_its_blank_and_one_cut_wrong_another(work: Work) -> None:
    """Four keys of two cylinders; five blanks lie there, of which the job has four."""
    blanks = count_part(work, maker(work), "AK6-12", 5, ItemKind.BLANK)
    job = accept(work, issued(work, ask_for(work, mortise(2, KD))))

    def there() -> tuple[int, int]:
        work.session.expire_all()
        found = quantity_of(work.session, blanks.id)
        return found.on_hand, found.reserved

    assert there() == (5, 4)
    move_job(work, job.id, job.version, Stage.ON_THE_BENCH)
    keys = work.session.scalars(sa.select(Key).where(Key.job_id == job.id).order_by(Key.id)).all()
    first, other = keys[0].keyset, keys[-1].keyset
    tick_keys(work, job.number, [first.id], KeyState.CUT)
    assert there() == (3, 2)
    tick_keys(work, job.number, [first.id], KeyState.ORDERED)  # a wrong tick: nothing was cut
    assert there() == (5, 4)
    tick_keys(work, job.number, [first.id, other.id], KeyState.CUT)
    assert there() == (1, 0)
    scrap_copies(work, first.system_id, first.symbol, (1,), "cut too deep", job.number)
    tick_keys(work, job.number, [first.id], KeyState.CUT)
    assert there() == (0, 0)
    kinds = sa.select(StockMovement.kind, sa.func.sum(StockMovement.on_hand)).where(
        StockMovement.item_id == blanks.id, StockMovement.on_hand != 0
    )
    sums = {kind: int(count) for kind, count in work.session.execute(kinds.group_by(StockMovement.kind))}
    assert sums == {MovementKind.COUNTED: 5, MovementKind.USED: -4, MovementKind.SCRAPPED: -1}
    scrap_copies(work, first.system_id, first.symbol, (2,), "cut too deep", job.number)
    with pytest.raises(LedgerError, match="1 key blank less by its sums than were cut") as refused:
        tick_keys(work, job.number, [first.id], KeyState.CUT)
    assert refused.value.field == "keys" and there() == (0, 0)


def test_what_is_not_on_record_is_told_and_nothing_falls_below_zero(work: Work) -> None:
    count_unpinned(work, 3)
    job = accept(work, issued(work, ask_for(work, mortise(5, KD))))
    [cylinders, _] = [state.need for state in needs_of(work.session, job.id)]
    with transaction(work.session):
        assert take_out(work, cylinders, 2, MovementKind.SOLD) == 0
    assert states(work, job)[0] == (1, 5, 1, 2, 2)
    with transaction(work.session):
        assert take_out(work, cylinders, 3, MovementKind.SOLD) == 2
    assert states(work, job)[0] == (1, 5, 0, 3, 2) and unpinned(work).on_hand == 0


def test_what_a_job_had_from_the_shelf_is_not_waited_for_any_more(work: Work) -> None:
    """Two ring sets are on their way for a job of two; one that was free is taken: one is for the shelf."""
    item = count_part(work, None, "RING-SET", 0, ItemKind.GOODS)
    sent = {"number": "P-9001", "maker_id": maker(work), "kind": OrderKind.GOODS, "state": OrderState.CONFIRMED}
    order = PurchaseOrder(**sent, made_at=work.now)
    work.session.add(PurchaseLine(order=order, number=1, item=item, quantity=2, unit_cents=500, expected_on=THURSDAY))
    work.session.commit()
    job = accept(work, issued(work, QuoteRequest(customer_id(work, "Lantern"), (replace(RINGS, quantity=2),))))
    count_part(work, None, "RING-SET", 1, ItemKind.GOODS)
    [state] = needs_of(work.session, job.id)
    assert (state.reserved, state.on_order) == (0, 2)
    with transaction(work.session):
        assert take_out(work, state.need, 1, MovementKind.SOLD) == 0
    [state] = needs_of(work.session, job.id)
    assert (state.out, state.on_order, state.to_order) == (1, 1, 0)


def test_a_promise_made_again_keeps_to_what_the_bench_had_before(work: Work) -> None:
    """Two cylinders and four keys, 24 minutes, on Monday; what is accepted later is behind them."""
    job = accept(work, issued(work, ask_for(work, mortise(2, KD))))
    accept(work, issued(work, ask_for(work, mortise(40, KD))))
    assert promise_again(work, job) == job.promised_on == date(2026, 3, 2)


def test_a_promise_made_again_asks_the_bench_only_for_what_is_not_done(work: Work) -> None:
    """60 cylinders and 120 keys, 720 minutes, by 330 a day from Monday: Wednesday. With all cylinders and 60 keys
    done a third is left, 240 minutes: Monday.
    """
    job = accept(work, issued(work, ask_for(work, mortise(60, KD))))
    move_job(work, job.id, job.version, Stage.ON_THE_BENCH)
    assert promise_again(work, job) == job.promised_on == date(2026, 3, 4)
    for cylinder in job.cylinders:
        cylinder.state = CylinderState.PINNED
    keys = work.session.scalars(sa.select(Key).where(Key.job_id == job.id).order_by(Key.id)).all()
    assert (len(job.cylinders), len(keys), job.bench_minutes) == (60, 120, 720)
    for key in keys[:60]:
        key.state = KeyState.CUT
    work.session.commit()
    assert promise_again(work, job) == date(2026, 3, 2)


def test_a_key_of_no_job_takes_its_blank_too(work: Work) -> None:
    """Six blanks, four for a job's keys: two further copies of no job take the others, and none is left."""
    blanks = count_part(work, maker(work), "AK6-12", 6, ItemKind.BLANK)
    job = accept(work, issued(work, ask_for(work, mortise(2, KD))))
    keyset = work.session.scalars(sa.select(Key).where(Key.job_id == job.id).order_by(Key.id)).all()[0].keyset
    order_copies(work, keyset.system_id, keyset.symbol, 3)
    cut_keys(work, keyset.system_id, keyset.symbol, (3, 4))
    there = quantity_of(work.session, blanks.id)
    assert (there.on_hand, there.reserved) == (4, 4)
    with pytest.raises(LedgerError, match="by the stock 0 key blanks of 1 are free") as refused:
        cut_keys(work, keyset.system_id, keyset.symbol, (5,))
    assert refused.value.field == "copies" and quantity_of(work.session, blanks.id).on_hand == 4


@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.lists(
        st.one_of(
            st.tuples(st.just("accept"), st.integers(1, 9)),
            st.tuples(st.just("count"), st.integers(0, 12)),
            st.tuples(st.just("cancel"), st.integers(0, 8)),
        ),
        min_size=4,
        max_size=10,
    )
)
def test_no_acceptance_takes_what_an_earlier_one_was_promised(work: Work, acts: list[tuple[str, int]]) -> None:
    item: Item = factories.ItemFactory()
    count_item(work, item, 6)
    promised: dict[int, tuple[int, int]] = {}  # job → how many it takes, and how many are kept for it

    def kept(job_id: int) -> NeedState:
        [state] = needs_of(work.session, job_id)
        return state

    for act, figure in acts:
        if act == "accept":
            job = factories.JobFactory()
            with transaction(work.session):
                make_needs(work, job, [LineWant(1, Wanted(item.code, figure))])
            promised[job.id] = figure, kept(job.id).reserved
        elif act == "cancel" and promised:
            job_id = sorted(promised)[figure % len(promised)]
            with transaction(work.session):
                release_needs(work, work.session.get_one(Job, job_id), "canceled")
            del promised[job_id]
        elif act == "count" and figure >= quantity_of(work.session, item.id).reserved:
            count_item(work, item, figure)
        for job_id, (quantity, least) in promised.items():
            state = kept(job_id)
            assert state.reserved >= least and state.reserved + state.to_order == quantity
            promised[job_id] = quantity, state.reserved
        there = quantity_of(work.session, item.id)
        assert sum(least for _, least in promised.values()) == there.reserved <= there.on_hand
        waiting = any(kept(job_id).to_order for job_id in promised)
        assert not (waiting and there.free)  # whoever waits has all there is


def test_what_an_order_brings_is_promised_once_by_its_day(work: Work) -> None:
    """Nothing lies there; ten come on Thursday. Six are sold, then six more: of these two have to be ordered."""
    part = price_request(work, ask_for(work, mortise(1, KD))).ask.lines[0].part_number
    item = count_part(work, maker(work), part, 0)
    count_unpinned(work, 0)
    sent = {"number": "P-9001", "maker_id": maker(work), "kind": OrderKind.GOODS, "state": OrderState.CONFIRMED}
    order = PurchaseOrder(**sent, made_at=work.now)
    line = PurchaseLine(order=order, number=1, item=item, quantity=10, unit_cents=1200, expected_on=THURSDAY)
    work.session.add_all([order, line])
    work.session.commit()
    first, second = (accept(work, issued(work, ask_for(work, mortise(6, KD)))) for _ in range(2))
    found = [needs_of(work.session, job.id)[0] for job in (first, second)]
    assert [[(one.quantity, one.day) for one in state.coming] for state in found] == [
        [(6, THURSDAY)],
        [(4, THURSDAY)],
    ]
    assert [state.to_order for state in found] == [0, 2]
    assert (first.promised_on, second.promised_on) == (THURSDAY, IN_SIX_DAYS)
    [third] = price_request(work, ask_for(work, mortise(1, KD))).plan.lines
    assert (third.on_shelf, third.on_order, third.to_order) == (0, 0, 1)
    line.expected_on = IN_SIX_DAYS  # the maker confirms a later day
    work.session.commit()
    assert promise_again(work, first) == IN_SIX_DAYS
    move_job(work, first.id, first.version, Stage.CANCELED, "changed their mind")
    [third] = price_request(work, ask_for(work, mortise(1, KD))).plan.lines
    assert (third.on_order, third.to_order, third.here_on) == (1, 0, IN_SIX_DAYS)
