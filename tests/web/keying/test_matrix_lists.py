"""A matrix from a list, changed and searched again, and saved with a reserve under each master."""

import re
from collections import Counter
from collections.abc import Callable
from html import unescape
from random import Random

import pytest
import sqlalchemy as sa
from flask.testing import FlaskClient

from app.keying import AccessMatrix, AccessPlan, BittingSpec, MatrixSolution, key_matrix
from app.keying import Bitting as Cuts
from app.keying.relaxing import AccessChange
from app.keying.solving import Outcome
from app.ledger.keysystems import planning
from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.keysets import add_keysets
from app.ledger.keysystems.system_queries import get_system
from app.ledger.store.work import Work
from app.ledger.tables import Event, Keyset, KeySystem, Level, Role
from tests import factories

ClientAs = Callable[[Role | None], FlaskClient]
# Two heads over three people each.
LIST = "\n".join(
    [
        "Owner: all",
        "Avery: 101; 102; 103",
        "Brook: 201; 202; 203",
        *(f"A{n}: 10{n}" for n in (1, 2, 3)),
        *(f"B{n}: 20{n}" for n in (1, 2, 3)),
    ]
)


@pytest.fixture
def bench(client_as: ClientAs) -> FlaskClient:
    factories.KeywayFactory(code="AQ1")
    return client_as(Role.BENCH)


def _ended(client: FlaskClient, address: str) -> str:
    for run in [*client.application.extensions["keying runs"].values()]:
        assert run.ended.wait(60)
    return client.get(address).text


def _found(client: FlaskClient, people: str = LIST) -> tuple[str, str]:
    ask = {"keyway": "AQ1", "chambers": "6", "seconds": "20", "people": people, "deed": "solve"}
    answer = client.post("/keying/matrix", data=ask)
    assert answer.status_code == 303, unescape(answer.text)
    return answer.location, _ended(client, answer.location)


def test_a_reserve_is_kept_under_each_master_and_no_more_than_there_is(bench: FlaskClient, work: Work) -> None:
    address, _ = _found(bench)
    said = {"customer": str(factories.CustomerFactory().id), "name": "Annex", "site_name": "Annex"}
    refused = bench.post(f"{address}/seal", data={**said, "reserve": "500"})
    assert refused.status_code == 422 and re.search(r"A[AB] has \d+ changes left, not 500", refused.text)
    assert bench.post(f"{address}/seal", data={**said, "reserve": "4"}).status_code == 303
    work.session.rollback()
    system = work.session.scalars(sa.select(KeySystem)).one()
    kept = work.session.scalars(sa.select(Keyset).where(Keyset.reserved_for == "later doors")).all()
    assert sorted(one.symbol for one in kept) == [f"A{letter}{n}" for letter in "AB" for n in (4, 5, 6, 7)]
    assert all(one.level is Level.CHANGE and one.bitting is not None for one in kept)
    assert audit_systems(work, [get_system(work.session, system.id)]).is_clean
    assert bench.get(f"/key-systems/{system.id}").text.count("4 changes under it on no door yet") == 2


def test_heads_who_are_over_a_master_too_keep_a_reserve_and_take_further_doors(
    bench: FlaskClient, work: Work
) -> None:
    """A1 also opens two colleagues' doors, so that A1 is a master and Avery, over it, the head of changes besides."""
    people = LIST.replace("A1: 101", "A1: 101; 102; 103").replace(
        "Avery: 101", "A4: 104\nA5: 105\nAvery: 104; 105; 101"
    )
    address, page = _found(bench, people)
    assert "By levels: 4." in page
    said = {"customer": str(factories.CustomerFactory().id), "name": "Annex", "site_name": "Annex", "reserve": "3"}
    assert bench.post(f"{address}/seal", data=said).status_code == 303
    work.session.rollback()
    system = work.session.scalars(sa.select(KeySystem)).one()
    by_symbol = {one.symbol: one for one in system.keysets}
    heads = {one.purpose: one.symbol for one in system.keysets if one.level is not Level.CHANGE}
    assert {who: by_symbol[heads[who]].level for who in ("Avery", "Brook", "A1")} == {
        "Avery": Level.GRAND,
        "Brook": Level.GRAND,
        "A1": Level.MASTER,
    }
    # Avery's own are A4 and A5, Brook's three, A1's two; three more are kept free under each.
    under = Counter(one.parent.symbol for one in system.keysets if one.level is Level.CHANGE and one.parent)
    assert under == {heads["Avery"]: 5, heads["Brook"]: 6, heads["A1"]: 5}
    shown = bench.get(f"/key-systems/{system.id}").text
    assert shown.count("3 changes under it on no door yet") == 3
    assert system.capacity is not None
    before = system.capacity
    added = add_keysets(work, system, 2, heads["Avery"])
    assert [one.symbol for one in added] == [f"{heads['Avery']}{n}" for n in (6, 7)]
    assert system.capacity == before + 2
    assert audit_systems(work, [get_system(work.session, system.id)]).is_clean


def test_a_list_can_be_changed_and_is_read_by_row(bench: FlaskClient) -> None:
    address, _ = _found(bench)
    again = bench.get(f"/keying/matrix?run={address.rpartition('/')[2]}").text
    listed = re.search(r'<textarea[^>]*name="people"[^>]*>(.*?)</textarea>', again, re.DOTALL)
    assert listed is not None and "Avery, 101; 102; 103" in listed[1]
    ask = {"keyway": "AQ1", "chambers": "6", "seconds": "20", "deed": "solve"}
    twice = bench.post("/keying/matrix", data={**ask, "people": "Ann, 101\nAnn, 102"})
    assert twice.status_code == 422 and "row 2" in twice.text and "Ann stands twice" in twice.text
    both = bench.post("/keying/matrix", data={**ask, "people": "Ann, 101", "door-0": "hall"})
    assert both.status_code == 422 and "not two of them" in both.text


def test_what_is_not_found_says_what_to_change_and_searches_again_with_it(
    bench: FlaskClient, work: Work, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[AccessMatrix] = []

    def first_not(
        spec: BittingSpec, tmk: Cuts, matrix: AccessMatrix, rng: Random, **options: object
    ) -> AccessPlan | MatrixSolution:
        asked.append(matrix)
        if len(asked) > 1:
            return key_matrix(spec, tmk, matrix, rng, seconds=20)
        [a1] = [n for n, key in enumerate(matrix.keys) if key.holders == ("A1",)]
        [b1] = [n for n, door in enumerate(matrix.cylinders) if door.doors == ("201",)]
        change = AccessChange(key=a1, cylinder=b1, allow=False)
        return MatrixSolution(Outcome.NOT_IN_TIME, None, (), None, False, 20.0, relax=(change,))

    monkeypatch.setattr(planning, "key_matrix", first_not)
    address, page = _found(bench, LIST.replace("A1: 101", "A1: 101; 201"))
    assert "Solved with this change" in page and "<li>A1 goes without 201.</li>" in page
    address = bench.post(f"{address}/eased").location
    page = _ended(bench, address)
    assert "Changed against what was asked first: A1 goes without 201." in page
    said = {"customer": str(factories.CustomerFactory().id), "name": "Annex", "site_name": "Annex"}
    assert bench.post(f"{address}/seal", data=said).status_code == 303
    work.session.rollback()
    event = work.session.scalars(sa.select(Event).where(Event.kind == "matrix changed")).one()
    assert event.summary == "A1 goes without 201."
    assert bench.post(f"{address}/eased").status_code == 400
