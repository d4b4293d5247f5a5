"""What is on its way from makers: the open lines of orders that were sent, and how many of each nobody has yet."""

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from typing import Any

import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.store.engine import read
from app.ledger.tables import DeliveryLine, OrderState, PurchaseLine, PurchaseOrder, PurchaseShare

OPEN = (OrderState.SENT, OrderState.CONFIRMED)
_MOST_ASKED = 10_000  # SQLite takes 32,766 values in one question


@dataclass(frozen=True, slots=True)
class OpenLine:
    """A line of an order that was sent. to_come: how many are still to come; free: of those, for no job yet.

    expected_on: as the maker confirmed it, else by its lead time; None where nobody knows.
    """

    item_id: int
    line_id: int
    order_number: str
    to_come: int
    free: int
    expected_on: date | None


def came(line: type[PurchaseLine] = PurchaseLine) -> sa.ScalarSelect[int]:
    """How many good pieces of a line came."""
    good = sa.select(sa.func.coalesce(sa.func.sum(DeliveryLine.good), 0))
    return good.where(DeliveryLine.line_id == line.id).correlate(line).scalar_subquery()


def shared(line: type[PurchaseLine] = PurchaseLine) -> sa.ScalarSelect[int]:
    """How many of a line are still to come for jobs."""
    left = sa.func.sum(PurchaseShare.quantity - PurchaseShare.arrived)
    return (
        sa.select(sa.func.coalesce(left, 0)).where(PurchaseShare.line_id == line.id).correlate(line).scalar_subquery()
    )


def open_lines(session: Session, item_ids: Collection[int]) -> list[OpenLine]:
    """The lines by which more of these items is to come, the earliest day first and those without one last."""
    found: list[OpenLine] = []
    wanted = sorted(item_ids)
    for start in range(0, len(wanted), _MOST_ASKED):
        found += [_line(row) for row in read(session, _OPEN_LINES, {"items": wanted[start : start + _MOST_ASKED]})]
    return sorted(found, key=lambda line: (line.expected_on or date.max, line.line_id))


def _line(row: Any) -> OpenLine:
    to_come = row.quantity - row.canceled - row.came
    return OpenLine(
        row.item_id, row.id, row.number, to_come, max(0, to_come - row.shared), row.expected_on or row.order_expected
    )


_OPEN_LINES = (
    sa.select(
        PurchaseLine.id,
        PurchaseLine.item_id,
        PurchaseOrder.number,
        PurchaseLine.quantity,
        PurchaseLine.canceled,
        PurchaseLine.expected_on,
        PurchaseOrder.expected_on.label("order_expected"),
        came().label("came"),
        shared().label("shared"),
    )
    .join(PurchaseOrder, PurchaseOrder.id == PurchaseLine.order_id)
    .where(
        PurchaseLine.item_id.in_(sa.bindparam("items", expanding=True)),
        PurchaseOrder.state.in_(OPEN),
        PurchaseLine.quantity - PurchaseLine.canceled > came(),
    )
)
