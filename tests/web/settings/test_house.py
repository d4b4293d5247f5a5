"""The owner's settings: papers, sales tax by place and day, customer tiers."""

from datetime import date

import pytest
import sqlalchemy as sa
from flask.testing import FlaskClient

from app.ledger.tables import DecidingDayRow, Event, House, PriceTier, Role, TaxRuleRow
from tests.factories import CustomerFactory, HouseFactory, PriceTierFactory, TaxRuleFactory

GOOD = {"name": "Fenwick Quay", "paper": "A4", "quote_days": "14", "exclusions": "Fitting.", "tax_place": "Saltmarsh"}


def test_only_the_owner_may(client_as) -> None:
    for role in (Role.COUNTER, Role.BENCH):
        assert client_as(role).get("/house/settings").status_code == 403
        assert client_as(role).post("/house/settings", data=GOOD).status_code == 403


@pytest.mark.postgresql
def test_the_first_save_makes_the_house_and_the_next_changes_it(owner_client: FlaskClient, session) -> None:
    assert owner_client.post("/house/settings", data=GOOD).status_code == 303
    house = session.scalar(sa.select(House))
    assert (house.paper, house.quote_days, house.version) == ("A4", 14, 1)
    assert owner_client.post("/house/settings", data={**GOOD, "quote_days": "21", "version": "1"}).status_code == 303
    stale = owner_client.post("/house/settings", data={**GOOD, "quote_days": "7", "version": "1"})
    assert stale.status_code == 409
    session.commit()  # lets go of what it read before
    session.refresh(house)
    assert house.quote_days == 21


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ({"name": ""}, "Enter the house&#39;s name."),
        ({"quote_days": "0"}, "Enter a whole number from 1 to 365."),
        ({"quote_days": "1.5"}, "Enter a whole number from 1 to 365."),
        ({"quote_days": "9" * 5000}, "Enter a whole number from 1 to 365."),
        ({"quote_days": ""}, "Enter the number of days."),
        ({"paper": "Legal"}, "Not a valid choice"),
        ({"terms": "t" * 9000}, "At most 8,000 characters fit here."),
    ],
)
def test_bad_settings_are_refused_and_kept(owner_client: FlaskClient, session, typed, said) -> None:
    HouseFactory()
    answer = owner_client.post("/house/settings", data={**GOOD, "version": "1", **typed})
    assert answer.status_code == 422
    assert said in answer.text
    assert "Fitting." in answer.text
    assert session.scalar(sa.select(House.version)) == 1


def test_tax_rules_say_which_holds_now(owner_client: FlaskClient) -> None:
    TaxRuleFactory(place="Saltmarsh", rate_percent="7", valid_from=date(2025, 1, 1))
    TaxRuleFactory(place="Saltmarsh", rate_percent="7.25", valid_from=date(2026, 1, 1))
    TaxRuleFactory(place="Saltmarsh", rate_percent="7.5", valid_from=date(2027, 1, 1))
    page = owner_client.get("/house/settings").text
    assert page.index("7.5 %") < page.index("coming") < page.index("7.25 %") < page.rindex("now</span>")
    assert page.count('<span class="soft">past</span>') == 1


@pytest.mark.postgresql
def test_a_dated_rate_is_put_on_record_and_the_same_day_replaces_it(owner_client: FlaskClient, session) -> None:
    data = {"place": "Saltmarsh", "rate": "7.25", "goods_taxed": "y", "valid_from": "2027-01-01"}
    assert owner_client.post("/house/settings/tax/new", data=data).status_code == 303
    assert owner_client.post("/house/settings/tax/new", data=data).status_code == 303  # pressed twice
    blind = owner_client.post("/house/settings/tax/new", data={**data, "rate": "8"})
    assert blind.status_code == 409 and "choose Change beside it" in blind.text
    assert 'href="/house/settings/tax/new?rule=1"' in owner_client.get("/house/settings").text
    page = owner_client.get("/house/settings/tax/new?rule=1").text
    seen = {"seen": "7.25/goods/"}
    assert f'value="{seen["seen"]}"' in page and 'value="Saltmarsh"' in page and 'value="7.25"' in page
    assert owner_client.post("/house/settings/tax/new", data={**data, **seen, "rate": "8"}).status_code == 303
    stale = owner_client.post("/house/settings/tax/new", data={**data, **seen, "rate": "9", "labour_taxed": "y"})
    assert stale.status_code == 409  # somebody else was faster
    assert owner_client.get("/house/settings/tax/new?rule=99").status_code == 404
    row = session.scalar(sa.select(TaxRuleRow))
    assert (row.rate_percent, row.goods_taxed, row.labour_taxed) == ("8", True, False)
    session.commit()
    assert "was 7.25 %" in session.scalars(sa.select(Event.summary).order_by(Event.id.desc())).first()
    bad = owner_client.post("/house/settings/tax/new", data={**data, "rate": "7,25"})
    assert bad.status_code == 422
    assert "at most four decimals" in bad.text and "7,25" in bad.text


@pytest.mark.postgresql
def test_tiers_are_added_changed_and_kept_under_their_name(owner_client: FlaskClient, session) -> None:
    assert (
        owner_client.post("/house/settings/tiers/new", data={"name": "trade", "percent_off": "10"}).status_code == 303
    )
    twice = owner_client.post("/house/settings/tiers/new", data={"name": "Trade", "percent_off": "12"})
    assert twice.status_code == 422 and "There is a tier named Trade already" in twice.text
    tier = session.scalar(sa.select(PriceTier))
    place = f"/house/settings/tiers/{tier.id}"
    assert owner_client.post(place, data={"name": "trade", "percent_off": "12.5", "version": "1"}).status_code == 303
    assert owner_client.post(place, data={"name": "trade", "percent_off": "9", "version": "1"}).status_code == 409
    session.commit()
    CustomerFactory(tier="trade")
    renamed = owner_client.post(place, data={"name": "builders", "percent_off": "9", "version": "2"})
    assert renamed.status_code == 422 and "Customers are in trade" in renamed.text
    session.commit()  # lets go of what it read before
    session.refresh(tier)
    assert (tier.name, tier.percent_off) == ("trade", "12.5")


def test_what_people_typed_never_becomes_markup(owner_client: FlaskClient) -> None:
    HouseFactory(name="<b>Quay</b>", terms="<script>x</script>")
    TaxRuleFactory(place="<i>here</i>")
    PriceTierFactory(name="<u>tier</u>")
    page = owner_client.get("/house/settings").text
    for markup in ("<b>Quay", "<script>x", "<i>here", "<u>tier"):
        assert markup not in page


@pytest.mark.postgresql
def test_which_day_decides_is_set_from_a_day_on(owner_client: FlaskClient, session, client_as) -> None:
    HouseFactory()
    assert "prices are those of the day of the quote. No other rule" in owner_client.get("/house/settings").text
    data = {"tax": "hand-over", "prices": "quote", "valid_from": "2026-12-01"}
    assert owner_client.post("/house/settings/deciding-day", data=data).status_code == 303
    said = "Sales tax is that of the day of hand-over, prices are those of the day of the quote."
    page = owner_client.get("/house/settings").text
    assert f"{said} From 1 Dec 2026, coming." in page
    assert owner_client.post("/house/settings/deciding-day", data={**data, "prices": "hand-over"}).status_code == 303
    row = session.scalars(sa.select(DecidingDayRow)).one()  # of the same day: replaced
    assert (row.valid_from, row.tax_of_hand_over, row.prices_of_hand_over) == (date(2026, 12, 1), True, True)
    refused = owner_client.post("/house/settings/deciding-day", data={**data, "valid_from": ""})
    assert refused.status_code == 422 and "Enter the first day." in refused.text
    assert client_as(Role.COUNTER).post("/house/settings/deciding-day", data=data).status_code == 403
