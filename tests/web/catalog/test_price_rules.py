"""Price rules on their pages and in a quote; the house's own margin guard; terms that somebody else changed."""

import re
from collections.abc import Callable
from decimal import ROUND_HALF_UP, Decimal
from html import unescape

import pytest
import sqlalchemy as sa
from sqlalchemy.orm import Session

from app.ledger.tables import BenchTermsRow, Customer, Event, Item, PriceBookRow, PriceRuleRow, Role
from app.pricing import show_cents
from tests.factories import FormClient
from tests.stocked import HARDWARE, PART, empty_house, posted

__all__ = ["empty_house"]

ClientAs = Callable[[Role], FormClient]
LIVE = {"HX-Request": "true"}
RULE = {"basis": "cost times", "figure": "2.5", "valid_from": "2026-11-25"}
NUMBER = PART["part_number"]


@pytest.fixture
def owned(client_as: ClientAs) -> FormClient:
    return client_as(Role.OWNER)


def item(session: Session) -> Item:
    return session.scalars(sa.select(Item).where(Item.code == NUMBER)).one()


def each(client: FormClient, **head: object) -> str:
    page = unescape(client.post("/counter/work-out", data=posted(dict(PART), **head), headers=LIVE).text)
    found = re.search(r"1 × (\$[\d.,]+)", page)
    assert found, page
    return found[1]


def test_only_the_owner_sees_and_sets_rules(client_as: ClientAs) -> None:
    for role in (Role.COUNTER, Role.BENCH):
        assert client_as(role).get("/prices/rules").status_code == 403
        assert client_as(role).post("/prices/rules/set", data=RULE).status_code == 403


@pytest.mark.postgresql
def test_a_rule_prices_what_it_speaks_of_and_is_an_event(owned: FormClient, session: Session) -> None:
    there = item(session)
    before = each(owned)
    assert owned.post("/prices/rules/set", data={**RULE, "maker": "ARD"}).status_code == 303
    assert each(owned) == show_cents((5 * there.cost_cents + 1) // 2) != before
    session.rollback()
    said = session.scalars(sa.select(Event.summary).where(Event.kind == "price rule set")).one()
    assert "of ARD: cost × 2.5" in said
    page = unescape(owned.get("/prices/rules/1").text)
    assert "Cost × 2.5" in page and "Without rules" in page and show_cents(there.list_cents) in page


@pytest.mark.postgresql
def test_the_more_particular_rule_counts_and_a_tiers_before_everybodys(owned: FormClient, session: Session) -> None:
    there = item(session)
    for more in (
        {"maker": "ARD"},
        {"code": NUMBER, "figure": "3"},
        {"code": NUMBER, "tier": "trade", "figure": "1.5"},
    ):
        assert owned.post("/prices/rules/set", data={**RULE, **more}).status_code == 303
    assert each(owned) == show_cents(3 * there.cost_cents)
    trade = session.scalars(sa.select(Customer.id).where(Customer.tier == "trade")).first()
    assert each(owned, customer_id=trade) == show_cents((3 * there.cost_cents + 1) // 2)


def ring_set(client: FormClient, quantity: int = 1) -> str:
    lines = posted(dict(HARDWARE, quantity=str(quantity)))
    page = unescape(client.post("/counter/work-out", data=lines, headers=LIVE).text)
    found = re.search(rf"{quantity} × (\$[\d.,]+)", page)
    assert found, page
    return found[1]


def test_a_rule_of_a_category_reaches_the_books_own_entries(owned: FormClient, session: Session) -> None:
    row = session.scalars(sa.select(PriceBookRow).where(PriceBookRow.code == "RING-SET")).one()
    before = ring_set(owned)
    assert owned.post("/prices/rules/set", data={**RULE, "maker": "ARD"}).status_code == 303
    assert owned.post("/prices/rules/set", data=RULE).status_code == 303
    assert ring_set(owned) == before  # of a maker, of everything: the catalogs' own
    less = {**RULE, "basis": "list less", "figure": "10", "category": "hardware"}
    assert owned.post("/prices/rules/set", data=less).status_code == 303
    after = show_cents(int((Decimal(row.unit_cents) * 9 / 10).quantize(Decimal(1), ROUND_HALF_UP)))
    assert ring_set(owned) == after != before
    page = unescape(owned.get("/prices/rules/3").text)
    assert "RING-SET" in page and after in page and before in page


def test_a_rule_from_cost_gives_nothing_away_where_no_cost_is_on_record(owned: FormClient, session: Session) -> None:
    row = session.scalars(sa.select(PriceBookRow).where(PriceBookRow.code == "RING-SET")).one()
    row.cost_cents = 0
    item(session).cost_cents = 0
    session.commit()
    before, part = ring_set(owned), each(owned)
    for more in (
        {"code": "RING-SET"},
        {"category": "hardware", "basis": "margin", "figure": "40"},
        {"code": NUMBER},
    ):
        assert owned.post("/prices/rules/set", data={**RULE, **more}).status_code == 303
    assert (ring_set(owned), each(owned)) == (before, part) != ("$0.00", "$0.00")


def test_a_first_price_of_its_own_that_starts_next_week_does_not_stop_a_part_today(
    owned: FormClient, session: Session
) -> None:
    before = each(owned)
    price = {
        "quantity_from": "1",
        "unit_cents": "99.00",
        "cost_cents": "6.00",
        "valid_from": "2026-11-30",
    }
    item = session.scalars(sa.select(Item.id).where(Item.code == NUMBER)).one()
    assert owned.post(f"/prices/set?item={item}", data=price).status_code == 303
    assert each(owned) == before != "$99.00"


def test_a_rule_that_starts_next_week_does_not_count_yet(owned: FormClient) -> None:
    before = each(owned)
    owned.post("/prices/rules/set", data={**RULE, "maker": "ARD", "valid_from": "2026-11-30"})
    assert each(owned) == before
    assert "coming" in owned.get("/prices/rules").text


@pytest.mark.postgresql
def test_a_rule_ends_or_is_taken_back(owned: FormClient, session: Session) -> None:
    before = each(owned)
    owned.post("/prices/rules/set", data={**RULE, "maker": "ARD"})
    late = owned.post("/prices/rules/1/end", data={"last_day": "2026-11-24", "version": "1"})
    assert late.status_code == 422 and "before the rule" in unescape(late.text)
    assert owned.post("/prices/rules/1/end", data={"last_day": "2026-11-25", "version": "1"}).status_code == 303
    assert owned.post("/prices/rules/1/end", data={"last_day": "2026-11-26", "version": "1"}).status_code == 409
    assert each(owned) != before  # its last day is today
    owned.post("/prices/rules/set", data={**RULE, "tier": "trade", "valid_from": "2026-12-01"})
    assert owned.post("/prices/rules/2/end", data={"last_day": "2026-11-30", "version": "1"}).status_code == 303
    session.rollback()
    assert session.scalar(sa.select(sa.func.count()).select_from(PriceRuleRow)) == 1


def test_a_rule_holds_from_today_and_may_be_changed_again_on_the_same_day(owned: FormClient) -> None:
    assert 'value="2026-11-25"' in owned.get("/prices/rules/set").text
    assert owned.post("/prices/rules/set", data={**RULE, "maker": "ARD"}).status_code == 303
    page = owned.get("/prices/rules/set?rule=1").text
    assert 'value="2026-11-25"' in page and 'name="seen" type="hidden" value="1"' in page
    assert owned.post("/prices/rules/set", data={**RULE, "maker": "ARD", "seen": "1"}).status_code == 303


@pytest.mark.postgresql
def test_two_people_at_one_rule(owned: FormClient) -> None:
    coming = {**RULE, "maker": "ARD", "valid_from": "2026-11-30"}
    assert owned.post("/prices/rules/set", data=coming).status_code == 303
    assert 'name="seen" type="hidden" value="1"' in owned.get("/prices/rules/set?rule=1").text
    assert owned.post("/prices/rules/set", data={**coming, "figure": "2.1"}).status_code == 409
    assert owned.post("/prices/rules/set", data={**coming, "figure": "2.1", "seen": "1"}).status_code == 303


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"figure": ""}, "Enter the multiplier"),
        ({"figure": "9" * 10_000}, "Enter a number from 0 to 100"),
        ({"figure": "-1"}, "Enter a number from 0 to 100"),
        ({"basis": "margin", "figure": "100"}, "A margin stays below 100"),
        ({"basis": "moon"}, "Not a valid choice"),
        ({"tier": "nobody's"}, "There is no customer tier"),
        ({"maker": "XYZ"}, "Choose one of the makers"),
        ({"category": "moons"}, "has this category"),
        ({"code": "NO-SUCH"}, "has this number"),
        ({"code": "C" * 10_000}, "At most 80"),
        ({"figure": "1.1"}, "It leaves less than 20 %"),
        ({"basis": "margin", "figure": "19.9"}, "It leaves less than 20 %"),
        ({"valid_from": "soon"}, "Write the day"),
    ],
)
def test_bad_rules_are_refused(owned: FormClient, session: Session, typed: dict[str, str], said: str) -> None:
    answer = owned.post("/prices/rules/set", data={**RULE, **typed})
    assert answer.status_code == 422 and said in unescape(answer.text)
    assert session.scalar(sa.select(sa.func.count()).select_from(PriceRuleRow)) == 0


def test_a_thin_rule_that_is_meant_is_set(owned: FormClient) -> None:
    assert owned.post("/prices/rules/set", data={**RULE, "figure": "1.1", "is_thin_meant": "y"}).status_code == 303
    assert (
        owned.post("/prices/rules/set", data={**RULE, "tier": "trade", "basis": "margin", "figure": "20"}).status_code
        == 303
    )


@pytest.mark.postgresql
def test_the_houses_own_least_margin_guards_prices_and_rules(owned: FormClient, session: Session) -> None:
    page = owned.get("/house/settings").text
    fields = dict(re.findall(r'name="(name|quote_days|version|least_margin_percent)"[^>]* value="([^"]*)"', page))
    assert fields["least_margin_percent"] == "20"
    sent = {**fields, "paper": "Letter", "tax_place": "Saltmarsh"}
    assert "below 100" in owned.post("/house/settings", data={**sent, "least_margin_percent": "100"}).text
    assert owned.post("/house/settings", data={**sent, "least_margin_percent": "45"}).status_code == 303
    assert "It leaves less than 45 %" in owned.post("/prices/rules/set", data={**RULE, "figure": "1.8"}).text
    price = {
        "quantity_from": "1",
        "unit_cents": "10.00",
        "cost_cents": "6.00",
        "valid_from": "2026-11-30",
    }
    trip = session.scalars(sa.select(Item.id).where(Item.code == "TRIP")).one()
    assert "the guard is at 45 %" in owned.post(f"/prices/set?item={trip}", data=price).text


def test_terms_that_somebody_else_changed_are_not_overwritten(owned: FormClient, session: Session) -> None:
    first, second = (owned.get("/prices/bench-terms/change").text for _ in range(2))

    def filled(page: str) -> dict[str, str]:
        found = dict(re.findall(r'<input [^>]*name="([^"]*)"[^>]* value="([^"]*)"', page))
        return {name: value for name, value in found.items() if name not in ("csrf_token", "q")}

    assert len(filled(first)["seen"]) == 64
    assert owned.post("/prices/bench-terms/change", data={**filled(first), "pin_cents": "0.05"}).status_code == 303
    assert owned.post("/prices/bench-terms/change", data={**filled(second), "pin_cents": "0.07"}).status_code == 409
    session.rollback()
    newest = session.scalars(sa.select(BenchTermsRow).order_by(BenchTermsRow.valid_from.desc())).first()
    assert newest is not None and newest.terms["pin_cents"] == 5
    event = session.scalars(sa.select(Event).where(Event.kind == "bench terms set").order_by(Event.id.desc())).first()
    assert event is not None and event.detail["changes"]["pin_cents"][1] == 5
    factory = owned.get("/prices/factory-terms/1").text
    assert re.search(r'name="seen" type="hidden" value="[0-9a-f]{64}"', factory)
