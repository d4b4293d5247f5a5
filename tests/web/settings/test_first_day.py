"""The owner's first day: led through seven steps, each taken by one press or entered; gone when done."""

import re

import pytest
from flask.testing import FlaskClient

from app.ledger.catalog.first_day import first_steps
from app.ledger.catalog.house_settings import set_bench_terms, set_factory_terms
from app.ledger.catalog.own_items import put_missing_own_items
from app.ledger.catalog.price_queries import get_house, tax_table
from app.ledger.tables import BenchTermsRow, FactoryTermsRow, House, Item, PriceBookRow, Role
from app.pricing import usual_factory_terms
from tests.factories import PASSWORD, MakerFactory
from tests.forms_found import form_with
from tests.reading import pdf_text

DEFAULTS = ("paper", "tax", "makers", "bench", "goods", "factories", "people")


@pytest.fixture
def house(session) -> House:
    made = session.query(House).one_or_none() or House(name="Fenwick Quay")
    made.address, made.first_day = "", []
    session.add(made)
    session.commit()
    return made


def left(client: FlaskClient) -> int:
    """How many steps the page says are left."""
    (count,) = re.findall(r'class="lead">(\d+) steps? to your first quote', client.get("/first-day").text)
    return int(count)


def press(client: FlaskClient, key: str) -> str:
    return str(client.post(f"/first-day/{key}/default", follow_redirects=True).text)


def test_each_step_is_taken_by_one_press_and_the_page_goes_when_all_are_done(owner_client, house, session) -> None:
    assert owner_client.get("/").location == "/first-day" and left(owner_client) == 7
    for done, key in enumerate(DEFAULTS[:-1], 1):
        press(owner_client, key)
        assert left(owner_client) == 7 - done
    press(owner_client, DEFAULTS[-1])
    session.rollback()
    session.expire_all()
    assert owner_client.get("/first-day").location == "/day" and owner_client.get("/").location == "/day"
    assert session.query(BenchTermsRow).count() == 1
    tax = tax_table(session).rule(get_house(session).tax_place, session.query(BenchTermsRow).one().valid_from)
    assert (tax.rate, tax.goods_taxed) == (0, False)


def test_what_is_entered_makes_a_step_done(owner_client, house, session) -> None:
    maker = MakerFactory(name="Ardent Brass")
    steps = {
        "paper": {"name": "Quay Hardware", "address": "1 Quay", "paper": "A4"},
        "tax": {"place": "Saltmarsh", "rate": "6.5", "goods_taxed": "y"},
        "bench": {"hour_cents": "46", "day_minutes": "360", "pin_minutes": "10", "key_minutes": "10", "levels": "2"},
        "factories": {"maker": str(maker.id), "copied": "usual", "keyed_cents": "1.50", "lead_days": "12"},
    }
    for key, typed in steps.items():
        form = form_with(owner_client.get(f"/first-day/{key}").text, next(iter(typed)))
        assert owner_client.post(f"/first-day/{key}", data={**form, **typed}).location == "/first-day", key
    session.rollback()
    session.expire_all()
    again = form_with(owner_client.get("/first-day/tax").text, "rate")
    assert (again["place"], again["rate"], "labour_taxed" in again) == ("Saltmarsh", "6.5", False)
    told = {step.key: step.done for step in first_steps(session)}
    assert told["paper"] == "Quay Hardware, A4" and told["tax"] == "Saltmarsh, 6.5 %"
    assert told["makers"] == told["factories"] == "Ardent Brass" and told["bench"] == "on record"
    assert session.query(BenchTermsRow).one().terms["key_minutes"] == "1.50"
    assert not told["goods"] and not told["people"]


SETUP = "CONSTRUCTION-SETUP"


def test_prices_are_proposed_from_the_bench_and_what_is_typed_holds_from_today(owner_client, house, session) -> None:
    put_missing_own_items(session)
    session.commit()
    press(owner_client, "bench")
    items = {item.code: item.id for item in session.query(Item).filter(Item.maker_id.is_(None))}
    box = {code: f"price-{items[code]}" for code in ("KEYING-KD", "KEY-CUT", "SYSTEM-2", "REKEY-RIM", "TRIP", SETUP)}
    form = form_with(owner_client.get("/first-day/prices").text, box["TRIP"])
    # An hour costs 45.00: a cylinder keyed different takes 6 + 2 + 2 minutes and 12 pins of 4 cents, a key 1.5
    # minutes and 53 cents, a system 45 minutes, a construction key's balls 2.
    assert {code: form[name] for code, name in box.items()} == {
        "KEYING-KD": "16.00",  # 2 x (7.50 + .48) = 15.96
        "KEY-CUT": "3.25",  # 2 x (1.125 + .53) = 3.31
        "SYSTEM-2": "67.50",
        "REKEY-RIM": "16.00",
        "TRIP": "90.00",
        SETUP: "3.00",
    }
    answer = owner_client.post("/first-day/prices", data={**form, box["TRIP"]: "85", box["SYSTEM-2"]: ""})
    assert answer.location == "/first-day"
    session.rollback()
    session.expire_all()
    held = {row.code: row.unit_cents for row in session.query(PriceBookRow)}
    assert (held["TRIP"], held["KEYING-KD"]) == (8500, 1600) and "SYSTEM-2" not in held
    assert "REKEY-RIM" in held and "mortise" not in held
    assert {step.key: step.done for step in first_steps(session)}["goods"] == f"{len(held)} with a price"


def test_a_price_that_is_no_amount_is_refused_at_its_box(owner_client, house, session) -> None:
    put_missing_own_items(session)
    session.commit()
    trip = f"price-{session.query(Item.id).filter_by(code='TRIP').scalar()}"
    form = form_with(owner_client.get("/first-day/prices").text, trip)
    answer = owner_client.post("/first-day/prices", data={**form, trip: "ninety"})
    assert answer.status_code == 422 and f'href="#{trip}"' in answer.text and 'value="ninety"' in answer.text
    session.rollback()
    session.expire_all()
    assert session.query(PriceBookRow).count() == 0


def test_the_bench_shows_what_was_answered_and_leads_to_all_figures_once_one_was_changed(
    owner_client, house, session, work
) -> None:
    form = form_with(owner_client.get("/first-day/bench").text, "levels")
    answers = {"hour_cents": "52.00", "pin_minutes": "12", "key_minutes": "9", "levels": "2"}
    owner_client.post("/first-day/bench", data={**form, **answers})
    shown = form_with(owner_client.get("/first-day/bench").text, "levels")
    assert {name: shown[name] for name in answers} == answers
    session.rollback()
    terms = {**session.query(BenchTermsRow).one().terms, "pin_cents": 5}
    set_bench_terms(work, work.today, terms)
    assert owner_client.get("/first-day/bench").location == "/prices/bench-terms/change"


def test_somebody_added_leads_back_to_the_first_day(owner_client, house) -> None:
    word = "sedge at high water, twice"
    typed = {"name": "Cal Counter", "role": "counter", "password": word, "again": word, "secret-again": PASSWORD}
    answer = owner_client.post("/house/users/new", data=typed)
    assert answer.location == "/first-day", answer.text


def test_a_factory_without_its_figures_is_told_both_at_once(owner_client, house, session) -> None:
    maker = MakerFactory(name="Ardent Brass")
    session.commit()
    form = {"maker": str(maker.id), "copied": "usual", "keyed_cents": "", "lead_days": ""}
    answer = owner_client.post("/first-day/factories", data=form)
    assert answer.status_code == 422
    assert "Enter what the maker asks." in answer.text and "Enter the days." in answer.text


def test_a_factory_is_copied_from_another(owner_client, house, session, work) -> None:
    first, second = MakerFactory(name="Ardent Brass", code="ARD"), MakerFactory(name="Pell & Rowe", code="PEL")
    set_factory_terms(work, "ARD", work.today, usual_factory_terms("Ardent Brass", 150, 12).to_json())
    form = form_with(owner_client.get("/first-day/factories").text, "copied")
    typed = {"maker": str(second.id), "copied": str(first.id), "lead_days": "20"}
    owner_client.post("/first-day/factories", data={**form, **typed})
    made = session.query(FactoryTermsRow).filter_by(maker_id=second.id).one().terms
    assert made["per_cylinder_cents"]["KD"] == 150
    assert (made["maker"], made["lead_working_days"]) == ("Pell & Rowe", 20)


def test_a_box_that_cannot_be_is_named_and_the_rest_stays(owner_client, house) -> None:
    form = form_with(owner_client.get("/first-day/bench").text, "levels")
    answer = owner_client.post("/first-day/bench", data={**form, "hour_cents": "x", "pin_minutes": "12"})
    assert answer.status_code == 422 and 'value="12"' in answer.text and 'href="#hour_cents"' in answer.text


def test_the_page_is_put_away_and_no_older_house_has_it(owner_client, house, session) -> None:
    assert owner_client.post("/first-day/end").location == "/day"
    assert owner_client.get("/").location == "/day"
    session.rollback()
    session.expire_all()
    assert get_house(session).first_day is None and first_steps(session) == ()


def test_a_test_page_has_the_head_of_the_papers(owner_client, house) -> None:
    shown = pdf_text(owner_client.get("/first-day/test-print.pdf").data)
    assert house.name in shown and "six inches long" in shown


def test_the_first_day_is_the_owners(client_as, house) -> None:
    counter = client_as(Role.COUNTER)
    assert counter.get("/first-day").status_code == 403 and counter.get("/").location != "/first-day"


def test_a_default_takes_effect_in_place_and_the_last_step_leads_to_the_counter(owner_client, house) -> None:
    in_place = {"HX-Request": "true"}
    assert "7 steps to your first quote" in owner_client.get("/day").text
    for key in DEFAULTS[:-1]:
        answer = owner_client.post(f"/first-day/{key}/default", headers=in_place)
        assert answer.status_code == 200 and answer.text.count('class="done"') == DEFAULTS.index(key) + 1
        assert "<html" not in answer.text
    assert "1 step to your first quote" in owner_client.get("/day").text
    last = owner_client.post(f"/first-day/{DEFAULTS[-1]}/default", headers=in_place)
    assert (last.status_code, last.headers["HX-Redirect"]) == (204, "/counter")
    assert "write your first quote here" in owner_client.get("/counter").text
    assert "to your first quote" not in owner_client.get("/day").text
