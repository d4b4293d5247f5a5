"""Searches in a system in service: bittings for a cross-keying, and an extension with the keys fixed."""

import re
from collections.abc import Callable

import pytest
import sqlalchemy as sa
from flask.testing import FlaskClient
from sqlalchemy.orm import Session

from app.keying import BittingChoice, ExtensionSearch, MatrixSolution
from app.keying.solving import Outcome
from app.ledger.keysystems import crosskeying, extending
from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.bittings import seal_bitting
from app.ledger.keysystems.system_queries import get_system
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, CylinderOperator, CylinderState, Event, Keyset, KeySystem, Role
from tests.web.keying.keying_system import bittings_in_clear, first_unlike, put_cut, system_in_service

ClientAs = Callable[[Role | None], FlaskClient]
NARROW = {"chambers": 6, "depths": 4, "first_depth": 0, "macs": 3, "step": 2}


def _clash(work: Work, system: KeySystem) -> dict[str, str]:
    """Give AA2 a bitting that a cylinder of AA1 and AA3 lets in: AA1's in one chamber, AA3's in the rest."""
    work.session.execute(sa.update(Cylinder).values(state=CylinderState.ORDERED))
    opened = bittings_in_clear(work, system)
    mixed = put_cut(opened["AA3"], first_unlike(opened["AA1"], opened["AA3"]), opened["AA1"])
    assert mixed not in opened.values()
    other = work.session.scalars(sa.select(Keyset).where(Keyset.symbol == "AA2")).one()
    work.session.delete(other.bitting)
    work.session.flush()
    work.session.expire(other)
    seal_bitting(work, system, other, tuple(int(cut) for cut in mixed))
    work.session.commit()
    return bittings_in_clear(work, system)


def _ask(session: Session, symbols: str = "AA3") -> dict[str, str]:
    cylinder = session.scalars(sa.select(Keyset).where(Keyset.symbol == "AA1")).one().cylinders[0]
    return {"cylinder": str(cylinder.id), "symbols": symbols, "seconds": "20", "deed": "search"}


def _wait(client: FlaskClient) -> None:
    for run in client.application.extensions["keying runs"].values():
        assert run.ended.wait(60)


def test_bittings_that_keep_a_cross_keying_clean_are_found_shown_and_sealed(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    system = system_in_service(work)
    before = _clash(work, system)
    client, data = client_as(Role.BENCH), _ask(session)
    address = f"/keying/systems/{system.id}/cross-key"
    page = client.post(address, data={**data, "deed": "cost"}).text
    assert "AA2 would operate this cylinder too" in page and "Search for bittings" in page
    answer = client.post(address, data=data)
    assert answer.status_code == 303, answer.text
    _wait(client)
    page = client.get(answer.location).text
    assert "No issued key of this system gets in unasked" in page and "Nothing is saved yet" in page
    assert session.query(CylinderOperator).count() == 0
    assert client.post(f"{answer.location}/seal").status_code == 303
    session.rollback()
    assert session.query(CylinderOperator).count() == 1
    assert session.query(Event).filter_by(kind="cross-keyed with new bittings").count() == 1
    assert audit_systems(work, [get_system(session, system.id)]).is_clean
    after = bittings_in_clear(work, system)
    changed = {symbol for symbol, bitting in after.items() if bitting != before[symbol]}
    assert changed and changed <= {"AA1", "AA2", "AA3"}
    for bitting in {*before.values(), *after.values()}:
        assert bitting not in page
    again = client.post(f"{answer.location}/seal")
    assert again.status_code == 409  # the bittings are not what they were


def test_no_bitting_changes_that_a_key_is_cut_for(client_as: ClientAs, session: Session, work: Work) -> None:
    system = system_in_service(work)
    _clash(work, system)
    session.execute(sa.update(Cylinder).values(state=CylinderState.PINNED))
    session.commit()
    answer = client_as(Role.BENCH).post(f"/keying/systems/{system.id}/cross-key", data=_ask(session))
    assert answer.status_code == 422 and "no bitting may change" in answer.text


@pytest.mark.parametrize(("exhausted", "words"), [(True, "Impossible: whatever"), (False, "Not found in 20 seconds")])
def test_a_cross_keying_without_an_answer_says_which(
    client_as: ClientAs, session: Session, work: Work, monkeypatch: pytest.MonkeyPatch, exhausted: bool, words: str
) -> None:
    client, bench, counter = (client_as(role) for role in (Role.OWNER, Role.BENCH, Role.COUNTER))
    system = system_in_service(work)
    _clash(work, system)
    monkeypatch.setattr(crosskeying, "choose_bittings", lambda *a, **o: BittingChoice(None, exhausted))
    answer = client.post(f"/keying/systems/{system.id}/cross-key", data=_ask(session))
    _wait(client)
    assert words in client.get(answer.location).text
    assert client.post(f"{answer.location}/seal").status_code == 400
    assert bench.get(answer.location).status_code == 404
    assert counter.get(answer.location).status_code == 403


def test_a_full_system_is_extended_by_a_search(client_as: ClientAs, session: Session, work: Work) -> None:
    system = system_in_service(work)
    before = bittings_in_clear(work, system)
    client, address = client_as(Role.BENCH), f"/keying/systems/{system.id}/extend"
    assert "Search with the keys fixed" not in client.get(address).text
    data = {"master": "AA", "grand": "A", "changes": "5000", "deed": "extend"}
    page = client.post(address, data=data).text
    assert "are left that neither" in page.partition("<main")[2], page.partition("<main")[2]
    assert "Search with the keys fixed" in page
    data = {"master": "AA", "grand": "A", "changes": "3", "deed": "search", "seconds": "30"}
    answer = client.post(address, data=data)
    assert answer.status_code == 303, answer.text
    _wait(client)
    page = client.get(answer.location).text
    assert "Found: every key opens its doors" in page and "AA4 AA A" in page
    assert client.post(f"{answer.location}/seal").status_code == 303
    session.rollback()
    after = bittings_in_clear(work, system)
    assert set(after) - set(before) == {"AA4", "AA5", "AA6"}
    assert {symbol: after[symbol] for symbol in before} == before
    assert audit_systems(work, [get_system(session, system.id)]).is_clean
    for bitting in after.values():
        assert bitting not in page
    assert client.post(f"{answer.location}/seal").status_code == 409  # sealed already


def test_a_system_without_an_array_is_extended_by_a_search_at_once(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    system = system_in_service(work)
    system.sealed_plan, system.capacity = None, None  # as one out of a matrix whose holders cross
    session.commit()
    before = bittings_in_clear(work, system)
    client, address = client_as(Role.BENCH), f"/keying/systems/{system.id}/extend"
    page = client.get(address).text
    assert "This system has no array" in page and "Search with the keys fixed" not in page
    data = {"master": "AB", "changes": "2", "grand": "A", "masters": "1", "changes_each": "1", "deed": "extend"}
    answer = client.post(address, data=data)
    assert answer.status_code == 303, answer.text
    _wait(client)
    page = client.get(answer.location).text
    assert "Found: every key opens its doors" in page and "AC1 AC A" in page and "outside the array" not in page
    assert client.post(f"{answer.location}/seal").status_code == 303
    session.rollback()
    after = bittings_in_clear(work, system)
    assert set(after) - set(before) == {"AB4", "AB5", "AC", "AC1"}
    assert {symbol: after[symbol] for symbol in before} == before
    assert audit_systems(work, [get_system(session, system.id)]).is_clean


def test_an_extension_without_an_answer_says_so(
    client_as: ClientAs, work: Work, monkeypatch: pytest.MonkeyPatch
) -> None:
    system = system_in_service(work)
    real = extending.search_extension

    def late(*given: object, **options: object) -> ExtensionSearch:
        matrix = real(*given, **options).matrix  # type: ignore[arg-type]
        return ExtensionSearch(None, MatrixSolution(Outcome.NOT_IN_TIME, None, ((9, 0),), None, False, 20.0), matrix)

    monkeypatch.setattr(extending, "search_extension", late)
    client = client_as(Role.BENCH)
    data = {"master": "AA", "grand": "A", "changes": "1", "deed": "search", "seconds": "20"}
    answer = client.post(f"/keying/systems/{system.id}/extend", data=data)
    assert answer.status_code == 303, answer.text.partition("<main")[2]
    _wait(client)
    page = client.get(answer.location).text
    assert "Not found in 20 seconds" in page and "What the best so far still lets in" in page
    assert re.search(r"In the best so far a key still opens a door that it must not, \d+ times", page)
    too_many = client.post(f"/keying/systems/{system.id}/extend", data={**data, "changes": "201"})
    assert too_many.status_code == 422 and "at most 200" in too_many.text


def test_a_cross_keying_is_searched_for_in_a_system_without_an_array_too(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    system = system_in_service(work)
    before = _clash(work, system)
    system = get_system(session, system.id)
    system.sealed_plan = None
    session.commit()
    client = client_as(Role.BENCH)
    answer = client.post(f"/keying/systems/{system.id}/cross-key", data=_ask(session))
    assert answer.status_code == 303, answer.text
    _wait(client)
    assert client.post(f"{answer.location}/seal").status_code == 303
    session.rollback()
    assert audit_systems(work, [get_system(session, system.id)]).is_clean
    after = bittings_in_clear(work, system)
    assert {symbol for symbol in after if after[symbol] != before[symbol]} <= {"AA1", "AA2", "AA3"}
    assert session.query(CylinderOperator).count() == 1
