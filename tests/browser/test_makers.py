"""The counter asks Fit with a real browser; the owner loads a catalog and sets a price from Monday on."""

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from app.ledger.catalog.makers import import_maker
from app.ledger.tables import Maker, Role, User
from tests.factories import HouseFactory, PriceRowFactory, UserFactory

DEMO = Path(__file__).resolve().parents[2] / "demo_data" / "makers"
LogIn = Callable[[User], Page]


@pytest.fixture
def makers(work) -> None:
    HouseFactory()
    for path in sorted(DEMO.glob("*.json")):
        import_maker(work, json.loads(path.read_text()))


def test_an_answer_comes_as_the_counter_types(log_in: LogIn, makers) -> None:
    page = log_in(UserFactory(role=Role.COUNTER))
    page.get_by_role("link", name="Fit", exact=True).click()
    expect(page.get_by_label("Part number, words")).to_be_focused()
    page.keyboard.type("32.118.P26")
    expect(page.locator("#answer")).to_contain_text("rim cylinder 1-1/8 in, five pin, keyway PR-P")
    page.get_by_role("link", name="The same fit from other makers").click()
    expect(page.locator("#answer")).to_contain_text("does the customer agree?")
    expect(page.locator("#answer")).to_contain_text("The face will be Ardent Brass's instead of Pell & Rowe's.")


def test_a_length_is_drawn_with_its_ring(log_in: LogIn, served, makers) -> None:
    page = log_in(UserFactory(role=Role.COUNTER))
    page.goto(served.url("/fit/length"))
    page.get_by_label("Lock").select_option("Ferry 40 passage lock")
    page.get_by_label("Door thickness").fill("2-1/8")
    expect(page.locator("#answer .big").first).to_contain_text("1-3/8 in with a 1/16 in ring")
    expect(page.get_by_role("img", name="a 1/16 inch ring under its head").first).to_be_visible()


def test_the_owner_sends_a_catalog_and_sees_what_it_would_change(log_in: LogIn, owner: User, makers) -> None:
    page = log_in(owner)
    page.get_by_role("link", name="Goods", exact=True).click()
    page.get_by_role("link", name="Makers", exact=True).click()
    page.get_by_role("link", name="Ardent Brass").click()
    page.get_by_text("Files …").click()
    page.get_by_role("link", name="Send its catalog as a table").click()
    rows = "".join(f"H-{n},hardware,Part {n},1.00,2.00,no\n" for n in range(4000))
    content = ("part_number,category,description,cost,list,stocked\n" + rows).encode()
    page.get_by_label("File", exact=True).set_input_files(
        [{"name": "a.csv", "mimeType": "text/csv", "buffer": content}]
    )
    page.get_by_role("button", name="Show what it would change").click()
    page.get_by_role("button", name="Save 4,000 rows").click()
    expect(page.get_by_text("Goods saved: 4,000 new, 0 changed.")).to_be_visible()


def test_the_owner_finds_an_item_and_gives_it_a_price_from_today(log_in: LogIn, owner: User) -> None:
    HouseFactory()
    page = log_in(owner)
    page.get_by_role("link", name="Goods", exact=True).click()
    page.get_by_label("Number, words, bin or barcode").fill("rim cylinder")
    page.get_by_role("link", name="REKEY-RIM").click()
    page.get_by_role("link", name="Edit").click()
    page.get_by_label("Own price").fill("16.50")
    page.get_by_role("button", name="Save").click()
    expect(page.get_by_role("row", name="everybody")).to_contain_text("$16.50")


def test_a_maker_with_a_long_name_makes_the_list_of_goods_no_wider_than_a_phone(
    log_in: LogIn, owner: User, served, makers, session
) -> None:
    session.get_one(Maker, 1).name = "Builders' hardware of the northern warehouse and cold store, second floor"
    session.commit()
    page = log_in(owner)
    page.set_viewport_size({"width": 390, "height": 844})
    page.goto(served.url("/goods"))
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_none_of_these_pages_is_wider_than_a_phone(log_in: LogIn, owner: User, served, makers) -> None:
    PriceRowFactory(code="KEY-CUT")
    page = log_in(owner)
    page.set_viewport_size({"width": 390, "height": 844})
    paths = [
        "/fit?q=A18M-Q1-66.SC",
        "/fit/same?number=32.118.P26",
        "/fit/bore?stile=4&bore=2",
        "/makers",
        "/makers/1",
    ]
    paths += ["/goods", "/goods?shown=unpriced", "/goods/1", "/goods/1/edit", "/makers/1/tables/locks", "/customers"]
    for path in (*paths, "/prices/bench-terms/change", "/prices/factory-terms/1", "/house/settings"):
        page.goto(served.url(path))
        wide = page.evaluate("document.documentElement.scrollWidth")
        assert wide <= 390, (path, wide)
