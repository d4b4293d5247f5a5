"""A paper as an e-mail: an order's, which sends the order; that of a quote is in tests/web/quotes/test_mailing.py."""

from dataclasses import replace

import pytest
import sqlalchemy as sa
from flask import Flask

from app.ledger.goods.orders import ChosenToOrder, Ticked, make_drafts
from app.ledger.goods.to_order import what_to_order
from app.ledger.store.work import Work
from app.ledger.tables import Event, ItemKind, Need, OrderState, PurchaseOrder, Role, Stage
from tests import factories
from tests.conftest import NOW
from tests.web.jobs.test_views import ClientAs
from tests.web.quotes.test_mailing import FORM, OFFICE, _Server, read, server

__all__ = ["server"]


@pytest.fixture
def draft(work: Work) -> PurchaseOrder:
    """An order of three pieces that a job needs, not sent."""
    factories.HouseFactory()
    maker = factories.MakerFactory(name="Ardent Brass", email="orders@ardent.example")
    item = factories.ItemFactory(maker=maker, code="AX-1", kind=ItemKind.PART)
    job = factories.JobFactory(number=7, stage=Stage.APPROVED)
    work.session.add(Need(job=job, line_number=1, item=item, quantity=3, made_at=NOW))
    factories.StockMovementFactory(item_id=item.id, on_hand=0)
    work.session.commit()
    (row,) = [one for group in what_to_order(work) for one in group.items]
    (made,) = make_drafts(work, ChosenToOrder([Ticked(item.id, 3, row.mark)]))
    return made


def state_of(work: Work, order: PurchaseOrder) -> OrderState:
    """As it is on record now."""
    work.session.rollback()
    work.session.refresh(order)
    return order.state


def test_a_saved_order_counts_as_sent_and_a_refused_one_stays_a_draft(
    work: Work, client_as: ClientAs, web: Flask, draft: PurchaseOrder
) -> None:
    web.extensions["config"] = replace(web.extensions["config"], mail_from=OFFICE)
    client, address = client_as(Role.COUNTER), f"/stock/orders/{draft.id}/mail"
    page = client.get(address).text
    assert 'value="orders@ardent.example"' in page and "With the e-mail the order counts as sent" in page
    refused = client.post(address, data=FORM | {"to": "nobody", "press": "save"})
    assert refused.status_code == 422 and "is no e-mail address" in refused.text and "here it is." in refused.text
    assert state_of(work, draft) is OrderState.DRAFT
    answer = client.post(address, data=FORM | {"press": "save"})
    assert answer.headers["Content-Disposition"] == 'attachment; filename="order-P-0001.eml"'
    message = read(answer.data)
    assert (message["To"], message["Subject"], message["X-Unsent"]) == (FORM["to"], "Our quote", "1")
    assert [one.get_filename() for one in message.iter_attachments()] == ["order-P-0001.pdf", "order-P-0001.csv"]
    assert state_of(work, draft) is OrderState.SENT


def test_an_order_goes_through_the_mail_server_once(
    work: Work, client_as: ClientAs, server: _Server, draft: PurchaseOrder
) -> None:
    client, address = client_as(Role.COUNTER), f"/stock/orders/{draft.id}/mail"
    went = client.post(address, data=FORM | {"press": "send"})
    assert went.status_code == 303 and went.headers["Location"] == f"/stock/orders/{draft.id}"
    (raw,) = server.taken
    assert read(raw)["From"].addresses[0].addr_spec == OFFICE and read(raw)["Message-ID"].endswith(
        "fenwickquay.example>"
    )
    again = client.post(address, data=FORM | {"press": "send"}, follow_redirects=True)
    assert "This e-mail was sent already; it was not sent twice." in again.text and len(server.taken) == 1
    assert state_of(work, draft) is OrderState.SENT
    told = work.session.scalars(sa.select(Event.summary).where(Event.kind == "order mailed")).all()
    assert told == [f"Order P-0001 sent to {FORM['to']}"]
