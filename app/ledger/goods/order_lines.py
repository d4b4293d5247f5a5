"""What is left of an order's lines: what came, what is to come, for which jobs."""

from collections.abc import Sequence
from datetime import date

from app.ledger.tables import PurchaseLine, PurchaseOrder

ORDER_SENT, ORDER_MAILED, ORDER_CONFIRMED = "order sent", "order mailed", "order confirmed"
GOODS_RECEIVED, PIECES_CANCELED = "goods received", "order canceled in part"
ORDER_CLOSED, ORDER_CANCELED = "order closed", "order canceled"
PROMISE_MOVED, CUSTOMER_CALLED = "promise moved", "customer called"
OF_JOBS = (PROMISE_MOVED, CUSTOMER_CALLED)
"""Kinds of events that orders write into the stories of their jobs."""


def take_from_shares(line: PurchaseLine, pieces: int) -> None:
    """Let jobs have so many fewer of what is still to come of a line: whoever needs them last first."""
    waiting = sorted(line.shares, key=lambda share: (share.need.needed_on or date.max, share.need_id), reverse=True)
    for share in waiting:
        if pieces <= 0:
            return
        taken = min(pieces, share.quantity - share.arrived)
        pieces -= taken
        if share.quantity == taken:
            line.shares.remove(share)
        else:
            share.quantity -= taken


def latest_day(order: PurchaseOrder) -> date | None:
    """The day on which the last of what is still to come is expected; None where no line has a day."""
    days = [line.expected_on for line in order.lines if line.expected_on and to_come(line)]
    return max(days, default=None)


def good_of(line: PurchaseLine) -> int:
    """How many good pieces of a line came."""
    return sum(one.good for one in line.received)


def to_come(line: PurchaseLine) -> int:
    """How many of a line are still to come."""
    return max(0, line.quantity - line.canceled - good_of(line))


def cancel_some(line: PurchaseLine, pieces: int) -> None:
    """Take so many off what is still to come of a line: what was for nobody first, then who needs it last."""
    open_shares = sum(share.quantity - share.arrived for share in line.shares)
    line.canceled += pieces
    take_from_shares(line, open_shares - to_come(line))


def jobs_of(order: PurchaseOrder) -> Sequence[int]:
    """The ids of the jobs that wait for something of an order, rising."""
    ids = {share.need.job_id for line in order.lines for share in line.shares}
    if order.job_id is not None:
        ids.add(order.job_id)
    return sorted(ids)
