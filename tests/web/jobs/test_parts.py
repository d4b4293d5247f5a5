"""The parts of a job on its page: what is to order leads to orders, and these back; by hand what nobody counts."""

from datetime import date

from app.ledger.goods.orders import ChosenToOrder, Ticked, make_drafts, send_order
from app.ledger.goods.to_order import what_to_order
from app.ledger.store.work import Work
from app.ledger.tables import ItemKind, Need, Role, Stage
from tests import factories
from tests.conftest import NOW
from tests.factories import FormClient
from tests.web.jobs.test_views import ClientAs


def parts(client: FormClient) -> tuple[bool, bool]:
    """Whether the page of job 7 leads to what is to order, and whether it asks for the press of a button."""
    page = client.get("/jobs/7").text
    return 'href="/stock/to-order"' in page, "Parts ordered" in page


def test_what_is_to_order_leads_there_and_the_order_is_linked(work: Work, client_as: ClientAs) -> None:
    """Ten are needed, three of them reserved: seven are to order from a maker who takes 5 working days."""
    factories.HouseFactory()
    job = factories.JobFactory(number=7, stage=Stage.APPROVED, promised_on=date(2026, 12, 9))
    client = client_as(Role.COUNTER)
    assert parts(client) == (False, True)  # a job of an earlier release: what it takes is on no record
    item = factories.ItemFactory(
        maker=factories.MakerFactory(name="Ardent Brass", lead_days=5), code="AX-1", kind=ItemKind.PART
    )
    need = Need(job=job, line_number=1, item=item, quantity=10, made_at=NOW)
    work.session.add(need)
    work.session.flush()
    factories.StockMovementFactory(item_id=item.id, on_hand=3, reserved=3, need_id=need.id, job_id=job.id)
    work.session.commit()
    assert parts(client) == (True, False)
    (row,) = [one for group in what_to_order(work) for one in group.items]
    assert row.quantity == 7
    (draft,) = make_drafts(work, ChosenToOrder([Ticked(item.id, 7, row.mark)]))
    send_order(work, draft.id, draft.version)
    page = client.get("/jobs/7").text
    assert f'href="/stock/orders/{draft.id}">Order P-0001</a> to <b>Ardent Brass</b>' in page
    assert "sent, 7 to come by 2 Dec 2026" in page and "in doubt" not in page  # sent on Wednesday 25 November
    assert parts(client) == (False, False)
    job.promised_on = date(2026, 12, 1)
    work.session.commit()
    said = "P-0001 was sent so late that it can be ready on Wednesday 2 December 2026: call Ardent Brass"
    assert f"The promise of 1 Dec 2026 is in doubt: {said}." in client.get("/jobs/7").text
    assert said in client.get("/stock/calls").text and said in client.get("/day").text


def test_what_nobody_counts_is_said_to_be_ordered_by_hand(work: Work, client_as: ClientAs) -> None:
    job = factories.JobFactory(number=7, stage=Stage.APPROVED)
    work.session.add(Need(job=job, line_number=1, item=factories.ItemFactory(), quantity=10, made_at=NOW))
    work.session.commit()
    assert parts(client_as(Role.COUNTER)) == (False, True)
