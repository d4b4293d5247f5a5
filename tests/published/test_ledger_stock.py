"""Movements of stock and their sums against textbooks. Status P: the figure is printed in the source that was read;
C: computed by us; D: derived from printed figures.

OA1: Principles of Accounting, Volume 1: Financial Accounting, OpenStax (Rice University), 2019, openstax.org.
"""

from collections.abc import Iterator

import pytest

from app.ledger.stock.counts import CountChoice, Found, begin_stock_count, enter_counts, plan_count, save_count
from app.ledger.stock.movements import move_stock, quantity_of
from app.ledger.stock.stock_queries import movements_of
from app.ledger.store.engine import transaction
from app.ledger.store.work import Work
from app.ledger.tables import Item, MovementKind
from tests import factories

K = MovementKind


@pytest.fixture
def item(work: Work) -> Iterator[Item]:
    """An item that nobody moved yet."""
    yield factories.ItemFactory(bin="P-1", cost_cents=60_00)


def _move(work: Work, item: Item, kind: MovementKind, number: int, cost_cents: int | None = None) -> int:
    """The movement is written; what is on hand then."""
    with transaction(work.session):
        move_stock(work, item, kind, on_hand=number, why="as printed", cost_cents=cost_cents)
    return quantity_of(work.session, item.id).on_hand


def test_on_hand_is_the_sum_of_what_was_bought_and_sold(work: Work, item: Item) -> None:
    """ST1, P. OA1 10.3: bought 150, 225 and 210, sold 120 and 180."""
    steps = ((K.RECEIVED, 150), (K.SOLD, -120), (K.RECEIVED, 225), (K.SOLD, -180), (K.RECEIVED, 210))
    assert [_move(work, item, kind, number) for kind, number in steps] == [150, 30, 255, 75, 285]


def test_what_goes_back_to_the_maker_leaves_and_an_allowance_moves_nothing(work: Work, item: Item) -> None:
    """ST4. OA1 6.3: 300 at 60 come to 18,000 (P), 25 go back for 1,500 (P), 60 are kept at 8 off each, 480 (P); on
    hand 275 at 16,020 (D).
    """
    assert _move(work, item, K.RECEIVED, 300, 60_00) == 300
    assert _move(work, item, K.RETURNED, -25, 60_00) == 275
    told = movements_of(work.session, item.id).rows
    spent = sum(one.movement.on_hand * (one.movement.cost_cents or 0) for one in told)
    assert (300 * 60_00, 25 * 60_00, 60 * 8_00) == (18_000_00, 1_500_00, 480_00)
    assert spent - 480_00 == 16_020_00


def test_what_a_customer_brings_back_is_there_again(work: Work, item: Item) -> None:
    """ST5. OA1 6.4: 250 sold, which cost 15,000 (P; a picture there has 12,000 once, a slip); 40 come back and can be
    sold, 2,400 at cost (P). 20 are kept at 10 off, 200 (P): that moves no stock.
    """
    _move(work, item, K.RECEIVED, 300, 60_00)
    assert _move(work, item, K.SOLD, -250, 60_00) == 50
    assert _move(work, item, K.RETURNED, 40, 60_00) == 90
    sold, back = (one.movement for one in movements_of(work.session, item.id).rows[1::-1])
    assert sold.on_hand * (sold.cost_cents or 0) == -15_000_00 and back.on_hand * (back.cost_cents or 0) == 2_400_00


def test_a_count_corrects_by_one_movement_and_overwrites_nothing(work: Work, item: Item) -> None:
    """ST6. 20, less 3 and 8, 6 more, less 8, 8 more: 15 by the book, 13 counted, so 2 fewer (P, an exercise's answer,
    smartsolve.ai "book-to-physical", a weak source); one movement corrects it (D).
    """
    for kind, number in ((K.COUNTED, 20), (K.SOLD, -3), (K.SOLD, -8), (K.RECEIVED, 6), (K.SOLD, -8), (K.RECEIVED, 8)):
        book = _move(work, item, kind, number)
    assert book == 15
    count = begin_stock_count(work, CountChoice(bin="P-1"))
    enter_counts(work, count.id, {item.id: Found(13)})
    save_count(work, count.id, plan_count(work.session, count).seal)
    moved = [one.movement.on_hand for one in reversed(movements_of(work.session, item.id).rows)]
    assert moved == [20, -3, -8, 6, -8, 8, -2]
    assert quantity_of(work.session, item.id).on_hand == 13
