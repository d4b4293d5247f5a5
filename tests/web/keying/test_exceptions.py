"""What levels alone do not give is asked by itself, with its price, and goes on record; what is left out is said."""

import re
from collections.abc import Callable
from html import unescape
from math import prod

import pytest
import sqlalchemy as sa
from flask.testing import FlaskClient

from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.bittings import open_bittings
from app.ledger.keysystems.system_queries import get_system
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Event, KeySystem, Role
from tests import factories
from tests.forms_found import form_with

ClientAs = Callable[[Role | None], FlaskClient]
# Two heads over three people each. A1 opens a colleague's door besides his own; both heads open the store.
LIST = "\n".join(
    [
        "Owner: all",
        "Avery: 101; 102; 103; S1",
        "Brook: 201; 202; 203; S1",
        "A1: 101; 102",
        "A2: 102",
        "A3: 103",
        "B1: 201",
        "B2: 202",
        "B3: 203",
    ]
)


@pytest.fixture
def bench(client_as: ClientAs) -> FlaskClient:
    factories.KeywayFactory(code="AQ1")
    return client_as(Role.BENCH)


def _found(client: FlaskClient, people: str = LIST) -> tuple[str, str]:
    ask = {"keyway": "AQ1", "chambers": "6", "seconds": "20", "people": people, "deed": "solve"}
    answer = client.post("/keying/matrix", data=ask)
    assert answer.status_code == 303, unescape(answer.text)
    return answer.location, _ended(client, answer.location)


def _ended(client: FlaskClient, address: str) -> str:
    for run in [*client.application.extensions["keying runs"].values()]:
        assert run.ended.wait(60)
    return client.get(address).text


def _rows(page: str) -> dict[str, tuple[str, int, int]]:
    """By door: the value of its tick, and the combinations before and after."""
    found = {}
    for row in re.findall(r"<tr[^>]*>((?:(?!</tr>).)*name=\"cross\".*?)</tr>", page, re.DOTALL):
        value = re.search(r'name="cross" value="([^"]*)"', row)
        before, after = re.findall(r"([\d,]+) → ([\d,]+)", row)[0]
        door = re.search(r'data-label="Door">([^<]*) <', row)
        assert value is not None and door is not None
        found[door[1]] = (value[1], int(before.replace(",", "")), int(after.replace(",", "")))
    return found


def test_each_exception_is_asked_by_itself_and_recorded(bench: FlaskClient, work: Work) -> None:
    address, page = _found(bench)
    assert "By levels: 3." in page
    rows = _rows(page)
    assert set(rows) == {"102", "S1"}
    customer = factories.CustomerFactory()
    said = {"customer": str(customer.id), "name": "Annex", "site_name": "Annex", "cross": rows["102"][0]}
    asked = bench.post(f"{address}/seal", data=said)
    told = "S1 stays shut to Brook. Tick that they go without, or tick the crossing above, and save again."
    assert asked.status_code == 422 and told in unescape(asked.text)
    assert re.search(rf'value="{rows["102"][0]}" checked', asked.text)
    again = bench.post(f"{address}/seal", data={**said, "leaves_out": told})
    page = _ended(bench, again.location)
    assert "Changed against what was asked first: Brook goes without S1." in page
    rows = _rows(page)
    form = form_with(page, "customer")
    assert form["site_name"] == "Annex" and set(rows) == {"102"} and 'name="cross" value="102" checked' in page
    assert bench.post(f"{again.location}/seal", data={**form, "cross": "102"}).status_code == 303
    work.session.rollback()
    system = work.session.scalars(sa.select(KeySystem)).one()
    assert system.levels == 3
    planned = work.session.scalars(sa.select(Cylinder)).all()
    crossed = {one.door.opening_number: one for one in planned if one.door and one.operators}
    assert set(crossed) == {"102"}
    door = crossed["102"]
    assert door.keyset is not None and door.keyset.purpose == "A2"
    assert [one.keyset.purpose for one in door.operators] == ["A1"]
    [store] = [one for one in planned if one.door and one.door.opening_number == "S1"]
    assert store.keyset is not None and store.keyset.purpose == "Avery"
    # The combinations are the product of the depths that shear: of own, master and grand, then of A1's key too.
    opened = open_bittings(work.session, work.vault, [system])
    chain = [door.keyset, door.keyset.parent, door.keyset.parent and door.keyset.parent.parent]
    cuts = [opened[one.id] for one in chain if one is not None]
    further = [*cuts, opened[door.operators[0].keyset_id]]
    depths = [prod(len(set(cut)) for cut in zip(*keys, strict=True)) for keys in (cuts, further)]
    assert [*rows["102"][1:]] == depths
    events = work.session.scalars(
        sa.select(Event).where(Event.kind.in_(["crossing agreed", "matrix changed"])).order_by(Event.id)
    ).all()
    symbol = door.operators[0].keyset.symbol
    assert {one.kind: one.summary for one in events} == {
        "crossing agreed": f"Crossed: 102 for A1 ({symbol}); controlled, {depths[0]} → {depths[1]} combinations",
        "matrix changed": "Brook goes without S1.",
    }
    assert audit_systems(work, [get_system(work.session, system.id)]).is_clean


def test_a_crossing_that_would_let_a_head_in_asks_and_is_keyed_again_without_it(
    bench: FlaskClient, work: Work
) -> None:
    # A key of Avery's people has her cuts in it: at a door of Brook's it would bring her in.
    address, page = _found(bench, LIST.replace("A1: 101; 102", "A1: 101; 201"))
    assert set(_rows(page)) == {"201", "S1"}
    assert "It would let Avery in: only a key cut outside its master's array keeps that out." in unescape(page)
    assert "uncontrolled" in page
    customer = factories.CustomerFactory()
    said = {"customer": str(customer.id), "name": "Annex", "site_name": "Annex", "cross": "S1"}
    told = "201 stays shut to A1. Tick that they go without, or tick the crossing above, and save again."
    again = bench.post(f"{address}/seal", data={**said, "leaves_out": told})
    page = _ended(bench, again.location)
    assert (
        bench.post(f"{again.location}/seal", data={**form_with(page, "customer"), "cross": "S1"}).status_code == 303
    )
    work.session.rollback()
    system = work.session.scalars(sa.select(KeySystem)).one()
    assert audit_systems(work, [get_system(work.session, system.id)]).is_clean
    crossed = work.session.scalars(sa.select(Cylinder).where(Cylinder.operators.any())).all()
    assert [one.door and one.door.opening_number for one in crossed] == ["S1"]
