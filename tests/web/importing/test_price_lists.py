"""A maker's new price list on its pages: from the maker's page to prices that are taken, and undone."""

import re
import threading
from collections.abc import Callable
from datetime import date
from typing import Any

import pytest
import sqlalchemy as sa
from werkzeug.datastructures import MultiDict

from app.ledger.catalog.makers import add_maker
from app.ledger.reports.rises import TouchedQuote
from app.ledger.store.work import Work
from app.ledger.tables import Import, Item, ItemKind, Maker, Role, Stage
from app.web import background
from app.web.importing import price_lists
from tests import factories
from tests.desk import upload
from tests.factories import FormClient
from tests.forms_found import form_with, forms_of
from tests.web.importing.test_customers import follow

ClientAs = Callable[[Role | None], FormClient]
HEAD = "Item,Description,List,Net\n"
LIST = HEAD + "H-1,Hinge,$11.00,$5.50\nH-2,Stop,21.00,10.50\nH-3,Pull,30.00,15.00\nH-9,Plate,5.00,2.50\n"


def goods(maker: Maker, code: str, list_cents: int) -> None:
    """A thing of a maker that costs half its list price."""
    cost = list_cents // 2
    kind = {"kind": ItemKind.GOODS, "category": "hardware"}
    factories.ItemFactory(maker=maker, code=code, list_cents=list_cents, cost_cents=cost, **kind)


def listed(work: Work) -> dict[str, tuple[int | None, int]]:
    work.session.rollback()
    columns = sa.select(Item.code, Item.list_cents, Item.cost_cents).where(Item.maker_id.is_not(None))
    rows = work.session.execute(columns.order_by(Item.code))
    return {code: (list_cents, cost) for code, list_cents, cost in rows}


def house(work: Work) -> Maker:
    maker = add_maker(work, "Ardent Brass", "ARD")
    for code, cents in (("H-1", 1000), ("H-2", 2000), ("H-3", 3000), ("H-4", 4000)):
        goods(maker, code, cents)
    work.session.commit()
    return maker


def send(client: FormClient, maker: Maker, content: str, name: str = "list.csv") -> tuple[str, str]:
    """Send a list from the maker's page; its page and address."""
    page = client.get(f"/makers/{maker.id}").text
    assert f"/imports?kind=price+list&amp;about={maker.id}" in page
    answer = upload(client, f"/imports?kind=price+list&about={maker.id}", content.encode(), name, kind="price list")
    assert answer.status_code == 303, answer.text
    return follow(client, answer.headers["Location"]), answer.headers["Location"] + "/prices"


def press(client: FormClient, page: str, address: str, act: str, **boxes: object) -> str:
    """Press a button of the list's page; the page after it."""
    fields = next(form.fields for form in forms_of(page) if "seal" in dict(form.fields))
    left = {*boxes, "csrf_token", "act"}
    sent = MultiDict((name, value) for name, value in fields if name not in left)
    answer = client.post(address, data=MultiDict([*sent.items(multi=True), ("act", act), *boxes.items()]))
    return follow(client, answer.headers["Location"]) if answer.status_code == 303 else answer.text


def test_a_list_is_taken_but_for_what_rises_over_a_percentage(work: Work, owner_client: FormClient) -> None:
    maker = house(work)
    page, address = send(owner_client, maker, LIST)
    assert current_in_menu(page) == ["Goods", "Makers"]
    # H-1 rises by 10 %, H-2 by 5 %: 7.5 % in the mean.
    for words in ("<dd><b>2</b>", "7.5 %", "10.0 %", "Take 4 items from", "+10.0 %"):
        assert words in page, words
    page = press(owner_client, page, address, "over", over="7")
    assert "Take 3 items from" in page
    done = press(owner_client, page, address, "take")
    assert "Price list taken: 1 new, 2 changed." in done and current_in_menu(done) == ["Goods", "Makers"]
    assert listed(work) == {
        "H-1": (1000, 500), "H-2": (2100, 1050), "H-3": (3000, 1500), "H-4": (4000, 2000), "H-9": (500, 250),
    }  # fmt: skip
    goods_list = owner_client.get("/goods?shown=unlisted").text
    assert "H-4" in goods_list and "no longer in the maker&#39;s list" in goods_list and "H-2" not in goods_list
    undone = owner_client.post(action_of(done), data=form_with(done, "version"))
    assert "undone" in follow(owner_client, undone.headers["Location"])
    assert listed(work)["H-2"] == (2000, 1000) and "H-9" not in listed(work)


def current_in_menu(page: str) -> list[str]:
    """The words of the menu under which a page stands."""
    return re.findall(r'aria-current="page">([^<]+)</a>', page)[:2]


def action_of(page: str) -> str:
    """Where the form that undoes goes."""
    return page.split('/undo"')[0].rpartition('action="')[2] + "/undo"


def test_a_later_day_waits_and_thin_margins_are_asked_about(work: Work, owner_client: FormClient) -> None:
    maker = house(work)
    # H-1 at $11.00 costs $10.00 now: 9.1 % is left.
    page, address = send(owner_client, maker, HEAD + "H-1,Hinge,11.00,10.00\nH-2,Stop,20.00,10.00\nH-3,,30,15\n")
    assert "1 item would be sold under the least margin" in page and "Only 9.1 % is left" in page
    refused = press(owner_client, page, address, "take")
    assert "1 item would be sold under the least margin. Tick this" in refused and listed(work)["H-1"] == (1000, 500)
    page = press(owner_client, page, address, "update", day="2199-01-01")
    assert "the old prices hold" in page
    done = press(owner_client, page, address, "take", is_thin_meant="y")
    assert "Price list taken: 0 new, 2 changed." in done and listed(work)["H-1"] == (1000, 500)
    told = owner_client.get(f"/makers/{maker.id}").text
    assert "A new price list waits: 1 price holds from 1 Jan 2199." in told
    assert re.search(r'href="/imports/\d+">The list, and undo', told)


@pytest.mark.parametrize(("dearer_by", "told"), [(0, []), (3_00, ["In all $3.00 less is left of this quote."])])
def test_what_is_lost_by_open_quotes_is_told_where_something_is(
    work: Work, owner_client: FormClient, monkeypatch: pytest.MonkeyPatch, dearer_by: int, told: list[str]
) -> None:
    """A quote of goods that the list names no longer is told, too, and loses nothing by it."""
    quote = TouchedQuote(1001, 1, "Flats", "", Stage.QUOTED, None, 120_00, 0, dearer_by, ("H-4",))
    monkeypatch.setattr(price_lists, "touched_by_list", lambda *asked: (quote,))
    page, _ = send(owner_client, house(work), LIST)
    assert '<td data-label="No longer listed" class="code">H-4</td>' in page
    assert re.findall(r"In all .* less is left of [^<]*", page) == told


def test_a_list_is_compared_once_however_often_its_page_is_turned(
    work: Work, owner_client: FormClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    maker, days = house(work), []
    compare = price_lists.compare_list

    def counted(session: Any, sent: Any, choice: Any, day: date, **more: bool) -> Any:
        days.append(day)
        return compare(session, sent, choice, day, **more)

    monkeypatch.setattr(price_lists, "compare_list", counted)
    page, address = send(owner_client, maker, LIST)
    for act, boxes in (
        ("", {"go": "new:1"}),
        ("", {"go": "gone:1"}),
        ("none", {}),
        ("all", {}),
        ("over", {"over": "7"}),
    ):
        page = press(owner_client, page, address, act, **boxes)
    assert len(days) == 1 and "Take 3 items from" in page
    press(owner_client, page, address, "update", day="2199-01-01")
    assert days[1:] == [date(2199, 1, 1)]


def test_a_long_list_is_taken_in_the_background_once(
    work: Work, owner_client: FormClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    maker, go = house(work), threading.Event()
    take = price_lists.take_price_list

    def slow(*asked: Any, **more: Any) -> Any:
        assert go.wait(60)
        return take(*asked, **more)

    monkeypatch.setattr(price_lists, "take_price_list", slow)
    page, address = send(owner_client, maker, LIST)
    monkeypatch.setattr(background, "AT_ONCE", 0.0)
    for _ in range(2):
        waits = press(owner_client, page, address, "take")
        assert "You may leave this page" in waits and listed(work)["H-1"] == (1000, 500)
        assert re.search(r'href="/makers"[^>]*aria-current', waits)
    token = address.rsplit("/", 2)[1]
    with owner_client.application.app_context():
        run = background.known_run(f"save {token}")
        go.set()
        assert run is not None and run.awaited(however_long=True)
    where = f"/imports/waiting/{token}/saving"
    assert owner_client.get(where, headers={"HX-Request": "true"}).headers["HX-Refresh"] == "true"
    assert "Price list taken: 1 new, 3 changed." in follow(owner_client, where)
    assert listed(work)["H-1"] == (1100, 550)
    assert work.session.scalar(sa.select(sa.func.count(Import.id))) == 1


def test_a_failure_in_the_background_is_told_and_takes_nothing(
    work: Work, owner_client: FormClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    maker = house(work)

    def breaks(*_: Any) -> None:
        raise OSError("no room left")

    page, address = send(owner_client, maker, LIST)
    monkeypatch.setattr("app.ledger.importing.price_lists.remember_choice", breaks)
    monkeypatch.setattr(background, "AT_ONCE", 0.0)
    where = address.rsplit("/", 1)[0] + "/saving"
    press(owner_client, page, address, "take")
    with owner_client.application.app_context():
        run = background.known_run(f"save {address.rsplit('/', 2)[1]}")
        assert run is not None and run.awaited(however_long=True)
    assert "This could not be worked on. Nothing was changed." in owner_client.get(where).text
    assert listed(work)["H-1"] == (1000, 500) and "H-9" not in listed(work)
    assert work.session.scalar(sa.select(sa.func.count(Import.id))) == 0


def test_the_counter_has_no_such_page(work: Work, client_as: ClientAs) -> None:
    maker, client = house(work), client_as(Role.COUNTER)
    assert "New price list" not in client.get(f"/makers/{maker.id}").text
    assert client.get("/imports/waiting/abcdefghijklmnopqrstuvwx/prices").status_code == 403
