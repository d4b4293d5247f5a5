"""The selective master of a system in service: what it costs, its page, changes under it, and a key of it lost."""

from collections.abc import Callable

import pytest
import sqlalchemy as sa
from flask.testing import FlaskClient
from sqlalchemy.orm import Session

from app.keying import audit
from app.ledger.keys.losing import plan_for_loss
from app.ledger.keysystems.auditing import audit_systems
from app.ledger.keysystems.bittings import open_plan, spec_of
from app.ledger.keysystems.crosskeying import cross_key
from app.ledger.keysystems.keysets import add_keysets
from app.ledger.keysystems.selective import find_place
from app.ledger.keysystems.system_queries import get_system
from app.ledger.keysystems.unsealed_system import open_system
from app.ledger.store.engine import transaction
from app.ledger.store.errors import LedgerError
from app.ledger.store.work import Work
from app.ledger.tables import Cylinder, Event, Keyset, KeySystem, Level, Role
from tests.reading import words_of
from tests.web.keying.keying_system import bittings_in_clear, system_in_service

ClientAs = Callable[[Role | None], FlaskClient]


def _add(client: FlaskClient, system: KeySystem, symbol: str = "ENG") -> None:
    answer = client.post(f"/keying/systems/{system.id}/selective", data={"selective": symbol})
    assert answer.status_code == 303, words_of(answer.text)


def _cylinder(session: Session, symbol: str) -> Cylinder:
    return session.scalars(sa.select(Cylinder).join(Keyset).where(Keyset.symbol == symbol)).one()


def test_its_cost_is_shown_before_it_is_added_and_its_depth_is_handed_out_no_more(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    system = system_in_service(work)
    client = client_as(Role.BENCH)
    before = get_system(session, system.id).capacity
    place = find_place(work, system)
    page = words_of(client.get(f"/keying/systems/{system.id}/selective").text)
    assert (
        f"{place.place.before:,} bittings, with it {place.place.after:,}: {place.place.cost_percent} % less" in page
    )
    assert "Published: 20 to 25 %" in page and place.capacity == before
    _add(client, system)
    session.rollback()  # what was read before is old
    system = get_system(session, system.id)
    eng = next(one for one in system.keysets if one.level is Level.SELECTIVE)
    assert (eng.symbol, eng.parent.symbol) == ("ENG", "A")  # type: ignore[union-attr]
    assert system.capacity == place.capacity_with <= place.capacity
    said = session.scalars(sa.select(Event.summary).where(Event.kind == "selective master added")).one()
    assert f"{place.place.cost_percent} %" in said
    array, spec = open_plan(work.vault, system), spec_of(system)
    assert array is not None and array.withheld is not None
    chamber, depth = array.withheld
    for symbol, cuts in open_system(work, system.id).keys.items():
        assert (cuts[chamber - 1] == depth) == (symbol == "ENG")
        if symbol in ("AA", "AB"):
            under = array.under(spec, "C", cuts)
            assert under.usable and all(one[chamber - 1] != depth for one in under)
    for bitting in bittings_in_clear(work, system).values():
        assert bitting not in client.get(f"/keying/systems/{system.id}/selective").text
    again = client.post(f"/keying/systems/{system.id}/selective", data={"selective": "FIRE"})
    assert again.status_code == 422 and "at most one a system" in again.text


@pytest.mark.parametrize("symbol", ["", "AA", "E", "NMK", "ENG1", "GGM", "A" * 11])
def test_a_symbol_that_reads_as_another_is_refused(
    client_as: ClientAs, session: Session, work: Work, symbol: str
) -> None:
    system = system_in_service(work)
    answer = client_as(Role.BENCH).post(f"/keying/systems/{system.id}/selective", data={"selective": symbol})
    assert answer.status_code == 422 and 'id="selective-error"' in answer.text
    assert all(one.level is not Level.SELECTIVE for one in get_system(session, system.id).keysets)


def test_it_opens_chosen_doors_of_both_departments_and_has_changes_of_its_own(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    system = system_in_service(work)
    client = client_as(Role.BENCH)
    _add(client, system)
    for symbol in ("AA2", "AB3"):
        cross_key(work, _cylinder(session, symbol).id, ["ENG"])
    answer = client.post(
        f"/keying/systems/{system.id}/extend", data={"master": "ENG", "changes": "2", "deed": "extend"}
    )
    assert answer.status_code == 303, words_of(answer.text)
    with transaction(session):
        add_keysets(work, get_system(session, system.id), 4, "AA")
    opened = open_system(work, system.id)
    assert {"AA2(ENG)", "AB3(ENG)", "AA1", "AB1"} <= opened.ways.keys()
    changes = [one for one in opened.system.keysets if one.parent and one.parent.symbol == "ENG"]
    assert [(one.symbol, one.level) for one in changes] == [("ENG1", Level.CHANGE), ("ENG2", Level.CHANGE)]
    cylinders = {way.label: way.symbols for way in opened.ways.values()}
    own = {one.symbol: (one.symbol, "ENG", "A") for one in changes}  # as a cylinder on it would be pinned
    found = audit(opened.keys, {**cylinders, **own})
    assert not found.unintended
    assert audit_systems(work, [opened.system]).is_clean
    page = words_of(client.get(f"/keying/systems/{system.id}/selective").text)
    assert "AA2(ENG)" in page and "AB3(ENG)" in page and "AA1" not in page.partition("Cylinders under")[2]


def test_a_lost_key_of_it_exposes_its_doors_alone_and_gets_a_proven_plan(
    client_as: ClientAs, session: Session, work: Work
) -> None:
    system = system_in_service(work)
    _add(client_as(Role.BENCH), system)
    for symbol in ("AA2", "AB3"):
        cross_key(work, _cylinder(session, symbol).id, ["ENG"])
    plan = plan_for_loss(work, system.id, "ENG")
    assert plan is not None
    assert {way.label for way in plan.exposed} == {"AA2(ENG)", "AB3(ENG)"} == {way.label for way in plan.repin}
    assert plan.lost.proven and [*plan.lost.new] == ["ENG"]
    opened = open_system(work, system.id)
    keys, cuts = {**opened.keys, **plan.lost.new}, opened.keys["ENG"]
    cylinders = {way.label: way.symbols for way in opened.ways.values()}
    assert not audit(keys, cylinders).unintended
    for symbols in cylinders.values():  # the lost key turns nothing any more
        assert not all(
            cut in depths for cut, depths in zip(cuts, zip(*map(keys.get, symbols), strict=True), strict=True)
        )


def test_a_system_without_a_depth_to_spare_says_so(session: Session, work: Work) -> None:
    spec = {"chambers": 6, "depths": 3, "first_depth": 0, "macs": 2, "step": 1}
    with pytest.raises(LedgerError, match="none is left that a selective master alone could have"):
        find_place(work, system_in_service(work, spec))
