"""The shelf is counted while others sell: no sum is wrong, nothing that was typed is lost."""

import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import timedelta

import pytest
import sqlalchemy as sa

from app.config import Config
from app.errors import Problems
from app.ledger.care.opening import open_ledger
from app.ledger.catalog.items import item_form, save_item
from app.ledger.stock.counts import (
    CountChoice,
    Found,
    Since,
    begin_stock_count,
    count_rows,
    count_table,
    enter_counts,
    plan_count,
    read_count_file,
    save_count,
)
from app.ledger.stock.handling import (
    ShelfForm,
    count_item,
    move_between,
    put_found,
    scrap_stock,
    set_place,
)
from app.ledger.stock.movements import Quantity, move_stock, newest_movement, quantity_of
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Actor, Work
from app.ledger.tables import Item, ItemKind, MovementKind, Need, PlaceKind, StockCount, StockMovement, User
from app.spreadsheets import csv_bytes
from tests import factories

K = MovementKind


@pytest.fixture(autouse=True)
def saving(work: Work) -> Iterator[None]:
    """The factories save into the house of the test."""
    with factories.saving_into(work.session):
        yield


def _move(work: Work, item: Item, kind: MovementKind, on_hand: int = 0, reserved: int = 0) -> None:
    with transaction(work.session):
        move_stock(work, item, kind, on_hand=on_hand, reserved=reserved, why="by the test")


def _counting(work: Work, *counts: int) -> tuple[StockCount, list[Item]]:
    """Items of bin T-1 with so many each by the sums, and a count of that bin."""
    items = [factories.ItemFactory(code=f"T-{number}", bin="T-1", cost_cents=250) for number in counts]
    for item, number in zip(items, counts, strict=True):
        _move(work, item, K.COUNTED, number)
    return begin_stock_count(work, CountChoice(bin="T-")), items


def test_differences_are_priced_before_they_are_saved_and_what_nobody_counted_stays(work: Work) -> None:
    count, (one, two, three) = _counting(work, 12, 7, 5)
    assert enter_counts(work, count.id, {one.id: Found(10), two.id: Found(8)}) == 2
    plan = plan_count(work.session, count)
    assert (plan.counted, plan.lines) == (2, 3)
    assert {row.item.code: (row.book, row.difference, row.cents) for row in plan.differences} == {
        "T-12": (12, -2, -500),
        "T-7": (7, 1, 250),
    }
    assert (plan.gained_cents, plan.lost_cents) == (250, -500)
    assert [quantity_of(work.session, item.id).on_hand for item in (one, two, three)] == [12, 7, 5]  # not saved yet
    with pytest.raises(LedgerError, match="since these differences were shown"):
        save_count(work, count.id, "another seal")
    save_count(work, count.id, plan.seal)
    assert [quantity_of(work.session, item.id).on_hand for item in (one, two, three)] == [10, 8, 5]
    with pytest.raises(LedgerError, match="This count is over"):
        enter_counts(work, count.id, {three.id: Found(5)})


@pytest.mark.postgresql
@pytest.mark.parametrize(
    ("since", "after"),
    [
        (Since.BEFORE, 9),  # 12 by the sums, 11 counted, then 2 sold: 9 lie there
        (Since.AFTER, 11),  # the two were gone already when 11 were counted
    ],
)
def test_who_counted_while_others_sold_is_asked_before_or_after(work: Work, since: Since, after: int) -> None:
    count, (item, other) = _counting(work, 12, 7)
    _move(work, item, K.SOLD, -2)
    with pytest.raises(Problems) as asked:
        enter_counts(work, count.id, {item.id: Found(11), other.id: Found(7)})
    [problem] = asked.value.problems
    assert problem.field == f"item-{item.id}" and "T-12: 2 sold since the count began" in problem.message
    assert plan_count(work.session, count).counted == 1  # the other one is not lost
    enter_counts(work, count.id, {item.id: Found(11, since)})
    save_count(work, count.id, plan_count(work.session, count).seal)
    assert quantity_of(work.session, item.id).on_hand == after


def test_what_is_sold_between_the_counting_and_the_saving_is_counted_in(work: Work) -> None:
    count, (item, gone) = _counting(work, 12, 7)
    enter_counts(work, count.id, {item.id: Found(11), gone.id: Found(2)})
    seal = plan_count(work.session, count).seal
    _move(work, item, K.SOLD, -3)
    _move(work, gone, K.SOLD, -4)  # of two that were found, four cannot have left
    with pytest.raises(Problems, match="T-7: 2 counted, but 4 left since then"):
        save_count(work, count.id, seal)
    assert quantity_of(work.session, item.id).on_hand == 9  # nothing was saved
    enter_counts(work, count.id, {gone.id: Found(3, Since.AFTER)})
    save_count(work, count.id, plan_count(work.session, count).seal)
    assert [quantity_of(work.session, one.id).on_hand for one in (item, gone)] == [8, 3]


def test_a_count_that_finds_fewer_than_are_reserved_lets_the_newest_reservation_go(work: Work) -> None:
    count, (item,) = _counting(work, 12)
    job = factories.JobFactory()
    first, second = (Need(job_id=job.id, item_id=item.id, quantity=number, made_at=work.now) for number in (5, 6))
    work.session.add_all((first, second))
    work.session.commit()
    with transaction(work.session):
        for need in (first, second):
            move_stock(
                work, item, K.RESERVED, reserved=need.quantity, why="for a job", need_id=need.id, job_id=job.id
            )
    enter_counts(work, count.id, {item.id: Found(8)})
    save_count(work, count.id, plan_count(work.session, count).seal)
    assert quantity_of(work.session, item.id) == Quantity(8, 8, True)
    held = sa.select(StockMovement.need_id, sa.func.sum(StockMovement.reserved)).where(
        StockMovement.item_id == item.id, StockMovement.need_id.is_not(None)
    )
    by_need = dict(work.session.execute(held.group_by(StockMovement.need_id)).all())
    assert by_need == {first.id: 5, second.id: 3}
    count_item(work, item.id, ShelfForm(10, mark=newest_movement(work.session)))  # two more: who waits gets them
    assert quantity_of(work.session, item.id) == Quantity(10, 10, True)


def test_the_first_count_lists_what_is_sold_from_the_shelf_and_goes_out_and_in_as_a_table(work: Work) -> None:
    count = begin_stock_count(work, CountChoice(is_first=True))
    rows = list(count_table(work.session, count))
    codes = {row[3]: row for row in rows[1:]}
    # Of a catalog, of its key blanks and cams, and of the price book; no labor, no cut key, nothing to order.
    assert {"A18M-Q1-66.SC", "AK6-12", "AC-10", "AG-02", "RING-SET"} <= set(codes)
    assert not {"TRIP", "KEY-CUT", "AK6-56"} & set(codes)
    kinds = dict(work.session.execute(sa.select(Item.code, Item.kind)).all())
    assert [kinds[code] for code in ("A18M-Q1-66.SC", "AK6-12", "AC-10", "AG-02", "RING-SET")] == [
        ItemKind.PART, ItemKind.BLANK, ItemKind.CAM, ItemKind.RING, ItemKind.GOODS,
    ]  # fmt: skip
    filled = [rows[0], [*codes["AK6-12"][:5], "1,250", ""], codes["AC-10"], [*codes["RING-SET"][:5], "0", ""]]
    found = read_count_file("sheet.csv", csv_bytes(filled))
    assert sorted(one.count for one in found.values()) == [0, 1250]
    enter_counts(work, count.id, found)
    save_count(work, count.id, plan_count(work.session, count).seal)
    ids = dict(work.session.execute(sa.select(Item.code, Item.id)).all())
    assert quantity_of(work.session, ids["AK6-12"]) == Quantity(1250, 0, True)
    assert quantity_of(work.session, ids["RING-SET"]) == Quantity(0, 0, True)  # counted: there is none
    assert not quantity_of(work.session, ids["AC-10"]).is_counted
    later = begin_stock_count(work, CountChoice(kind=ItemKind.BLANK, not_since=work.today))
    assert ids["AK6-12"] not in {row.item.id for row in count_rows(work.session, later, size=100).rows}
    wrong = [rows[0], [*codes["AK6-12"][:5], "12.5", ""], [*codes["AC-10"][:5], "3", "perhaps"]]
    with pytest.raises(Problems) as refused:
        read_count_file("sheet.csv", csv_bytes(wrong))
    assert [problem.field for problem in refused.value.problems] == ["row 2, counted", "row 3, before or after"]


def test_one_item_is_counted_found_moved_and_scrapped(work: Work) -> None:
    item, van = factories.ItemFactory(code="HINGE"), set_place(work, "Van 3", PlaceKind.VAN)
    with pytest.raises(LedgerError, match="HINGE was never counted: count all"):
        put_found(work, item.id, ShelfForm(2))
    assert count_item(work, item.id, ShelfForm(9, mark=newest_movement(work.session))) == 9
    before = newest_movement(work.session)
    put_found(work, item.id, ShelfForm(2, "behind the shelf"))
    with pytest.raises(LedgerError, match="moved at Shelf since this page was made: 11 on hand now"):
        count_item(work, item.id, ShelfForm(9, mark=before))
    move_between(work, item.id, ShelfForm(4), van.id)
    with pytest.raises(LedgerError, match="HINGE at Shelf: 7 on hand; 8 cannot be scrapped"):
        scrap_stock(work, item.id, ShelfForm(8, "bent"))
    with pytest.raises(LedgerError, match="Say why"):
        scrap_stock(work, item.id, ShelfForm(1))
    scrap_stock(work, item.id, ShelfForm(3, "bent"))
    assert quantity_of(work.session, item.id).on_hand == 8  # 9 + 2 - 3
    assert [quantity_of(work.session, item.id, place).on_hand for place in (1, van.id)] == [4, 4]


def test_an_item_is_ordered_up_to_no_less_than_its_reorder_point(work: Work) -> None:
    item = factories.ItemFactory()
    with pytest.raises(Problems) as refused:
        form = replace(item_form(item), words="", reorder_point=8, reorder_to=7, pack_size=0)
        save_item(work, form, item.id, item.version)
    assert {problem.field for problem in refused.value.problems} == {"words", "reorder_to", "pack_size"}
    kept = {"reorder_point": 8, "reorder_to": 24, "pack_size": 12, "lead_days": 5}
    form = replace(item_form(item), words="Hinge", bin="C-1", barcode="0400", cost_cents=90, **kept)
    saved = save_item(work, form, item.id, item.version)
    assert (saved.bin, saved.barcode, saved.cost_cents, saved.reorder_to, saved.lead_days) == (
        "C-1",
        "0400",
        90,
        24,
        5,
    )


def test_of_two_who_take_the_last_piece_at_once_one_gets_it(work: Work, config: Config) -> None:
    item = factories.ItemFactory(code="LAST")
    _move(work, item, K.COUNTED, 1)
    item_id, now, told = item.id, work.now + timedelta(minutes=1), list[str]()
    work.session.rollback()
    ready = threading.Barrier(2)

    def take() -> None:
        ledger = open_ledger(config)
        with ledger.sessions() as session:
            hand = Work(session, ledger.vault, Actor.of(session.get_one(User, 1)), now)
            ready.wait()
            try:
                with transaction(session):
                    move_stock(hand, session.get_one(Item, item_id), K.SOLD, on_hand=-1, why="at once")
                told.append("sold")
            except LedgerError as refused:
                told.append(refused.message)
        ledger.close()

    hands = [threading.Thread(target=take) for _ in range(2)]
    for hand in hands:
        hand.start()
    for hand in hands:
        hand.join()
    assert sorted(told) == [
        "LAST at Shelf: 0 on hand; 1 cannot be sold. If more lie there, count them first.",
        "sold",
    ]
    assert quantity_of(work.session, item_id).on_hand == 0
