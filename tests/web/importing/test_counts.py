"""A count that was written down elsewhere goes in from the page of counts."""

from app.ledger.stock.movements import quantity_of
from app.ledger.store.work import Work
from app.ledger.tables import ItemKind
from tests import factories
from tests.desk import upload
from tests.factories import FormClient
from tests.forms_found import form_with
from tests.web.importing.test_customers import action_of, follow

TABLE = 'Part,Counted\nH-1,"1,036"\nH-2,12.5\nH-2,1.5E+03\nH-1,7\nH-9,3\nTotal,1058\n'


def test_a_count_goes_in_from_the_page_of_counts(work: Work, owner_client: FormClient) -> None:
    maker = factories.MakerFactory(name="Ardent Brass", code="ARD")
    items = [factories.ItemFactory(maker=maker, code=code, kind=ItemKind.GOODS) for code in ("H-1", "H-2")]
    work.session.commit()
    assert 'href="/imports?kind=stock"' in owner_client.get("/stock/counts").text
    answer = upload(owner_client, "/imports?kind=stock", TABLE.encode(), "count.csv", kind="stock")
    page = follow(owner_client, answer.headers["Location"])
    for words in (
        "Enter a whole number from 0 to 1,000,000, not &#39;12.5&#39;.",
        "A spreadsheet shortened it to 1.5E+03.",
        "H-1 stands in row 2 already.",
        "H-9 is no item yet: import goods first.",
        "Save 1 row, leave 4 aside",
    ):
        assert words in page, words
    saved = owner_client.post(action_of(page), data={**form_with(page, "seal"), "aside": "yes"})
    assert "1 new" in follow(owner_client, saved.headers["Location"])
    work.session.rollback()
    assert quantity_of(work.session, items[0].id).on_hand == 1036
