"""The counter page: worked out, kept, issued; everything typed stays typed."""

import re
from collections.abc import Callable
from datetime import timedelta
from html import unescape

import pytest
import sqlalchemy as sa
from flask import Flask
from sqlalchemy.orm import Session

from app.ledger.care.opening import Ledger
from app.ledger.quoting.snapshot import read_snapshot
from app.ledger.store.engine import transaction
from app.ledger.tables import (
    BenchTermsRow,
    Customer,
    Cylinder,
    Draft,
    Event,
    House,
    Job,
    KeySystem,
    QuoteRevision,
    Role,
    Site,
    Stage,
)
from app.pricing import show_cents
from tests.conftest import NOW
from tests.desk import quoted
from tests.factories import FormClient
from tests.forms_found import form_with
from tests.keyed import counted
from tests.stocked import HARDWARE, MORTISE, PART, empty_house, posted

__all__ = ["empty_house"]

ClientAs = Callable[[Role], FormClient]
LIVE = {"HX-Request": "true"}
FLATS = {"kind": "part number", "part_number": "AD-Q1-66.SC", "quantity": "24", "keying": "MK", "keys_each": "2"}


def customer_id(session: Session, start: str) -> int:
    return session.scalars(sa.select(Customer.id).where(Customer.name.startswith(start))).one()


def count(session: Session, table: type) -> int:
    session.rollback()
    return session.scalar(sa.select(sa.func.count()).select_from(table)) or 0


def total_of(page: str) -> str:
    found = re.search(r"<dt>Total</dt><dd>([^<]+)</dd>", page)
    assert found
    return found[1]


def issued(clerk: FormClient, session: Session, *lines: dict[str, str], **head: object) -> Job:
    number = quoted(clerk, *lines, **head)
    session.rollback()
    return session.scalars(sa.select(Job).where(Job.number == number)).one()


# ---- pricing ----


def test_live_totals_are_the_totals_issued(clerk: FormClient, session: Session) -> None:
    lines = (dict(MORTISE), {**PART, "quantity": "3"}, dict(HARDWARE), {"kind": "trip", "price_code": "TRIP"})
    live = clerk.post("/counter/work-out", data=posted(*lines), headers=LIVE)
    whole = clerk.post("/counter/work-out", data=posted(*lines))
    issued(clerk, session, *lines)
    revision = session.scalars(sa.select(QuoteRevision)).one()
    assert total_of(live.text) == total_of(whole.text) == show_cents(revision.total_cents)
    assert live.status_code == whole.status_code == 200


def test_a_keyed_alike_pair_comes_with_four_keys(clerk: FormClient) -> None:
    """Two keys a cylinder, so a KA pair comes with four (common practice, no source)."""
    page = clerk.post("/counter/work-out", data=posted(dict(MORTISE)), headers=LIVE).text
    assert "Keying: keyed alike (KA)" in page and "4 × $3.25" in page


def test_the_customers_own_tier_and_certificate_count(clerk: FormClient, session: Session) -> None:
    walk_in = clerk.post("/counter/work-out", data=posted(dict(PART)), headers=LIVE).text
    college = posted(dict(PART), customer_id=customer_id(session, "Saltmarsh Maritime"))
    exempt = clerk.post("/counter/work-out", data=college, headers=LIVE).text
    assert "$30.40" in walk_in and "$25.08" in exempt  # the contract tier takes 17.5 % off the list
    assert "SMC-EXEMPT-04" in exempt


def test_shop_and_factory_stand_side_by_side_without_the_houses_costs(client_as: ClientAs) -> None:
    form = posted(FLATS, need_by="2027-01-20")
    seen = client_as(Role.COUNTER).post("/counter/work-out", data=form, headers=LIVE).text
    owned = client_as(Role.OWNER).post("/counter/work-out", data={**form, "token": "o" * 32}, headers=LIVE).text
    panel = seen[seen.index('id="ways"') : seen.index('id="option"')]
    assert "Shop" in panel and "Factory" in panel and panel.count("Ready ") >= 2 and "chosen" in panel
    assert "$" not in panel and "margin" not in seen.lower()
    assert "Costs $" in owned and "margin" in owned


def test_a_minimum_order_in_money_is_the_owners_to_read(clerk: FormClient) -> None:
    page = clerk.post("/counter/work-out", data=posted(dict(MORTISE)), headers=LIVE).text
    panel = page[page.index('id="ways"') : page.index('id="option"')]
    assert "Not possible" in panel and "$" not in panel


def test_an_override_wants_a_reason_and_is_recorded(clerk: FormClient, session: Session) -> None:
    form = posted(FLATS, keyed_at="shop")
    refused = clerk.post("/counter/issue", data=form)
    assert refused.status_code == 422 and "the owner reads it" in refused.text
    issued(clerk, session, FLATS, keyed_at="shop", override_reason="wanted tomorrow")
    assert session.scalars(sa.select(Event).where(Event.kind == "keying overridden")).one()


def test_a_new_key_system_takes_the_name_of_its_site(clerk: FormClient, session: Session) -> None:
    page = clerk.post("/counter/work-out", data=posted(FLATS, site="Quay House"), headers=LIVE)
    assert "New key system Quay House, 2 levels" in page.text
    nameless = clerk.post("/counter/work-out", data=posted(FLATS, site="", customer_name=""), headers=LIVE)
    assert "New key system, 2 levels" in nameless.text


def test_a_mistake_in_a_lesser_box_leaves_the_price_standing_and_the_summary_names_the_line(
    clerk: FormClient,
) -> None:
    wrong = {**PART, "unit_price": "cheap", "remark": "x" * 501}
    page = unescape(clerk.post("/counter/work-out", data=posted(dict(HARDWARE), wrong)).text)
    assert "not an amount" in page and "$30.40" in page  # the book's price of the line, which is still understood
    answer = clerk.post("/counter/issue", data=posted(dict(HARDWARE), wrong))
    summary = unescape(answer.text).partition("Nothing is saved yet")[2].partition("</div>")[0]
    assert answer.status_code == 422
    assert '<a href="#lines-1-unit_price">Line 2, Own price</a>' in summary and "Line 2, Remark" in summary
    assert "Line 1" not in summary


def test_the_page_says_which_keysets_and_keys_accepting_brings(clerk: FormClient) -> None:
    """Two alike with two keys each: four keys to one keyset (common practice, no source)."""
    page = unescape(clerk.post("/counter/work-out", data=posted(dict(MORTISE), {**PART, "keying": "MK"})).text)
    assert "Gets SKD1 of Single keyed AQ1, 6 chambers" in page and "Gets 1AA of I. Plover, under AA" in page
    assert "The key system I. Plover is started." in page
    assert "6 keys come with it: 4 to SKD1 of Single keyed AQ1, 6 chambers; 2 to 1AA of I. Plover." in page


def test_what_is_offered_follows_the_maker_and_the_type(clerk: FormClient) -> None:
    line = {"kind": "cylinder", "type": "sfic", "maker": "NOR", "quantity": "1"}
    page = clerk.post(
        "/counter/work-out", data=posted(line), headers={**LIVE, "HX-Trigger-Name": "lines-0-type"}
    ).text
    offered = re.findall(r'<option value="([^"]+)">', page[page.index('id="offers-0-length"') :])
    assert {"NH1", "NH2", "NH4", "7"} <= set(offered) and not {"AQ1", "NV1", "1-1/8"} & set(offered)
    every = clerk.post("/counter/work-out", data=posted({"kind": "cylinder"})).text
    assert all(f'<option value="{value}">' in every for value in ("AQ1", "NV1", "PR-P", "1-1/8", "long flat"))


def test_the_empty_boxes_of_each_line_are_tied_to_its_own_sentence(clerk: FormClient) -> None:
    page = clerk.post("/counter/work-out", data=posted(PART, MORTISE, PART, MORTISE)).text
    for number in range(4):
        found = re.findall(rf'<(?:input|select)[^>]* name="lines-{number}-(?:fit_|replaces)[^>]*>', page)
        assert len(found) > 10 and all(f' aria-describedby="told-{number}"' in box for box in found)


def test_a_button_sent_along_by_the_form_is_not_pressed_again(clerk: FormClient) -> None:
    form = posted({"kind": "cylinder", "quantity": "1", "keying": "KD"}, add="trip")
    assert "line-1" not in clerk.post("/counter/work-out", data=form, headers={**LIVE, "HX-Trigger": "counter"}).text
    assert "line-1" in clerk.post("/counter/work-out", data=form, headers=LIVE).text


def test_what_is_missing_waits_until_somebody_asks(clerk: FormClient) -> None:
    form = posted({"kind": "cylinder", "quantity": "1", "keying": "KD"})
    assert "Nothing said yet" in clerk.post("/counter/work-out", data=form, headers=LIVE).text
    asked = clerk.post("/counter/work-out", data={**form, "action": "work-out"})
    assert asked.status_code == 422 and "Choose the type of cylinder" in asked.text


def test_working_out_takes_a_bounded_number_of_queries(clerk: FormClient, ledger: Ledger) -> None:
    counts = {}
    for lines in (1, 2, 20):
        form = posted(*[dict(MORTISE)] * lines)
        with counted(ledger.engine) as statements:
            assert clerk.post("/counter/work-out", data=form, headers=LIVE).status_code == 200
        counts[lines] = len(statements)
    assert counts[1] <= 34, counts
    # Each cylinder is looked up in its maker's catalog; nothing else grows with the lines.
    assert counts[20] - counts[2] <= 18 * 1, counts


def test_part_numbers_are_looked_up_together_for_both_options(clerk: FormClient, ledger: Ledger) -> None:
    counts = {}
    for lines in (2, 20):
        line = {**PART, "keying": "MK", "quantity": "12"}
        form = posted(*[line] * lines, keyed_at="shop", override_reason="so", option_b="factory")
        with counted(ledger.engine) as statements:
            page = clerk.post("/counter/work-out", data=form, headers=LIVE).text
        counts[lines] = len(statements)
        assert "Option B: <b>" in page
    # Two of them begin PostgreSQL's transactions.
    assert counts[20] <= counts[2] <= 46, counts


# ---- finding and making a customer ----


@pytest.mark.parametrize("typed", ["harb", "555-0147", "the flats", "0147"])
def test_a_customer_is_found_by_name_phone_or_site(clerk: FormClient, typed: str) -> None:
    live = clerk.get("/counter/customers", query_string={"find": typed}).text
    whole = clerk.post("/counter/work-out", data={**posted(), "is_new_customer": "", "find": typed}).text
    for page in (live, whole):
        assert unescape(page).count("Harbourmaster's Flats") == 1 and 'name="choose"' in page


@pytest.mark.parametrize("typed", ["", "%", "\0", "x" * 10_000, "<zz>", "'; drop table customers"])
def test_a_search_for_nonsense_finds_nobody(clerk: FormClient, typed: str) -> None:
    answer = clerk.get("/counter/customers", query_string={"find": typed})
    assert answer.status_code == 200 and answer.text.count("<button") == 1
    assert "<b>:" not in answer.text


def test_a_chosen_customer_brings_sites_and_systems(clerk: FormClient, session: Session) -> None:
    chosen = customer_id(session, "Otterburn")
    page = clerk.post("/counter/work-out", data={**posted(), "choose": str(chosen)}).text
    assert "Otterburn Property Care" in page and "Mill Lane" in page and f'value="{chosen}"' in page


def test_a_new_customer_and_site_are_put_on_record_with_the_quote(clerk: FormClient, session: Session) -> None:
    before = count(session, Customer)
    job = issued(clerk, session, dict(PART), customer_phone="555-0191", site="Boathouse", customer_tier="trade")
    assert (job.customer.name, job.customer.phone, job.customer.tier) == ("I. Plover", "555-0191", "trade")
    assert job.site is not None and job.site.name == "Boathouse"
    assert count(session, Customer) == before + 1


# ---- bad input ----

BAD: tuple[tuple[dict[str, str], dict[str, object], str], ...] = (
    ({**PART, "quantity": "-1"}, {}, "whole quantity"),
    ({**PART, "quantity": "1.5"}, {}, "whole quantity"),
    ({**PART, "quantity": "99999"}, {}, "1 to 10,000"),
    ({**PART, "part_number": "A18M-Q9-66.SC"}, {}, "A18M-Q1-66.SC"),  # the nearest legal number
    ({**PART, "part_number": "A18M-Q1-66.XX"}, {}, "'XX' was not understood as finish"),
    ({**PART, "part_number": "P" * 10_000}, {}, "at most 60 characters"),
    ({**PART, "part_number": "A\0B"}, {}, "cannot be written"),
    ({**PART, "maker": "NOBODY"}, {}, "Choose a maker"),
    ({**PART, "unit_price": "cheap"}, {}, "not an amount"),
    ({**PART, "unit_price": "3.00"}, {}, "Say why the price is not the book"),
    ({**PART, "keying": "MK", "master": "ZZ" * 20}, {}, "At most 24"),
    ({**MORTISE, "finish": "999"}, {}, "has no finish"),
    ({**MORTISE, "length": "1-3/4"}, {}, "not in the catalog"),
    ({**HARDWARE, "price_code": "NO-SUCH"}, {}, "no price for NO-SUCH"),
    ({**HARDWARE, "price_code": "TRIP"}, {}, "choose an item of goods"),
    ({**HARDWARE, "price_code": ""}, {}, "Choose an item"),
    ({"kind": "rekey", "type": "mortise", "quantity": "2"}, {}, "Say how the cylinders are to be keyed"),
    (dict(PART), {"customer_name": "N" * 10_000}, "At most 120"),
    (dict(PART), {"customer_name": ""}, "Enter the customer"),
    (dict(PART), {"need_by": "2026-11-24"}, "This day has passed"),
    (dict(PART), {"need_by": "tomorrow"}, "no such day"),
    (dict(PART), {"title": "t" * 10_000}, "At most 200"),
    (dict(PART), {"customer_id": "99999"}, "not on record"),
    (dict(PART), {"customer_id": "9" * 30}, "not on record"),
    (dict(PART), {"customer_id": "1; drop"}, "not on record"),
    (dict(PART), {"customer_id": "1", "site_id": "5"}, "another customer"),
    ({**PART, "keying": "MK"}, {"customer_id": "1", "system_id": "44"}, "another customer"),
    ({**PART, "keying": "MK"}, {"system_name": "S" * 10_000}, "At most 120"),
    ({**PART, "keying": "GMK"}, {"system_masters": "-3"}, "1 or more"),
    (dict(PART), {"keyed_at": "moon", "override_reason": "why"}, "Choose shop or factory"),
)


@pytest.mark.parametrize(("line", "head", "words"), BAD)
def test_bad_input_is_refused_beside_its_box_and_stays_typed(
    clerk: FormClient, session: Session, line: dict[str, str], head: dict[str, object], words: str
) -> None:
    before = (count(session, Customer), count(session, Site))
    form = posted(line, **head)
    answer = clerk.post("/counter/issue", data=form)
    page = unescape(answer.text)
    assert answer.status_code == 422 and words in page
    assert (count(session, Job), count(session, QuoteRevision)) == (0, 0)
    assert (count(session, Customer), count(session, Site)) == before
    for name, value in form.items():
        kept = value.replace("\0", "\N{REPLACEMENT CHARACTER}")
        is_shown = name in ("title", "customer_name", "system_name") and "customer_id" not in head
        if name.startswith("lines-") or is_shown:
            assert not kept or kept in page, name


def test_a_refused_box_is_marked_and_tied_to_its_sentence(clerk: FormClient) -> None:
    page = clerk.post("/counter/issue", data=posted({**PART, "quantity": "-1"}, need_by="x")).text
    for name in ("need_by", "lines-0-quantity"):
        box = re.search(rf'<input id="{name}"[^>]*>', page)
        assert box and 'aria-invalid="true"' in box[0]
        told = re.search(r'aria-describedby="([^"]+)"', box[0])
        assert told and f'id="{told[1]}"' in page


def test_what_acceptance_would_refuse_is_refused_on_the_line_before_anything_has_a_number(
    clerk: FormClient, session: Session
) -> None:
    flats = {**MORTISE, "quantity": "9000", "keying": "MK"}
    form = posted(dict(PART), flats, system_name="The Flats", keyed_at="shop", override_reason="all here")
    answer = clerk.post("/counter/issue", data=form)
    page = unescape(answer.text)
    assert answer.status_code == 422 and "Nothing is saved yet" in page
    assert re.search(
        r'<a href="#lines-1-quantity">Line 2, Quantity</a>: The Flats can hold .* This line needs 9,000: enter', page
    )
    assert (count(session, Job), count(session, QuoteRevision), count(session, KeySystem)) == (0, 0, 0)
    assert count(session, Draft) == 1
    again = clerk.post("/counter/issue", data={**form, "lines-1-quantity": "3"})
    assert again.status_code == 303 and again.location == "/quotes/1001/1"
    assert (count(session, QuoteRevision), count(session, KeySystem), count(session, Cylinder)) == (1, 0, 0)
    twice = clerk.post("/counter/issue", data={**form, "lines-1-quantity": "3"})
    assert twice.location == again.location and count(session, QuoteRevision) == 1


def test_five_hundred_lines_are_refused_with_all_of_them_kept(clerk: FormClient, session: Session) -> None:
    answer = clerk.post("/counter/issue", data=posted(*[dict(HARDWARE)] * 500))
    assert answer.status_code == 422 and "At most 100 lines" in answer.text
    assert answer.text.count('value="hardware"') == 500 + 1  # and the button that adds one
    assert count(session, Job) == 0


def test_no_lines_no_customer_no_fields_at_all(clerk: FormClient, session: Session) -> None:
    for form in ({}, {"lines-0-kind": "yacht"}, {"lines-x-kind": "trip"}, {"lines-0-quantity": "1"}):
        answer = clerk.post("/counter/issue", data=form)
        assert answer.status_code == 422 and "Choose a customer" in answer.text, form
    assert count(session, Job) == 0


@pytest.mark.parametrize("number", ["1", "99999999999999999999", "x", "-1", "1 or 1=1"])
def test_a_job_that_is_not_there(clerk: FormClient, number: str) -> None:
    assert clerk.get("/counter", query_string={"job": number}).status_code == 404


def test_markup_that_is_typed_is_shown_as_typed(clerk: FormClient) -> None:
    page = clerk.post("/counter/work-out", data=posted(dict(PART), title='"><script>alert(1)</script>')).text
    assert "<script>alert" not in page and "&lt;script&gt;" in page


# ---- drafts, double presses, stale saves ----


def test_a_draft_survives_and_can_be_gone_on_with(clerk: FormClient, web: Flask, session: Session) -> None:
    clerk.post("/counter/work-out", data=posted(dict(PART), title="Two for the shed"), headers=LIVE)
    offer = clerk.get("/counter").text
    assert "Go on with the draft from" in offer and "Two for the shed" not in offer
    page = clerk.get("/counter?draft=1").text
    assert "Two for the shed" in page and "A18M-Q1-66.SC" in page and f'value="{"t" * 32}"' in page
    clerk.post("/counter/drop", data={"token": "t" * 32})
    assert count(session, Draft) == 0 and "Go on with" not in clerk.get("/counter").text


def test_a_page_sent_before_the_answer_to_its_last_change_is_no_other_tab(
    clerk: FormClient, session: Session
) -> None:
    """A fast hand presses Issue while the answer to what was typed just before is on its way."""
    page = clerk.post("/counter/work-out", data=posted(dict(PART)), headers=LIVE).text
    sent = form_with(page, "title")
    clerk.post("/counter/work-out", data={**sent, "lines-0-quantity": "2"}, headers=LIVE)
    answer = clerk.post("/counter/issue", data={**sent, "lines-0-quantity": "3"})
    assert answer.status_code == 303, answer.text
    [revision] = session.query(QuoteRevision)
    assert read_snapshot(revision.snapshot).ask["lines"][0]["quantity"] == 3 and count(session, Draft) == 0


def test_two_tabs_on_one_draft_each_keep_what_was_typed_and_the_later_is_told(
    clerk: FormClient, session: Session
) -> None:
    clerk.post("/counter/work-out", data=posted(dict(PART), title="For the shed"), headers=LIVE)
    one, two = (form_with(clerk.get("/counter?draft=1").text, "title") for _ in range(2))
    first = clerk.post("/counter/work-out", data={**one, "title": "For the boathouse"}, headers=LIVE)
    assert "another tab" not in first.text
    second = clerk.post("/counter/work-out", data={**two, "lines-0-quantity": "5"}, headers=LIVE)
    assert "This page was changed in another tab as well." in second.text
    mine, hers = form_with(second.text, "title"), form_with(first.text, "title")
    assert mine["token"] != hers["token"] == one["token"]
    # It goes on as two drafts, either tab with its own, and says so as long as it is open.
    later = clerk.post("/counter/work-out", data={**mine, "lines-0-remark": "for the gate"}, headers=LIVE).text
    assert "in another tab as well" in later and form_with(later, "title")["token"] == mine["token"]
    still = clerk.post("/counter/work-out", data={**hers, "title": "For the boathouse doors"}, headers=LIVE).text
    assert "another tab" not in still
    assert {(draft.typed["title"], draft.typed["lines"][0]["quantity"]) for draft in session.query(Draft)} == {
        ("For the boathouse doors", "1"),
        ("For the shed", "5"),
    }
    offers = re.findall(r'href="/counter\?draft=(\w+)"', clerk.get("/counter").text)
    assert {mine["token"], hers["token"]} == set(offers)
    assert form_with(clerk.get(f"/counter?draft={mine['token']}").text, "title")["lines-0-quantity"] == "5"


@pytest.mark.postgresql
def test_a_page_that_another_tab_issued_is_told_and_issued_apart(clerk: FormClient, session: Session) -> None:
    clerk.post("/counter/work-out", data=posted(dict(PART), is_new_customer="1"), headers=LIVE)
    one, two = (form_with(clerk.get("/counter?draft=1").text, "title") for _ in range(2))
    assert clerk.post("/counter/issue", data=one).location == "/quotes/1001/1"
    two["lines-0-quantity"] = "5"
    told = clerk.post("/counter/issue", data=two)
    assert told.status_code == 422 and count(session, QuoteRevision) == 1
    assert "Another tab issued this page as quote 1001-1." in told.text
    again = form_with(told.text, "title")
    asked = clerk.post("/counter/issue", data=again)  # the other tab put this customer on record
    assert (asked.status_code, "On record already: I. Plover" in asked.text) == (422, True)
    again["is_new_customer"] = "another"
    assert clerk.post("/counter/issue", data=again).location == "/quotes/1002/1"
    assert count(session, Draft) == 0


@pytest.mark.parametrize(
    "change",
    [{"discount": "10 %", "discount_reason": "a good customer"}, {"urgency": "rush"}, {"option_b": "factory"}],
)
def test_a_page_gone_back_to_and_changed_is_no_second_press(
    clerk: FormClient, session: Session, change: dict[str, str]
) -> None:
    assert clerk.post("/counter/issue", data=posted(HARDWARE)).status_code == 303
    changed = clerk.post("/counter/issue", data=posted(HARDWARE, **change))
    assert changed.status_code == 422
    assert session.scalar(sa.select(sa.func.count(QuoteRevision.id))) == 1


def test_a_page_that_another_tab_saved_for_later_is_told(clerk: FormClient, session: Session) -> None:
    clerk.post("/counter/work-out", data=posted(dict(PART)), headers=LIVE)
    one, two = (form_with(clerk.get("/counter?draft=1").text, "title") for _ in range(2))
    assert clerk.post("/counter/keep", data=one).status_code == 303
    told = clerk.post("/counter/keep", data={**two, "title": "For the boathouse"})
    assert told.status_code == 422 and "in another tab as well" in told.text
    assert count(session, Job) == 1
    assert {draft.typed["title"] for draft in session.query(Draft)} == {"", "For the boathouse"}


def test_two_tabs_on_one_job_are_told_of_each_other(client_as: ClientAs, web: Flask, session: Session) -> None:
    mine, hers = client_as(Role.COUNTER), client_as(Role.COUNTER)
    issued(mine, session, dict(PART))
    web.extensions["clock"] = lambda: NOW + timedelta(minutes=5)
    one, two = (form_with(clerk.get("/counter?job=1001").text, "title") for clerk in (mine, hers))
    first = mine.post("/counter/work-out?job=1001", data={**one, "title": "For the shed"}, headers=LIVE).text
    second = hers.post("/counter/work-out?job=1001", data={**two, "title": "For the gate"}, headers=LIVE).text
    assert "in another tab as well" not in first
    assert "Job 1001 was changed at the counter in another tab as well." in second
    other = re.findall(r'href="(/counter\?draft=\w+&amp;job=1001)"', second)[0]
    assert form_with(hers.get(unescape(other)).text, "title")["title"] == "For the shed"


def test_an_empty_page_leaves_no_draft(clerk: FormClient, session: Session) -> None:
    clerk.post("/counter/work-out", data={"token": "t" * 32, "find": "harb"}, headers=LIVE)
    assert count(session, Draft) == 0


@pytest.mark.postgresql
def test_a_draft_is_its_owners(client_as: ClientAs, session: Session) -> None:
    client_as(Role.COUNTER).post("/counter/work-out", data=posted(dict(PART)), headers=LIVE)
    other = client_as(Role.COUNTER)
    assert "Go on with" not in other.get("/counter").text
    assert other.post("/counter/work-out", data=posted(dict(HARDWARE)), headers=LIVE).status_code == 400
    other.post("/counter/drop", data={"token": "t" * 32})
    assert count(session, Draft) == 1


def test_a_double_press_makes_one_revision(clerk: FormClient, session: Session) -> None:
    form = posted(dict(PART))
    first = clerk.post("/counter/issue", data=form)
    again = clerk.post("/counter/issue", data=form)
    assert first.location == again.location == "/quotes/1001/1"
    assert (count(session, Job), count(session, QuoteRevision), count(session, Draft)) == (1, 1, 0)
    clerk.post("/counter/work-out", data=form, headers=LIVE)  # a late answer to what was typed before
    assert count(session, Draft) == 0


def test_a_quote_is_revised_from_its_newest_revision(clerk: FormClient, session: Session) -> None:
    issued(clerk, session, dict(MORTISE), {**PART, "part_number": "AC-10"}, title="Two alike")
    page = clerk.get("/counter?job=1001").text
    assert "Two alike" in page and "AC-10" in page and "Issue revision 2" in page
    form = form_with(page, "title")
    form["lines-0-quantity"] = "4"
    answer = clerk.post("/counter/issue?job=1001", data=form)
    assert answer.location == "/quotes/1001/2"
    assert (count(session, Job), count(session, QuoteRevision)) == (1, 2)


def test_a_stale_revision_says_who_was_first_and_loses_nothing(client_as: ClientAs, session: Session) -> None:
    mine, hers = client_as(Role.COUNTER), client_as(Role.COUNTER)
    issued(mine, session, dict(PART))
    form = form_with(mine.get("/counter?job=1001").text, "title")
    hers.post("/counter/issue?job=1001", data=form_with(hers.get("/counter?job=1001").text, "title"))
    late = mine.post("/counter/issue?job=1001", data={**form, "title": "My own words"})
    assert late.status_code == 409 and "My own words" in late.text and "Q-1001-2 issued" in late.text
    assert count(session, QuoteRevision) == 2
    again = mine.get("/counter/issue?job=1001")
    assert again.location == "/counter?job=1001"


def test_a_draft_of_a_job_is_offered_only_while_it_is_newer_than_the_quote(
    clerk: FormClient, web: Flask, session: Session
) -> None:
    issued(clerk, session, dict(PART))
    web.extensions["clock"] = lambda: NOW + timedelta(minutes=5)
    clerk.post("/counter/work-out?job=1001", data=posted(dict(PART), token="u" * 32, title="Later"), headers=LIVE)
    assert "Go on with the draft" in clerk.get("/counter?job=1001").text
    assert "Later" in clerk.get("/counter?job=1001&draft=1").text
    web.extensions["clock"] = lambda: NOW + timedelta(minutes=6)
    clerk.post("/counter/issue?job=1001", data=form_with(clerk.get("/counter?job=1001").text, "title"))
    assert "Go on with the draft" not in clerk.get("/counter?job=1001").text


@pytest.mark.postgresql
def test_saved_for_later_and_quoted_then(clerk: FormClient, session: Session) -> None:
    unclear = {**PART, "part_number": "A18M-Q9"}
    sites = count(session, Site)
    form = posted(unclear, site="Boathouse", title="They will ring back")
    kept = clerk.post("/counter/keep", data=form)
    again = clerk.post("/counter/keep", data=form)
    assert kept.status_code == again.status_code == 303
    session.rollback()
    job = session.scalars(sa.select(Job)).one()
    assert (job.stage, job.customer.name, job.title) == (Stage.ASKED, "I. Plover", "They will ring back")
    page = clerk.get("/counter?job=1001").text
    assert "A18M-Q9" in page and "They will ring back" in page
    form = {**form_with(page, "title"), "lines-0-part_number": "A18M-Q1-66.SC"}
    answer = clerk.post("/counter/issue?job=1001", data=form)
    assert answer.location == "/quotes/1001/1", unescape(answer.text)
    assert (count(session, Job), count(session, Site)) == (1, sites + 1)


def test_saving_for_later_needs_a_customer(clerk: FormClient, session: Session) -> None:
    answer = clerk.post("/counter/keep", data={"token": "t" * 32, "lines-0-kind": "trip"})
    assert answer.status_code == 422 and "Choose a customer" in answer.text
    assert count(session, Job) == 0


def test_a_job_that_is_past_quoting_is_not_quoted_anew(clerk: FormClient, session: Session) -> None:
    job = issued(clerk, session, dict(PART))
    with transaction(session):
        session.get_one(Job, job.id).stage = Stage.CLOSED
    assert clerk.get("/counter?job=1001").location == "/counter"
    refused = clerk.post("/counter/issue?job=1001", data={**posted(dict(PART), token="v" * 32), "job_version": "3"})
    assert refused.status_code == 422 and "no longer be quoted" in refused.text


def test_a_house_without_terms_says_so(clerk: FormClient, session: Session) -> None:
    with transaction(session):
        session.execute(sa.delete(House))
    answer = clerk.post("/counter/issue", data=posted(dict(PART)))
    assert answer.status_code == 422 and "There is no such house on record" in answer.text


def test_a_bench_without_terms_is_told_in_one_sentence(clerk: FormClient, session: Session) -> None:
    with transaction(session):
        session.execute(sa.delete(BenchTermsRow))
    page = clerk.post("/counter/issue", data=posted(dict(PART))).text
    assert "The bench has no terms yet, so nothing can be quoted; the owner enters them under Goods, Prices." in page
    assert "Add a line to begin" not in page  # a line is there; it cannot be priced


def test_a_house_without_a_place_to_tax_in_says_so_beside_the_total(clerk: FormClient, session: Session) -> None:
    with transaction(session):
        session.execute(sa.update(House).values(tax_place=""))
    page = clerk.post("/counter/work-out", data=posted(dict(PART)), headers=LIVE).text
    sums = page[page.index('id="sums"') :]
    assert "The house has no place whose sales tax holds; the owner names it under Settings" in sums
    assert "unknown place" not in page


@pytest.mark.parametrize(
    ("typed", "said"),
    [
        ("brushed chrome", "626 satin chromium"),  # 652 is steel, which no maker here makes cylinders of
        ("26d", "626 satin chromium"),
        ("3", "605 bright brass"),
        ("oil rubbed", "613 oil-rubbed bronze"),
        ("brass", "brass can be 605 bright brass or 606 satin brass: enter the number."),
    ],
)
def test_the_finish_box_takes_a_finish_as_people_say_it(clerk: FormClient, typed: str, said: str) -> None:
    page = clerk.post("/counter/work-out", data=posted({**MORTISE, "finish": typed}), headers=LIVE).text
    assert said in page[page.index('id="told-0"') :]
    assert f'value="{typed}"' in page
