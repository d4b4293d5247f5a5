"""Bitting specs in the browser: entered, loaded off a chart, refused field by field, changed with care."""

import io
import re
from collections.abc import Callable
from dataclasses import replace
from fractions import Fraction

import pytest
from flask.testing import FlaskClient
from sqlalchemy.orm import Session

from app.keying import BittingRules, KeyStop, read_symbol, usable_bittings
from app.ledger.catalog.specs import read_spec
from app.ledger.keysystems.bittings import add_keyset, change_spec, open_bittings, open_plan, spec_of
from app.ledger.keysystems.pinned import open_pins, pinned_as_on_record, seal_pins
from app.ledger.store.work import Work
from app.ledger.tables import CylinderState, Event, KeyState, KeySystem, Level, Role, SpecRow
from tests import factories
from tests.web.keying.keying_system import system_in_service

ClientAs = Callable[[Role | None], FlaskClient]
GOOD = {
    "name": "Reedwork five",
    "chambers": "5",
    "depths": "7",
    "first_depth": "1",
    "macs": "5",
    "step": "1",
    "stop": "shoulder",
    "depth0_in": "0.322",
    "increment_in": ".0228",
    "first_cut_in": "0.209",
    "spacing_in": "0.149",
    "stack_total": "14",
}


def test_the_owner_enters_a_spec_and_sees_it_drawn_and_counted(client_as: ClientAs, session: Session) -> None:
    client = client_as(Role.OWNER)
    answer = client.post("/keying/specs/new", data=GOOD)
    assert answer.status_code == 303
    row = session.query(SpecRow).one()
    assert row.name == "Reedwork five" and row.spec["increment_in"] == "0.0228"
    page = client.get(answer.location).text
    assert "16,807" in page  # 7 ** 5
    assert 'aria-labelledby="chart-title"' in page and "0.2992" in page  # .322 less one increment
    assert session.query(Event).filter_by(kind="bitting spec entered").count() == 1


def test_bounds_stop_and_kit_are_entered_and_told(client_as: ClientAs, session: Session) -> None:
    client = client_as(Role.OWNER)
    page = client.get("/keying/specs/new").text
    assert re.search(r'name="most_master_pins"[^>]*value="2"', page)  # what a new spec proposes
    assert re.search(r'name="share_one_in"[^>]*value="200"', page)
    kit = {"bottom0_in": "4.06 mm", "bottoms_in": "0.150 to 0.300 by 0.005, .32", "tolerance_in": "0.0015"}
    sent = {**GOOD, **kit, "stop": "tip", "most_master_pins": "2", "share_one_in": "200", "ball": "4"}
    answer = client.post("/keying/specs/new", data=sent)
    assert answer.status_code == 303
    spec = read_spec(session.query(SpecRow).one())
    assert (spec.stop, spec.most_master_pins, spec.share_one_in, spec.ball) == (KeyStop.TIP, 2, 200, 4)
    assert len(spec.kit.bottoms_in) == 32 and spec.kit.bottom0_in == Fraction("4.06") / Fraction("25.4")
    shown = client.get(answer.location).text
    assert "2 master pins in a chamber, one in 200 of all bittings" in shown
    assert "<dt>Construction ball</dt><dd>4 increments</dd>" in shown
    assert "the last cut is cut 1" in shown and "0.15 to 0.3 by 0.005, 0.32 in" in shown
    assert "Tip stop to the middle of each cut" in shown
    # Cut 1, at the tip, is .209 from the stop: it stands at the right of the drawing.
    drawn = re.findall(r'<text class="chart-number middle" x="([0-9.]+)" y="14">(\d)</text>', shown)
    assert [number for _, number in sorted(drawn, key=lambda one: float(one[0]))] == ["5", "4", "3", "2", "1"]
    for words in ("Sidebars", "Angled cuts", "Half depths"):
        assert words in shown
    again = client.get(f"{answer.location}/change").text
    assert re.search(r'name="bottoms_in"[^>]*value="0.15 to 0.3 by 0.005, 0.32"', again)
    assert '<option selected value="tip">' in again
    refused = client.post(
        "/keying/specs/new", data={**sent, "name": "Other", "masters_in": "0.1 by 0.2", "stop": "nose"}
    )
    assert refused.status_code == 422
    assert 'id="masters_in-error"' in refused.text and 'id="stop-error"' in refused.text


def test_a_spec_on_record_has_no_bounds_until_they_are_set(client_as: ClientAs, work: Work) -> None:
    system = system_in_service(work)
    assert read_spec(system.spec).most_master_pins is None and read_spec(system.spec).share_one_in is None
    page = client_as(Role.OWNER).get(f"/keying/specs/{system.spec_id}").text
    assert "nothing: neither master pins nor a share is bounded" in page
    assert "the first cut is cut 1" in page


@pytest.mark.parametrize(
    ("field", "value", "words"),
    [
        ("chambers", "2", "from 3 to 12"),
        ("chambers", "9" * 31, "from 3 to 12"),
        ("depths", "17", "from 2 to 16"),
        ("macs", "x", "whole number"),
        ("first_depth", "12", "at most 15"),
        ("increment_in", "0.9", "leave no metal"),
        ("spacing_in", "1.2.3", "Enter inches"),
        ("depth0_in", "W" * 10_000, "Enter inches"),
        ("name", "", "Enter a name"),
        ("step", "3", "Not a valid choice"),
        ("root_depths", "0.322 0.299", "one root depth for each"),
        ("root_depths", "0.322 0.299 0.200 0.254 0.231 0.208 0.185", "even steps"),
    ],
)
def test_bad_input_is_refused_beside_its_field_and_nothing_is_saved(
    client_as: ClientAs, session: Session, field: str, value: str, words: str
) -> None:
    answer = client_as(Role.OWNER).post("/keying/specs/new", data={**GOOD, field: value})
    assert answer.status_code == 422
    error = answer.text.partition(f'id="{field}-error"')[2].partition("</p>")[0]
    assert words in error
    assert session.query(SpecRow).count() == 0


@pytest.mark.postgresql
def test_root_depths_stand_in_for_the_increment(client_as: ClientAs, session: Session) -> None:
    roots = "0.331 0.317 0.302 0.288 0.273 0.259 0.244"  # a chart rounds to thousandths
    data = {**GOOD, "depth0_in": "", "increment_in": "", "root_depths": roots}
    assert client_as(Role.OWNER).post("/keying/specs/new", data=data).status_code == 303
    assert session.query(SpecRow).one().spec["increment_in"] == "0.0145"


def test_a_chart_file_fills_the_form_and_saves_nothing(client_as: ClientAs, session: Session) -> None:
    chart = b"field,value\nname,Reedwork six\nchambers,6\ndepths,7\nmacs,5\n"
    chart += b"root depths,.331,.317,.302,.288,.273,.259,.244\n"
    client = client_as(Role.OWNER)
    answer = client.post("/keying/specs/load", data={"file": (io.BytesIO(chart), "chart.csv")})
    assert answer.status_code == 200
    assert 'value="Reedwork six"' in answer.text and "chart-title" in answer.text
    assert session.query(SpecRow).count() == 0


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("chart.json", b"[1, 2]", "one JSON object"),
        ("chart.json", b'{"chambers": [6]}', "chambers"),
        ("chart.json", b'{"chambers": true}', "chambers"),
        ("chart.json", b"{" * 100_000, "no JSON"),
        ("chart.json", b'{"color": 1}', "no field of a spec"),
        ("chart.csv", b"chambers,6\nchambers,5\n", "stands twice"),
        ("chart.csv", b"hue,6\n", "row 1"),
        ("chart.pdf", b"%PDF", "no PDF that can be read"),
    ],
)
def test_a_bad_chart_file_says_where(client_as: ClientAs, name: str, content: bytes, words: str) -> None:
    answer = client_as(Role.OWNER).post("/keying/specs/load", data={"file": (io.BytesIO(content), name)})
    assert answer.status_code == 422 and words in answer.text


def test_a_spec_in_service_keeps_what_bittings_are_written_in(client_as: ClientAs, session: Session) -> None:
    system = factories.KeySystemFactory()
    client = client_as(Role.OWNER)
    data = {**GOOD, "version": "1", "name": system.spec.name, "chambers": "5", "depths": "9", "step": "1"}
    answer = client.post(f"/keying/specs/{system.spec_id}/change", data={**data, "first_depth": "0"})
    assert answer.status_code == 422
    for field in ("chambers", "depths", "step"):
        assert f'id="{field}-error"' in answer.text
    good = {**data, "chambers": "6", "depths": "10", "first_depth": "0", "step": "2", "increment_in": ".0145"}
    assert client.post(f"/keying/specs/{system.spec_id}/change", data=good).status_code == 303
    stale = client.post(f"/keying/specs/{system.spec_id}/change", data=good)
    assert stale.status_code == 409


SPEC_MADE_BY = {
    "chambers": 6,
    "depths": 10,
    "first_depth": 0,
    "macs": 7,
    "step": 2,
    "stack_total": 14,
    "depth0_in": "0.322",
    "increment_in": "0.0148",
    "first_cut_in": "0.209",
    "spacing_in": "0.149",
}


def made(session: Session, work: Work) -> KeySystem:
    """A system of which a key is cut and a cylinder pinned by a spec with all its figures."""
    system = system_in_service(work, dict(SPEC_MADE_BY))
    change = next(one for one in system.keysets if one.symbol == "AA1")
    factories.KeyFactory(keyset=change, copy_number=1, state=KeyState.OUT)
    for one in (one for keyset in system.keysets for one in keyset.cylinders):
        one.state = CylinderState.PINNED if one.keyset is change else CylinderState.ORDERED
    seal_pins(work, change.cylinders)
    session.commit()
    return system


def boxes_of(page: str) -> dict[str, str]:
    """What the page's boxes hold, as a browser would send them."""
    found = dict(re.findall(r'<input[^>]*name="(\w+)"[^>]*value="([^"]*)"', page))
    return found | dict(re.findall(r'<select[^>]*name="(\w+)".*?<option selected value="(\w+)"', page, re.DOTALL))


@pytest.mark.parametrize(
    ("name", "value", "label", "figures"),
    [
        ("increment_in", "0.015", "increment", "0.0148 → 0.015"),
        ("first_cut_in", "0.2", "first cut", "0.209 → 0.2"),
        ("stack_total", "15", "stack total", "14 → 15"),
        ("stop", "tip", "where the key stops", "shoulder → tip"),
    ],
)
def test_what_metal_was_made_by_changes_only_with_a_reason(
    client_as: ClientAs, session: Session, work: Work, name: str, value: str, label: str, figures: str
) -> None:
    system = made(session, work)
    client, page = client_as(Role.OWNER), f"/keying/specs/{system.spec_id}/change"
    shown = client.get(page).text
    assert "1 key system is keyed by this spec (Quay Hall; 1 key cut, 1 cylinder pinned)." in shown
    sent = {**boxes_of(shown), name: value}
    refused = client.post(page, data=sent)
    assert refused.status_code == 422
    told = refused.text.partition('id="why-error"')[2].partition("</p>")[0]
    assert "1 key cut, 1 cylinder pinned" in told and f"by the {label} on record" in told
    before = open_pins(work, [one for keyset in system.keysets for one in keyset.cylinders])
    assert client.post(page, data={**sent, "why": "The chart was typed wrong"}).status_code == 303
    assert f"({label} {figures}): The chart was typed wrong" in client.get(f"/keying/specs/{system.spec_id}").text
    session.expire_all()
    pinned = [one for keyset in system.keysets for one in keyset.cylinders if one.sealed_pins]
    assert [*pinned_as_on_record(work, pinned)] == pinned and before == open_pins(work, pinned)


def test_a_figure_that_no_chart_gave_yet_needs_no_reason(client_as: ClientAs, session: Session, work: Work) -> None:
    system = made(session, work)
    system.spec.spec = {**system.spec.spec, "spacing_in": None, "stack_total": None}
    session.commit()
    client, page = client_as(Role.OWNER), f"/keying/specs/{system.spec_id}/change"
    sent = {**boxes_of(client.get(page).text), "spacing_in": "0.15", "stack_total": "14"}
    assert client.post(page, data=sent).status_code == 303


def test_where_keys_stop_stays_while_shorter_cylinders_stand(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    system = made(session, work)
    system.keysets[-1].cylinders[0].chambers = 5
    session.commit()
    client, page = client_as(Role.OWNER), f"/keying/specs/{system.spec_id}/change"
    sent = {**boxes_of(client.get(page).text), "stop": "tip", "why": "I had it wrong"}
    refused = client.post(page, data=sent)
    assert refused.status_code == 422
    told = refused.text.partition('id="stop-error"')[2].partition("</p>")[0]
    assert "1 cylinder with fewer chambers than their keys have cuts" in told and "Enter a new spec" in told
    system.keysets[-1].cylinders[0].state = CylinderState.REMOVED
    session.commit()
    assert client.post(page, data=sent).status_code == 303


def test_two_specs_do_not_share_a_name(client_as: ClientAs) -> None:
    client = client_as(Role.OWNER)
    client.post("/keying/specs/new", data=GOOD)
    answer = client.post("/keying/specs/new", data=GOOD)
    assert answer.status_code == 422 and "already" in answer.text.partition('id="name-error"')[2]


def test_the_bench_reads_and_only_the_owner_writes(client_as: ClientAs) -> None:
    spec = factories.SpecFactory()
    bench = client_as(Role.BENCH)
    assert bench.get(f"/keying/specs/{spec.id}").status_code == 200
    assert "keying/specs/new" not in bench.get("/keying/specs").text
    assert bench.post("/keying/specs/new", data=GOOD).status_code == 403


SMALL = {
    "name": "Reed three",
    "chambers": "3",
    "depths": "4",
    "first_depth": "0",
    "macs": "3",
    "step": "1",
    "stop": "tip",
}


def cost_rows(page: str) -> list[list[str]]:
    table = page.partition('aria-label="What the rules cost"')[2].partition("</table>")[0]
    return [re.findall(r">([^<>]+)</t[hd]>", row) for row in table.split("<tr>")[2:]]


def test_a_new_spec_proposes_the_usual_rules(client_as: ClientAs) -> None:
    page = client_as(Role.OWNER).get("/keying/specs/new").text
    for name, value in (("least_depths", 3), ("most_equal_neighbors", 2), ("least_span", 3), ("least_apart", 2)):
        assert re.search(rf'<input[^>]*name="{name}"[^>]*value="{value}"', page)
    for name in ("no_stairs", "no_uncut"):
        assert re.search(rf"<input[^>]*checked[^>]*name=\"{name}\"|<input[^>]*name=\"{name}\"[^>]*checked", page)


def test_what_rules_cost_is_shown_before_they_are_saved(client_as: ClientAs, session: Session) -> None:
    """Of 4 × 4 × 4 bittings 4 have one depth; 012, 123, 210 and 321 are stairs of three: 56 are left."""
    client = client_as(Role.OWNER)
    data = {**SMALL, "least_depths": "2", "no_stairs": "y"}
    answer = client.post("/keying/specs/new", data={**data, "deed": "update"})
    assert answer.status_code == 200 and session.query(SpecRow).count() == 0
    rows = cost_rows(answer.text)
    assert [row[:2] for row in rows] == [
        ["Within MACS", "64"],
        ["At least 2 different depths", "− 4"],
        ["No plain stairs", "− 4"],
        ["Left", "56"],
    ]
    # Of 27 changes under a master at most 3 have one depth, and at most 4 are stairs.
    assert rows[0][2] == "27" and 20 <= int(rows[3][2]) <= 27
    assert client.post("/keying/specs/new", data=data).status_code == 303
    session.rollback()
    row = session.query(SpecRow).one()
    assert row.spec["rules"] == BittingRules(least_depths=2, no_stairs=True).to_json()
    assert "at least 2 different depths, no plain stairs" in client.get(f"/keying/specs/{row.id}").text
    client.post(f"/keying/specs/{row.id}/change", data={**SMALL, "version": "1", "least_span": "1"})
    assert "Reed three: rules (a span of at least 1) changed" in client.get(f"/keying/specs/{row.id}").text


@pytest.mark.parametrize(
    ("rules", "field", "words"),
    [
        ({"least_depths": "4"}, "least_depths", "at most 3 depths"),
        ({"least_span": "4"}, "least_span", "Ask for at most 3"),
        ({"least_apart": "4"}, "least_apart", "at most 3 chambers"),
        ({"depths": "2", "no_uncut": "y"}, "no_uncut", "turn it off"),
        # Under MACS 1 three depths are stairs: one of the two rules has to go. Without stairs 12 of 64 come back.
        ({"macs": "1", "least_depths": "3", "no_stairs": "y"}, "least_depths", "leave no bitting"),
    ],
)
def test_rules_that_leave_nothing_are_refused_beside_their_field(
    client_as: ClientAs, session: Session, rules: dict[str, str], field: str, words: str
) -> None:
    for deed in ("update", ""):
        answer = client_as(Role.OWNER).post("/keying/specs/new", data={**SMALL, **rules, "deed": deed})
        assert answer.status_code == 422
        assert words in answer.text.partition(f'id="{field}-error"')[2].partition("</p>")[0]
    assert session.query(SpecRow).count() == 0


@pytest.mark.postgresql
def test_new_rules_count_again_what_systems_can_still_hand_out(session: Session, work: Work) -> None:
    system = system_in_service(work)
    opened = open_bittings(session, work.vault, [system])
    keys = {keyset.symbol: opened[keyset.id] for keyset in system.keysets}
    plan = open_plan(work.vault, system)
    assert plan is not None
    every = [cuts for master in ("AA", "AB") for cuts in plan.under(spec_of(system), "C", keys[master])]
    issued = [cuts for symbol, cuts in keys.items() if read_symbol(symbol).number]
    left = sum(len(set(cuts)) >= 6 and cuts not in issued for cuts in every)
    assert system.capacity == len(every) and any(len(set(cuts)) < 6 for cuts in issued)
    spec = replace(read_spec(system.spec), rules=BittingRules(least_depths=6))
    change_spec(work, system.spec_id, system.spec.version, spec)
    session.refresh(system)
    assert system.capacity is not None and system.capacity - len(issued) == left

    # A change that was searched for beyond a full array takes none of its places, then and later.
    beyond = next(cuts for cuts in usable_bittings(spec_of(system)) if cuts not in every)
    master = next(one for one in system.keysets if one.symbol == "AA")
    add_keyset(work, system, "AA99", Level.CHANGE, master, beyond)
    session.commit()
    change_spec(work, system.spec_id, system.spec.version, replace(spec, rules=BittingRules(least_depths=5)))
    session.refresh(system)
    left = sum(len(set(cuts)) >= 5 and cuts not in issued for cuts in every)
    assert system.capacity - len(issued) - 1 == left
