"""Use case: send an order's e-mail through the house's mail server; sent is an event."""

from email.message import EmailMessage

from app.ledger.goods.order_lines import ORDER_MAILED
from app.ledger.quoting.mailing import MailServer, Sent, send_once
from app.ledger.store.engine import get_row
from app.ledger.store.work import Work
from app.ledger.tables import PurchaseOrder, Role


def mail_order(work: Work, order_id: int, message: EmailMessage, server: MailServer, token: str) -> Sent:
    """Send an order's message, as `send_once` does; NotFound."""
    work.require(Role.COUNTER)
    order = get_row(work.session, PurchaseOrder, order_id, "order")
    return send_once(
        work, message, server, token, kind=ORDER_MAILED, about=f"order {order_id}", what=f"Order {order.number}",
        job_id=None,
    )  # fmt: skip
