"""Bench terms and factory terms: read as tables, changed field by field from a day on."""

import json
from datetime import date
from fractions import Fraction
from pathlib import Path

import pytest
import sqlalchemy as sa
from flask.testing import FlaskClient

from app.ledger.tables import BenchTermsRow, FactoryTermsRow
from app.pricing import BenchTerms, FactoryTerms
from tests.factories import BenchTermsFactory, FactoryTermsFactory, MakerFactory
from tests.forms_found import form_with
from tests.reading import words_of

TERMS = Path(__file__).resolve().parents[3] / "demo_data" / "terms"
BENCH = BenchTerms.from_json(json.loads((TERMS / "bench.json").read_text())).to_json()
FACTORY = FactoryTerms.from_json(json.loads((TERMS / "factory_ard.json").read_text())).to_json()


def test_bench_terms_stand_as_tables(owner_client: FlaskClient) -> None:
    BenchTermsFactory(terms=BENCH)
    page = owner_client.get("/prices/bench-terms").text
    for words in ("grand master keyed", "$46.00", "6 working days", "none entered", "small-format core"):
        assert words in page
    for shown in (page, owner_client.get("/prices/bench-terms/change").text):
        assert "knob or lever lock" in shown and ">sfic" not in shown


def test_the_bench_form_as_loaded_saves_the_same_terms(owner_client: FlaskClient, session) -> None:
    BenchTermsFactory(terms={**BENCH, "closed_days": ["2026-12-25"], "uncombinated_lead_days": None})
    form = form_with(owner_client.get("/prices/bench-terms/change").text, "valid_from")
    assert form["valid_from"] == "2026-11-25"  # today, as prices do
    assert owner_client.post("/prices/bench-terms/change", data=form).status_code == 303
    old, new = session.scalars(sa.select(BenchTermsRow).order_by(BenchTermsRow.valid_from)).all()
    assert new.valid_from == date(2026, 11, 25)
    assert new.terms == old.terms


def test_what_construction_keying_takes_is_asked_and_has_a_default_in_older_terms(
    owner_client: FlaskClient, session
) -> None:
    names = ("construction_minutes", "core_change_minutes")
    BenchTermsFactory(terms={name: value for name, value in BENCH.items() if name not in names})
    told = "Construction key {} minutes to set a cylinder up; {} to fit a construction core and change it"
    assert told.format(2, 4) in words_of(owner_client.get("/prices/bench-terms").text)
    form = form_with(owner_client.get("/prices/bench-terms/change").text, "valid_from")
    assert [form[name] for name in names] == ["", ""]
    data = {**form, "construction_minutes": "3.5", "core_change_minutes": "0"}
    assert owner_client.post("/prices/bench-terms/change", data=data).status_code == 303
    assert told.format("3.50", 0) in words_of(owner_client.get("/prices/bench-terms").text)
    [terms] = [
        BenchTerms.from_json(row.terms)
        for row in session.scalars(sa.select(BenchTermsRow))
        if row.valid_from == date(2026, 11, 25)
    ]
    assert (terms.construction_minutes, terms.core_change_minutes) == (Fraction(7, 2), 0)


def test_an_empty_minutes_cell_means_not_keyed_here(owner_client: FlaskClient, session) -> None:
    BenchTermsFactory(terms=BENCH)
    form = form_with(owner_client.get("/prices/bench-terms/change").text, "valid_from")
    data = {**form, "kind_minutes__GGMK": "", "kind_minutes__MK": "5.5"}
    assert owner_client.post("/prices/bench-terms/change", data=data).status_code == 303
    terms = session.scalars(sa.select(BenchTermsRow).order_by(BenchTermsRow.valid_from.desc())).first().terms
    assert "GGMK" not in terms["kind_minutes"] and terms["kind_minutes"]["MK"] == "5.50"
    page = words_of(owner_client.get("/prices/bench-terms").text)
    assert "GGMK great grand master keyed not keyed here" in page
    assert "OWN keyed to the customer's key as KA" in page


@pytest.mark.parametrize(
    ("typed", "field", "said"),
    [
        ({"kind_minutes__MK": "soon"}, "kind_minutes__MK", "Enter minutes from 0 to 1,000,000"),
        ({"kind_minutes__MK": "9" * 5000}, "kind_minutes__MK", "longer than 20 characters"),
        ({"minutes_per_day": ""}, "minutes_per_day", "This field is missing."),
        ({"reserve_minutes_per_day": "361"}, "reserve_minutes_per_day", "Keep no more than the bench has in a day"),
        ({"labour_cents_per_hour": "x"}, "labour_cents_per_hour", "not an amount in dollars"),
        ({"closed_days": "2026-12-25\n25.12."}, "closed_days", "Enter a day as 2026-03-02"),
        ({"pins__KD": "-1"}, "pins__KD", "Enter a whole number"),
        ({"valid_from": ""}, "valid_from", "Enter the first day."),
    ],
)
def test_bad_bench_terms_are_refused_beside_their_field(owner_client, session, typed, field, said) -> None:
    BenchTermsFactory(terms=BENCH)
    form = form_with(owner_client.get("/prices/bench-terms/change").text, "valid_from")
    answer = owner_client.post("/prices/bench-terms/change", data={**form, **typed})
    assert answer.status_code == 422
    error = answer.text[answer.text.index(f'id="{field}-error"') :]
    assert said in error[:600]
    assert session.scalar(sa.select(sa.func.count()).select_from(BenchTermsRow)) == 1


def test_the_factory_form_as_loaded_saves_the_same_terms(owner_client: FlaskClient, session) -> None:
    maker = MakerFactory(name="Ardent Brass", code="ARD")
    terms = {**FACTORY, "factory_only_keyways": ["AQ5", "AQ6"], "takes_records": False}
    FactoryTermsFactory(maker_id=maker.id, terms=terms)
    page = owner_client.get("/prices/factory-terms").text
    assert "15 working days" in page and "$28.00" in page and "factory only: AQ5, AQ6" in page
    form = form_with(owner_client.get(f"/prices/factory-terms/{maker.id}").text, "valid_from")
    assert owner_client.post(f"/prices/factory-terms/{maker.id}", data=form).status_code == 303
    old, new = session.scalars(sa.select(FactoryTermsRow).order_by(FactoryTermsRow.valid_from)).all()
    assert new.terms == old.terms


def test_bad_factory_terms_are_refused_beside_their_field(owner_client: FlaskClient, session) -> None:
    maker = MakerFactory(name="Ardent Brass", code="ARD")
    FactoryTermsFactory(maker_id=maker.id, terms=FACTORY)
    form = form_with(owner_client.get(f"/prices/factory-terms/{maker.id}").text, "valid_from")
    bad = {**form, "quantity_breaks__2__quantity_from": "5", "freight__1__cents": "", "lead_working_days": ""}
    answer = owner_client.post(f"/prices/factory-terms/{maker.id}", data=bad)
    assert answer.status_code == 422
    assert "Enter the lead time." in answer.text
    answer = owner_client.post(f"/prices/factory-terms/{maker.id}", data={**bad, "lead_working_days": "15"})
    assert answer.status_code == 422
    assert 'id="freight__1__cents-error"' in answer.text
    steps = {**form, "quantity_breaks__2__quantity_from": "5"}
    answer = owner_client.post(f"/prices/factory-terms/{maker.id}", data=steps)
    assert answer.status_code == 422
    assert "Each step must begin at a larger quantity" in answer.text
    assert session.scalar(sa.select(sa.func.count()).select_from(FactoryTermsRow)) == 1


def test_terms_can_be_entered_where_there_are_none(owner_client: FlaskClient) -> None:
    maker = MakerFactory(name="<b>Maker</b>")
    page = owner_client.get("/prices/factory-terms").text
    assert "No terms yet" in page and "<b>Maker" not in page
    assert owner_client.get(f"/prices/factory-terms/{maker.id}").status_code == 200
    assert "No bench terms yet" in owner_client.get("/prices/bench-terms").text
    assert owner_client.post("/prices/bench-terms/change", data={}).status_code == 422
    assert owner_client.post(f"/prices/factory-terms/{maker.id}", data={}).status_code == 422


@pytest.mark.parametrize("path", ["/prices/bench-terms/change", "/prices/factory-terms/{maker}"])
def test_the_first_terms_of_a_new_house_hold_from_today(owner_client: FlaskClient, path: str) -> None:
    page = owner_client.get(path.format(maker=MakerFactory().id)).text
    assert form_with(page, "valid_from")["valid_from"] == "2026-11-25"
