"""What is available to promise, against textbooks: what is free once orders have taken theirs of shelf and receipts.

P: printed in the source. AV1, P: APICS wording, shipping-data.com/glossary/discrete-available-promise: first on hand
and receipt less all orders until the next receipt, later receipt less orders until the next one. Here each bucket's
receipt is ordered and its orders are accepted after those of the bucket before, as the weeks go; what is free then is
the sum of the buckets, the figure that AV6 calls the useful one. Who asks for a late week holds its pieces from the
day it is accepted: what is reserved is promised to nobody else.
"""

from collections.abc import Iterator
from datetime import date, timedelta

import pytest

from app.ledger.stock.free_stock import FreeStock, Wanted
from app.ledger.stock.needs import LineWant, make_needs, needs_of
from app.ledger.store.engine import transaction
from app.ledger.store.work import Work
from app.ledger.tables import Item, OrderKind, OrderState, PurchaseLine, PurchaseOrder
from tests import factories
from tests.shelf import count_item

Bucket = tuple[int, int, tuple[int, ...]]
"""The week of a receipt, how many come, and what is ordered in that week and those before the next receipt."""


@pytest.fixture(autouse=True)
def saving(work: Work) -> Iterator[None]:
    with factories.saving_into(work.session):
        yield


def free_of(work: Work, item: Item) -> int:
    """How many can be promised, of the shelf and of orders on their way."""
    wanted = Wanted(item.code, 100_000)
    drawn = FreeStock(work.session, work.today, None, [wanted]).take(wanted)
    return drawn.on_shelf + drawn.on_order


@pytest.mark.parametrize(
    ("on_hand", "buckets", "free"),
    [
        # AV2, P: quesba.com 466846: 91, 77, 72
        (65, ((2, 250, (25, 150, 49)), (5, 200, (26, 75, 22)), (8, 150, (68, 10))), (91, 77, 72)),
        # AV3, P: the same with 10 more for week 4
        (65, ((2, 250, (25, 150, 49, 10)), (5, 200, (26, 75, 22)), (8, 150, (68, 10))), (81, 77, 72)),
        # AV4, P: wizedu.com 745726 a
        (30, ((1, 100, (75, 50)), (3, 200, (116, 73)), (5, 150, (45, 23))), (5, 11, 82)),
        # AV5, P the first, D the others: essay after Stevenson, studymode.com 49373664; receipts as
        # `tests/published/test_pricing_reordering.py` reckons them
        (64, ((1, 0, (33, 20)), (3, 70, (10, 4)), (5, 70, (2,)), (7, 70, ()), (8, 70, ())), (11, 56, 68, 70, 70)),
    ],
    ids=["AV2", "AV3", "AV4", "AV5"],
)
def test_what_is_free_is_the_sum_of_what_each_receipt_leaves(
    work: Work, on_hand: int, buckets: tuple[Bucket, ...], free: tuple[int, ...]
) -> None:
    item: Item = factories.ItemFactory(lead_days=120)
    count_item(work, item, on_hand)
    maker = factories.MakerFactory()
    order = PurchaseOrder(
        number="P-9001", maker=maker, kind=OrderKind.GOODS, state=OrderState.CONFIRMED, made_at=work.now
    )
    work.session.add(order)
    for place, (week, receipt, orders) in enumerate(buckets):
        here: date = work.today + timedelta(weeks=week)
        if receipt:
            line = PurchaseLine(order=order, number=week, item=item, quantity=receipt, unit_cents=1, expected_on=here)
            work.session.add(line)
            work.session.commit()
        for quantity in orders:
            job = factories.JobFactory()
            with transaction(work.session):
                make_needs(work, job, [LineWant(1, Wanted(item.code, quantity))])
            [state] = needs_of(work.session, job.id)
            assert state.to_order == 0 and all(one.day is not None and one.day <= here for one in state.coming)
        assert free_of(work, item) == sum(free[: place + 1])
